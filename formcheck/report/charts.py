"""The report's pictures as plain geometry: the movement over time, the camera from above.

Positions are shares of the drawing area in per cent, so that a page can stretch the lines and
keep its words at reading size. The page's template turns these records into SVG.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from formcheck.model.programme import Bound
from formcheck.model.records import AssessedRepetition, Report, Trace, View
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
    colour: str
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


def css_colour(colour: tuple[int, int, int]) -> str:
    """A colour as CSS writes it."""
    return "#{:02x}{:02x}{:02x}".format(*colour)


def is_about_trace(bound: Bound, trace: Trace) -> bool:
    """Whether a bound can be drawn as a height on the trace's own axis.

    Change measures (a gain, a range) carry the signal's unit, yet not its zero.
    """
    if bound.measure == "plateau_level_deg":
        return trace.unit == "deg"
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


def trace_chart(report: Report, trace: Trace) -> TraceChart | None:
    """The movement over time with repetitions, turns and bounds; None without any time."""
    factor = 100.0 if trace.unit == "share" else 1.0
    sign = "%" if trace.unit == "share" else "°"
    time_s, value = np.asarray(trace.time_s, float), np.asarray(trace.value, float) * factor
    duration_s = max(report.clip.duration_s, float(time_s[-1]) if len(time_s) else 0.0)
    if not math.isfinite(duration_s) or duration_s <= 0:
        return None
    drawn = [(kind, b) for kind, b in report.bounds if is_about_trace(b, trace)]
    edges = [e * factor for kind, b in drawn for e in b.band(kind) if math.isfinite(e)]
    is_known = np.isfinite(value)
    low, high, step = _value_axis(value[is_known], edges)

    def x(seconds: float) -> float:
        return round(100 * min(max(float(seconds) / duration_s, 0.0), 1.0), 3)

    def y(shown: float) -> float:
        return round(100 * (high - min(max(float(shown), low), high)) / (high - low), 3)

    runs = _runs(is_known)
    lines = []
    for first, last in runs:
        share = (last - first + 1) / max(int(is_known.sum()), 1)
        points = _thinned(np.arange(first, last + 1), value, max(int(MAX_POINTS * share), 4))
        lines.append(" ".join(f"{x(time_s[i]) * 10:.1f},{y(value[i]) * 10:.1f}" for i in points))

    # The gap between two samples of the grid is none: gaps reach from known to known sample.
    known_ends = [(time_s[a], time_s[b]) for a, b in runs]
    starts = [0.0, *(b for _, b in known_ends)]
    ends = [*(a for a, _ in known_ends), duration_s]
    gaps = tuple(
        (x(a), round(x(b) - x(a), 3), f"not measured, {wording.stretch(a, b)}")
        for a, b in zip(starts, ends, strict=True)
        if b - a > 0.2
    )

    most_ticks = 12
    time_step = _step(duration_s, most_ticks, _TIME_STEPS_S)
    is_long = duration_s >= 120
    time_ticks = tuple(
        Tick(at=x(t), text=_time_text(t, is_long))
        for t in np.arange(0, duration_s + time_step / 1000, time_step)
    )
    value_ticks = tuple(
        Tick(at=y(v), text=wording.number(v) + sign) for v in np.arange(low, high + step / 2, step)
    )

    marks = []
    for i, assessed in enumerate(report.repetitions):
        r = assessed.repetition
        outcomes = _outcomes_on_trace(assessed, trace)
        known = time_s[is_known]
        near = np.interp(r.turn_s, known, value[is_known]) if len(known) else math.nan
        is_near = len(known) and np.min(np.abs(known - r.turn_s)) < 0.2
        marks.append(
            RepetitionMark(
                label=f"{r.number} {r.part}" if r.part else str(r.number),
                number=i + 1,
                every=tuple(n for n in (2, 5, 10) if r.number % n == 0),
                left=x(r.start_s),
                width=round(x(r.end_s) - x(r.start_s), 3),
                turn=x(r.turn_s),
                top=y(near) if is_near else None,
                is_complete=r.is_complete,
                shape=outcomes[0].shape if outcomes else "ring",
                colour=css_colour(outcomes[0].colour) if outcomes else "#545e68",
                words=outcomes[0].words
                if outcomes
                else ("measured, " if r.is_complete else "") + "not judged",
                start_s=round(max(r.start_s, 0.0), 3),
                end_s=round(r.end_s, 3),
            )
        )

    bands = []
    for kind, bound in drawn:
        least, most = (e * factor for e in bound.band(kind))
        bands.append(
            BoundBand(
                kind=kind,
                top=y(most if math.isfinite(most) else high),
                bottom=y(least if math.isfinite(least) else low),
                edges=tuple(y(e) for e in (least, most) if math.isfinite(e)),
                label_at=0.0,
                text=f"{kind}: {wording.bound_words(bound)}",
            )
        )
    bands = _with_labels_apart(bands)
    undrawn = tuple(
        f"{wording.label(b.measure)}, {kind} {wording.bound_words(b)}"
        for kind, b in report.bounds
        if not is_about_trace(b, trace)
    )
    n = len(marks)
    label = trace.label[:1].upper() + trace.label[1:]
    summary = (
        f"{label} over {wording.clock(duration_s)}, "
        f"{n} repetition{'' if n == 1 else 's'} marked. "
        "The numbers stand in the table of repetitions."
    )
    return TraceChart(
        label=label,
        unit="per cent" if trace.unit == "share" else "degrees",
        lines=tuple(lines),
        gaps=gaps,
        time_ticks=time_ticks,
        value_ticks=value_ticks,
        repetitions=tuple(marks),
        bounds=tuple(bands),
        undrawn=undrawn,
        duration_s=duration_s,
        summary=summary,
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
