"""Folders of short clips for the tests of batches, and requests that harm their worker."""

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import make_clips

from formcheck.batch import BatchSettings, Describing
from formcheck.pose.landmarker import PoseSettings
from formcheck.run.settings import Settings

SAMPLES = Path(__file__).resolve().parent.parent / "sample_clips"
QUICK = Settings(pose=PoseSettings(model="lite", rate_hz=5.0))
PATTERN = "{patient}_{exercise}_{side}*"
BY_NAME = BatchSettings(describing=Describing(pattern=PATTERN), settings=QUICK, n_workers=2)
QUICK_OPTIONS = ("--pose-model", "lite", "--pose-rate", "5")
TABLES = ("clips.csv", "summary.csv", "summary.parquet", "index.html")


def short_clip(path: Path, from_s: float = 1.0, seconds: float = 1.5, sample="squat_side") -> Path:
    """A piece of a sample clip, encoded anew at half size."""

    def half(rgb, _i, t):
        return rgb[::2, ::2] if from_s <= t <= from_s + seconds else None

    n = round((from_s + seconds) * 30) + 2
    return make_clips.rewrite(
        SAMPLES / f"{sample}.mp4", path, half, time=lambda t, i: t - from_s, n_frames=n
    )


def copies(clip: Path, folder: Path, names) -> None:
    """The clip under many names; each a file of its own."""
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(clip, path)


def tables(out: Path) -> dict[str, bytes]:
    """The bytes of a batch's tables and page, by name."""
    return {name: (out / name).read_bytes() for name in TABLES}


def start(*args, **options) -> subprocess.Popen:
    """`formcheck batch ARGS...` in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "formcheck", "batch", *map(os.fspath, args)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **options,
    )


@dataclass
class Harmful:
    """In the place of a job's request: runs `code` when it arrives in the worker.

    The value of `code` arrives in its stead.
    """

    code: str

    def __reduce__(self):
        return eval, (self.code,)
