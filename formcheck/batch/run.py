"""A batch from top to bottom: find the clips, leave out what is done, hand out the rest, tell."""

import contextlib
import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Literal

import psutil

from formcheck import __version__
from formcheck.batch.clips import BatchClip, Describing, find_clips, readable
from formcheck.batch.cluster import cluster_executor, measure_on_cluster
from formcheck.batch.index_page import write_index
from formcheck.batch.one_clip import Job, Outcome, is_done
from formcheck.batch.output import Log, has_room, held, refuse_unfit
from formcheck.batch.tables import ClipResult, with_report, write_tables
from formcheck.batch.workers import Limits, WorkerPool
from formcheck.model.errors import FileError, ModelError, OutputError, UsageError
from formcheck.run.settings import Settings

MEMORY_A_WORKER_GB = 1.0
"""The default number of workers leaves each this much; one took 0.5 GB on small clips and 0.8 GB
on 1080p (measured)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSettings:
    """How a batch is run.

    n_workers : None for what cores and memory allow. scheduler : address of a Dask scheduler,
    whose workers then do the work. with_video : off, since the video takes more room than all
    the rest, and is there at any time for the clips that want a look.
    """

    describing: Describing = field(default_factory=Describing)
    settings: Settings = field(default_factory=Settings)
    with_video: bool = False
    is_face_blurred: bool = True
    n_workers: int | None = None
    scheduler: str | None = None
    limits: Limits = field(default_factory=Limits)

    def __post_init__(self):
        if self.n_workers is not None and self.n_workers < 1:
            raise UsageError(f"{self.n_workers} workers: give 1 or more")


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A clip with what a run would do: analyse it, keep what is done, or neither."""

    clip: BatchClip
    action: Literal["analyse", "keep", "cannot", "skip"]
    job: Job | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How far a run is. left_s : None until it can be told."""

    n_clips: int
    n_done: int
    n_failed: int
    n_kept: int
    pictures_per_s: float
    left_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchEnd:
    """How a run ended: numbers of clips. n_kept of the measured ones were done before.

    failures : (file, reason) of each clip that was not measured.
    """

    n_measured: int
    n_kept: int
    n_skipped: int
    failures: tuple[tuple[str, str], ...]

    @property
    def n_failed(self) -> int:
        return len(self.failures)


Tell = Callable[[Standing, Outcome | None], None]
"""Called with how far the run is and, when one clip has just ended, with its outcome."""


def plan_batch(folder: Path, out: Path, batch: BatchSettings) -> tuple[Planned, ...]:
    """What a run would do with each clip, sorted by file; writes nothing.

    Raises UsageError and FileError as `find_clips`.
    """
    folder, out = folder.absolute(), out.absolute()
    refuse_unfit(folder, out)
    clips = find_clips(folder, out, batch.describing)
    jobs = [_job(clip, out, batch) if clip.state == "wanted" else None for clip in clips]
    with ThreadPoolExecutor(max_workers=min(8, 2 * n_cores())) as threads:
        # Clips are hashed, which waits for the disk or the share.
        done = list(threads.map(lambda job: job is not None and is_done(job), jobs))
    return tuple(
        Planned(clip=clip, action=_action(clip, is_kept), job=job)
        for clip, job, is_kept in zip(clips, jobs, done, strict=True)
    )


def _action(clip: BatchClip, is_kept: bool) -> str:
    if clip.state == "wanted":
        return "keep" if is_kept else "analyse"
    return "cannot" if clip.state == "faulty" else "skip"


def _job(clip: BatchClip, out: Path, batch: BatchSettings) -> Job:
    return Job(
        file=clip.file,
        request=clip.request,
        settings=batch.settings,
        out=out,
        with_video=batch.with_video,
        is_face_blurred=batch.is_face_blurred,
        version=__version__,
    )


def run_batch(
    folder: Path, out: Path, batch: BatchSettings = BatchSettings(), tell: Tell | None = None
) -> BatchEnd:
    """Analyses every clip of the folder that is described and not done, and writes the tables.

    A bad clip never stops the run: it is counted, and its row in clips.csv says why.

    Raises
    ------
    UsageError, FileError
        The folder or its description cannot be used; nothing was done.
    BusyError
        Another run holds the output folder.
    OutputError, ModelError
        Nothing can go on: the output takes no more files, or the pose model is missing.
    """
    folder, out = folder.absolute(), out.absolute()
    refuse_unfit(folder, out)
    with held(out), Log(out) as log:
        planned = plan_batch(folder, out, batch)
        jobs = [p.job for p in planned if p.action == "analyse"]
        n_workers = min(batch.n_workers or default_n_workers(), max(1, len(jobs)))
        jobs = [_threaded(job, n_workers, batch) for job in jobs]
        log.write(
            "run_started",
            version=__version__,
            n_clips=len(planned),
            n_to_do=len(jobs),
            n_workers=None if batch.scheduler else n_workers,
            scheduler=batch.scheduler,
        )
        outcomes = {}
        try:
            if jobs:
                _work_off(jobs, n_workers, batch, _Watch(planned, tell), log, outcomes)
        except BaseException as error:
            log.write("run_stopped", reason=type(error).__name__, n_done=len(outcomes))
            with contextlib.suppress(OutputError):
                _write_overview(planned, outcomes, out)
            raise
        end = _write_overview(planned, outcomes, out)
        log.write(
            "run_ended",
            n_measured=end.n_measured,
            n_kept=end.n_kept,
            n_failed=end.n_failed,
            n_skipped=end.n_skipped,
        )
    return end


def default_n_workers() -> int:
    """One worker a core, fewer where memory is short."""
    return max(1, min(n_cores(), int(_memory_gb() // MEMORY_A_WORKER_GB)))


def n_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _memory_gb() -> float:
    return psutil.virtual_memory().available / 1e9


def _threaded(job: Job, n_workers: int, batch: BatchSettings) -> Job:
    """The job with as many pose threads as leave no worker waiting for another's core."""
    n_threads = 1 if batch.scheduler else max(1, n_cores() // n_workers)
    pose = replace(job.settings.pose, n_threads=n_threads)
    return replace(job, settings=replace(job.settings, pose=pose))


def _work_off(
    jobs: Sequence[Job], n_workers: int, batch: BatchSettings, watch: "_Watch", log: Log, outcomes
) -> None:
    """Has the jobs done, and puts each one's outcome into `outcomes` as it comes."""
    with _workers(n_workers, batch, watch) as (executor, measure):
        futures: dict[Future, Job] = {}
        for job in jobs:
            futures[executor.submit(measure, job)] = job
        for future in _completed(futures, watch):
            outcome = _outcome(future, futures.pop(future))
            outcomes[outcome.file] = outcome
            watch.ended(outcome)
            log.write(
                "clip",
                file=outcome.file,
                status="failed" if outcome.trouble else "measured",
                trouble=outcome.trouble,
                reason=readable(outcome.reason),
                n_tries=outcome.n_tries,
                n_pictures=outcome.n_pictures,
                detail=readable(outcome.detail),
            )
            if outcome.trouble == "model":
                raise ModelError(outcome.reason)
            if outcome.trouble == "output" and not has_room(jobs[0].out):
                raise OutputError(outcome.reason)


def _completed(futures: dict[Future, Job], watch: "_Watch") -> Iterator[Future]:
    """Futures as they end; meanwhile the watch tells how far the run is."""
    waiting = set(futures)
    while waiting:
        try:
            for future in as_completed(tuple(waiting), timeout=1.0):
                waiting.discard(future)
                yield future
        except TimeoutError:
            watch.tick()


def _outcome(future: Future, job: Job) -> Outcome:
    try:
        return future.result()
    except Exception as error:  # from the engine: what a worker meets it tells as an outcome
        reason = f"the workers that had this clip were lost ({type(error).__name__})"
        return Outcome(file=job.file, trouble="worker", reason=reason, detail=str(error))


@contextmanager
def _workers(
    n_workers: int, batch: BatchSettings, watch: "_Watch"
) -> Iterator[tuple[Executor, Callable[[Job], Outcome]]]:
    """An executor, and what to submit to it with a job."""
    if batch.scheduler:
        with cluster_executor(batch.scheduler) as executor:
            yield executor, partial(measure_on_cluster, limits=batch.limits)
        return
    with WorkerPool(batch.limits, watch.looked_at) as pool:
        executor = ThreadPoolExecutor(n_workers, thread_name_prefix="worker")
        try:
            yield executor, pool.measure
        finally:
            # Stopped or ended: nobody waits for a worker that is still at a clip.
            pool.stop()
            executor.shutdown(cancel_futures=True)


def _write_overview(
    planned: Sequence[Planned], outcomes: dict[str, Outcome], out: Path
) -> BatchEnd:
    results = []
    for p in planned:
        outcome = outcomes.get(p.clip.file)
        if p.action == "keep" or (outcome is not None and outcome.is_measured):
            try:
                result = with_report(p.clip, out)
            except FileError as error:
                result = ClipResult(clip=p.clip, status="failed", reason=str(error))
        elif p.action == "analyse" and outcome is None:
            reason = "the run was stopped before this clip was done; run it again to go on"
            result = ClipResult(clip=p.clip, status="waiting", reason=reason)
        elif p.action == "skip":
            result = ClipResult(clip=p.clip, status="skipped", reason=p.clip.reason)
        else:
            reason = outcome.reason if outcome else p.clip.reason
            result = ClipResult(clip=p.clip, status="failed", reason=reason)
        results.append(result)
    write_tables(results, out)
    write_index(results, out)
    return BatchEnd(
        n_measured=sum(r.status == "measured" for r in results),
        n_kept=sum(p.action == "keep" for p in planned),
        n_skipped=sum(r.status == "skipped" for r in results),
        failures=tuple((r.clip.file, r.reason) for r in results if r.status == "failed"),
    )


class _Watch:
    """Counts what is done, for those who look on. Its methods may be called from any thread."""

    def __init__(self, planned: Sequence[Planned], tell: Tell | None):
        self._tell = tell
        self._n_clips = len(planned)
        self._n_kept = sum(p.action == "keep" for p in planned)
        self._n_failed = sum(p.action == "cannot" for p in planned)
        self._n_done = self._n_kept + self._n_failed + sum(p.action == "skip" for p in planned)
        self._bytes = {p.clip.file: _size(p.job) for p in planned if p.action == "analyse"}
        self._bytes_all = sum(self._bytes.values())
        self._under_way: dict[str, int] = {}
        self._n_pictures = 0
        self._started = time.monotonic()

    def looked_at(self, file: str, n_pictures: int) -> None:
        self._under_way[file] = max(n_pictures, self._under_way.get(file, 0))

    def ended(self, outcome: Outcome) -> None:
        self._n_pictures += max(outcome.n_pictures, self._under_way.pop(outcome.file, 0))
        self._n_done += 1
        self._n_failed += not outcome.is_measured
        self._bytes.pop(outcome.file, None)
        self._say(outcome)

    def tick(self) -> None:
        self._say(None)

    def _say(self, outcome: Outcome | None) -> None:
        if self._tell is None:
            return
        spent_s = max(time.monotonic() - self._started, 1e-3)
        n_pictures = self._n_pictures + sum(tuple(self._under_way.values()))
        left = sum(self._bytes.values())
        done = self._bytes_all - left
        self._tell(
            Standing(
                n_clips=self._n_clips,
                n_done=self._n_done,
                n_failed=self._n_failed,
                n_kept=self._n_kept,
                pictures_per_s=n_pictures / spent_s,
                left_s=spent_s * left / done if done else None,
            ),
            outcome,
        )


def _size(job: Job) -> int:
    try:
        return max(1, job.request.clip.stat().st_size)
    except OSError:
        return 1
