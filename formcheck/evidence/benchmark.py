"""How fast: bare pose estimation, our analysis, and the plain loop, in one run on one clip."""

import os
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from queue import SimpleQueue

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
    tell: Callable[[str], None] = lambda text: None,
) -> Benchmark:
    """Times every way on the clip, one after the other, `n_repeats` times, and keeps the best.

    All ways but those "at default settings" look at every frame with the same bundle in image
    mode. Models are loaded within each time, since a script loads them too. n_batch : number of
    copies of the clip for a batch by `measure_folder`; 0 leaves the batch out.

    Raises ClipError, UsageError, ModelError.
    """
    with open_video(clip) as reader:
        rate_hz = max(1.0, reader.frame_rate_hz) * 1.001
        n_frames = sum(1 for _ in reader.frames())
    pose = PoseSettings(**({"model": model} if model else {}))
    every = Settings(pose=replace(pose, rate_hz=rate_hz))
    default = Settings(pose=pose)
    request = Request(clip=clip, exercise=load_exercise(exercise))
    bundle = models_folder() / manifest_entry(pose.model)["file"]
    n = n_threads(pose)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)

        def everything(settings: Settings) -> None:
            write_results(analyze(request, settings), request, settings, out / "results")

        ways = [
            (BARE_ONE, every, lambda: _bare(clip, replace(every.pose, n_threads=1))),
            (BARE_ALL.format(n=n), every, lambda: _bare(clip, every.pose)),
            (ANALYSIS, every, lambda: analyze(request, every)),
            (ALL_FILES, every, lambda: everything(every)),
            (PLAIN, every, lambda: _plain(clip, out / "a.mp4", bundle)),
            (PLAIN_VIDEO, every, lambda: _plain(clip, out / "b.mp4", bundle, is_video_mode=True)),
            (DEFAULT, default, lambda: analyze(request, default)),
            (DEFAULT_ALL, default, lambda: everything(default)),
        ]
        if n == 1:
            del ways[1]
        if n_batch and measure_folder is not None:
            copies = _copies(clip, out / "clips", n_batch)
            for name, settings in ((BATCH, every), (BATCH_DEFAULT, default)):
                ways.append(
                    (
                        name.format(n=n_batch),
                        settings,
                        lambda s=settings: measure_folder(
                            copies, Path(tempfile.mkdtemp(dir=out)), s, exercise
                        ),
                    )
                )
        best: dict[str, Timing] = {}
        for repeat in range(n_repeats):
            for name, settings, work in ways:
                tell(f"{repeat + 1} of {n_repeats}: {name}")
                frames = n_frames * (n_batch if name.startswith("batch") else 1)
                timing = _timed(name, settings.pose.rate_hz, frames, work)
                if name not in best or timing.wall_s < best[name].wall_s:
                    best[name] = timing
    return Benchmark(
        clip=f"{clip.name}, {n_frames} frames of {reader.width_px} x {reader.height_px}",
        machine=machine_words(),
        model=pose.model,
        n_cores=n,
        n_repeats=n_repeats,
        timings=tuple(best.values()),
        ratios=_ratios(best, n, n_batch),
    )


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
    import platform

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
