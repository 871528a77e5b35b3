"""A decoded picture as an array, the way a player shows it."""

import threading
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache

import numpy as np

from formcheck.model.errors import ClipError
from formcheck.video.refusals import one_line, refuse_huge

SQUARE_TOLERANCE = 0.005
"""Pixels closer to square than this are taken as square (0.14 deg of angle at most)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One picture of a clip with its place in time.

    `index` counts the clip's frames from 0; `stamp` and `duration` (until the next frame) are
    in the clip's time base; `time_s` is seconds after the first frame.
    """

    index: int
    stamp: int
    duration: int
    time_s: float
    _picture: object = field(repr=False)
    _show: "Show" = field(repr=False)

    def rgb(self) -> np.ndarray:
        """The picture as shown: (height, width, 3) uint8, C-contiguous, converted anew each call.

        May be called from any thread.

        Raises
        ------
        ClipError
            The picture cannot be converted.
        """
        return self._show.rgb(self._picture)


class Show:
    """Turns decoded pictures into arrays as a player shows them."""

    def __init__(self, picture, pixel_ratio: Fraction, name: str):
        self._name = name
        # One converter a thread: setting one up for each picture costs more than its work.
        self._local = threading.local()
        is_turned, flip_x, flip_y = _turn_of(picture)
        self._turn = is_turned, flip_x, flip_y
        self.is_flipped = is_turned ^ flip_x ^ flip_y
        self.rotation_deg = _ROTATION_DEG[self._turn]
        self._stored_px = _square_pixels(picture.width, picture.height, pixel_ratio)
        refuse_huge(*self._stored_px, name)
        width, height = self._stored_px
        self.size_px = (height, width) if is_turned else (width, height)

    def rgb(self, picture) -> np.ndarray:
        from av.error import FFmpegError
        from av.video.reformatter import VideoReformatter

        if not hasattr(self._local, "converter"):
            self._local.converter = VideoReformatter()
        width, height = self._stored_px
        try:
            converted = self._local.converter.reformat(
                picture, width=width, height=height, format="rgb24", threads=1
            )
            shown = converted.to_ndarray()
        except (FFmpegError, ValueError, OverflowError, MemoryError) as error:
            raise ClipError(
                f"{self._name}: a picture cannot be converted to colours ({one_line(error)}): "
                "export the clip again as H.264 MP4"
            ) from error
        if converted is picture:
            # Drawn upon, this array would change pictures that the decoder still refers to.
            shown = shown.copy()
        levels = _usual_levels(picture.color_trc)
        if levels is not None:
            shown = levels[shown]
        is_turned, flip_x, flip_y = self._turn
        # A pixel as one element of three bytes is copied in less than half the time.
        shown = shown.view("V3")[:, :, 0]
        if is_turned:
            shown = shown.T
        if flip_x:
            shown = shown[:, ::-1]
        if flip_y:
            shown = shown[::-1]
        # The converter pads its lines at many widths, so even an upright picture may be a view.
        whole = _copied_in_bands(shown) if is_turned else np.ascontiguousarray(shown)
        return whole.view(np.uint8).reshape(*whole.shape, 3)


_HIGH_RANGE = (16, 18)
"""Transfer characteristics of high dynamic range: PQ and HLG (ITU-T H.273, table 3)."""
_USUAL_RANGE = 1
"""That of ITU-R BT.709."""


@cache
def _usual_levels(transfer: int) -> np.ndarray | None:
    """(256,) uint8: the level at which a player of the usual range shows each level of a picture
    of high dynamic range; None for any other picture, which is shown as it is stored.

    The curve is that of FFmpeg's converter, asked once: asked for each picture, setting up takes
    longer than the pose model. What is brighter than paper white comes out white. Colours keep
    their primaries, and come out a little pale.
    """
    if transfer not in _HIGH_RANGE:
        return None
    from av import VideoFrame
    from av.video.reformatter import VideoReformatter

    ramp = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2)
    stored = VideoFrame.from_ndarray(np.ascontiguousarray(ramp), "rgb24")
    stored.color_trc = transfer
    shown = VideoReformatter().reformat(stored, format="rgb24", dst_color_trc=_USUAL_RANGE)
    return np.ascontiguousarray(shown.to_ndarray()[0, :, 1])


def _copied_in_bands(picture: np.ndarray) -> np.ndarray:
    # A turned picture is read across its lines; in bands they stay in the processor's cache.
    whole = np.empty(picture.shape, picture.dtype)
    for top in range(0, len(picture), 64):
        whole[top : top + 64] = picture[top : top + 64]
    return whole


_ROTATION_DEG = {
    (False, False, False): 0,
    (True, True, False): 90,
    (False, True, True): 180,
    (True, False, True): 270,
    # Mirrored displays: a left-right flip after the turn.
    (False, True, False): 0,
    (True, False, False): 90,
    (False, False, True): 180,
    (True, True, True): 270,
}
"""Degrees clockwise for each of the eight ways (transposed, flipped in x, flipped in y)."""


def _turn_of(picture) -> tuple[bool, bool, bool]:
    """How the display matrix places the picture: (transposed, then flipped in x, in y)."""
    for side_data in picture.side_data:
        if getattr(side_data.type, "name", "") == "DISPLAYMATRIX" and len(bytes(side_data)) >= 36:
            a, b, _, c, d = np.frombuffer(bytes(side_data), np.int32, count=5).tolist()
            # x' = a x + c y and y' = b x + d y, snapped to quarter turns.
            if max(abs(b), abs(c)) > max(abs(a), abs(d)):
                return True, c < 0, b < 0
            return False, a < 0, d < 0
    return False, False, False


def _square_pixels(width: int, height: int, ratio: Fraction) -> tuple[int, int]:
    """Size with square pixels, the shorter measure stretched so that no detail is lost."""
    if abs(ratio - 1) <= SQUARE_TOLERANCE or not Fraction(1, 8) <= ratio <= 8:
        return width, height
    if ratio > 1:
        return round(width * ratio), height
    return width, round(height / ratio)
