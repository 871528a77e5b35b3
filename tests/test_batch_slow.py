"""Batches at length: killed again and again, hostile files, scaling, a cluster, memory, speed."""

import csv
import io
import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import replace
from itertools import islice
from pathlib import Path

import av
import make_clips
import numpy as np
import pytest
from batch_helpers import (
    BY_NAME,
    PATTERN,
    QUICK_OPTIONS,
    SAMPLES,
    copies,
    short_clip,
    start,
    tables,
)
from peak_memory import peak_mb

from formcheck.batch import Describing, plan_batch, run_batch
from formcheck.batch.workers import WorkerPool
from formcheck.pose.landmarker import PoseSettings
from formcheck.run.settings import Settings

pytestmark = pytest.mark.slow

EXERCISE_OF = {
    "squat_side": "squat",
    "squat_oblique_right": "squat",
    "squat_front_inward": "squat",
    "wall_sit": "wall_sit",
    "straight_leg_raise": "straight_leg_raise",
    "seated_knee_extension": "seated_knee_extension",
    "calf_raise": "calf_raise",
    "single_leg_deadlift_front": "single_leg_deadlift",
}
N_CORES = len(os.sched_getaffinity(0))


def _rows(out: Path) -> list[dict]:
    return list(csv.DictReader(io.StringIO((out / "clips.csv").read_text("utf-8"), newline="")))


# -- how much of the machine other work took


class _Machine:
    """Processor time since the start: ours (with ended children) and everyone's."""

    def __init__(self):
        self._since = self._now()

    @staticmethod
    def _now():
        ticks = [int(x) for x in Path("/proc/stat").read_text().split("\n")[0].split()[1:9]]
        busy_s = (sum(ticks) - ticks[3] - ticks[4]) / os.sysconf("SC_CLK_TCK")
        own = os.times()
        return time.monotonic(), busy_s, sum(own[:4])

    def share_of_others(self) -> float:
        wall_s, busy_s, own_s = (b - a for a, b in zip(self._since, self._now(), strict=True))
        return max(0.0, busy_s - own_s) / (wall_s * os.cpu_count())


def _at_least(ratio: float, least: float, machine: _Machine, what: str) -> None:
    print(f"{what}: {ratio:.2f} (at least {least}), others took {machine.share_of_others():.0%}")
    if ratio < least and machine.share_of_others() > 0.05:
        pytest.skip(f"{what} {ratio:.2f}: other work took {machine.share_of_others():.0%}")
    assert ratio >= least, what


def _one_core():
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})


# -- killed at any moment


@pytest.fixture(scope="module")
def two_hundred(tmp_path_factory) -> Path:
    """200 different clips of 1.5 s in half size, in subfolders by exercise."""
    folder = tmp_path_factory.mktemp("two hundred")
    n = 0
    for sample, exercise in EXERCISE_OF.items():
        frames = [rgb[::2, ::2].copy() for _, _, rgb in make_clips.read(SAMPLES / f"{sample}.mp4")]
        for first in list(range(0, len(frames) - 45, 13))[:25]:
            path = folder / exercise / f"p{n % 17}_{exercise}_left_{n:03}.mp4"
            path.parent.mkdir(exist_ok=True)
            piece = frames[first : first + 45]
            make_clips.write(path, ((i, i / 30, rgb) for i, rgb in enumerate(piece)))
            n += 1
    assert n == 200
    return folder


def _whole_results(out: Path) -> dict[str, str]:
    """created_at of every result, after checking that none is half."""
    found = {}
    for path in (out / "results").rglob("*.mp4"):
        if path.is_dir():
            names = {p.name for p in path.iterdir()}
            assert {"report.json", "batch.json", "track.parquet", "thumbnail.jpg"} <= names
            json.loads((path / "batch.json").read_bytes())
            report = json.loads((path / "report.json").read_bytes())
            found[path.name] = report["created_at"]
    return found


