"""The annotated video: the measured leg, its angle, the repetition and its outcome, faces hidden.

A second pass over the clip. Decoding, drawing and encoding run in three threads with short
queues between them, so memory does not grow with the clip and the slowest of the three sets the
pace. OpenCV draws the lines; words come from lettering.py; what is shown when is decided in
plan.py.
"""

import math
import queue
import threading
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np

from formcheck.files.packages import needed_package
from formcheck.model.records import Analysis, AssessedRepetition
from formcheck.overlay import lettering
from formcheck.overlay.faces import Heads, find_heads
from formcheck.overlay.lettering import INK, PANEL, WHITE
from formcheck.overlay.plan import Angle, Plan, Scene, strip_place
from formcheck.video import VideoWriter, open_video
from formcheck.words.wording import OutcomeWords

Progress = Callable[[str, int, int | None], None]

_QUEUE = 8
"""Pictures waiting between two threads: enough to even out key frames, 7 MB at 640 by 480."""
_CELLS = 4
"""A hidden head is this many cells wide, two to three of them on the face: no feature is left
to be sharpened again."""
_LEG, _JOINT, _ARC = (255, 214, 92), (255, 255, 255), (120, 224, 255)
_END_RANGE = (255, 214, 92)


def _opencv():
    with needed_package("OpenCV"):
        import cv2
    return cv2


def hide_faces(rgb: np.ndarray, circles: list[tuple[float, float, float]]) -> None:
    """Blur circles of a picture in place, beyond recovery: a few cells, then smoothed."""
    cv2 = _opencv()

    height, width = rgb.shape[:2]
    for x, y, r in circles:
        left, top = max(math.floor(x - r), 0), max(math.floor(y - r), 0)
        right, bottom = min(math.ceil(x + r) + 1, width), min(math.ceil(y + r) + 1, height)
        if right - left < 1 or bottom - top < 1:
            continue
        area = rgb[top:bottom, left:right]
        cell = max(2 * r / _CELLS, 1)
        few = (max(round((right - left) / cell), 1), max(round((bottom - top) / cell), 1))
        cells = cv2.resize(area, few, interpolation=cv2.INTER_AREA)
        smooth = cv2.resize(cells, (right - left, bottom - top), interpolation=cv2.INTER_LINEAR)
        mask = np.zeros(area.shape[:2], np.uint8)
        cv2.circle(mask, (round(x) - left, round(y) - top), math.ceil(r), 255, -1)
        area[:] = np.where(mask[..., None] > 0, smooth, area)


def _paste(rgb: np.ndarray, picture: np.ndarray, x: int, y: int) -> None:
    """Put a small picture at a place, cut where it leaves the large one."""
    height, width = rgb.shape[:2]
    x0, y0 = max(x, 0), max(y, 0)
    x1, y1 = min(x + picture.shape[1], width), min(y + picture.shape[0], height)
    if x1 > x0 and y1 > y0:
        rgb[y0:y1, x0:x1] = picture[y0 - y : y1 - y, x0 - x : x1 - x]


