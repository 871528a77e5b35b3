"""The data folder: where recordings, results and the database lie, for the owner only."""

import contextlib
import os
import re
import secrets
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from formcheck.clinic.restoring import settle
from formcheck.files.locks import open_bytes, take
from formcheck.files.storage import make_folder, output_error, write_atomically
from formcheck.model.errors import BusyError, NoRoomError, UsageError

UID = re.compile(r"[0-9a-f]{32}")
"""Names that we give ourselves: nothing else ever becomes part of a path."""

_LOCK_NAME = "serving.lock"
_AGAIN_NAME = "open-again-"
ASKED_S = 60.0
"""A server looks twice a second: a page that was asked for longer ago has none any more."""

RECORDING_SUFFIXES = (".mp4", ".m4v", ".mov", ".webm", ".mkv", ".avi")


@dataclass(frozen=True, slots=True, kw_only=True)
class DataFolder:
    """The places inside a data folder."""

    root: Path

    @property
    def database(self) -> Path:
        return self.root / "clinic.db"

    @property
    def recordings(self) -> Path:
        return self.root / "recordings"

    @property
    def uploads(self) -> Path:
        return self.root / "uploads"

    @property
    def results(self) -> Path:
        return self.root / "results"

    @property
    def templates(self) -> Path:
        """The clinic's own programmes to begin from; not made, and may be missing."""
        return self.root / "templates"

    def recording(self, name: str) -> Path:
        """The recording of a set, by the name that we gave it.

        Raises ValueError for any name that is not one of ours.
        """
        stem, dot, suffix = name.partition(".")
        if not UID.fullmatch(stem) or dot + suffix not in RECORDING_SUFFIXES:
            raise ValueError(f"{name!r} is no name of a recording")
        return self.recordings / name

    def upload(self, uid: str) -> Path:
        """The recording that is still being received."""
        return self.uploads / f"{_own(uid)}.part"

    def result(self, uid: str) -> Path:
        """The folder of a set's results."""
        return self.results / _own(uid)


def _own(uid: str) -> str:
    if not UID.fullmatch(uid):
        raise ValueError(f"{uid!r} is no name of ours")
    return uid


def default_data_folder() -> Path:
    """Where the clinic's data lies for this user, by the system's convention."""
    from platformdirs import user_data_path

    return user_data_path("formcheck", appauthor=False)


def data_folder(root: Path | None = None) -> DataFolder:
    """The data folder, made where missing, readable by its owner only. A restore that was broken
    off there is finished or undone first.

    Raises OutputError when it cannot be made, BusyError while a backup is being brought back.
    """
    folder = DataFolder(root=Path(root) if root is not None else default_data_folder())
    settle(folder.root)
    for place in (folder.root, folder.recordings, folder.uploads, folder.results):
        make_folder(place, is_private=True)
    return folder


def existing_data_folder(root: Path | None) -> DataFolder:
    """The data folder that is there already, for what only reads: a slip of the pen in its name
    must not make an empty one.

    Raises UsageError when it holds no clinic's data.
    """
    folder = DataFolder(root=Path(root) if root is not None else default_data_folder())
    settle(folder.root)
    if not folder.database.is_file():
        raise UsageError(f"{folder.root}: holds no clinic's data; name its folder with --data")
    return folder


def refuse_inside(target: Path, folder: DataFolder) -> None:
    """Raises UsageError for a file to be written inside the data folder: it would be lost with
    it, or stand in the database's place."""
    if Path(target).resolve().is_relative_to(folder.root.resolve()):
        raise UsageError(f"{target}: lies inside the data folder; write the file somewhere else")


def holds_foreign_files(root: Path) -> bool:
    """Whether anything lies in a folder but the empty places of a data folder never used."""
    if not root.is_dir():
        return False
    folder = DataFolder(root=root)
    places = {folder.recordings, folder.uploads, folder.results}
    return any(
        any(path.iterdir()) if path in places and path.is_dir() else path.name != _LOCK_NAME
        for path in root.iterdir()
    )


@contextlib.contextmanager
def serving(folder: DataFolder) -> Iterator[None]:
    """Holds the data folder for one server. Raises BusyError when another one has it."""
    handle = open_bytes(folder.root / _LOCK_NAME, os.O_CREAT | os.O_RDWR, 0o600)
    try:
        if take(handle) == "taken":
            raise BusyError(
                f"{folder.root}: formcheck is already serving this folder; use that window, or "
                "stop it first"
            )
        yield
    finally:
        os.close(handle)


def ask_again(folder: DataFolder, page: str = "") -> None:
    """Asks the server of this folder to open its page once more, or the page of a path. Only the
    folder's owner can."""
    with write_atomically(folder.root / f"{_AGAIN_NAME}{secrets.token_hex(8)}") as beside:
        beside.write_text(page, "utf-8")


def pages_asked_again(folder: DataFolder) -> list[str]:
    """The paths that were asked for since the last look, empty for the usual page.

    What nobody answered for a minute is dropped: the server that it was meant for is gone.
    """
    pages = []
    for asked in folder.root.glob(f"{_AGAIN_NAME}*"):
        if asked.suffix == ".part":
            continue
        try:
            is_meant = time.time() - asked.stat().st_mtime < ASKED_S
            page = asked.read_text("utf-8")
            asked.unlink()
        except (OSError, UnicodeError):
            continue
        if is_meant:
            pages.append(page)
    return pages


def need_room(folder: DataFolder, n_bytes: int) -> None:
    """Raises OutputError when fewer than `n_bytes` are free beside a margin of 200 MB."""
    try:
        free = shutil.disk_usage(folder.root).free
    except OSError as error:
        raise output_error(error, folder.root) from error
    if free < n_bytes + 200_000_000:
        raise NoRoomError(f"{folder.root}: the disk is nearly full; free some space first")


def remove_folder(path: Path) -> None:
    """Removes a folder of ours with all in it; nothing where there is none."""
    shutil.rmtree(path, ignore_errors=True)