def test_two_hundred_clips_killed_ten_times_end_in_the_same_bytes(two_hundred, tmp_path):
    options = (two_hundred, "--pattern", PATTERN, "--workers", "2", *QUICK_OPTIONS)
    began = time.monotonic()
    with start(*options, "--out", tmp_path / "calm") as calm:
        assert calm.wait(timeout=600) == 0, calm.stderr.read()
    took_s = time.monotonic() - began
    chance = random.Random(6)
    finished: dict[str, str] = {}
    n_midway = 0
    for _ in range(10):
        with start(*options, "--out", tmp_path / "killed", start_new_session=True) as run:
            time.sleep(chance.uniform(0.3, took_s / 5))
            if chance.random() < 0.5:  # a power cut takes all; out of memory takes one
                os.killpg(run.pid, signal.SIGKILL)
            run.kill()
        now = _whole_results(tmp_path / "killed") if (tmp_path / "killed").exists() else {}
        n_midway += 0 < len(now) < 200
        assert now.items() >= finished.items(), "a finished result was lost or done again"
        finished = now
    assert n_midway >= 3, "the kills came at no telling moment"
    with start(*options, "--out", tmp_path / "killed") as run:
        assert run.wait(timeout=600) == 0, run.stderr.read()
    assert _whole_results(tmp_path / "killed").items() >= finished.items()
    assert tables(tmp_path / "killed") == tables(tmp_path / "calm")
    rows = _rows(tmp_path / "killed")
    assert [r["status"] for r in rows] == ["measured"] * 200
    assert len({r["file"] for r in rows}) == 200


# -- hostile files


def _static(path: Path, n: int, width: int, height: int, rate: int = 30) -> None:
    chance = np.random.default_rng(5)
    pool = chance.integers(0, 256, (min(n, 64), height, width, 3), dtype=np.uint8)
    make_clips.write(
        path,
        ((i, i / rate, pool[i % len(pool)]) for i in range(n)),
        options={"preset": "ultrafast", "crf": "40"},
    )


def _without_frames(path: Path) -> None:
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=30)
        stream.width = stream.height = 64
        stream.pix_fmt = "yuv420p"
        out.start_encoding()


def _sound_only(path: Path) -> None:
    with av.open(str(path), "w") as out:
        stream = out.add_stream("aac", rate=16000, layout="mono")
        sound = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
        sound.sample_rate, sound.pts = 16000, 0
        out.mux(stream.encode(sound))
        out.mux(stream.encode(None))


def _hostile(folder: Path, good: Path) -> list[str]:
    """Makes 60 files that cannot be measured; their names."""
    names = []

    def new(name: str, content: bytes | None = None) -> Path:
        path = folder / f"{len(names):02}_squat_left_{name}"
        names.append(path.name)
        if content is not None:
            path.write_bytes(content)
        return path

    whole = good.read_bytes()
    index = whole.index(b"moov")
    new("empty.mp4", b"")
    new("one byte.mp4", b"\0")
    for suffix in ("mp4", "mov", "mkv", "webm", "avi", "gif", "ts", "mpg", "flv", "3gp"):
        new(f"random.{suffix}", random.Random(suffix).randbytes(20_000))
    for share in (0.001, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99):
        new(f"cut {share}.mp4", whole[: int(index * share)])
    for seed in range(6):
        spoiled = bytearray(whole)
        spoiled[index + 4 :] = random.Random(seed).randbytes(len(whole) - index - 4)
        new(f"no index {seed}.mp4", bytes(spoiled))
    for name, content in (
        ("text.mp4", b"to whom it may concern\n" * 99),
        ("page.mp4", b"<!doctype html><title>x</title>"),
        ("list.mp4", b"#EXTM3U\n#EXTINF:10,\nfile:///etc/passwd\n"),
        ("script.mp4", b"ffconcat version 1.0\nfile /etc/passwd\n"),
        ("zeros.mp4", bytes(50_000)),
        ("archive.mp4", b"PK\x03\x04" + bytes(5000)),
        ("head of a gif.gif", b"GIF89a" + bytes(500)),
        ("picture.mp4", b"\x89PNG\r\n\x1a\n" + bytes(5000)),
        ("picture.mov", b"\xff\xd8\xff\xe0" + bytes(5000)),
        ("sound.mp4", b"RIFF\x24\x08\0\0WAVEfmt " + bytes(2000)),
        ("two\nlines.mp4", b"x" * 50),
        ('it\'s "quoted" 100%.mp4', b"x" * 50),
        ("\N{LEG}\N{SNOWMAN}.mp4", b"x" * 50),
        (os.fsdecode(b"\xff\xfe\x80.mp4"), b"x" * 50),
        ("  spaces  .mp4", b"x" * 50),
        ("a" * 200 + ".mp4", b"x" * 50),
        ("$(reboot);&|.mp4", b"x" * 50),
        ("\x1b[31mred.mp4", b"x" * 50),
        ("..mp4", b"x" * 50),
    ):
        new(name, content)
    new("folder.mp4").mkdir()
    new("dead link.mp4").symlink_to("nowhere.mp4")
    new("ring.mp4").symlink_to(names[-1])
    new("device.mp4").symlink_to("/dev/zero")
    os.mkfifo(new("pipe.mp4"))
    with socket.socket(socket.AF_UNIX) as line:
        before = Path.cwd()
        os.chdir(folder)  # a socket's whole path is limited to a hundred bytes
        line.bind(new("socket.mp4").name)
        os.chdir(before)
    new("shut.mp4", b"x" * 50).chmod(0)
    _without_frames(new("no frames.mp4"))
    _sound_only(new("only sound.mp4"))
    make_clips.write(new("single.mp4"), islice(make_clips.read(good), 1))
    make_clips.write(
        new("dot.gif"), ((i, i / 10, np.zeros((1, 1, 3), np.uint8)) for i in range(5)), codec="gif"
    )
    _static(new("8K.mp4"), 3, 7680, 4320)
    _static(new("100,000 frames.mp4"), 100_000, 64, 48)
    black = np.zeros((64, 64, 3), np.uint8)
    make_clips.write(new("black.mp4"), ((i, i / 30, black) for i in range(60)))
    make_clips.write(
        new("wrong name.avi"), ((i, i / 30, black) for i in range(60)), container="mp4"
    )
    assert len(names) == 60, len(names)
    return names


