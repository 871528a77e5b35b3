"""A process of our own that is given work, watched and ended: one kind for batches and the clinic.

The line to it is its standard input and output, so it needs neither a fork nor a descriptor that
is handed on, and is the same on every system. It ends when that line is closed: a killed run
leaves no worker behind, however busy. Its memory is read, and it is ended with all that it
started, through psutil.
"""

import contextlib
import os
import pickle
import queue
import signal
import struct
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Mapping
from importlib import import_module
from pathlib import Path
from typing import IO, Any

import psutil

from formcheck.pose.memory import keep_few_heaps

_LENGTH = struct.Struct(">Q")
_DEATH_S = 5.0
"""The longest that a process takes to be gone once its end of the line is closed."""
_SERVE = "from formcheck.run.worker_process import serve; serve()"


class WorkerEnded(Exception):
    """The process is gone; says how, and what it printed last."""

    def __init__(self, how: str, last_words: str) -> None:
        super().__init__(how)
        self.last_words = last_words


class WorkerProcess:
    """One worker process, seen from the one who gives it work.

    target : "module:function", called there with a `Line` and the arguments.
    environment : what differs from ours. keeps_messages : whether what it prints is kept for
    `WorkerEnded`; else it goes to our standard error.
    """

    def __init__(
        self,
        target: str,
        *arguments: str,
        environment: Mapping[str, str] | None = None,
        keeps_messages: bool = False,
    ) -> None:
        self._messages = tempfile.TemporaryFile() if keeps_messages else None  # noqa: SIM115
        package_root = str(Path(__file__).resolve().parents[2])
        others = os.environ.get("PYTHONPATH")
        self._process = psutil.Popen(
            # -P: the folder that we are in may hold Python files; they are none of ours.
            [sys.executable, "-P", "-c", _SERVE, target, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._messages,
            # Ctrl-C at the terminal is for whoever started us; the closed line ends the worker.
            start_new_session=True,
            env={
                **os.environ,
                "PYTHONPATH": package_root + (os.pathsep + others if others else ""),
                **(environment or {}),
            },
        )
        self._arrived: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        # A pipe cannot be waited for with a limit of time on every system; a thread can.
        threading.Thread(
            target=_forward, args=(self._process.stdout, self._arrived.put), daemon=True
        ).start()

    @property
    def process_id(self) -> int:
        return int(self._process.pid)

    @property
    def is_alive(self) -> bool:
        return self._process.poll() is None

    @property
    def memory_bytes(self) -> int:
        """Resident memory; 0 where the process is gone."""
        try:
            return int(self._process.memory_info().rss)
        except psutil.Error:
            return 0

    def send(self, thing: object) -> None:
        """Hands a thing over, pickled. Raises WorkerEnded."""
        try:
            _write(self._process.stdin, thing)
        except (OSError, ValueError):
            raise self._ended() from None

    def receive(self, timeout_s: float) -> Any | None:
        """The next thing that the worker sent, None where none came. Raises WorkerEnded."""
        try:
            content = self._arrived.get(timeout=timeout_s)
        except queue.Empty:
            return None
        if content is None:
            self._arrived.put(None)
            raise self._ended()
        return pickle.loads(content)

    def end(self) -> None:
        """Ends the process and whatever it started, at once."""
        started: list[psutil.Process] = []
        with contextlib.suppress(psutil.Error):
            started = self._process.children(recursive=True)
        for process in (*started, self._process):
            with contextlib.suppress(psutil.Error):
                process.kill()
        self._process.wait()
        with contextlib.suppress(OSError):
            self._process.stdin.close()

    def close(self) -> None:
        """Ends the process and gives back what belongs to it."""
        self.end()
        if self._messages:
            self._messages.close()

    def _ended(self) -> WorkerEnded:
        with contextlib.suppress(psutil.Error, subprocess.TimeoutExpired):
            self._process.wait(_DEATH_S)
        self.end()
        return WorkerEnded(_death(self._process.returncode), self._last_words())

    def _last_words(self) -> str:
        if self._messages:
            with contextlib.suppress(OSError, ValueError):
                size = self._messages.seek(0, os.SEEK_END)
                self._messages.seek(max(0, size - 2000))
                return self._messages.read().decode("utf-8", "replace")
        return ""


def _death(code: int) -> str:
    if code < 0:
        with contextlib.suppress(ValueError):
            return f"ended by signal {signal.Signals(-code).name}"
    return f"ended with code {code}"


def _write(stream: IO[bytes], thing: object) -> None:
    content = pickle.dumps(thing)
    stream.write(_LENGTH.pack(len(content)) + content)
    stream.flush()


def _forward(stream: IO[bytes], put: Callable[[bytes | None], None]) -> None:
    """Passes on what comes through a stream, thing by thing, still pickled; None at its end."""
    with contextlib.suppress(OSError, ValueError):
        while len(head := stream.read(_LENGTH.size)) == _LENGTH.size:
            (length,) = _LENGTH.unpack(head)
            content = stream.read(length)
            if len(content) < length:
                break
            put(content)
    with contextlib.suppress(OSError, ValueError):
        stream.close()
    put(None)


# -- the worker's own side


class Line:
    """The line to whoever gives the work. The process ends when that one closes it."""

    def __init__(self) -> None:
        # What a library prints must not get in between: it goes where the errors go.
        self._out = os.fdopen(os.dup(1), "wb")
        os.dup2(2, 1)
        if sys.platform == "win32":
            import msvcrt

            for stream in (sys.stdin.buffer, self._out):
                msvcrt.setmode(stream.fileno(), os.O_BINARY)
        self._arrived: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        threading.Thread(
            target=_forward, args=(sys.stdin.buffer, self._arrive), daemon=True
        ).start()

    def _arrive(self, content: bytes | None) -> None:
        if content is None:
            os._exit(1)
        self._arrived.put(content)

    def receive(self) -> Any:
        """The next thing that was sent; waits for it."""
        return pickle.loads(self._arrived.get())

    def send(self, thing: object) -> None:
        _write(self._out, thing)


def serve() -> None:
    """Runs the target that the command line names, with the arguments behind it."""
    keep_few_heaps()
    # Ctrl-C reaches everyone at the terminal; who gave the work decides what becomes of it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    line = Line()
    _be_first_to_go()
    module, _, name = sys.argv[1].partition(":")
    getattr(import_module(module), name)(line, *sys.argv[2:])


def _be_first_to_go() -> None:
    # When memory runs out all the same, the system shall end a worker, nothing else.
    with contextlib.suppress(OSError), open("/proc/self/oom_score_adj", "w") as file:
        file.write("500")
