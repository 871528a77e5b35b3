"""The report's pictures as plain geometry: the movement over time, the camera from above.

Positions are shares of the drawing area in per cent, so that a page can stretch the lines and
keep its words at reading size. The page's template turns these records into SVG.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from formcheck.model.programme import Bound
from formcheck.model.records import AssessedRepetition, CheckKind, Report, Trace, View
from formcheck.words import wording

MAX_POINTS = 1500
"""Most points of a drawn line: about two for each pixel of a wide page (common practice)."""
_TIME_STEPS_S = (0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800)
_VALUE_STEPS = (1, 2, 5, 10, 15, 20, 30, 45, 60, 90)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A labelled place on an axis, per cent from the left or from the top."""

    at: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundBand:
    """A target's or limit's band on the value axis: per cent from the top."""

    kind: str
    top: float
    bottom: float
    edges: tuple[float, ...]
    label_at: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionMark:
    """A repetition on the time axis: per cent; `top` is the height of the turn's marker."""

    label: str
    number: int
    every: tuple[int, ...]
    """Which of every 2nd, 5th and 10th repetition this is: crowded labels are thinned out."""
    left: float
    width: float
    turn: float
    top: float | None
    is_complete: bool
    shape: str
    tone: wording.Tone
    words: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceChart:
    """The driving signal over the clip, ready to draw."""

    label: str
    unit: str
    lines: tuple[str, ...]
    """Point lists of unbroken stretches in a box of 1000 by 1000."""
    gaps: tuple[tuple[float, float, str], ...]
    """Left, width (per cent) and words of stretches that were not measured."""
    time_ticks: tuple[Tick, ...]
    value_ticks: tuple[Tick, ...]
    repetitions: tuple[RepetitionMark, ...]
    bounds: tuple[BoundBand, ...]
    undrawn: tuple[str, ...]
    """Bounds on measures that are not this signal, in words."""
    duration_s: float
    summary: str


_FROM_REST = ("leg_elevation_peak_deg",)
"""Peaks that are told from rest, while the trace is told from level."""


def is_about_trace(bound: Bound, trace: Trace) -> bool:
    """Whether a bound can be drawn as a height on the trace's own axis.

    Change measures (a gain, a range, a rise from rest) carry the signal's unit, yet not its zero.
    """
    if bound.measure == "plateau_level_deg":
        return trace.unit == "deg"
    if bound.measure in _FROM_REST:
        return False
    rest = bound.measure.removeprefix(trace.key.removesuffix("_deg").removesuffix("_share"))
    return rest != bound.measure and rest in (
        "",
        "_deg",
        "_share",
        "_peak_deg",
        "_least_deg",
        "_peak_share",
    )


def _outcomes_on_trace(
    assessed: AssessedRepetition, trace: Trace
) -> tuple[wording.OutcomeWords, ...]:
    """Outcomes to mark on the line: those about the line's own measure where there are any."""
    own = tuple(c for c in assessed.checks if is_about_trace(Bound(measure=c.measure), trace))
    return wording.outcomes_in_order(replace(assessed, checks=own or assessed.checks))


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """First and last index of each unbroken run of True."""
    edges = np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8))
    return list(zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1, strict=True))


