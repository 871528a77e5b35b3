"""Folders that one run writes into alone, while it runs."""

import contextlib
import os
import socket
from collections.abc import Iterator
from pathlib import Path

from formcheck.files import storage
from formcheck.files.locks import Held, open_bytes, take
from formcheck.model.errors import BusyError

LOCK_NAME = ".formcheck.lock"
_N_TRIES = 20
"""How often a lock file is opened anew that its last holder removed in between."""


@contextlib.contextmanager
def held_by_lock(out: Path, lock: Path) -> Iterator[None]:
    """Holds the folder `out`, which is there, by the file `lock` in it.

    The lock is the system's: it ends with the process that holds it, however that ends. Where
    the file system knows no locks nothing is held.

    Raises
    ------
    BusyError
        Another run holds it; the error names the process where that can be read.
    OutputError
        The lock file cannot be made.
    """
    handle, held = _opened(out, lock)
    try:
        if held == "taken":
            holder = _holder(lock)
            raise BusyError(
                f"{out}: another run is writing there{f' ({holder})' if holder else ''}; wait "
                "for it or choose another folder"
            )
        with contextlib.suppress(OSError):  # a full disk is told by what is to be written
            os.ftruncate(handle, 0)
            os.write(handle, f"process {os.getpid()} on {socket.gethostname()}".encode())
        yield
    finally:
        os.close(handle)


@contextlib.contextmanager
def held_folder(out: Path) -> Iterator[None]:
    """Makes the folder `out` and holds it for this run alone.

    What holds it is a hidden file that goes when the block ends; one that a killed run left
    holds nobody up. Folders made here that are empty at the end go too.

    Raises BusyError as `held_by_lock` does, OutputError when the folder cannot be written to.
    """
    made = [folder for folder in (out, *out.parents) if not os.path.exists(folder)]
    lock = out / LOCK_NAME
    try:
        storage.make_folder(out)
        with held_by_lock(out, lock):
            try:
                yield
            finally:
                if os.name != "nt":  # removed while held, so that nobody else's is removed
                    _remove(lock)
        if os.name == "nt":  # where an open file, thus one that is held, cannot be removed
            _remove(lock)
    finally:
        for folder in made:
            with contextlib.suppress(OSError):
                folder.rmdir()


def _remove(lock: Path) -> None:
    with contextlib.suppress(OSError):
        lock.unlink(missing_ok=True)


def _opened(out: Path, lock: Path) -> tuple[int, Held]:
    """The lock file, open, and whether it is held now: the file that bears the name still."""
    for n in range(_N_TRIES):
        try:
            handle = open_bytes(lock, os.O_CREAT | os.O_RDWR, links=False)
        except OSError as error:
            raise storage.output_error(error, out) from error
        held = take(handle)
        if held != "held" or n == _N_TRIES - 1 or _bears_its_name(handle, lock):
            break
        os.close(handle)
    return handle, held


def _bears_its_name(handle: int, lock: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), os.stat(lock))
    except OSError:
        return False


def _holder(lock: Path) -> str:
    """What the run that holds the folder says of itself, where the system lets it be read."""
    try:
        return lock.read_bytes()[:500].decode("utf-8", "replace").strip()
    except OSError:
        return ""
