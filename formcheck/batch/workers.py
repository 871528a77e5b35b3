"""Worker processes on this machine, each held to limits, replaced when it dies.

A clip is analysed in a process of its own kind so that a fault in native code, a hang or a
clip that eats memory ends that process and nothing else. The same processes serve a local run
and each worker of a cluster.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

from formcheck.batch.one_clip import Job, Outcome, measure_clip
from formcheck.model.errors import ModelError
from formcheck.pose.landmarker import load_models
from formcheck.pose.memory import return_free_memory
from formcheck.run.worker_process import Line, WorkerEnded, WorkerProcess

POLL_S = 0.1
"""Time between two looks at a worker's memory; one that fills 10 GB a second gains 1 GB."""
N_TRIES = 2

OnProgress = Callable[[str, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one clip may take. silence_s : longest time without a sign of progress."""

    clip_s: float = 3600.0
    silence_s: float = 300.0
    memory_gb: float = 4.0


class Stopped(Exception):
    """The run was stopped while the clip was under way."""


class WorkerPool:
    """Idle worker processes, started when they are first needed.

    `measure` may be called from as many threads as there shall be workers. on_progress is
    called with (file, pictures looked at) from those threads.
    """

    def __init__(self, limits: Limits = Limits(), on_progress: OnProgress | None = None):
        self._limits = limits
        self._on_progress = on_progress
        self._lock = threading.Lock()
        self._idle: list[_Worker] = []
        self._all: set[_Worker] = set()
        self._is_stopped = False

    def __enter__(self) -> "WorkerPool":
        return self

    def __exit__(self, *_exception) -> None:
        self.stop()

    def measure(self, job: Job) -> Outcome:
        """Has a worker analyse the clip; a worker that dies is replaced and the clip tried again.

        Raises Stopped when the pool was stopped meanwhile.
        """
        detail = ""
        for n_tries in range(1, N_TRIES + 1):
            worker = self._take()
            try:
                outcome = worker.measure(job, self._limits, self._on_progress)
            except WorkerEnded as death:
                self._discard(worker)
                if self._is_stopped:
                    raise Stopped from None
                detail += f"try {n_tries}: {death}\n{death.last_words}\n"
                reason = f"its analysis broke down {n_tries} times ({death}); export it again"
                continue
            except BaseException:
                self._discard(worker)
                raise
            if outcome.trouble == "limit":
                self._discard(worker)
            else:
                self._give_back(worker)
            return replace(outcome, n_tries=n_tries, detail=detail + outcome.detail)
        return Outcome(
            file=job.file, trouble="worker", reason=reason, n_tries=n_tries, detail=detail
        )

    def stop(self) -> None:
        """Ends all the workers at once, whatever they do; their unfinished results are lost."""
        with self._lock:
            self._is_stopped = True
            idle, self._idle = self._idle, []
            busy = self._all.difference(idle)
        for worker in busy:
            worker.process.end()  # and closed by the thread that waits for it
        for worker in idle:
            self._discard(worker)

    def _take(self) -> "_Worker":
        with self._lock:
            if self._is_stopped:
                raise Stopped
            if self._idle:
                return self._idle.pop()
            worker = _Worker()
            self._all.add(worker)
            return worker

    def _give_back(self, worker: "_Worker") -> None:
        with self._lock:
            self._idle.append(worker)

    def _discard(self, worker: "_Worker") -> None:
        with self._lock:
            self._all.discard(worker)
        worker.process.close()


class _Worker:
    """One worker process with the clip that it is at."""

    def __init__(self) -> None:
        self.process = WorkerProcess(
            "formcheck.batch.workers:work",
            keeps_messages=True,
            # Pictures are looked at on as many threads as the settings say; the libraries'
            # own threads would only wait for each other.
            environment={
                "OMP_NUM_THREADS": "1",
                "OPENBLAS_NUM_THREADS": "1",
                "OPENCV_FOR_THREADS_NUM": "1",
            },
        )

    def measure(self, job: Job, limits: Limits, on_progress: OnProgress | None) -> Outcome:
        """The clip's outcome. Raises WorkerEnded when the process dies of it."""
        started = heard = time.monotonic()
        self.process.send(job)
        while True:
            message = self.process.receive(POLL_S)
            if message is not None:
                heard = time.monotonic()
                if isinstance(message, Outcome):
                    return message
                if on_progress:
                    on_progress(job.file, message)
            passed = self._passed_limit(limits, started, heard)
            if passed:
                self.process.end()
                return Outcome(file=job.file, trouble="limit", reason=passed)

    def _passed_limit(self, limits: Limits, started: float, heard: float) -> str:
        now = time.monotonic()
        if now - started > limits.clip_s:
            return (
                f"took longer than the limit of {limits.clip_s / 60:g} minutes; cut the clip, or "
                "raise --clip-minutes"
            )
        if now - heard > limits.silence_s:
            return f"made no progress for {limits.silence_s:g} s; the file may be damaged"
        if self.process.memory_bytes > limits.memory_gb * 1e9:
            return (
                f"needed more than the limit of {limits.memory_gb:g} GB of memory; export it "
                "smaller, or raise --clip-memory-gb"
            )
        return ""


# -- the worker's own side


def work(line: Line) -> None:
    """Analyses clips that come through the line until it is closed."""
    models = _Models()
    while True:
        job = line.receive()
        outcome = measure_clip(job, models=models.of(job), progress=_teller(line))
        return_free_memory()
        line.send(outcome)


def _teller(line: Line):
    """Tells the giver of progress, as often as is worth it."""
    last = 0.0

    def tell(stage: str, n_done: int, _n_all: int | None) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last > 0.5:
            last = now
            line.send(n_done if stage == "pose" else 0)

    return tell


class _Models:
    """The loaded models, kept from clip to clip while the settings stay the same."""

    def __init__(self):
        self._settings = None
        self._models = ()

    def of(self, job: Job):
        settings = job.settings.pose
        if settings.mode == "video":
            return None  # such a model remembers the clip before
        if settings != self._settings:
            for model in self._models:
                model.close()
            self._models, self._settings = (), None
            try:
                self._models = load_models(settings)
            except ModelError:
                return None  # met again, and told, where the clip is measured
            self._settings = settings
        return self._models
