"""Clips made from a given clip, each with one thing changed, for tests.

`read` gives (number, seconds, picture), `write` encodes such triples, `rewrite` joins the two
with a function from picture to picture in between. They use PyAV directly, so that the reader
under test is not part of its own test material. Everything random is seeded.
"""

import io
from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from itertools import chain, islice
from pathlib import Path

import av
import cv2
import numpy as np
from av.video.reformatter import VideoReformatter

QUIET = {"libx265": {"x265-params": "log-level=none"}}
LOSSY = {
    "libx264": {"preset": "veryfast", "crf": "18"},
    "libx265": {"preset": "ultrafast", "crf": "20", **QUIET["libx265"]},
    "libvpx": {"deadline": "realtime", "cpu-used": "8", "crf": "10"},
    "libvpx-vp9": {"deadline": "realtime", "cpu-used": "8", "crf": "20"},
}
BIT_RATE = {"libvpx": 3_000_000, "libvpx-vp9": 3_000_000, "mjpeg": 8_000_000}
PIX_FMT = {"mjpeg": "yuvj420p", "gif": "rgb8"}
TIME_BASE = {"libvpx": Fraction(1, 1000), "libvpx-vp9": Fraction(1, 1000), "gif": Fraction(1, 100)}

Picture = Callable[[np.ndarray, int, float], np.ndarray | None]
Triple = tuple[int, float, np.ndarray]


class _Pipe(io.RawIOBase):
    """Takes what is written and cannot go back, as a browser's recorder."""

    def __init__(self):
        self.content = bytearray()

    def writable(self):
        return True

    def write(self, data):
        self.content += bytes(data)
        return len(data)