def test_sixty_hostile_files_have_their_reason_and_every_good_clip_its_result(tmp_path):
    folder, out = tmp_path / "clips", tmp_path / "out"
    folder.mkdir()
    good = short_clip(tmp_path / "good.mp4")
    hostile = _hostile(folder, good)
    fine = [
        f"{'abcdefgh'[i]}_squat_left{s}.mp4"
        for i, s in enumerate(
            ("", " with spaces", "'\"", "\nnewline", "\N{LEG}", os.fsdecode(b"\xe9"), "=1", "%41")
        )
    ]
    copies(good, folder, fine)
    began = time.monotonic()
    batch = replace(BY_NAME, settings=Settings(pose=PoseSettings(model="lite", rate_hz=2.0)))
    end = run_batch(folder, out, batch)
    assert time.monotonic() - began < 600
    rows = _rows(out)
    assert (end.n_measured, end.n_failed, len(rows)) == (len(fine), 60, 68)
    for row in rows:
        if row["status"] != "measured":
            assert len(row["reason"]) > 10
            assert "\n" not in row["reason"]
            assert "unexpected" not in row["reason"], row
            assert "broke down" not in row["reason"], row
    for name in fine:
        assert json.loads((out / "results" / name / "report.json").read_bytes())
    assert len(hostile) == 60


# -- more workers, more machines


@pytest.fixture(scope="module")
def working_day(tmp_path_factory) -> Path:
    """24 clips of 4 s, half size."""
    folder = tmp_path_factory.mktemp("day")
    for i in range(24):
        short_clip(folder / f"p_squat_left_{i:02}.mp4", from_s=0.8 * i, seconds=4.0)
    return folder


FULL_OPTIONS = ("--pattern", PATTERN, "--pose-model", "full", "--pose-rate", "30")


def _seconds(*args, **options) -> float:
    began = time.monotonic()
    with start(*args, **options) as run:
        assert run.wait(timeout=900) == 0, run.stderr.read()
    return time.monotonic() - began


@pytest.mark.speed
@pytest.mark.skipif(N_CORES < 2, reason="two workers need two cores")
def test_two_workers_are_nearly_twice_as_fast_as_one_on_one_core(working_day, tmp_path):
    machine = _Machine()
    one_s = _seconds(
        working_day,
        "--out",
        tmp_path / "one",
        *FULL_OPTIONS,
        "--workers",
        "1",
        preexec_fn=_one_core,
    )
    two_s = _seconds(working_day, "--out", tmp_path / "two", *FULL_OPTIONS, "--workers", "2")
    assert tables(tmp_path / "one") == tables(tmp_path / "two")
    _at_least(one_s / two_s, 1.8, machine, "2 workers : 1 worker on one core")


