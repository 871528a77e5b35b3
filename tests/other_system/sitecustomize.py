"""Makes a Python look like one of a system that is not POSIX: on PYTHONPATH it is loaded first.

No fcntl, no fork, no descriptors handed on, none of the calls that Windows lacks. What is refused
here fails there.
"""

import os
import subprocess
import sys

sys.modules["fcntl"] = None  # `import fcntl` raises ImportError
for name in (
    "O_CLOEXEC",
    "O_NOFOLLOW",
    "O_NONBLOCK",
    "fork",
    "forkpty",
    "mkfifo",
    "nice",
    "pread",
    "pwrite",
    "sched_getaffinity",
    "posix_spawn",
):
    if hasattr(os, name):
        delattr(os, name)


_popen = subprocess.Popen.__init__


def _start(self, *args, pass_fds=(), preexec_fn=None, **options):
    if pass_fds or preexec_fn:
        raise ValueError("pass_fds and preexec_fn are not supported on this system")
    _popen(self, *args, **options)


subprocess.Popen.__init__ = _start