def read(path: Path | str) -> Iterator[Triple]:
    """Number, seconds after the first frame and picture as stored (rotation not applied)."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        converter = VideoReformatter()
        first = None
        for i, frame in enumerate(container.decode(stream)):
            first = frame.pts if first is None else first
            rgb = converter.reformat(frame, format="rgb24").to_ndarray()
            yield i, float((frame.pts - first) * stream.time_base), np.ascontiguousarray(rgb)


def write(
    path: Path | str | io.RawIOBase,
    frames: Iterable[Triple],
    *,
    codec: str = "libx264",
    pix_fmt: str | None = None,
    time_base: Fraction | None = None,
    start_s: float = 0.0,
    rotation_deg: int = 0,
    is_flipped: bool = False,
    pixel_ratio: Fraction | None = None,
    options: dict[str, str] | None = None,
    container: str | None = None,
    container_options: dict[str, str] | None = None,
    last_s: float | None = None,
) -> Path:
    """Encodes the frames at their own times; returns the path.

    `rotation_deg` is the clockwise turn that a player is told to apply; `start_s` the time of
    the first frame; `last_s` the duration of the last.
    """
    pix_fmt = pix_fmt or PIX_FMT.get(codec, "yuv420p")
    time_base = time_base or TIME_BASE.get(codec, Fraction(1, 90000))
    target = path if isinstance(path, io.RawIOBase) else str(path)
    with av.open(target, "w", format=container, container_options=container_options or {}) as out:
        stream = out.add_stream(codec, rate=30, options={**LOSSY.get(codec, {}), **(options or {})})
        stream.pix_fmt = pix_fmt
        stream.time_base = stream.codec_context.time_base = time_base
        if codec in BIT_RATE:
            stream.bit_rate = BIT_RATE[codec]
        if pixel_ratio is not None:
            stream.codec_context.sample_aspect_ratio = pixel_ratio
        if rotation_deg or is_flipped:
            stream.set_display_rotation(-rotation_deg, hflip=is_flipped)
        converter = VideoReformatter()
        pts = -1
        durations = {}
        for i, (_, t, rgb) in enumerate(frames):
            if i == 0:
                stream.height, stream.width = rgb.shape[:2]
            before, pts = pts, max(pts + 1, round((t + start_s) / time_base))
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb), "rgb24")
            frame = converter.reformat(frame, format=pix_fmt)
            frame.pts, frame.time_base = pts, time_base
            durations[before] = pts - before
            _mux(out, stream.encode(frame), durations)
        durations[pts] = round(last_s / time_base) if last_s else durations.get(before, 0)
        _mux(out, stream.encode(None), durations)
    return path


def _mux(out, packets, durations):
    for packet in packets:
        if packet.pts in durations:
            packet.duration = durations[packet.pts]
        out.mux(packet)


def rewrite(
    src: Path | str,
    dst: Path | str,
    picture: Picture | None = None,
    *,
    time: Callable[[float, int], float] | None = None,
    n_frames: int | None = None,
    **encoding,
) -> Path:
    """The clip with each picture put through `picture` (None drops it) and each time through
    `time`; `encoding` goes to `write`."""

    def changed():
        for i, t, rgb in islice(read(src), n_frames):
            new = rgb if picture is None else picture(rgb, i, t)
            if new is not None:
                yield i, (t if time is None else time(t, i)), new

    return write(dst, changed(), **encoding)


def drawn(
    n: int = 30, width: int = 64, height: int = 64, rate_hz: float = 30.0
) -> Iterator[Triple]:
    """A small made-up clip: red top left, green top right, blue bottom left, and a white bar
    that moves down."""
    for i in range(n):
        rgb = np.zeros((height, width, 3), np.uint8)
        rgb[: height // 2, : width // 2, 0] = 200
        rgb[: height // 2, width // 2 :, 1] = 200
        rgb[height // 2 :, : width // 2, 2] = 200
        at = i * 3 % (height - 4)
        rgb[at : at + 4, width // 2 - 2 : width // 2 + 2] = 255
        yield i, i / rate_hz, rgb


# -- how the file is made


def rotated(src, dst, rotation_deg=90, is_flipped=False, **encoding):
    """Stored turned, with a display matrix that turns it back: shown as the source is."""

    def stored(rgb, _i, _t):
        rgb = rgb[:, ::-1] if is_flipped else rgb
        return np.rot90(rgb, rotation_deg // 90)

    return rewrite(src, dst, stored, rotation_deg=rotation_deg, is_flipped=is_flipped, **encoding)


def odd_width(src, dst, width=333, **encoding):
    """Resized to a width whose lines are padded in memory; stored without colour subsampling."""

    def narrow(rgb, _i, _t):
        return cv2.resize(rgb, (width, round(rgb.shape[0] * width / rgb.shape[1])))

    return rewrite(src, dst, narrow, **{"pix_fmt": "yuv444p", **encoding})


def uneven_times(src, dst, seed=0, **encoding):
    """A third of the frames left out at random, the rest at their own times, as phones do."""
    rng = np.random.default_rng(seed)
    return rewrite(
        src, dst, lambda rgb, i, t: rgb if i < 2 or rng.random() > 1 / 3 else None, **encoding
    )


def shifted_start(src, dst, start_s=5.0, **encoding):
    """The same clip whose first frame is stamped `start_s`."""
    return rewrite(src, dst, start_s=start_s, **encoding)


def as_browser_webm(src, dst, codec="libvpx", **encoding):
    """WebM as a browser's recorder leaves it: no duration, no index, sizes unknown."""
    pipe = _Pipe()
    rewrite(src, pipe, codec=codec, container="webm", container_options={"live": "1"}, **encoding)
    Path(dst).write_bytes(pipe.content)
    return dst


def as_hevc(src, dst, **encoding):
    """HEVC in MP4, as recent phones record."""
    return rewrite(src, dst, codec="libx265", **encoding)


def as_mjpeg_avi(src, dst, rate_hz=30, **encoding):
    """Motion JPEG in AVI, as old webcams record."""
    return rewrite(src, dst, codec="mjpeg", time_base=Fraction(1, rate_hz), **encoding)


