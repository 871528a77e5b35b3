"""Shared pieces: the sample clips, and the command line run as a person would."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import hypothesis
import pytest

# A shell that runs this in the background has Ctrl-C ignored, and every child would inherit it.
signal.signal(signal.SIGINT, signal.default_int_handler)

# How long an example takes says more about the machine than about the code.
hypothesis.settings.register_profile("no_clock", deadline=None)
hypothesis.settings.load_profile("no_clock")

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "sample_clips"


@pytest.fixture(scope="session")
def samples() -> Path:
    """The folder of sample clips."""
    return SAMPLES


@pytest.fixture(scope="session")
def cache_home(tmp_path_factory) -> Path:
    """A cache folder of the test run's own, shared by its commands."""
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="session")
def run_formcheck(cache_home):
    """Runs `python -m formcheck ARGS...`; gives the finished process with its text."""

    def run(*args, timeout_s: float = 120, env: dict | None = None, cwd=None):
        return subprocess.run(
            [sys.executable, "-m", "formcheck", *map(os.fspath, args)],
            capture_output=True,
            text=True,
            timeout=timeout_s,
            check=False,
            cwd=cwd,
            env={**os.environ, "XDG_CACHE_HOME": str(cache_home), **(env or {})},
        )

    return run


@pytest.fixture(scope="session")
def short_squat(tmp_path_factory) -> Path:
    """The first two repetitions of a side-view squat set, 8.5 s."""
    from make_clips import trimmed

    path = tmp_path_factory.mktemp("clips") / "squat two.mp4"
    trimmed(SAMPLES / "squat_side.mp4", path, 0.0, 8.5)
    return path


@pytest.fixture(scope="session")
def squat_results(run_formcheck, short_squat, tmp_path_factory) -> Path:
    """The result folder of that clip, measured with the small bundle."""
    out = tmp_path_factory.mktemp("results") / "squat"
    done = run_formcheck(
        "analyze",
        short_squat,
        "--exercise",
        "squat",
        "--side",
        "left",
        "--out",
        out,
        "--pose-model",
        "lite",
        "--at-least",
        "knee_flexion_peak_deg=60",
        "--at-most",
        "knee_flexion_peak_deg=170",
    )
    assert done.returncode == 0, done.stderr
    return out


@pytest.fixture
def clinic(tmp_path):
    """A clinic with nobody in it."""
    from clinic_cases import new_clinic

    made = new_clinic(tmp_path)
    yield made
    made.close()


@pytest.fixture(scope="module")
def results(squat_results, tmp_path_factory):
    """A finished result folder for sets of a clinic."""
    from clinic_cases import clinic_results

    return clinic_results(squat_results, tmp_path_factory.mktemp("clinic"))
