"""How fast: bare pose estimation, our analysis, and the plain loop, in one run on one clip."""

import os
import platform
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice
from pathlib import Path
from queue import SimpleQueue
from statistics import median

from formcheck.evidence.plain_loop import plain_loop
from formcheck.files.exercises import load_exercise
from formcheck.model.request import Request
from formcheck.pose.bundles import manifest_entry, models_folder
from formcheck.pose.landmarker import PoseSettings, load_models, n_threads
from formcheck.pose.native_messages import native_messages_held
from formcheck.run.pipeline import analyze
from formcheck.run.result_folder import write_results
from formcheck.run.settings import Settings
from formcheck.video import open_video

_BLOCK = 48
"""Pictures decoded before bare inference is timed on them: 44 MB at 640 by 480."""

_N_TRIED = 10
"""Pictures looked at before the benchmark, to say how long it will take."""
_EXTRA_S = 0.004
"""Seconds a frame for decoding, drawing and encoding at 640 by 480, for the same guess."""
_START_S = 0.5
"""Seconds to load models and write the small files."""

BARE_ONE = "bare pose inference, one thread"
BARE_ALL = "bare pose inference, {n} threads"
ANALYSIS = "analysis"
ALL_FILES = "analysis and all files"
PLAIN = "plain loop"
PLAIN_VIDEO = "plain loop, video mode"
DEFAULT = "analysis at default settings"
DEFAULT_ALL = "all files at default settings"
BATCH = "batch of {n} clips, all files"
BATCH_DEFAULT = "batch of {n} clips, default settings"


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """The quickest of several runs of one way. frames_per_s counts the clip's own frames,
    whatever share of them was looked at; cpu_s is processor time of all cores."""

    name: str
    pose_rate_hz: float
    n_frames: int
    wall_s: float
    cpu_s: float

    @property
    def frames_per_s(self) -> float:
        return self.n_frames / self.wall_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """How many times as fast the first way is as the second."""

    name: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Benchmark:
    """What was timed, and the ratios that matter."""

    clip: str
    machine: str
    model: str
    n_cores: int
    n_repeats: int
    timings: tuple[Timing, ...]
    ratios: tuple[Ratio, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What is timed next: its name and round, and where it stands in the seconds expected."""

    name: str
    n_round: int
    n_rounds: int
    expected_s: float
    before_s: float
    total_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """One way to work a clip off; expected_s is a guess from the first pictures."""

    name: str
    settings: Settings
    work: Callable
    n_frames: int
    expected_s: float


MeasureFolder = Callable[[Path, Path, Settings, str], None]
"""Measures a folder of clips as a batch: (clips, output folder, settings, exercise)."""


def run_benchmark(
    clip: Path,
    *,
    exercise: str = "squat",
    model: str | None = None,
    n_repeats: int = 1,
    n_batch: int = 0,
    measure_folder: MeasureFolder | None = None,
    tell: Callable[[Step], None] = lambda step: None,
) -> Benchmark:
    """Times every way on the clip, one after the other, `n_repeats` times, and keeps the best.

    All ways but those "at default settings" look at every frame with the same bundle in image
    mode. Models are loaded within each time, since a script loads them too. n_batch : number of
    copies of the clip for a batch by `measure_folder`; 0 leaves the batch out. tell : called before
    each way; what it expects is reckoned from a look at the clip's first pictures.

    Raises ClipError, UsageError, ModelError.
    """
    with open_video(clip) as reader:
        rate_hz = max(1.0, reader.frame_rate_hz) * 1.001
        n_frames = sum(1 for _ in reader.frames())
    pose = PoseSettings(**({"model": model} if model else {}))
    every = Settings(pose=replace(pose, rate_hz=rate_hz))
    n = n_threads(pose)
    with tempfile.TemporaryDirectory() as folder:
        job = _Job(
            request=Request(clip=clip, exercise=load_exercise(exercise)),
            every=every,
            default=Settings(pose=pose),
            n_frames=n_frames,
            n_threads=n,
            look_s=_seconds_a_picture(clip, replace(every.pose, n_threads=1)),
            out=Path(folder),
        )
        ways = _ways_of_a_clip(job)
        if n_batch and measure_folder is not None:
            ways += _ways_of_a_batch(job, n_batch, measure_folder, exercise)
        best = _best_of(ways, n_repeats, tell)
    return Benchmark(
        clip=f"{clip.name}, {n_frames} frames of {reader.width_px} x {reader.height_px}",
        machine=machine_words(),
        model=pose.model,
        n_cores=n,
        n_repeats=n_repeats,
        timings=tuple(best.values()),
        ratios=_ratios(best, n, n_batch),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """What every way works off: the clip, looked at in every frame or at default settings.

    look_s : what one look takes on one thread; out : a folder for what is written.
    """

    request: Request
    every: Settings
    default: Settings
    n_frames: int
    n_threads: int
    look_s: float
    out: Path

    @property
    def one_thread_s(self) -> float:
        """Expected for a look at every frame, on one thread."""
        return self.n_frames * self.look_s

    @property
    def all_threads_s(self) -> float:
        return self.n_frames * self.look_s / self.n_threads

    @property
    def default_s(self) -> float:
        duration_s = self.n_frames / self.every.pose.rate_hz
        n_looks = min(self.n_frames, self.default.pose.rate_hz * duration_s)
        return n_looks * self.look_s / self.n_threads

    @property
    def files_s(self) -> float:
        """Expected for decoding, drawing and encoding."""
        return self.n_frames * _EXTRA_S

    def way(
        self, name: str, settings: Settings, expected_s: float, work: Callable, n_clips: int = 1
    ) -> _Way:
        return _Way(
            name=name,
            settings=settings,
            work=work,
            n_frames=self.n_frames * n_clips,
            expected_s=expected_s * n_clips + _START_S,
        )


def _ways_of_a_clip(job: _Job) -> list[_Way]:
    clip, every, default = job.request.clip, job.every, job.default
    bundle = models_folder() / manifest_entry(default.pose.model)["file"]

    def everything(settings: Settings) -> None:
        analysis = analyze(job.request, settings)
        write_results(analysis, job.request, settings, job.out / "results")

    one, most, few, extra = job.one_thread_s, job.all_threads_s, job.default_s, job.files_s
    ways = [
        job.way(BARE_ONE, every, one, lambda: _bare(clip, replace(every.pose, n_threads=1))),
        job.way(BARE_ALL.format(n=job.n_threads), every, most, lambda: _bare(clip, every.pose)),
        job.way(ANALYSIS, every, most, lambda: analyze(job.request, every)),
        job.way(ALL_FILES, every, most + extra, lambda: everything(every)),
        job.way(PLAIN, every, one + extra, lambda: _plain(clip, job.out / "a.mp4", bundle)),
        job.way(
            PLAIN_VIDEO,
            every,
            one + extra,
            lambda: _plain(clip, job.out / "b.mp4", bundle, is_video_mode=True),
        ),
        job.way(DEFAULT, default, few, lambda: analyze(job.request, default)),
        job.way(DEFAULT_ALL, default, few + extra, lambda: everything(default)),
    ]
    if job.n_threads == 1:
        del ways[1]
    return ways


def _ways_of_a_batch(
    job: _Job, n_batch: int, measure_folder: MeasureFolder, exercise: str
) -> list[_Way]:
    copies = _copies(job.request.clip, job.out / "clips", n_batch)

    def folder_of_clips(settings: Settings) -> None:
        measure_folder(copies, Path(tempfile.mkdtemp(dir=job.out)), settings, exercise)

    return [
        job.way(
            name.format(n=n_batch),
            settings,
            expected_s,
            partial(folder_of_clips, settings),
            n_batch,
        )
        for name, settings, expected_s in (
            (BATCH, job.every, job.all_threads_s + job.files_s),
            (BATCH_DEFAULT, job.default, job.default_s + job.files_s),
        )
    ]


def _best_of(ways: list[_Way], n_repeats: int, tell: Callable[[Step], None]) -> dict[str, Timing]:
    """The quickest run of each way, by its name."""
    best: dict[str, Timing] = {}
    for repeat, w, before_s, total_s in _in_turn(ways, n_repeats):
        tell(
            Step(
                name=w.name,
                n_round=repeat + 1,
                n_rounds=n_repeats,
                expected_s=w.expected_s,
                before_s=before_s,
                total_s=total_s,
            )
        )
        timing = _timed(w.name, w.settings.pose.rate_hz, w.n_frames, w.work)
        if w.name not in best or timing.wall_s < best[w.name].wall_s:
            best[w.name] = timing
    return best


def _in_turn(ways: list[_Way], n_repeats: int) -> Iterator[tuple[int, _Way, float, float]]:
    """(round, way, seconds expected before it, seconds expected in all) of each, in turn."""
    total_s = n_repeats * sum(w.expected_s for w in ways)
    before_s = 0.0
    for repeat in range(n_repeats):
        for w in ways:
            yield repeat, w, before_s, total_s
            before_s += w.expected_s


def _seconds_a_picture(clip: Path, settings: PoseSettings) -> float:
    """What one look takes on one thread: the median over the clip's first pictures."""
    (model,) = load_models(settings)
    took = []
    with model, open_video(clip) as reader:
        for frame in islice(reader.frames(rate_hz=settings.rate_hz), _N_TRIED):
            began = time.perf_counter()
            model.find(frame.rgb(), frame.time_s)
            took.append(time.perf_counter() - began)
    return median(took) if took else 0.0


def _ratios(best: dict[str, Timing], n: int, n_batch: int) -> tuple[Ratio, ...]:
    bare = BARE_ALL.format(n=n) if n > 1 else BARE_ONE
    pairs = [(ANALYSIS, BARE_ONE), (ALL_FILES, BARE_ONE)]
    if n > 1:
        pairs += [(ANALYSIS, bare), (ALL_FILES, bare)]
    for plain in (PLAIN, PLAIN_VIDEO):
        pairs += [(ALL_FILES, plain), (DEFAULT_ALL, plain)]
        if n_batch:
            pairs += [(BATCH.format(n=n_batch), plain), (BATCH_DEFAULT.format(n=n_batch), plain)]
    return tuple(
        Ratio(name=f"{a} : {b}", value=best[a].frames_per_s / best[b].frames_per_s)
        for a, b in pairs
    )


def _timed(name: str, pose_rate_hz: float, n_frames: int, work: Callable) -> Timing:
    before = os.times()
    timed = work()
    after = os.times()
    wall_s = after.elapsed - before.elapsed
    cpu_s = sum(after[:4]) - sum(before[:4])
    if isinstance(timed, tuple):  # this way leaves decoding out of its time
        wall_s, cpu_s = timed
    return Timing(
        name=name, pose_rate_hz=pose_rate_hz, n_frames=n_frames, wall_s=wall_s, cpu_s=cpu_s
    )


def _bare(clip: Path, settings: PoseSettings) -> tuple[float, float]:
    """Wall and processor seconds of MediaPipe alone on the decoded frames."""
    models = load_models(settings)
    idle = SimpleQueue()
    for model in models:
        idle.put(model)

    def look(rgb) -> None:
        model = idle.get()
        model.detect(rgb)
        idle.put(model)

    wall_s = cpu_s = 0.0
    with open_video(clip) as reader, ThreadPoolExecutor(len(models)) as threads:
        frames = reader.frames(rate_hz=settings.rate_hz)
        while block := [frame.rgb() for frame in islice(frames, _BLOCK)]:
            began, cpu_began = time.perf_counter(), time.process_time()
            list(threads.map(look, block))
            wall_s += time.perf_counter() - began
            cpu_s += time.process_time() - cpu_began
    for model in models:
        model.close()
    return wall_s, cpu_s


def _plain(clip: Path, out: Path, bundle: Path, **options) -> None:
    with native_messages_held():
        plain_loop(clip, out, bundle, **options)


def _copies(clip: Path, folder: Path, n: int) -> Path:
    folder.mkdir()
    for i in range(n):
        (folder / f"{i}{clip.suffix}").symlink_to(clip.absolute())
    return folder


def machine_words() -> str:
    """The processor and its cores, for a line under a table."""
    name = platform.processor() or platform.machine()
    for line in _lines("/proc/cpuinfo"):
        if line.startswith("model name"):
            name = line.partition(":")[2].strip()
            break
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return f"{name}, {cores} cores, {platform.system()}, Python {platform.python_version()}"


def _lines(path: str) -> Iterator[str]:
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            yield from file
    except OSError:
        return