@contextmanager
def _cluster(folder: Path, n_workers: int = 2):
    """(address, worker processes) of a scheduler and workers, started as the README says."""
    pytest.importorskip("distributed")
    file = folder / "scheduler.json"
    dask = [sys.executable, "-m", "dask"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder}
    scheduler = subprocess.Popen(
        [
            *dask,
            "scheduler",
            "--host",
            "127.0.0.1",
            "--port",
            "0",
            "--no-dashboard",
            "--scheduler-file",
            file,
        ],
        **quiet,
    )
    workers = []
    try:
        while not (file.exists() and file.read_text().strip()):
            assert scheduler.poll() is None
            time.sleep(0.1)
        address = json.loads(file.read_text())["address"]
        for _ in range(n_workers):
            workers.append(
                subprocess.Popen(
                    [
                        *dask,
                        "worker",
                        address,
                        "--nthreads",
                        "1",
                        "--no-nanny",
                        "--no-dashboard",
                        "--local-directory",
                        folder,
                    ],
                    **quiet,
                )
            )
        from distributed import Client

        with Client(address, set_as_default=False) as client:
            client.wait_for_workers(n_workers, timeout=60)
        yield address, workers
    finally:
        for process in (*workers, scheduler):
            process.kill()
            process.wait()


@pytest.mark.speed
def test_a_cluster_gives_the_same_bytes_in_nearly_the_same_time(working_day, tmp_path):
    machine = _Machine()
    options = (working_day, *FULL_OPTIONS)
    local_s = _seconds(*options, "--out", tmp_path / "local", "--workers", "2")
    with _cluster(tmp_path) as (address, _):
        cluster_s = _seconds(*options, "--out", tmp_path / "cluster", "--scheduler", address)
    assert tables(tmp_path / "cluster") == tables(tmp_path / "local")
    _at_least(local_s / cluster_s, 0.9, machine, "cluster : local workers")


def test_a_killed_machine_of_the_cluster_loses_nothing(working_day, tmp_path):
    options = (working_day, "--pattern", PATTERN, *QUICK_OPTIONS)
    with _cluster(tmp_path) as (address, workers):
        with start(*options, "--out", tmp_path / "out", "--scheduler", address) as run:
            while len(list((tmp_path / "out").glob("results/*/batch.json"))) < 4:
                assert run.poll() is None, run.stderr.read()
                time.sleep(0.02)
            workers[0].kill()
            assert run.wait(timeout=300) == 0, run.stderr.read()
    rows = _rows(tmp_path / "out")
    assert [r["status"] for r in rows] == ["measured"] * 24
    assert list((tmp_path / "out/.formcheck/parts").iterdir()) == []
    _seconds(*options, "--out", tmp_path / "local", "--workers", "2")
    assert tables(tmp_path / "out") == tables(tmp_path / "local")


# -- memory


def test_a_workers_memory_stays_flat_over_five_hundred_clips(tmp_path):
    (tmp_path / "in").mkdir()
    clip = short_clip(tmp_path / "in" / "a.mp4")
    batch = replace(BY_NAME, describing=Describing(exercise="squat"))
    out = tmp_path / "out"
    (planned,) = plan_batch(clip.parent, out, batch)
    (out / ".formcheck").mkdir(parents=True)
    pose = replace(planned.job.settings.pose, n_threads=1)
    job = replace(planned.job, settings=replace(planned.job.settings, pose=pose))
    memory = []
    with WorkerPool() as pool:
        for i in range(550):
            outcome = pool.measure(replace(job, file=f"{i}.mp4"))
            assert outcome.is_measured, outcome
            (worker,) = pool._all
            memory.append(worker.process.memory_bytes)
            shutil.rmtree(out / "results")
    first, last = np.mean(memory[50:150]), np.mean(memory[-100:])
    print(f"memory of a worker: {first / 1e6:.0f} MB, at the end {last / 1e6:.0f} MB")
    assert last < 1.05 * first


