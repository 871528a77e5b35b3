"""One pass over a file: packets, whole pictures, their stamps, and what was lost."""

import math
import struct
import time
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import IO

import numpy as np

from formcheck.model.errors import ClipError
from formcheck.video.refusals import MAX_PIXELS, as_clip_error, refuse_huge

MAX_CLIP_S = 4 * 3600
"""A frame stamped later than this after the first is misdated: no set lasts so long."""
MAX_LAST_FRAME_S = 10.0
"""A longer duration of the last frame is taken for a fault, and the mean interval used."""
AHEAD_S = 1.0
"""Of two frames out of order the later-stamped one is at fault if it leaps this far."""
MAX_PACKETS_WITHOUT_PICTURE = 20_000
MAX_SECONDS_WITHOUT_PICTURE = 30.0
"""Guards against files that keep the decoder busy for ever."""

# A closed list: text playlists and concatenation scripts could otherwise name other files and
# hosts, and single pictures would pass for clips.
_CONTAINERS = (
    "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,gif,mpegts,mpeg,mpegvideo,flv,asf,ogg,h264,hevc,"
    "ivf,mjpeg,obu,dv,mxf,nut"
)
_MP4 = "mov,mp4,m4a,3gp,3g2,mj2"
_ON_ONE_THREAD = ("vp8",)
"""Decoders that tell of no damage, and on several threads make something else of it each time."""
_ONE_PICTURE_A_PACKET = ("h264", "hevc", "mjpeg")


@dataclass(frozen=True, slots=True)
class Dated:
    """A decoded picture with a stamp that stands after the one before."""

    picture: object
    stamp: int
    duration: int


def _capture_rate_hz(metadata) -> float | None:
    """The pictures a second that the camera took, where a phone wrote it for slow motion."""
    try:
        rate_hz = float(metadata["com.android.capture.fps"])
    except (KeyError, ValueError):
        return None
    return rate_hz if 0 < rate_hz < MAX_CAPTURE_RATE_HZ else None


MAX_CAPTURE_RATE_HZ = 10_000.0
"""A tag beyond it is no rate of a camera (common practice)."""


_H264_ENCODING = 1
"""The kind of FFmpeg's record of encoding parameters whose quantizer runs from 0 to 51."""