def as_gif(src, dst, **encoding):
    """Animated GIF, times rounded to hundredths of a second."""
    return rewrite(src, dst, codec="gif", **encoding)


def restamped(src, dst, ticks, time_base=Fraction(1, 90000)):
    """The same coded pictures with other presentation stamps (those of the list, in order of
    display), whatever they are."""
    # Without an edit list, which would hide pictures stamped before the first one.
    plain = {"use_editlist": "0"}
    with av.open(str(src)) as source, av.open(str(dst), "w", container_options=plain) as out:
        stream = out.add_stream_from_template(source.streams.video[0])
        stream.time_base = time_base
        packets = [p for p in source.demux(video=0) if p.size]
        order = sorted(range(len(packets)), key=lambda k: packets[k].pts)
        for place, k in enumerate(order):
            packets[k].pts = ticks[place] + 1_000_000
        for k, packet in enumerate(packets):
            packet.stream = stream
            packet.time_base = time_base
            packet.dts = k
            packet.duration = 1
            out.mux(packet)
    return dst


def packet_places(src) -> list[tuple[int, int]]:
    """(offset, size) in the file of each coded picture, in the order of the file."""
    with av.open(str(src)) as container:
        return [(p.pos, p.size) for p in container.demux(video=0) if p.size]


# -- time


def trimmed(src, dst, from_s, to_s, **encoding):
    """Only from_s <= t <= to_s, starting at 0."""
    return rewrite(
        src,
        dst,
        lambda rgb, i, t: rgb if from_s <= t <= to_s else None,
        time=lambda t, i: t - from_s,
        **encoding,
    )


def lower_rate(src, dst, every=3, **encoding):
    """One frame of every `every`."""
    return rewrite(src, dst, lambda rgb, i, t: rgb if i % every == 0 else None, **encoding)


def sped_up(src, dst, factor=2.0, **encoding):
    """The same frames in less time (factor below 1: in more)."""
    return rewrite(src, dst, time=lambda t, i: t / factor, **encoding)


def title_card(src, dst, seconds=2.0, at_s=0.0, **encoding):
    """A plain card with text put in at `at_s`; what follows comes later."""

    def with_card():
        is_shown = False
        n = 0
        for _, t, rgb in read(src):
            if t >= at_s and not is_shown:
                is_shown = True
                card = np.full_like(rgb, 30)
                cv2.putText(card, "Exercise", (20, 60), cv2.FONT_HERSHEY_SIMPLEX, 1, (255,) * 3, 2)
                for k in range(round(seconds * 30)):
                    yield n, t + k / 30, card
                    n += 1
            yield n, t + (seconds if is_shown else 0), rgb
            n += 1

    return write(dst, with_card(), **encoding)


def spliced(src, other, dst, cut_s, other_from_s=0.0, **encoding):
    """The source up to `cut_s`, then the other clip from `other_from_s` on: a jump cut."""
    head = ((i, t, rgb) for i, t, rgb in read(src) if t < cut_s)
    tail = ((i, t - other_from_s + cut_s, rgb) for i, t, rgb in read(other) if t >= other_from_s)
    return write(dst, chain(head, tail), **encoding)


# -- picture


def mirrored(src, dst, **encoding):
    """Left and right of the picture exchanged, as a selfie camera may record."""
    return rewrite(src, dst, lambda rgb, i, t: rgb[:, ::-1], **encoding)