def _thinned(indices: np.ndarray, value: np.ndarray, n_points: int) -> np.ndarray:
    """Indices with the least and the largest value of each bin kept: no peak is lost."""
    if len(indices) <= n_points:
        return indices
    kept = [indices[[0, -1]]]
    for part in np.array_split(indices, max(n_points // 2, 1)):
        kept.append(part[[np.argmin(value[part]), np.argmax(value[part])]])
    return np.unique(np.concatenate(kept))


def _step(span: float, most_ticks: int, steps: tuple[float, ...]) -> float:
    for step in steps:
        if span / step <= most_ticks:
            return step
    return steps[-1] * math.ceil(span / (steps[-1] * most_ticks))


def _time_text(seconds: float, is_long: bool) -> str:
    if is_long:
        return f"{int(seconds // 60)}:{int(seconds % 60):02d}"
    return f"{seconds:g}"


def _value_axis(values: np.ndarray, edges: list[float]) -> tuple[float, float, float]:
    """Lowest, highest and step of the value axis, in the unit shown."""
    known = np.concatenate([values, edges]) if len(edges) else values
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 90.0)
    if high - low < 10:  # a flat line should look flat
        low, high = (low + high) / 2 - 5, (low + high) / 2 + 5
    step = _step(high - low, 6, _VALUE_STEPS)
    return (
        math.floor((low - 0.02 * (high - low)) / step) * step,
        math.ceil((high + 0.06 * (high - low)) / step) * step,
        step,
    )


def _with_labels_apart(bands: list[BoundBand], apart: float = 7.0) -> list[BoundBand]:
    """Bands with the heights of their labels, so far apart that each can be read."""
    placed, last = [], -math.inf
    for b in sorted(bands, key=lambda b: sum(b.edges) / len(b.edges)):
        last = max(sum(b.edges) / len(b.edges), last + apart)
        placed.append(replace(b, label_at=round(last, 3)))
    return placed


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawing:
    """The signal in the unit shown, the bounds that stand on its axis, and the two axes.

    time_s, value : (n,), NaN where not measured; factor : from the signal's unit to that shown.
    """

    time_s: np.ndarray
    value: np.ndarray
    bounds: tuple[tuple[CheckKind, Bound], ...]
    factor: float
    sign: str
    duration_s: float
    low: float
    high: float
    step: float

    @property
    def is_known(self) -> np.ndarray:
        known: np.ndarray = np.isfinite(self.value)
        return known

    def x(self, seconds: float) -> float:
        """Per cent from the left."""
        return round(100 * min(max(float(seconds) / self.duration_s, 0.0), 1.0), 3)

    def y(self, shown: float) -> float:
        """Per cent from the top."""
        shown = min(max(float(shown), self.low), self.high)
        return round(100 * (self.high - shown) / (self.high - self.low), 3)


def trace_chart(report: Report, trace: Trace) -> TraceChart | None:
    """The movement over time with repetitions, turns and bounds; None without any time."""
    drawing = _drawing(report, trace)
    if drawing is None:
        return None
    runs = _runs(drawing.is_known)
    label = trace.label[:1].upper() + trace.label[1:]
    return TraceChart(
        label=label,
        unit="per cent" if trace.unit == "share" else "degrees",
        lines=_lines(drawing, runs),
        gaps=_gaps(drawing, runs),
        time_ticks=_time_ticks(drawing),
        value_ticks=_value_ticks(drawing),
        repetitions=tuple(
            _repetition_mark(drawing, number, assessed, _outcomes_on_trace(assessed, trace))
            for number, assessed in enumerate(report.repetitions, start=1)
        ),
        bounds=tuple(_with_labels_apart([_band(drawing, kind, b) for kind, b in drawing.bounds])),
        undrawn=tuple(
            f"{wording.label(b.measure)}, {kind} {wording.bound_words(b)}"
            for kind, b in report.bounds
            if not is_about_trace(b, trace)
        ),
        duration_s=drawing.duration_s,
        summary=_summary(label, drawing.duration_s, len(report.repetitions)),
    )


def _drawing(report: Report, trace: Trace) -> _Drawing | None:
    """The axes, wide enough for the signal and its bounds; None without any time."""
    factor = 100.0 if trace.unit == "share" else 1.0
    time_s, value = np.asarray(trace.time_s, float), np.asarray(trace.value, float) * factor
    duration_s = max(report.clip.duration_s, float(time_s[-1]) if len(time_s) else 0.0)
    if not math.isfinite(duration_s) or duration_s <= 0:
        return None
    bounds = tuple((kind, b) for kind, b in report.bounds if is_about_trace(b, trace))
    edges = [e * factor for kind, b in bounds for e in b.band(kind) if math.isfinite(e)]
    low, high, step = _value_axis(value[np.isfinite(value)], edges)
    return _Drawing(
        time_s=time_s,
        value=value,
        bounds=bounds,
        factor=factor,
        sign="%" if trace.unit == "share" else "°",
        duration_s=duration_s,
        low=low,
        high=high,
        step=step,
    )


def _lines(d: _Drawing, runs: list[tuple[int, int]]) -> tuple[str, ...]:
    """A point list for each run of known samples; the longer it is, the more points it gets."""
    n_known = max(int(d.is_known.sum()), 1)
    lines = []
    for first, last in runs:
        share = (last - first + 1) / n_known
        points = _thinned(np.arange(first, last + 1), d.value, max(int(MAX_POINTS * share), 4))
        lines.append(
            " ".join(f"{d.x(d.time_s[i]) * 10:.1f},{d.y(d.value[i]) * 10:.1f}" for i in points)
        )
    return tuple(lines)


def _gaps(d: _Drawing, runs: list[tuple[int, int]]) -> tuple[tuple[float, float, str], ...]:
    """Left, width and words of what lies before, between and after the runs."""
    # The gap between two samples of the grid is none: gaps reach from known to known sample.
    starts = [0.0, *(d.time_s[last] for _, last in runs)]
    ends = [*(d.time_s[first] for first, _ in runs), d.duration_s]
    return tuple(
        (d.x(a), round(d.x(b) - d.x(a), 3), f"not measured, {wording.stretch(a, b)}")
        for a, b in zip(starts, ends, strict=True)
        if b - a > 0.2
    )


def _time_ticks(d: _Drawing) -> tuple[Tick, ...]:
    most_ticks = 12
    step = _step(d.duration_s, most_ticks, _TIME_STEPS_S)
    is_long = d.duration_s >= 120
    return tuple(
        Tick(at=d.x(t), text=_time_text(t, is_long))
        for t in np.arange(0, d.duration_s + step / 1000, step)
    )


def _value_ticks(d: _Drawing) -> tuple[Tick, ...]:
    return tuple(
        Tick(at=d.y(v), text=wording.number(v) + d.sign)
        for v in np.arange(d.low, d.high + d.step / 2, d.step)
    )


def _repetition_mark(
    d: _Drawing,
    number: int,
    assessed: AssessedRepetition,
    outcomes: tuple[wording.OutcomeWords, ...],
) -> RepetitionMark:
    """A repetition's mark, in shape and colour of its first outcome; number : its place, from 1."""
    r = assessed.repetition
    not_judged = ("measured, " if r.is_complete else "") + "not judged"
    return RepetitionMark(
        label=f"{r.number} {r.part}" if r.part else str(r.number),
        number=number,
        every=tuple(n for n in (2, 5, 10) if r.number % n == 0),
        left=d.x(r.start_s),
        width=round(d.x(r.end_s) - d.x(r.start_s), 3),
        turn=d.x(r.turn_s),
        top=_height_at(d, r.turn_s),
        is_complete=r.is_complete,
        shape=outcomes[0].shape if outcomes else "ring",
        tone=outcomes[0].tone if outcomes else "slate",
        words=outcomes[0].words if outcomes else not_judged,
        start_s=round(max(r.start_s, 0.0), 3),
        end_s=round(r.end_s, 3),
    )


def _height_at(d: _Drawing, seconds: float) -> float | None:
    """The line's height at a time; None where nothing was measured within 0.2 s of it."""
    known_s = d.time_s[d.is_known]
    if not len(known_s) or np.min(np.abs(known_s - seconds)) >= 0.2:
        return None
    return d.y(np.interp(seconds, known_s, d.value[d.is_known]))


def _band(d: _Drawing, kind: CheckKind, bound: Bound) -> BoundBand:
    """A bound's band; a side without an edge reaches to the end of the axis."""
    least, most = (e * d.factor for e in bound.band(kind))
    return BoundBand(
        kind=kind,
        top=d.y(most if math.isfinite(most) else d.high),
        bottom=d.y(least if math.isfinite(least) else d.low),
        edges=tuple(d.y(e) for e in (least, most) if math.isfinite(e)),
        label_at=0.0,
        text=f"{kind}: {wording.bound_words(bound)}",
    )


def _summary(label: str, duration_s: float, n: int) -> str:
    return (
        f"{label} over {wording.clock(duration_s)}, "
        f"{n} repetition{'' if n == 1 else 's'} marked. "
        "The numbers stand in the table of repetitions."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraPlan:
    """The camera from above, the person in the middle of a box of 200 by 200 facing up."""

    x: float
    y: float
    turn_deg: float
    wedge: str
    """SVG path of the azimuth's interval."""
    words: str


_PLACES = {
    "sagittal": "from the side",
    "frontal": "from the front or back",
    "oblique": "from an oblique angle",
    "unknown": "from a place we couldn't tell",
}


def plane_words(plane: str) -> str:
    """Where the camera stood, in words."""
    return _PLACES[plane]


def _on_circle(azimuth_deg: float, radius: float) -> tuple[float, float]:
    # Seen from above and facing up the page, the person's left is the page's left.
    a = math.radians(azimuth_deg)
    return round(100 - radius * math.sin(a), 2), round(100 - radius * math.cos(a), 2)


def camera_plan(view: View) -> CameraPlan | None:
    """Where the camera stood, from above; None where that is unknown."""
    if not math.isfinite(view.azimuth_deg):
        return None
    azimuth = (view.azimuth_deg + 180) % 360 - 180
    off_front, off_side = abs(azimuth), abs(abs(azimuth) - 90)
    side = "left" if azimuth > 0 else "right"
    if off_side <= 45:
        place = f"at the person's {side} side, about {off_side:.0f}° off a true side view"
    elif off_front < 90:
        place = f"in front of the person, about {off_front:.0f}° off straight ahead"
    else:
        place = f"behind the person, about {180 - off_front:.0f}° off straight behind"
    low, high = view.azimuth_low_deg, view.azimuth_high_deg
    wedge = ""
    width = (high - low) % 360  # behind the person it goes over 180: from 170, say, to -170
    if math.isfinite(width) and width > 0:
        (x0, y0), (x1, y1) = _on_circle(low, 84), _on_circle(high, 84)
        large = int(width > 180)
        wedge = f"M100,100 L{x0},{y0} A84,84 0 {large} 0 {x1},{y1} Z"
    x, y = _on_circle(azimuth, 78)
    return CameraPlan(x=x, y=y, turn_deg=round(-azimuth, 1), wedge=wedge, words=place)
