"""The command line where there is no fcntl and no fork: analyze and batch give the same files."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from batch_helpers import PATTERN, QUICK_OPTIONS, copies, short_clip, tables

ROOT = Path(__file__).resolve().parent.parent
SIMULATED = ROOT / "tests/other_system"


def run(*args, simulated: bool, folder: Path) -> subprocess.CompletedProcess:
    paths = [SIMULATED, ROOT] if simulated else [ROOT]
    return subprocess.run(
        [sys.executable, "-m", "formcheck", *map(os.fspath, args)],
        capture_output=True,
        text=True,
        timeout=300,
        cwd=folder,
        env={
            **os.environ,
            "PYTHONPATH": os.pathsep.join(map(str, paths)),
            "XDG_CACHE_HOME": str(folder / "cache"),
        },
    )


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    return short_clip(tmp_path_factory.mktemp("clip") / "squat_left.mp4")


def test_the_simulation_takes_away_what_it_says():
    code = (
        "import os, subprocess\ntry:\n import fcntl\nexcept ImportError: print('none', end=' ')\n"
    )
    code += "print(hasattr(os, 'fork'), hasattr(os, 'pread'))"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": str(SIMULATED)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == ["none", "False", "False"]


def test_analyze_leaves_the_same_results(clip, tmp_path):
    for name, is_simulated in (("here", False), ("there", True)):
        options = ("--exercise", "squat", "--side", "left", "--no-video", *QUICK_OPTIONS)
        done = run(
            "analyze",
            clip,
            *options,
            "--out",
            tmp_path / name,
            simulated=is_simulated,
            folder=tmp_path,
        )
        assert done.returncode == 0, done.stderr
    names = sorted(p.name for p in (tmp_path / "here").iterdir())
    assert names == sorted(p.name for p in (tmp_path / "there").iterdir())
    for name in ("reps.csv", "track.parquet", "request.json"):
        assert (tmp_path / "here" / name).read_bytes() == (tmp_path / "there" / name).read_bytes()


def test_a_batch_measures_with_worker_processes(clip, tmp_path):
    copies(clip, tmp_path / "in", ["p1_squat_left.mp4", "p2_squat_left.mp4"])
    for name, is_simulated in (("here", False), ("there", True)):
        done = run(
            "batch",
            tmp_path / "in",
            "--pattern",
            PATTERN,
            "--workers",
            "2",
            *QUICK_OPTIONS,
            "--out",
            tmp_path / name,
            simulated=is_simulated,
            folder=tmp_path,
        )
        assert done.returncode == 0, done.stderr
        assert "Measured 2, failed 0" in done.stdout
    assert tables(tmp_path / "here") == tables(tmp_path / "there")
