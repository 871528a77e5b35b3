"""The worker process beside the server, watched: when it dies its job waits again.

It looks at recordings as they arrive. Once a worker has died, or was ended, those after it measure
finished recordings alone: a file that takes a worker down must not keep the others from theirs.
"""

import sys
import threading
import time
from datetime import UTC, datetime, timedelta

from formcheck.clinic import Clinic, jobs
from formcheck.clinic.database import one
from formcheck.run.worker_process import WorkerProcess

STUCK_S = 900.0
"""A job that tells nothing for so long is stuck: its worker is ended (common practice; decoding
and pose tell every half second)."""
LOOK_S = 1.0
MEMORY_GB = 4.0
"""Most memory for one clip, as in a batch: a worker that takes more is ended."""


class Worker:
    """One worker process, started anew whenever it ends, until `stop`."""

    def __init__(self, clinic: Clinic, pose_model: str = "") -> None:
        self._clinic, self._model = clinic, pose_model
        self._stop = threading.Event()
        self._process: WorkerProcess | None = None
        self._looks_ahead = True
        self._begun_at = 0.0
        self._beat: tuple[int, str] | None = None
        self._beat_seen_at = time.monotonic()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def start(self) -> None:
        jobs.take_back(self._clinic)
        self._thread.start()

    def stop(self) -> None:
        """Ends the worker; its job waits for the next start."""
        self._stop.set()
        self._thread.join(timeout=10)
        self._end()
        jobs.take_back(self._clinic)

    @property
    def process_id(self) -> int | None:
        process = self._process
        return process.process_id if process and process.is_alive else None

    def _watch(self) -> None:
        while not self._stop.is_set():
            try:
                if self._process is None or not self._process.is_alive:
                    if self._process is not None:
                        self._end_badly()
                    self._begin()
                elif self._is_beyond_limits():
                    self._end_badly()
            except Exception as error:
                # The watch itself must go on, or nothing would ever be measured again.
                print(f"formcheck: worker: {type(error).__name__}: {error}", file=sys.stderr)
                self._stop.wait(5)
            self._stop.wait(LOOK_S)

    def _begin(self) -> None:
        self._process = WorkerProcess(
            "formcheck.clinic.work:work_for_server",
            str(self._clinic.folder.root),
            self._model,
            "ahead" if self._looks_ahead else "",
        )
        self._begun_at = time.monotonic()

    def _end_badly(self) -> None:
        self._looks_ahead = False
        self._end()
        jobs.take_back(self._clinic, has_died=True)

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.close()

    def _is_beyond_limits(self) -> bool:
        return self._process.memory_bytes > MEMORY_GB * 1e9 or self._is_stuck()

    def _is_stuck(self) -> bool:
        before = (datetime.now(UTC) - timedelta(seconds=STUCK_S)).isoformat(timespec="seconds")
        with self._clinic.read() as c:
            beat = one(c, "SELECT id, beat_at FROM jobs WHERE state = 'running' ORDER BY id")
            beat = (beat["id"], beat["beat_at"]) if beat else None
            # By this watch's own clock, which stands still while the computer sleeps.
            if beat != self._beat:
                self._beat, self._beat_seen_at = beat, time.monotonic()
            if beat is not None and time.monotonic() - self._beat_seen_at > STUCK_S:
                return True
            if not self._looks_ahead or time.monotonic() - self._begun_at < STUCK_S:
                return False
            # A look ahead tells nothing: one that hangs lets what waits to be measured wait.
            waits = one(
                c,
                """SELECT 1 FROM jobs WHERE state = 'waiting' AND kind = 'measure' AND made_at < :b
                   AND NOT EXISTS (SELECT 1 FROM jobs WHERE state = 'running')""",
                b=before,
            )
            return bool(waits)