def quantizer_of(pictures) -> float | None:
    """Mean quantizer of these decoded pictures, 0 to 51; None where it is not H.264.

    The coarser it is, the less of the picture is left. From the record AVVideoEncParams that the
    decoder adds (libavutil/video_enc_params.h): counts, then one record a block, whose last number
    is the block's difference from the picture's quantizer.
    """
    found = []
    for picture in pictures:
        for side in picture.side_data:
            if "VIDEO_ENC_PARAMS" not in str(side.type):
                continue
            data = bytes(side)
            n, offset, size, kind, base = struct.unpack_from("@INNii", data, 0)
            if kind != _H264_ENCODING or size % 4 or offset + n * size > len(data):
                continue
            blocks = np.frombuffer(data, np.int32, n * size // 4, offset).reshape(n, size // 4)
            found.append(base + (float(blocks[:, -1].mean()) if n else 0.0))
    return sum(found) / len(found) if found else None


class Pass:
    """One reading of the file from start to end, with its counts."""

    def __init__(self, path: Path, name: str, n_threads: int, stream: IO[bytes] | None = None):
        """stream : read instead of the path, which may have moved, as bytes arrive."""
        import av

        self._av = av
        self._name = name
        self._is_threaded = n_threads != 1
        self.is_damaged = False
        self.n_lost = self.n_misdated = self.n_packets = self.n_pictures = 0
        self._container = None
        with as_clip_error(path, name):
            self.size_bytes = path.stat().st_size if stream is None else 0
            self._container = av.open(
                f"file:{path}" if stream is None else stream,
                options={"max_pixels": str(MAX_PIXELS)},
                container_options={"format_whitelist": _CONTAINERS, "protocol_whitelist": "file"},
                metadata_errors="replace",
                timeout=MAX_SECONDS_WITHOUT_PICTURE,
            )
            try:
                self._choose_stream(n_threads)
            except BaseException:
                self.close()
                raise

    def _choose_stream(self, n_threads: int) -> None:
        stream = _video_stream(self._container, self._name)
        context = stream.codec_context
        if context.name in _ON_ONE_THREAD:
            self._is_threaded, n_threads = False, 1
        context.thread_type = "AUTO" if self._is_threaded else "NONE"
        context.thread_count = n_threads
        refuse_huge(context.width, context.height, self._name)
        # A picture that grows midway must not exhaust memory either.
        context.options = {"max_pixels": str(MAX_PIXELS), "export_side_data": "venc_params"}
        self._stream = stream
        self.container_name = self._container.format.name
        self.codec_name = context.name
        self.time_base = stream.time_base
        if not self.time_base or self.time_base <= 0:
            raise ClipError(f"{self._name}: its frames carry no times: export it again as MP4")
        self.n_stated = stream.frames
        self.rate_hz = float(stream.average_rate or stream.guessed_rate or math.nan)
        self.pixel_ratio = stream.sample_aspect_ratio or Fraction(1)
        self.capture_rate_hz = _capture_rate_hz(self._container.metadata)
        self.duration_s = None
        if stream.duration and stream.duration > 0:
            self.duration_s = float(stream.duration * self.time_base)
        elif self._container.duration and self._container.duration > 0:
            self.duration_s = self._container.duration / self._av.time_base

    def close(self) -> None:
        if self._container is not None:
            self._container.close()
            self._container = None

    def dated(self) -> Iterator[Dated]:
        """Pictures in order of increasing stamps, each with its duration."""
        held = None
        last = first = None
        n = 0
        for picture in self._pictures():
            stamp = self._stamp(picture, held[1] if held else None)
            if first is not None and (stamp - first) * self.time_base > MAX_CLIP_S:
                self.n_misdated += 1
                continue
            if held is not None and stamp <= held[1]:
                self.n_misdated += 1
                is_held_ahead = (held[1] - stamp) * self.time_base > AHEAD_S
                if is_held_ahead and (last is None or stamp > last):
                    held = picture, stamp
                continue
            if held is not None:
                yield Dated(held[0], held[1], stamp - held[1])
                n += 1
                last = held[1]
                first = last if first is None else first
            held = picture, stamp
        if held is not None and not (self._is_threaded and self.is_damaged):
            own = held[0].duration or 0
            if not 0 < own * self.time_base <= MAX_LAST_FRAME_S:
                own = max(1, round((held[1] - first) / n)) if n else 1
            yield Dated(held[0], held[1], own)

    def _stamp(self, picture, before: int | None) -> int:
        # AVI stores no presentation stamps, and those guessed for it run back and forth where
        # pictures are coded out of order; its decoding stamps count on evenly.
        stamp = picture.dts if self.container_name == "avi" else picture.pts
        if stamp is None:
            # A bare stream of pictures without a container has none at all.
            stamp = 0 if before is None else before + (picture.duration or self._step_by_rate())
        return stamp

    def _step_by_rate(self) -> int:
        rate_hz = self.rate_hz if self.rate_hz > 0 else 30.0
        return max(1, round(1 / (rate_hz * float(self.time_base))))

    def _pictures(self) -> Iterator[object]:
        """Whole pictures in the decoder's order; stops a threaded pass at the first damage."""
        context = self._stream.codec_context
        packets = self._packets()
        n_barren = 0
        spent_s = 0.0
        first_size = None
        is_at_end = False
        while not is_at_end:
            since = time.monotonic()
            packet = next(packets, None)
            is_at_end = packet is None
            try:
                pictures = context.decode(packet)
            except self._av.error.EOFError:
                pictures = []
            except (self._av.error.FFmpegError, ValueError, RuntimeError, MemoryError):
                self._lose(1)
                pictures = []
            if self._is_threaded and self.is_damaged:
                return
            spent_s += time.monotonic() - since
            n_barren += 1
            for picture in pictures:
                size = picture.width, picture.height
                first_size = first_size or size
                if picture.is_corrupt or not _same_shape(size, first_size):
                    self._lose(1)
                    if self._is_threaded:
                        return
                    continue
                self.n_pictures += 1
                n_barren = 0
                spent_s = 0.0
                yield picture
            if n_barren > MAX_PACKETS_WITHOUT_PICTURE or spent_s > MAX_SECONDS_WITHOUT_PICTURE:
                raise ClipError(
                    f"{self._name}: decoding is stuck after {self.n_pictures} pictures: "
                    "the file is damaged; export it again"
                )
        if self._is_threaded and self.n_pictures < self.n_packets:
            self.is_damaged = True
        n_silent = self.n_packets - self.n_pictures - self.n_lost
        if n_silent > 0 and self.codec_name in _ONE_PICTURE_A_PACKET:
            # Decoders pass over pictures in silence until the first one that stands alone.
            self._lose(n_silent)
        if self.container_name == _MP4 and self.n_stated > self.n_packets:
            self._lose(self.n_stated - self.n_packets)

    def _lose(self, n: int) -> None:
        self.n_lost += n
        self.is_damaged = True

    def _packets(self) -> Iterator[object]:
        packets = self._container.demux(self._stream)
        while True:
            try:
                packet = next(packets, None)
            except (self._av.error.FFmpegError, ValueError, OverflowError, RuntimeError):
                # The rest cannot be found in the file: what came before is good.
                self._lose(1)
                return
            if packet is None:
                return
            # An empty packet tells a decoder that the clip is over; some recorders store one
            # for each picture that they dropped.
            if packet.size == 0:
                continue
            self.n_packets += not packet.is_discard
            yield packet


def _same_shape(size: tuple[int, int], first: tuple[int, int]) -> bool:
    # Browsers change the size midway, in proportion; another shape is a damaged header.
    return abs(size[0] * first[1] / (size[1] * first[0]) - 1) < 0.02


def _video_stream(container, name: str):
    moving = [s for s in container.streams.video if not _is_cover(s)]
    if not moving:
        what = "sound but no moving picture" if container.streams.audio else "no moving picture"
        raise ClipError(f"{name}: holds {what}: choose the video recording itself")
    readable = [s for s in moving if s.codec_context is not None]
    if not readable:
        raise ClipError(f"{name}: its video codec is unknown here: export the clip as H.264 MP4")
    best = container.streams.best("video")
    return next((s for s in readable if best is not None and s.index == best.index), readable[0])


def _is_cover(stream) -> bool:
    from av.stream import Disposition

    return bool(Disposition(stream.disposition) & Disposition.attached_pic)