@lru_cache(maxsize=256)
def _chip(outcome: OutcomeWords, size_px: int) -> np.ndarray:
    """An outcome as a white chip: shape and words in its colour."""
    words = lettering.words(outcome.short, size_px, outcome.colour, WHITE)
    side = words.shape[0]
    icon = lettering.shape(outcome.shape, side - max(size_px // 4, 2), outcome.colour)
    edge = np.full((side, max(size_px // 4, 2), 3), WHITE, np.uint8)
    chip = lettering.beside([edge, icon, words], 0, WHITE)
    chip.setflags(write=False)
    return chip


class Painter:
    """Draws scenes on pictures of one size; everything scales with the picture."""

    def __init__(self, width_px: int, height_px: int, analysis: Analysis):
        self.width_px, self.height_px = width_px, height_px
        scale = min(height_px, width_px) / 480
        self.font_px = max(round(min(height_px * 0.042, width_px * 0.040)), 11)
        self.line_px = max(round(3 * scale), 1)
        self.is_narrow = width_px < 1.15 * height_px
        row_px = lettering.words("Rep", self.font_px).shape[0] + max(round(6 * scale), 2)
        self.row_px = row_px
        self.strip_px = row_px * (2 if self.is_narrow else 1)
        self.is_top = strip_place(analysis, self.strip_px) == "top"
        self._strip = lru_cache(maxsize=256)(self._draw_strip)

    def paint(self, rgb: np.ndarray, scene: Scene) -> None:
        """Draw a scene on a picture (height, width, 3), in place."""
        if scene.angle is not None:
            self._paint_angle(rgb, scene.angle)
        for leg in scene.legs:
            self.paint_leg(rgb, leg)
        if scene.is_end_range:
            self._paint_end_range(rgb)
        strip = self._strip(scene.title, scene.phase, scene.timer, scene.outcomes)
        _paste(rgb, strip, 0, 0 if self.is_top else self.height_px - strip.shape[0])

    def _lines(self, rgb: np.ndarray, points: list[tuple[int, int]], colour) -> None:
        cv2 = _opencv()

        shape = np.array(points, np.int32)[:, None]
        for tone, width in ((INK, 3 * self.line_px), (colour, self.line_px)):
            cv2.polylines(rgb, [shape], False, tone, width, cv2.LINE_AA)

    def paint_leg(self, rgb: np.ndarray, leg: np.ndarray) -> None:
        cv2 = _opencv()

        reach = 4 * max(self.width_px, self.height_px)
        is_seen = np.isfinite(leg).all(1) & (np.abs(leg) < reach).all(1)
        run: list[tuple[int, int]] = []
        runs = [run]
        for point, seen in zip(leg, is_seen, strict=True):
            if seen:
                run.append((round(float(point[0])), round(float(point[1]))))
            else:
                run = []
                runs.append(run)
        for points in runs:
            if len(points) > 1:
                self._lines(rgb, points, _LEG)
        for points in runs:
            for point in points:
                cv2.circle(rgb, point, round(2.2 * self.line_px), INK, -1, cv2.LINE_AA)
                cv2.circle(rgb, point, round(1.4 * self.line_px), _JOINT, -1, cv2.LINE_AA)

    def _paint_angle(self, rgb: np.ndarray, angle: Angle) -> None:
        radius = 12 * self.line_px
        x, y = angle.vertex
        if not (abs(x) < 2 * self.width_px and abs(y) < 2 * self.height_px):
            return
        start = math.atan2(angle.from_ray[1], angle.from_ray[0])
        turn = math.atan2(angle.to_ray[1], angle.to_ray[0]) - start
        turn = (turn + math.pi) % (2 * math.pi) - math.pi
        # The zero direction as a short line, the arc from it to the limb.
        end = (x + 1.3 * radius * angle.from_ray[0], y + 1.3 * radius * angle.from_ray[1])
        self._lines(rgb, [(round(x), round(y)), (round(end[0]), round(end[1]))], _ARC)
        steps = max(int(abs(math.degrees(turn)) // 6), 2)
        arc = [
            (
                round(x + radius * math.cos(start + turn * k / steps)),
                round(y + radius * math.sin(start + turn * k / steps)),
            )
            for k in range(steps + 1)
        ]
        self._lines(rgb, arc, _ARC)
        label = lettering.words(angle.text, round(1.15 * self.font_px))
        high, wide = label.shape[:2]
        across, down = angle.label_ray
        reach = 1.2 * radius + (abs(across) * wide + abs(down) * high) / 2
        left = min(max(x + reach * across - wide / 2, 0), self.width_px - wide)
        low, last = self._free_rows()
        top = min(max(y + reach * down - high / 2, low), last - high)
        _paste(rgb, label, round(left), round(top))

    def _free_rows(self) -> tuple[int, int]:
        """Rows of the picture that the strip leaves free while it has one line."""
        if self.is_top:
            return self.row_px, self.height_px
        return 0, self.height_px - self.row_px

    def _paint_end_range(self, rgb: np.ndarray) -> None:
        top, bottom = self._free_rows()
        w = 2 * self.line_px
        rgb[top : top + w] = rgb[bottom - w : bottom] = _END_RANGE
        rgb[top:bottom, :w] = rgb[top:bottom, self.width_px - w :] = _END_RANGE
        # At the end away from the strip, where its second line cannot cover it.
        label = lettering.words("end range", self.font_px, INK, _END_RANGE)
        y = bottom - label.shape[0] if self.is_top else top
        _paste(rgb, label, self.width_px - label.shape[1], y)

    def _draw_strip(
        self, title: str, phase: str, timer: str, outcomes: tuple[OutcomeWords, ...]
    ) -> np.ndarray:
        """The strip of words: repetition, phase, timer; outcomes beside or below them."""
        strip = np.full((self.strip_px, self.width_px, 3), PANEL, np.uint8)
        size, gap = self.font_px, max(self.font_px // 2, 3)
        names = [lettering.words(title, size)]
        phases = [lettering.words(phase, size, _ARC)] if phase else []
        timers = [lettering.words(timer, size, _LEG)] if timer else []
        chips = [_chip(o, size) for o in outcomes[:2]]
        if self.is_narrow:
            self._row(strip, names + phases + timers, gap, 0)
            self._row(strip, chips, gap, 1)
            return strip if chips else strip[: self.row_px]
        # What does not fit beside the first outcome goes, the least needed first.
        for row in (
            names + phases + timers + chips,
            names + timers + chips,
            names + timers + chips[:1],
            names + chips[:1],
        ):
            if _width(row, gap) <= self.width_px - 2 * gap:
                break
        self._row(strip, row, gap, 0)
        return strip

    def _row(self, strip: np.ndarray, pictures: list[np.ndarray], gap: int, row: int) -> None:
        if pictures:
            line = lettering.beside(pictures, gap, PANEL)
            y = row * self.row_px + (self.row_px - line.shape[0]) // 2
            _paste(strip, line, gap, y)


def _width(pictures: list[np.ndarray], gap: int) -> int:
    return sum(p.shape[1] for p in pictures) + gap * max(len(pictures) - 1, 0)


_END = object()


class _Stopped(Exception):
    """Another thread of the same video has failed; its error is the one to tell."""


def _put(line: queue.Queue, item: object, stop: threading.Event) -> None:
    while True:
        try:
            return line.put(item, timeout=0.2)
        except queue.Full:
            if stop.is_set():
                raise _Stopped from None


def _get(line: queue.Queue, stop: threading.Event) -> object:
    while True:
        try:
            return line.get(timeout=0.2)
        except queue.Empty:
            if stop.is_set():
                raise _Stopped from None


def _ahead(frames: Iterator, stop: threading.Event, line: queue.Queue, errors: list) -> None:
    """Decode in a thread of its own: (picture, stamp, duration, time) into the queue."""
    try:
        for frame in frames:
            _put(line, (frame.rgb(), frame.stamp, frame.duration, frame.time_s), stop)
        _put(line, _END, stop)
    except _Stopped:
        pass
    except BaseException as error:  # handed to the thread that waits for us
        errors.append(error)
        stop.set()


def _behind(writer, stop: threading.Event, line: queue.Queue, errors: list) -> None:
    """Encode in a thread of its own."""
    try:
        while (item := _get(line, stop)) is not _END:
            writer.write(*item)
    except _Stopped:
        pass
    except BaseException as error:  # handed to the thread that waits for us
        errors.append(error)
        stop.set()


def write_overlay(
    analysis: Analysis,
    clip_path: Path,
    out_path: Path,
    *,
    is_face_blurred: bool = True,
    progress: Progress | None = None,
) -> None:
    """Write the annotated video, as long as the clip and with its frame times.

    Everyone found has the head hidden unless `is_face_blurred` is off; that happens to a picture
    before anything is drawn on it. `progress` is called with ("video", frames done, frames in
    all).

    Raises:
        ClipError: the clip can no longer be read.
        OutputError: the video cannot be written.
    """
    clip = analysis.report.clip
    heads = find_heads(analysis.raw) if is_face_blurred else Heads(heads=())
    plan = Plan(analysis)
    stop, errors = threading.Event(), []
    decoded, drawn = queue.Queue(_QUEUE), queue.Queue(_QUEUE)
    with (
        open_video(clip_path) as reader,
        VideoWriter(
            out_path,
            width_px=reader.width_px,
            height_px=reader.height_px,
            time_base=reader.time_base,
        ) as writer,
    ):
        painter = Painter(reader.width_px, reader.height_px, analysis)
        threads = [
            threading.Thread(target=_ahead, args=(reader.frames(), stop, decoded, errors)),
            threading.Thread(target=_behind, args=(writer, stop, drawn, errors)),
        ]
        for thread in threads:
            thread.start()
        try:
            n = 0
            while (item := _get(decoded, stop)) is not _END:
                rgb, stamp, duration, time_s = item
                hide_faces(rgb, heads.at(time_s))
                painter.paint(rgb, plan.at(time_s))
                _put(drawn, (rgb, stamp, duration), stop)
                n += 1
                if progress is not None:
                    progress("video", n, clip.n_frames)
            _put(drawn, _END, stop)
        except _Stopped:
            pass
        except BaseException:
            stop.set()
            raise
        finally:
            for thread in threads:
                thread.join()
        if errors:
            raise errors[0]


THUMBNAIL_HEIGHT_PX = 180


def thumbnail(
    analysis: Analysis,
    clip_path: Path,
    repetition: AssessedRepetition | None,
    *,
    is_face_blurred: bool = True,
) -> bytes:
    """The end-range moment of a repetition as a small JPEG, faces hidden.

    Without a repetition it is the middle of the clip.

    Raises:
        ClipError: the clip can no longer be read.
    """
    cv2 = _opencv()

    clip = analysis.report.clip
    at_s = repetition.repetition.turn_s if repetition else clip.duration_s / 2
    best = None
    with open_video(clip_path) as reader:
        for frame in reader.frames(to_s=max(at_s, 0.0) + 1e-6):
            best = frame  # the last picture at or before the moment
        rgb = best.rgb()
    if is_face_blurred:
        hide_faces(rgb, find_heads(analysis.raw).at(best.time_s))
    painter = Painter(rgb.shape[1], rgb.shape[0], analysis)
    for leg in Plan(analysis).at(best.time_s).legs:
        painter.paint_leg(rgb, leg)
    height = min(THUMBNAIL_HEIGHT_PX, rgb.shape[0])
    width = max(round(rgb.shape[1] * height / rgb.shape[0]), 1)
    small = cv2.resize(rgb, (width, height), interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", small[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 82])
    if not done:
        raise RuntimeError("a thumbnail could not be encoded")
    return data.tobytes()
