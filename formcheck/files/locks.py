"""Files that one process holds alone: the system's own locks, which end with their holder."""

import os
from pathlib import Path
from typing import Literal

Held = Literal["held", "taken", "unknown"]

_BINARY = getattr(os, "O_BINARY", 0)
"""Windows changes line ends in files that are opened without it."""
_NOT_INHERITED = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NOINHERIT", 0)
_NO_LINK = getattr(os, "O_NOFOLLOW", 0)


def open_bytes(path: Path | str, flags: int, mode: int = 0o666, *, links: bool = True) -> int:
    """A file's descriptor for bytes as they are, not passed on to processes that are started.

    links : whether a symbolic link is followed, where the system can refuse it.
    """
    return os.open(path, flags | _BINARY | _NOT_INHERITED | (0 if links else _NO_LINK), mode)


def take(handle: int) -> Held:
    """Locks an open file for whoever holds this descriptor, without waiting.

    Returns
    -------
    "held" until the descriptor is closed; "taken" where another holds it; "unknown" where the
    system or the file system knows no locks, as some network folders do not.
    """
    from filelock import lock_descriptor

    try:
        return "held" if lock_descriptor(handle, blocking=False) else "taken"
    except OSError:
        return "unknown"
