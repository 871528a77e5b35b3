"""What a process asks of the C library's heap; without effect where the library has no such call.

glibc gives each new thread a heap of its own, up to eight for a core, and keeps the pages freed
in each. A clip is looked at by a dozen threads that come and go: which heaps they land in, and so
the most memory that a run takes, is chance. Once a picture has been freed, glibc keeps room for
the next ones in these heaps, too, and small blocks between them hold their pages (decision 55).
"""

import ctypes
import os
from collections.abc import Callable

_M_MMAP_THRESHOLD, _M_ARENA_MAX = -3, -8
"""Names of the settings in glibc's malloc.h."""

N_HEAPS = 2
LEAST_MAPPED_BYTES = 1 << 18
"""Below what a picture of 640 x 360 takes as it is decoded (346 KB) and one of 480 x 360 in three
colours (518 KB); smaller ones stay in the heaps."""


def keep_few_heaps() -> None:
    """Limits the heaps of this process to two, and keeps blocks of 256 KiB and more out of them.

    Such a block is mapped by itself and goes back to the system when it is freed.
    MALLOC_ARENA_MAX and MALLOC_MMAP_THRESHOLD_ have the last word. Heaps that are there already
    stay, so this comes first in a process.
    """
    set_option = _c_function("mallopt")
    if set_option and "MALLOC_ARENA_MAX" not in os.environ:
        set_option(_M_ARENA_MAX, N_HEAPS)
    if set_option and "MALLOC_MMAP_THRESHOLD_" not in os.environ:
        set_option(_M_MMAP_THRESHOLD, LEAST_MAPPED_BYTES)


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
