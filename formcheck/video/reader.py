"""The reader of a clip: what it is, and its frames in order."""

import hashlib
import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from formcheck.model.errors import ClipError
from formcheck.model.records import Clip
from formcheck.video.arriving import ArrivingFile
from formcheck.video.decoding import MAX_CLIP_S, Dated, Pass, quantizer_of
from formcheck.video.pictures import Frame, Show
from formcheck.video.refusals import (
    cannot_be_read,
    refuse_other_than_a_file,
    shown_name,
    why_too_few,
)

DUE_EARLY_SHARE = 0.1
"""A frame counts as due this share of a step early: stamps rounded to milliseconds would else
make every other pick one frame late."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipFacts:
    """What a file says of itself, without decoding it all; None where it does not say."""

    file: str
    size_bytes: int
    container: str
    codec: str
    width_px: int
    height_px: int
    rotation_deg: int
    frame_rate_hz: float | None
    duration_s: float | None
    n_frames: int | None


def open_video(path: Path | str, *, n_threads: int = 0) -> "VideoReader":
    """A reader of the clip at `path`, after its first two pictures were decoded as a trial.

    n_threads : 1 decodes on the calling thread alone, 0 on as many as the decoder likes; the
    pictures are the same.

    Raises
    ------
    ClipError
        Not a readable clip: the message says what is wrong and what to do, in one line. A clip
        needs at least two pictures, since one shows no movement.
    """
    return VideoReader(path, n_threads=n_threads)


def describe(path: Path | str) -> ClipFacts:
    """Quick facts of a clip, for a listing.

    Raises
    ------
    ClipError
        As `open_video`.
    """
    with open_video(path) as reader:
        return reader.facts


class VideoReader:
    """A clip to be read, any number of times, from its start.

    Attributes
    ----------
    width_px, height_px : int
        Of the picture as shown.
    rotation_deg : int
        Degrees clockwise by which the stored picture is turned to be shown: 0, 90, 180 or 270.
    is_flipped : bool
        The file asks for a mirrored display (as some front cameras write), and gets it.
    frame_rate_hz : float
        As the file states it, NaN where it does not.
    duration_hint_s : float or None
        As the file states it; a browser's recording does not.
    time_base : (int, int)
        Numerator and denominator, in seconds, of a stamp.
    first_stamp : int
    n_frames_misdated : int
        After a whole pass: frames dropped because their stamps repeat or go back.
    facts : ClipFacts

    Notes
    -----
    A frame that fails to decode, or that the decoder patched up, is skipped and counted as lost.
    A picture whose size changes midway is scaled to the first one's size.
    """

    def __init__(
        self, path: Path | str, *, n_threads: int = 0, arriving: ArrivingFile | None = None
    ):
        """arriving : the same file while it still grows; each pass then waits for its end."""
        self._path = Path(path)
        self._arriving = arriving
        self._n_threads = n_threads
        self._name = shown_name(self._path)
        if arriving is None:
            refuse_other_than_a_file(self._path, self._name)
        self.n_frames_misdated = 0
        self._sha256 = None
        self._counts = None
        trial = self._new_pass(1)
        first_two = list(islice(trial.dated(), 2))
        trial.close()
        if len(first_two) < 2:
            raise ClipError(why_too_few(trial, len(first_two), self._name))
        self._show = Show(first_two[0].picture, trial.pixel_ratio, self._name)
        self._capture_rate_hz = trial.capture_rate_hz
        self._quantizer = quantizer_of(d.picture for d in first_two)
        self.width_px, self.height_px = self._show.size_px
        self.rotation_deg = self._show.rotation_deg
        self.is_flipped = self._show.is_flipped
        self.time_base = trial.time_base.numerator, trial.time_base.denominator
        self.first_stamp = first_two[0].stamp
        self.frame_rate_hz = trial.rate_hz
        self.duration_hint_s = trial.duration_s
        # A damaged header may claim any length; a film of hours is a large file too.
        hint_s = self.duration_hint_s or 0
        if hint_s > MAX_CLIP_S and trial.size_bytes > 1000 * hint_s:
            raise ClipError(
                f"{self._name}: lasts {hint_s / 3600:.1f} hours, more than "
                f"{MAX_CLIP_S // 3600}: cut out the part with the exercise"
            )
        self.facts = ClipFacts(
            file=self._name,
            size_bytes=trial.size_bytes,
            container=trial.container_name,
            codec=trial.codec_name,
            width_px=self.width_px,
            height_px=self.height_px,
            rotation_deg=self.rotation_deg,
            frame_rate_hz=self.frame_rate_hz if math.isfinite(self.frame_rate_hz) else None,
            duration_s=self.duration_hint_s,
            n_frames=trial.n_stated or None,
        )

    def __enter__(self) -> "VideoReader":
        return self

    def __exit__(self, *_exception) -> None:
        """Nothing stays open between passes: each `frames()` closes its own file."""

    @property
    def sha256(self) -> str:
        """Hash of the file, read in pieces, once; of an arriving one, of what was decoded."""
        if self._arriving is not None:
            return self._arriving.sha256()
        if self._sha256 is None:
            try:
                with self._path.open("rb") as file:
                    self._sha256 = hashlib.file_digest(file, "sha256").hexdigest()
            except OSError as error:
                raise ClipError(f"{self._name}: {cannot_be_read(error)}") from error
        return self._sha256

    def frames(
        self, rate_hz: float | None = None, from_s: float | None = None, to_s: float | None = None
    ) -> Iterator[Frame]:
        """Every frame, or the first one at or after each due time k / `rate_hz`, in order.

        Only frames with from_s <= time_s <= to_s are given. One frame serves all due times
        that it is late for, so a gap is not filled with copies.

        Raises
        ------
        ClipError
            The file changed or the decoder is stuck; frames given so far are good.
        """
        if rate_hz is not None and not rate_hz > 0:
            raise ValueError(f"rate_hz must be above 0, not {rate_hz}")
        due = 0
        for index, dated in self._whole_pass(to_s):
            time_s = self._seconds(dated.stamp)
            if from_s is not None and time_s < from_s:
                continue
            if rate_hz is not None:
                steps = time_s * rate_hz + DUE_EARLY_SHARE
                if steps < due:
                    continue
                due = math.floor(steps) + 1
            yield Frame(
                index=index,
                stamp=dated.stamp,
                duration=dated.duration,
                time_s=time_s,
                _picture=dated.picture,
                _show=self._show,
            )

    def _whole_pass(self, to_s: float | None) -> Iterator[tuple[int, Dated]]:
        # Several threads decode until the first damage. What a decoder with frame threads
        # makes of damage depends on their timing, and it drops good pictures that follow a
        # damaged one at the very end: from there on, one thread.
        last = None
        index = 0
        for n_threads in (1,) if self._n_threads == 1 else (self._n_threads, 1):
            this_pass = self._new_pass(n_threads)
            try:
                for dated in this_pass.dated():
                    if last is not None and dated.stamp <= last.stamp:
                        continue
                    if to_s is not None and self._seconds(dated.stamp) > to_s:
                        return
                    last = dated
                    yield index, dated
                    index += 1
            finally:
                this_pass.close()
            if not this_pass.is_damaged:
                break
        if last is None:
            raise ClipError(f"{self._name}: the file changed while it was read: try again")
        self.n_frames_misdated = this_pass.n_misdated
        self._counts = (index, this_pass.n_lost, last.stamp, last.duration)

    def _new_pass(self, n_threads: int) -> Pass:
        stream = self._arriving.from_start() if self._arriving is not None else None
        return Pass(self._path, self._name, n_threads, stream)

    def _seconds(self, stamp: int) -> float:
        return (stamp - self.first_stamp) * self.time_base[0] / self.time_base[1]

    def clip(self, is_mirrored: bool = False) -> Clip:
        """The record of the clip, once `frames()` has run to its end.

        `frame_rate_hz` is the mean rate over the whole clip; `duration_s` includes the last
        frame's own duration.

        Raises
        ------
        ValueError
            No pass has run to the end yet.
        """
        if self._counts is None:
            raise ValueError("clip() is known only after frames() has run to the end of the clip")
        n_frames, n_lost, last_stamp, last_duration = self._counts
        span_s = self._seconds(last_stamp)
        return Clip(
            file=self._name,
            sha256=self.sha256,
            duration_s=self._seconds(last_stamp + last_duration),
            n_frames=n_frames,
            n_frames_lost=n_lost,
            width_px=self.width_px,
            height_px=self.height_px,
            rotation_deg=self.rotation_deg,
            frame_rate_hz=(n_frames - 1) / span_s if span_s > 0 else math.nan,
            time_base=self.time_base,
            first_stamp=self.first_stamp,
            is_mirrored=is_mirrored,
            capture_rate_hz=self._capture_rate_hz,
            quantizer=self._quantizer,
        )
