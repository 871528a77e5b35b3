"""The most memory that a piece of work takes, as Linux counts it for a process of its own."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

# Not getrusage: a new process starts there with the peak of the one that started it.
_PROGRAM = """
import sys
try:
    exec(sys.argv.pop(1))
finally:
    with open("/proc/self/status") as file:
        (peak,) = [line for line in file if line.startswith("VmHWM")]
    print("\\n" + peak.split()[1], file=sys.stderr)
"""


def peak_mb(code: str, *args, timeout_s: float = 900) -> float:
    """Peak resident memory in MB of Python code that finds `args` in sys.argv[1:]."""
    if not Path("/proc/self/status").exists():
        pytest.skip("needs /proc")
    done = subprocess.run(
        [sys.executable, "-c", _PROGRAM, code, *map(os.fspath, args)],
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return int(done.stderr.split()[-1]) / 1024
