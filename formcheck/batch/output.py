"""The output folder of a batch: who may write there, and the log of what happened."""

import contextlib
import datetime
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from formcheck.batch.clips import DESCRIPTION_NAME, WORK_NAME, readable
from formcheck.batch.one_clip import clear_parts, parts_folder
from formcheck.files import storage
from formcheck.files.held_folders import held_by_lock
from formcheck.files.locks import open_bytes
from formcheck.model.errors import UsageError

LOG_NAME = "log.jsonl"


def refuse_unfit(folder: Path, out: Path) -> None:
    """Raises UsageError when the output would overwrite what is not a batch's own."""
    if os.path.realpath(folder) == os.path.realpath(out):
        raise UsageError(f"{out}: is the folder of the clips; choose another one for the results")
    if (out / DESCRIPTION_NAME).exists() and not (out / WORK_NAME).is_dir():
        raise UsageError(
            f"{out}: holds a {DESCRIPTION_NAME} that no batch wrote and this run would overwrite; "
            "choose another folder for the results"
        )


@contextmanager
def held(out: Path) -> Iterator[None]:
    """Holds the output folder for this run alone, and clears what a killed run left there.

    The lock is the system's: it ends with the process that holds it, however that ends.

    Raises
    ------
    BusyError
        Another run holds it.
    OutputError
        The folder cannot be made or written to.
    """
    storage.make_folder(out / WORK_NAME)
    with held_by_lock(out, out / WORK_NAME / "lock"):
        clear_parts(out)
        storage.make_folder(parts_folder(out))
        try:
            yield
        finally:
            # What a machine of a cluster left that died in a run that went on.
            clear_parts(out)


def has_room(out: Path) -> bool:
    """Whether the output folder still takes a file, to tell a full disk from a bad clip."""
    probe = out / WORK_NAME / "probe"
    try:
        with probe.open("wb") as file:
            file.write(bytes(4_000_000))
            os.fsync(file.fileno())
    except OSError:
        return False
    finally:
        with contextlib.suppress(OSError):
            probe.unlink(missing_ok=True)
    return True


class Log:
    """Appends to the run's log: one JSON object a line, each with `at` and `event`."""

    def __init__(self, out: Path):
        path = out / LOG_NAME
        try:
            # It names clips, which may be called after patients.
            self._handle = open_bytes(path, os.O_CREAT | os.O_RDWR | os.O_APPEND, 0o600)
            with contextlib.suppress(OSError):
                os.chmod(path, 0o600)
            size = os.lseek(self._handle, 0, os.SEEK_END)
            if size:
                os.lseek(self._handle, size - 1, os.SEEK_SET)
                if os.read(self._handle, 1) != b"\n":
                    os.write(self._handle, b"\n")  # a killed run may have left half a line
        except OSError as error:
            raise storage.output_error(error, path) from error

    def __enter__(self) -> "Log":
        return self

    def __exit__(self, *_exception) -> None:
        os.close(self._handle)

    def write(self, event: str, **facts: object) -> None:
        at = datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds")
        if "file" in facts:
            facts["file"] = readable(facts["file"])
        line = json.dumps({"at": at, "event": event, **facts}, ensure_ascii=True)
        # A full disk must not stop a run for its log's sake.
        with contextlib.suppress(OSError):
            os.write(self._handle, line.encode() + b"\n")