def _hour(path: Path, minutes: int, rate: int = 5) -> Path:
    """A 1080p clip: one minute of squats, its packets repeated `minutes` times."""
    import cv2

    minute = path.with_name("minute.mp4")
    n = 60 * rate
    squats = [
        cv2.resize(rgb, (1440, 1080))
        for i, _, rgb in make_clips.read(SAMPLES / "squat_side.mp4")
        if i % 6 == 0
    ]
    if not minute.exists():
        wide = np.full((1080, 1920, 3), 90, np.uint8)

        def pictures():
            for i in range(n):
                wide[:, 240:1680] = squats[i % len(squats)]
                yield i, i / rate, wide

        make_clips.write(minute, pictures(), options={"preset": "ultrafast", "bf": "0"})
    return _repeated(minute, path, minutes, 60)


def _repeated(src: Path, dst: Path, times: int, length_s: float) -> Path:
    """The packets of a clip again and again."""
    with av.open(str(src)) as source, av.open(str(dst), "w") as out:
        stream = source.streams.video[0]
        packets = [(p.pts, p.dts, p.is_keyframe, bytes(p)) for p in source.demux(stream) if p.size]
        copy = out.add_stream_from_template(stream)
        length = round(length_s / stream.time_base)
        for k in range(times):
            for pts, dts, is_key, content in packets:
                packet = av.Packet(content)
                packet.pts, packet.dts = pts + k * length, dts + k * length
                packet.time_base, packet.stream = stream.time_base, copy
                packet.is_keyframe = is_key
                out.mux(packet)
    return dst


_ANALYZE = """
from formcheck.cli import main
main()
"""


def _analyze_peak_mb(clip: Path, out: Path, rate_hz: str = "0.5") -> float:
    return peak_mb(
        _ANALYZE,
        "analyze",
        clip,
        "--exercise",
        "squat",
        "--out",
        out,
        "--no-video",
        "--no-cache",
        "--pose-model",
        "lite",
        "--pose-rate",
        rate_hz,
    )


def test_an_hour_of_1080p_runs_in_bounded_memory(tmp_path):
    short_mb = _analyze_peak_mb(_hour(tmp_path / "short.mp4", 4), tmp_path / "a")
    hour_mb = _analyze_peak_mb(_hour(tmp_path / "hour.mp4", 60), tmp_path / "b")
    report = json.loads((tmp_path / "b" / "report.json").read_bytes())
    assert report["clip"]["duration_s"] == pytest.approx(3600, abs=1)
    print(f"peak memory: 4 minutes {short_mb:.0f} MB, an hour {hour_mb:.0f} MB")
    # No picture is kept; an hour of landmarks on the even grid takes a quarter of a gigabyte.
    assert hour_mb < short_mb + 500
    assert hour_mb < 1500


def test_a_clip_ten_times_as_long_takes_hardly_more_memory(tmp_path):
    clip = tmp_path / "a.mp4"
    with av.open(str(SAMPLES / "squat_side.mp4")) as source:
        length_s = float(source.duration / av.time_base)
    _repeated(SAMPLES / "squat_side.mp4", clip, 10, length_s)
    short_mb = _analyze_peak_mb(SAMPLES / "squat_side.mp4", tmp_path / "a", "5")
    long_mb = _analyze_peak_mb(clip, tmp_path / "b", "5")
    report = json.loads((tmp_path / "b" / "report.json").read_bytes())
    assert report["clip"]["duration_s"] == pytest.approx(10 * length_s, abs=0.5)
    print(f"peak memory: {short_mb:.0f} MB, ten times as long {long_mb:.0f} MB")
    assert long_mb < short_mb + 100


# -- speed


@pytest.mark.speed
@pytest.mark.skipif(N_CORES < 2, reason="the targets are for two cores")
def test_we_are_as_many_times_as_fast_as_the_plain_loop_as_we_say(tmp_path):
    from formcheck.evidence.benchmark import ALL_FILES, BATCH, DEFAULT_ALL, PLAIN, run_benchmark

    clip = tmp_path / "half a minute.mp4"
    shutil.copyfile(SAMPLES / "squat_side.mp4", clip)
    machine = _Machine()
    found = run_benchmark(clip, n_batch=2)
    speed = {t.name: t.frames_per_s for t in found.timings}
    print(*(f"{r.name}: {r.value:.2f}" for r in found.ratios), sep="\n")
    _at_least(speed[ALL_FILES] / speed[PLAIN], 1.5, machine, "all files : plain loop")
    _at_least(speed[BATCH.format(n=2)] / speed[PLAIN], 1.8, machine, "batch : plain loop")
    _at_least(speed[DEFAULT_ALL] / speed[PLAIN], 2.5, machine, "default : plain loop")