def cropped(src, dst, left=0.0, top=0.0, right=1.0, bottom=1.0, **encoding):
    """Only a part of the picture, as shares of its sides."""

    def cut(rgb, _i, _t):
        height, width = rgb.shape[:2]
        y = slice(round(top * height) // 2 * 2, round(bottom * height) // 2 * 2)
        x = slice(round(left * width) // 2 * 2, round(right * width) // 2 * 2)
        return rgb[y, x]

    return rewrite(src, dst, cut, **encoding)


def resized(src, dst, factor=0.5, **encoding):
    """Scaled by `factor`, to even sides."""

    def scale(rgb, _i, _t):
        height, width = (round(side * factor / 2) * 2 for side in rgb.shape[:2])
        return cv2.resize(rgb, (width, height), interpolation=cv2.INTER_AREA)

    return rewrite(src, dst, scale, **encoding)


def darkened(src, dst, gain=0.15, **encoding):
    """Light taken away, with sensor noise."""
    rng = np.random.default_rng(0)

    def dark(rgb, _i, _t):
        return _as_uint8(rgb * gain + rng.normal(0, 3, rgb.shape))

    return rewrite(src, dst, dark, **encoding)


def blurred(src, dst, sigma_px=6.0, **encoding):
    """Out of focus."""
    return rewrite(src, dst, lambda rgb, i, t: cv2.GaussianBlur(rgb, (0, 0), sigma_px), **encoding)


def noisy(src, dst, sd=25.0, seed=0, **encoding):
    """Sensor noise of standard deviation `sd` (of 255)."""
    rng = np.random.default_rng(seed)
    return rewrite(
        src, dst, lambda rgb, i, t: _as_uint8(rgb + rng.normal(0, sd, rgb.shape)), **encoding
    )


def shaken(src, dst, sd_px=4.0, seed=0, **encoding):
    """A hand-held camera: the picture wanders by a smooth random shift."""
    rng = np.random.default_rng(seed)
    at = np.zeros(2)

    def shake(rgb, _i, _t):
        nonlocal at
        at = 0.8 * at + rng.normal(0, sd_px * 0.6, 2)
        return _warp(rgb, np.float32([[1, 0, at[0]], [0, 1, at[1]]]))

    return rewrite(src, dst, shake, **encoding)


def rolled(src, dst, degrees=10.0, **encoding):
    """The camera tilted: the picture turned about its centre, clockwise as shown."""

    def roll(rgb, _i, _t):
        height, width = rgb.shape[:2]
        return _warp(rgb, cv2.getRotationMatrix2D((width / 2, height / 2), -degrees, 1.0))

    return rewrite(src, dst, roll, **encoding)


def second_person(src, other, dst, columns=(0.2, 0.65), at=0.62, scale=0.8, **encoding):
    """The other clip's person (its `columns`, as shares) pasted at `at` of the width, smaller."""
    others = read(other)
    last = next(others)[2]

    def paste(rgb, _i, _t):
        nonlocal last
        last = next(others, (0, 0, last))[2]
        height, width = rgb.shape[:2]
        cut = last[:, round(columns[0] * last.shape[1]) : round(columns[1] * last.shape[1])]
        cut = cv2.resize(cut, None, fx=scale, fy=scale)[:height]
        x = round(at * width)
        cut = cut[:, : width - x]
        rgb = rgb.copy()
        rgb[height - len(cut) :, x : x + cut.shape[1]] = cut
        return rgb

    return rewrite(src, dst, paste, **encoding)


def walk_out(src, dst, from_s, to_s=float("inf"), columns=(0.1, 0.9), is_black=False, **encoding):
    """The person is gone between the two times: their columns filled from those beside."""

    def gone(rgb, _i, t):
        return (
            (np.zeros_like(rgb) if is_black else _without(rgb, *columns))
            if (from_s <= t <= to_s)
            else rgb
        )

    return rewrite(src, dst, gone, **encoding)


def _without(rgb, left, right):
    width = rgb.shape[1]
    a, b = round(left * width), round(right * width)
    share = np.linspace(0, 1, b - a)[None, :, None]
    rgb = rgb.copy()
    rgb[:, a:b] = _as_uint8(rgb[:, a : a + 1] * (1 - share) + rgb[:, b - 1 : b] * share)
    return rgb


def _warp(rgb, matrix):
    size = rgb.shape[1], rgb.shape[0]
    return cv2.warpAffine(rgb, matrix, size, borderMode=cv2.BORDER_REPLICATE)


def _as_uint8(values):
    return np.clip(np.rint(values), 0, 255).astype(np.uint8)
