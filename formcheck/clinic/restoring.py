"""A restore in steps that a kill cannot leave half done.

    unpacking   beside the data folder lies NAME.restoring-TOKEN, without a mark
    ready       it holds a mark, and every byte of it was checked
    in place    it bears the data folder's name, the mark still in it

What was there before is then NAME.before-restore-TIME. The mark goes last. Whoever opens the data
folder next undoes a restore that was not ready, and finishes one that was.
"""

import contextlib
import glob
import json
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

from formcheck.files.locks import open_bytes, take
from formcheck.files.storage import sync_folder, write_text
from formcheck.model.errors import BusyError, OutputError

_MARK = ".restoring.json"


def beside(place: Path, token: str) -> Path:
    """Where a backup is unpacked that is to become the folder `place`."""
    return place.with_name(f"{place.name}.restoring-{token}")


def earlier_folders(place: Path) -> list[Path]:
    """The folders that restores have put out of the way of `place`."""
    return _siblings(place, ".before-restore-*")


def _siblings(place: Path, ending: str) -> list[Path]:
    found = glob.glob(glob.escape(os.fspath(place)) + ending)
    return sorted(Path(path) for path in found if os.path.isdir(path))


@contextlib.contextmanager
def alone(place: Path) -> Iterator[None]:
    """Holds the place of a data folder for one restore. Raises BusyError."""
    lock = place.with_name(f".{place.name}.restoring.lock")
    try:
        handle = open_bytes(lock, os.O_CREAT | os.O_RDWR, 0o600, links=False)
    except OSError as error:
        raise OutputError(f"{place}: cannot be made ({error.strerror})") from error
    try:
        if take(handle) == "taken":
            raise BusyError(f"{place}: a backup is being brought back there; wait for it")
        yield
        if os.name != "nt":
            lock.unlink(missing_ok=True)
    finally:
        os.close(handle)


def make_ready(unpacked: Path, kept: Path, *, is_kept: bool) -> None:
    """Marks an unpacked backup as whole: from here on a restore is finished, not undone.

    kept : the name that what is there now will bear. is_kept : whether it stays.
    """
    folders = [Path(folder) for folder, _, _ in os.walk(unpacked)]
    for folder in folders:
        sync_folder(folder)
    write_text(unpacked / _MARK, json.dumps({"kept": kept.name, "is_kept": is_kept}))


def put_in_place(unpacked: Path, place: Path) -> None:
    """Gives an unpacked backup the data folder's name; what was there gets another.

    Raises OutputError, with the folder back in its place; or, where not even that can be done,
    with nothing in it and the unpacked backup ready, so that the next start finishes.
    """
    kept = place.with_name(json.loads((unpacked / _MARK).read_text(encoding="utf-8"))["kept"])
    try:
        if place.exists():
            os.rename(place, kept)
        try:
            os.rename(unpacked, place)
        except OSError:
            os.rename(kept, place)
            raise
    except OSError as error:
        mend = "close what uses it"
        if not place.exists():
            mend += f", then start formcheck again, which finishes; until then it is {kept.name}"
        raise OutputError(f"{place}: cannot be moved ({error.strerror}); {mend}") from error
    sync_folder(place.parent)
    end(place)


def end(place: Path) -> None:
    """Takes the last step of a restore whose folder is in place."""
    mark = place / _MARK
    told = json.loads(mark.read_text(encoding="utf-8"))
    if not told["is_kept"]:
        shutil.rmtree(place.with_name(told["kept"]), ignore_errors=True)
    mark.unlink(missing_ok=True)


def settle(place: Path) -> str:
    """Finishes or undoes the restore that was broken off in `place`; what was done, in words.

    Raises BusyError while one is going on; OutputError when it can be neither finished nor
    undone.
    """
    if not _siblings(place, ".restoring-*") and not (place / _MARK).exists():
        return ""
    words = ""
    with alone(place):
        if (place / _MARK).exists():
            end(place)
            words = "a restore that was broken off has been finished"
        for unpacked in _siblings(place, ".restoring-*"):
            if (unpacked / _MARK).exists() and not words:
                _clear(place)
                put_in_place(unpacked, place)
                words = "a restore that was broken off has been finished"
            else:
                shutil.rmtree(unpacked, ignore_errors=True)
                words = words or "a restore that was broken off has been undone"
    print(f"formcheck: {place}: {words}", file=sys.stderr)
    return words


def _clear(place: Path) -> None:
    """Removes an empty data folder that was made after the one before had been moved."""
    if place.is_dir() and not (place / "clinic.db").exists():
        for folder, _, files in os.walk(place):
            if any(name != "serving.lock" for name in files):
                raise OutputError(f"{folder}: lies where a restore is to be finished; move it away")
        shutil.rmtree(place)
