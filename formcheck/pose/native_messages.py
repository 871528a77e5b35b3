"""Keeps the notes of native libraries off stderr, and their errors on it."""

import contextlib
import os
import re
import sys
import tempfile
import threading

_NOTES = re.compile(rb"INFO: |WARNING: All log messages before absl|[IW]\d{4} \d\d:\d\d:")
"""Starts of lines by which native code tells its notes and warnings; errors start otherwise."""
_lock = threading.RLock()


@contextlib.contextmanager
def native_messages_held():
    """Holds back what native code writes to stderr, and afterwards lets all but notes through.

    MediaPipe notes its start on the file descriptor itself, out of reach of `sys.stderr` and of
    any setting; between a person's progress lines they read like faults.
    """
    with _lock:
        try:
            stderr = os.dup(2)
        except OSError:  # there is no stderr to keep clean
            yield
            return
        with _flushed_stderr(), _nameless_file() as held:
            os.dup2(held.fileno(), 2)
            try:
                yield
            finally:
                with _flushed_stderr():
                    os.dup2(stderr, 2)
                    os.close(stderr)
                held.seek(0)
                for line in held.read().splitlines(keepends=True):
                    if not _NOTES.match(line):
                        os.write(2, line)


@contextlib.contextmanager
def _flushed_stderr():
    if sys.stderr is not None:
        with contextlib.suppress(OSError, ValueError):
            sys.stderr.flush()
    yield


def _nameless_file():
    if hasattr(os, "memfd_create"):  # needs no disk, which may be full
        return os.fdopen(os.memfd_create("formcheck-messages"), "w+b", buffering=0)
    return tempfile.TemporaryFile(buffering=0)
