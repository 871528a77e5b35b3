"""A clip shows a patient: an analysis never speaks to the network, seen from the system's side."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import make_clips
import pytest

SAMPLE = Path(__file__).parent.parent / "sample_clips" / "squat_side.mp4"
INTERNET = re.compile(r"AF_INET6?\b|PF_INET6?\b|AF_NETLINK|AF_PACKET")
CALLS = re.compile(r"^\d+\s+(socket|connect|bind|listen|accept4?|send\w*|recv\w*)\(")


def _traced(tmp_path, *command) -> list[str]:
    """Every network call of the command and its children, as strace prints them."""
    trace = tmp_path / "trace.txt"
    done = subprocess.run(
        ["strace", "-f", "-qq", "-e", "trace=network", "-o", trace, *command],
        capture_output=True,
        text=True,
        env={**os.environ, "XDG_CACHE_HOME": str(tmp_path / "cache")},
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    return trace.read_text().splitlines()


@pytest.fixture(scope="module", autouse=True)
def strace():
    reason, trial = None, ["strace", "-qq", "-o", os.devnull, "true"]
    if not shutil.which("strace"):
        reason = "strace is not installed"
    elif subprocess.run(trial, capture_output=True).returncode:
        reason = "strace may not trace here"
    if reason and os.environ.get("CI"):
        pytest.fail(f"{reason}, and this check must not be left out")
    if reason:
        pytest.skip(reason)


def test_the_trace_would_show_a_connection(tmp_path):
    code = "import socket; socket.create_server(('127.0.0.1', 0)).close()"
    calls = _traced(tmp_path, sys.executable, "-c", code)
    assert any(CALLS.match(call) and INTERNET.search(call) for call in calls)


def test_analyze_makes_no_network_call(tmp_path):
    clip = tmp_path / "squat.mp4"
    make_clips.trimmed(SAMPLE, clip, 1.0, 5.5)
    out = tmp_path / "out"
    calls = _traced(
        tmp_path,
        sys.executable,
        "-m",
        "formcheck",
        "analyze",
        clip,
        "--exercise",
        "squat",
        "--pose-model",
        "lite",
        "--out",
        out,
    )
    assert (out / "report.json").is_file()
    assert (out / "annotated.mp4").is_file()
    assert [call for call in calls if INTERNET.search(call)] == []
    # Not even talk between processes of this machine is needed.
    assert [call for call in calls if CALLS.match(call)] == []
