"""The writer of annotated clips."""

from contextlib import contextmanager, suppress
from fractions import Fraction
from pathlib import Path

import numpy as np

from formcheck.files.storage import output_error
from formcheck.model.errors import OutputError


class VideoWriter:
    """Writes H.264 in MP4 that browsers play, with given frame times.

    The first frame is shown at 0; every other one at the distance that its stamp has from the
    first's. There are no pictures coded out of order, so no player needs an edit list to show
    the right times. Where a side is odd it is padded by a pixel, a copy of the last line.
    The same pictures, stamps, `n_threads` and library versions give the same bytes.

    Parameters
    ----------
    path : written as it is; give a temporary name and rename it when done
    width_px, height_px : of the pictures to come
    time_base : (numerator, denominator) of the stamps, in seconds
    preset, crf : of x264; measured on the sample clips (decision on video output)

    Raises
    ------
    OutputError
        From any method: no permission, no such folder, disk full.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        width_px: int,
        height_px: int,
        time_base: tuple[int, int],
        n_threads: int = 2,
        preset: str = "veryfast",
        crf: int = 23,
    ):
        import av
        from av.video.reformatter import ColorRange, Colorspace, VideoReformatter

        self._av = av
        self._path = Path(path)
        self._size_px = width_px, height_px
        self._time_base = Fraction(*time_base)
        self._converter = VideoReformatter()
        self._colours = {
            "format": "yuv420p",
            "dst_colorspace": Colorspace.ITU709,
            "dst_color_range": ColorRange.MPEG,
        }
        self._first = self._last = self._duration = None
        padded = height_px + height_px % 2, width_px + width_px % 2
        self._padded = np.zeros((*padded, 3), np.uint8)
        self._container = None
        with self._as_output_error():
            # bitexact: no library version in the file, and no time of day.
            self._container = av.open(
                f"file:{self._path}",
                "w",
                format="mp4",
                container_options={"movflags": "faststart", "fflags": "+bitexact"},
            )
            stream = self._container.add_stream(
                # A key picture every 60, so that a jump to a repetition is quick in a browser.
                "libx264",
                options={"preset": preset, "crf": str(crf), "bf": "0", "g": "60"},
            )
            stream.height, stream.width = padded
            stream.pix_fmt = "yuv420p"
            stream.time_base = self._time_base
            context = stream.codec_context
            context.time_base = self._time_base
            context.thread_count = n_threads
            # 1 and 1: ITU-R BT.709 in limited range, said openly so that no player guesses.
            context.colorspace = context.color_primaries = context.color_trc = 1
            context.color_range = 1
            self._stream = stream

    def __enter__(self) -> "VideoWriter":
        return self

    def __exit__(self, kind, *_exception) -> None:
        if kind is None:
            self.close()
        else:
            self._abandon()

    def write(self, rgb: np.ndarray, stamp: int, duration: int | None = None) -> None:
        """Adds a picture (height, width, 3) uint8 at `stamp`, which must be later than the last.

        `duration` counts for the last picture only; without it the last interval is repeated.
        """
        width, height = self._size_px
        if rgb.shape != (height, width, 3) or rgb.dtype != np.uint8:
            raise ValueError(f"picture is {rgb.shape} {rgb.dtype}, not {(height, width, 3)} uint8")
        if self._first is None:
            self._first = stamp
        elif stamp <= self._last:
            raise ValueError(f"stamp {stamp} is not later than {self._last}")
        elif duration is None:
            duration = stamp - self._last
        self._last = stamp
        self._duration = duration
        padded = self._padded
        padded[:height, :width] = rgb
        if width % 2:
            padded[:height, width] = rgb[:, -1]
        if height % 2:
            padded[height] = padded[height - 1]
        with self._as_output_error():
            frame = self._converter.reformat(
                self._av.VideoFrame.from_numpy_buffer(padded, "rgb24"), threads=1, **self._colours
            )
            frame.pts = stamp - self._first
            frame.time_base = self._time_base
            self._mux(self._stream.encode(frame))

    def _mux(self, packets) -> None:
        for packet in packets:
            if packet.pts == self._last - self._first and self._duration:
                packet.duration = self._duration
            self._container.mux(packet)

    def close(self) -> None:
        """Ends the file and moves its index to the front."""
        if self._container is None:
            return
        if self._first is None:
            self._abandon()
            raise OutputError(f"{self._path}: no pictures to write")
        with self._as_output_error():
            self._mux(self._stream.encode(None))
            container, self._container = self._container, None
            container.close()

    def _abandon(self) -> None:
        if self._container is None:
            return
        container, self._container = self._container, None
        # The reason why writing stopped is on its way already.
        with suppress(self._av.error.FFmpegError, OSError, ValueError):
            container.close()

    @contextmanager
    def _as_output_error(self):
        try:
            yield
        except (self._av.error.FFmpegError, OSError) as error:
            self._abandon()
            raise output_error(error, self._path) from error
