"""Corrupted variants of small valid clips: only a ClipError may come out, and soon."""

import faulthandler
import math
import time
from fractions import Fraction

import make_clips
import numpy as np
import pytest
from make_clips import drawn

from formcheck.model.errors import ClipError
from formcheck.video import open_video

LIMIT_S = 20.0
"""Per variant; a clean one takes some 10 ms."""
N_PER_KIND = 40
KINDS = {
    "h264.mp4": {},
    "faststart.mp4": {"container_options": {"movflags": "faststart"}},
    "hevc.mp4": {"codec": "libx265"},
    "turned.mp4": {"rotation_deg": 90},
    "vp8.webm": {"codec": "libvpx"},
    "vp9.webm": {"codec": "libvpx-vp9"},
    "h264.mkv": {},
    "mjpeg.avi": {"codec": "mjpeg", "time_base": Fraction(1, 30)},
    "animated.gif": {"codec": "gif"},
    "h264.ts": {},
}


def flipped(content, rng, _other):
    for at in rng.integers(0, len(content), rng.integers(1, 40)):
        content[at] ^= 1 << rng.integers(8)
    return content


def flipped_head(content, rng, _other):
    for at in rng.integers(0, min(len(content), 400), rng.integers(1, 8)):
        content[at] = rng.integers(256)
    return content


def flipped_tail(content, rng, _other):
    # The index of an MP4 that was not made for streaming stands at its end.
    for at in rng.integers(max(0, len(content) - 900), len(content), rng.integers(1, 8)):
        content[at] = rng.integers(256)
    return content


def cut(content, rng, _other):
    return content[: rng.integers(1, len(content))]


def zeroed(content, rng, _other):
    at, size = rng.integers(0, len(content)), rng.integers(1, 600)
    content[at : at + size] = bytes(min(size, len(content) - at))
    return content


def spliced(content, rng, other):
    return content[: rng.integers(1, len(content))] + other[rng.integers(0, len(other)) :]


def repeated(content, rng, _other):
    a, b = sorted(rng.integers(0, len(content), 2))
    return content[:b] + content[a:]


CORRUPTIONS = (flipped, flipped_head, flipped_tail, cut, zeroed, spliced, repeated)


@pytest.fixture(scope="module")
def originals(tmp_path_factory):
    folder = tmp_path_factory.mktemp("originals")
    return {
        name: make_clips.write(folder / name, drawn(12), **encoding).read_bytes()
        for name, encoding in KINDS.items()
    }


def read_through(path):
    """All that callers do with a clip; returns "read" or the refusal."""
    try:
        with open_video(path) as reader:
            before_s = -math.inf
            for frame in reader.frames():
                assert frame.time_s > before_s
                assert frame.duration > 0
                before_s = frame.time_s
                if frame.index % 4 == 0:
                    rgb = frame.rgb()
                    assert rgb.shape == (reader.height_px, reader.width_px, 3)
                    assert rgb.flags.c_contiguous
            clip = reader.clip()
            assert clip.n_frames >= 1
            assert clip.n_frames_lost >= 0
            assert 0 < clip.duration_s < 5 * 3600
            return "read"
    except ClipError as error:
        return str(error)


@pytest.mark.parametrize("kind", KINDS)
def test_corrupted_clips_are_read_in_part_or_refused_in_one_line(originals, tmp_path, kind):
    rng = np.random.default_rng(list(KINDS).index(kind))
    others = list(originals.values())
    outcomes = []
    for i in range(N_PER_KIND):
        corrupt = CORRUPTIONS[i % len(CORRUPTIONS)]
        other = others[rng.integers(len(others))]
        path = tmp_path / f"{i}_{kind}"
        path.write_bytes(corrupt(bytearray(originals[kind]), rng, other))
        # Native code that hangs cannot be interrupted from Python: then end the whole run.
        faulthandler.dump_traceback_later(3 * LIMIT_S, exit=True)
        since = time.monotonic()
        outcomes.append(read_through(path))
        faulthandler.cancel_dump_traceback_later()
        assert time.monotonic() - since < LIMIT_S, path.name
    assert all("\n" not in outcome for outcome in outcomes)
    # The corruption must bite, and not only kill.
    assert "read" in outcomes
    assert len(set(outcomes)) > 1


def test_there_are_at_least_three_hundred_variants():
    assert N_PER_KIND * len(KINDS) >= 300


def test_the_originals_are_read_whole(originals, tmp_path):
    for name, content in originals.items():
        (tmp_path / name).write_bytes(content)
        with open_video(tmp_path / name) as reader:
            assert len(list(reader.frames())) == 12
            assert reader.clip().n_frames_lost == 0
