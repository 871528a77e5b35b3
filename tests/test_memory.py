"""The heap's settings, as glibc itself tells of them (malloc_info(3), an XML with every heap)."""

import ctypes
import os
import subprocess
import sys

import pytest

pytestmark = pytest.mark.skipif(
    not hasattr(ctypes.CDLL(None), "malloc_info"), reason="a C library without malloc_info"
)

_BEGIN = """
import ctypes, sys, threading
from formcheck.pose.memory import keep_few_heaps, return_free_memory
libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
libc.malloc.argtypes = [ctypes.c_size_t]
libc.free.argtypes = [ctypes.c_void_p]
"""

_N_HEAPS = """
def n_heaps():
    libc.fopen.restype = ctypes.c_void_p
    libc.malloc_info.argtypes = [ctypes.c_int, ctypes.c_void_p]
    libc.fclose.argtypes = [ctypes.c_void_p]
    file = libc.fopen(sys.argv[1].encode(), b"w")
    libc.malloc_info(0, file)
    libc.fclose(file)
    return open(sys.argv[1]).read().count("<heap nr=")

barrier = threading.Barrier(7)
def use():
    libc.malloc(1000)
    barrier.wait()
    barrier.wait()
"""

_SIX_THREADS = """
for _ in range(6):
    threading.Thread(target=use).start()
barrier.wait()
print(n_heaps())
barrier.wait()
"""


def _printed(code: str, *args, **environment: str) -> str:
    kept = {key: value for key, value in os.environ.items() if key != "MALLOC_ARENA_MAX"}
    done = subprocess.run(
        [sys.executable, "-c", _BEGIN + code, *map(str, args)],
        env=kept | environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return done.stdout


def test_a_process_that_asks_for_it_keeps_two_heaps_whatever_its_threads(tmp_path):
    # Without it glibc makes up to eight for each core.
    assert int(_printed(_N_HEAPS + _SIX_THREADS, tmp_path / "a.xml")) > 2
    assert int(_printed("keep_few_heaps()" + _N_HEAPS + _SIX_THREADS, tmp_path / "b.xml")) <= 2


def test_the_environment_has_the_last_word(tmp_path):
    heaps = _printed(
        "keep_few_heaps()" + _N_HEAPS + _SIX_THREADS, tmp_path / "c.xml", MALLOC_ARENA_MAX="4"
    )
    assert 2 < int(heaps) <= 4


_RESIDENT = """
def resident():
    return int(open("/proc/self/statm").read().split()[1])
"""

_PICTURES_WITH_LANDMARKS_BETWEEN = """
def picture():
    block = libc.malloc(n_bytes)
    ctypes.memset(block, 1, n_bytes)
    return block

libc.free(picture())  # from here on glibc takes such blocks from the heap
before = resident()
pictures, landmarks = [], []
for _ in range(120_000_000 // n_bytes):
    pictures.append(picture())
    landmarks.append(libc.malloc(100_000))
for block in pictures:
    libc.free(block)
print(resident() - before)
"""


@pytest.mark.parametrize("n_bytes", [6_000_000, 480 * 360 * 3])
def test_pictures_go_back_to_the_system_whatever_was_kept_between_them(n_bytes):
    code = f"\nn_bytes = {n_bytes}" + _RESIDENT + _PICTURES_WITH_LANDMARKS_BETWEEN
    assert int(_printed(code)) > 20_000  # pages of 4 KB: most of the 120 MB
    assert int(_printed("keep_few_heaps()" + code)) < 1_000
    said = {"MALLOC_MMAP_THRESHOLD_": "10000000"}
    assert int(_printed("keep_few_heaps()" + code, **said)) > 20_000


def test_freed_pages_go_back_to_the_system():
    before, after = map(
        int,
        _printed(
            _RESIDENT
            + """
blocks = [libc.malloc(1000) for _ in range(40_000)]
for block in blocks:
    ctypes.memset(block, 1, 1000)
last = libc.malloc(1000)  # the heap's end is in use: nothing is given back by itself
for block in blocks:
    libc.free(block)
before = resident()
return_free_memory()
print(before, resident())
"""
        ).split(),
    )
    # 40 MB of pages of 4 KB
    assert before - after > 5_000


def test_a_system_without_these_calls_is_left_alone(monkeypatch):
    from formcheck.pose import memory

    class Library:
        pass

    monkeypatch.setattr(memory.ctypes, "CDLL", lambda name: Library())
    memory.keep_few_heaps()
    memory.return_free_memory()

    def refuse(name):
        raise TypeError("no name")

    monkeypatch.setattr(memory.ctypes, "CDLL", refuse)
    memory.keep_few_heaps()
    memory.return_free_memory()
