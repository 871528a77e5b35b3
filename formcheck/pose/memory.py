"""What a process asks of the C library's heap; without effect where the library has no such call.

glibc gives each new thread a heap of its own, up to eight for a core, and keeps the pages freed
in each. A clip is looked at by a dozen threads that come and go: which heaps they land in, and so
the most memory that a run takes, is chance (decision 55).
"""

import ctypes
import os
from collections.abc import Callable

_M_ARENA_MAX = -8
"""Name of the setting in glibc's malloc.h."""

N_HEAPS = 2


def keep_few_heaps() -> None:
    """Limits the heaps of this process to two, unless MALLOC_ARENA_MAX says otherwise.

    Heaps that are there already stay, so this comes first in a process.
    """
    set_option = _c_function("mallopt")
    if set_option and "MALLOC_ARENA_MAX" not in os.environ:
        set_option(_M_ARENA_MAX, N_HEAPS)


def return_free_memory() -> None:
    """Gives freed pages back to the system."""
    trim = _c_function("malloc_trim")
    if trim:
        trim(0)


def _c_function(name: str) -> Callable[..., int] | None:
    try:
        return getattr(ctypes.CDLL(None), name, None)
    except (OSError, TypeError):  # a system whose C library is not part of the process
        return None
