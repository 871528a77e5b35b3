"""Files held by one process: the lock ends with its holder; without locks the work goes on."""

import os
import subprocess
import sys

import pytest

from formcheck.batch.output import held
from formcheck.files import locks, storage
from formcheck.model.errors import BusyError

HOLD = """
import os, sys
from formcheck.files.locks import open_bytes, take
handle = open_bytes(sys.argv[1], os.O_RDWR | os.O_CREAT)
print(take(handle), flush=True)
sys.stdin.read()
"""


@pytest.fixture
def other(tmp_path):
    """Another process that holds a file."""
    path = tmp_path / "lock"
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout.readline().strip() == b"held"
        yield path, process
        process.kill()


def test_a_file_that_another_process_holds_is_taken_until_that_ends(other):
    path, process = other
    handle = locks.open_bytes(path, os.O_RDWR)
    try:
        assert locks.take(handle) == "taken"
        process.kill()
        process.wait()
        assert locks.take(handle) == "held"
    finally:
        os.close(handle)


def test_where_the_system_knows_no_locks_it_says_so(monkeypatch, tmp_path):
    import filelock

    def knows_none(*_args, **_options):
        raise OSError("no locks here")

    monkeypatch.setattr(filelock, "lock_descriptor", knows_none)
    with (tmp_path / "f").open("wb") as file:
        assert locks.take(file.fileno()) == "unknown"
    with held(tmp_path / "out"), held(tmp_path / "out"):
        pass  # two runs must then be kept apart by hand
    left = tmp_path / ".a.00000000.part.txt"
    left.write_text("of a killed run, or of one that lives: nobody can tell")
    storage.write_text(tmp_path / "a.txt", "whole")
    assert left.exists()


def test_what_a_killed_run_left_is_removed_and_what_lives_stays(tmp_path):
    killed = tmp_path / ".a.00000000.part.txt"
    killed.write_text("half")
    with storage.write_atomically(tmp_path / "a.txt") as living:
        living.write_text("still at it")
        storage.write_text(tmp_path / "a.txt", "in between")
        assert not killed.exists()
        assert living.exists()
    assert (tmp_path / "a.txt").read_text() == "still at it"


def test_where_open_files_cannot_be_renamed_they_are_closed_first(monkeypatch, tmp_path):
    monkeypatch.setattr(storage, "_IS_OPEN_KEPT", True)
    closed, replace = [], os.replace
    close = os.close

    def remember(handle):
        closed.append(handle)
        close(handle)

    def renamed(source, target):
        assert closed, "the file is open still"
        replace(source, target)

    monkeypatch.setattr(storage.os, "close", remember)
    monkeypatch.setattr(storage.os, "replace", renamed)
    (tmp_path / ".a.00000000.part.txt").write_text("half")
    storage.write_text(tmp_path / "a.txt", "whole")
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_a_second_run_is_told_who_holds_the_folder(tmp_path):
    with held(tmp_path), pytest.raises(BusyError, match=f"process {os.getpid()} on"):
        with held(tmp_path):
            pytest.fail("two at once")
