"""A result folder is written by one run at a time: the second one is told, and ends with 8."""

import json
import os
import subprocess
import sys

import pytest

from formcheck.files.held_folders import LOCK_NAME, held_folder
from formcheck.model.errors import BusyError, OutputError

PAUSED = """
import sys
from formcheck.run import pipeline
measured = pipeline.analyze

def measured_later(*args, **options):
    print("begun", flush=True)
    sys.stdin.readline()
    return measured(*args, **options)

pipeline.analyze = measured_later
from formcheck.cli import main
main()
"""
HOLD = """
import sys
from pathlib import Path
from formcheck.files.held_folders import held_folder
with held_folder(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def _started(code, *args, env=None):
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(os.fspath, args)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, **(env or {})},
    )


def test_a_second_analysis_into_a_folder_ends_with_8_and_the_first_goes_on(
    squat_results, short_squat, run_formcheck, cache_home, tmp_path
):
    out = tmp_path / "out"
    args = ("analyze", short_squat, "--exercise", "squat", "--out", out, "--pose-model", "lite")
    args = (*args, "--no-video")
    with _started(PAUSED, *args, env={"XDG_CACHE_HOME": str(cache_home)}) as first:
        try:
            assert first.stdout.readline() == "begun\n"
            second = run_formcheck(*args)
            assert second.returncode == 8
            assert second.stdout == ""
            assert second.stderr.count("\n") == 1
            assert f"another run is writing there (process {first.pid} on" in second.stderr
            assert os.listdir(out) == [LOCK_NAME]
            other = [tmp_path / "other" if a == out else a for a in args]
            elsewhere = run_formcheck(*other)
            assert elsewhere.returncode == 0, elsewhere.stderr
            first.communicate("\n", timeout=120)
        finally:
            first.kill()
    assert first.returncode == 0
    names = {p.name for p in squat_results.iterdir()} - {"annotated.mp4"}
    assert {p.name for p in out.iterdir()} == names
    assert json.loads((out / "report.json").read_text(encoding="utf-8"))["repetitions"]


def test_one_process_does_not_hold_a_folder_twice(tmp_path):
    with held_folder(tmp_path / "out"), pytest.raises(BusyError):
        with held_folder(tmp_path / "out"):
            pytest.fail("two at once")
    assert os.listdir(tmp_path) == []


def test_what_a_killed_run_left_holds_nobody_up_and_goes(tmp_path):
    out = tmp_path / "out"
    with _started(HOLD, out) as killed:
        assert killed.stdout.readline() == "held\n"
        with pytest.raises(BusyError), held_folder(out):
            pass
        killed.kill()
    assert os.listdir(out) == [LOCK_NAME]
    with held_folder(out):
        (out / "report.json").write_text("{}")
    assert os.listdir(out) == ["report.json"]


def test_only_empty_folders_that_were_made_go(tmp_path):
    (tmp_path / "there").mkdir()
    with pytest.raises(ValueError, match="no person"), held_folder(tmp_path / "there/a/b"):
        raise ValueError("no person")
    assert os.listdir(tmp_path) == ["there"]
    with held_folder(tmp_path / "there"):
        pass
    assert os.listdir(tmp_path) == ["there"]
    assert os.listdir(tmp_path / "there") == []


@pytest.mark.skipif(os.name == "nt", reason="an open file cannot be removed there")
def test_a_lock_file_that_its_holder_removes_meanwhile_is_not_taken_for_the_lock(
    monkeypatch, tmp_path
):
    from formcheck.files import held_folders

    take, lock = held_folders.take, tmp_path / LOCK_NAME
    taken = []

    def take_after_removal(handle):
        if not taken:
            lock.unlink()  # the last run ends between this one's opening and its taking
        taken.append(handle)
        return take(handle)

    monkeypatch.setattr(held_folders, "take", take_after_removal)
    with held_folder(tmp_path):
        assert lock.exists()
        monkeypatch.undo()
        with pytest.raises(BusyError), held_folder(tmp_path):
            pass
    assert len(taken) == 2


@pytest.mark.skipif(not hasattr(os, "O_NOFOLLOW"), reason="links are followed there")
def test_a_link_in_place_of_the_lock_is_not_written_through(tmp_path):
    (tmp_path / "letter").write_text("mine")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / LOCK_NAME).symlink_to(tmp_path / "letter")
    with pytest.raises(OutputError), held_folder(tmp_path / "out"):
        pass
    assert (tmp_path / "letter").read_text() == "mine"
