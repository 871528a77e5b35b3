"""Small charts over the weeks as plain geometry; templates turn them into SVG with a table."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial

from formcheck.clinic.answers import Stated
from formcheck.clinic.findings import FINDINGS, ClinicFinding, OutcomeScore, value_words
from formcheck.clinic.follow_up import MeasureSeries
from formcheck.clinic.sets import StoredSet
from formcheck.model.programme import Bound
from formcheck.words import wording

LEFT, RIGHT, TOP, BOTTOM = 48.0, 402.0, 12.0, 190.0
_STEPS = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 20, 30, 50, 100, 200, 500)
MOST_POINTS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    at: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """A value with its interval; `low` and `high` are None where there is none."""

    x: float
    y: float
    low: float | None
    high: float | None
    tone: int
    is_final: bool
    words: str = ""
    uid: str = ""
    """Of the set that it opens; empty where it is none's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    tone: int
    points: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    tone: int
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundLine:
    kind: str
    at: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallChart:
    """A chart of up to two series over days, with everything that is in its table."""

    id: str
    title: str
    left: float
    right: float
    value_ticks: tuple[Tick, ...]
    day_ticks: tuple[Tick, ...]
    lines: tuple[Line, ...]
    points: tuple[Dot, ...]
    bounds: tuple[BoundLine, ...]
    key: tuple[Key, ...]
    words: str
    table_head: tuple[str, ...]
    table: tuple[tuple[str, ...], ...]
    uids: tuple[str, ...] = ()
    """Of each row of the table, the set that it opens; empty where rows are no sets."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One value of a series before it is drawn."""

    day: str
    value: float
    low: float | None = None
    high: float | None = None
    is_final: bool = True
    uid: str = ""


def day_text(day: date) -> str:
    return f"{day.day} {day:%b}"


def _chart(
    chart_id: str,
    title: str,
    series: Sequence[tuple[str, Sequence[Sample]]],
    shown: Callable[[float], str],
    *,
    bounds: Sequence[tuple[str, float]] = (),
    least: float | None = None,
    most: float | None = None,
    words: str = "",
    head: tuple[str, ...] = ("Day", "Value"),
    table: Sequence[tuple[str, ...]] = (),
    uids: Sequence[str] = (),
    on_axis: Callable[[float], str] | None = None,
) -> SmallChart | None:
    """The chart of named series; None where there is nothing to draw.

    on_axis : the values of the axis in words, where `shown` is too wide.
    """
    on_axis = on_axis or shown
    every = [s for _, samples in series for s in samples][-MOST_POINTS:]
    if not every:
        return None
    values = [b for _, b in bounds]
    for s in every:
        values += [s.value if end is None else end for end in (s.low, s.high)]
    low = min(values) if least is None else least
    high = max(values) if most is None else most
    if high - low < 1e-6:
        low, high = low - 1, high + 1
    step = next((x for x in _STEPS if (high - low) / x <= 5), _STEPS[-1])
    low, high = math.floor(low / step) * step, math.ceil(high / step) * step
    days = sorted({date.fromisoformat(s.day) for s in every})
    first, last = days[0], days[-1]
    if first == last:
        first, last = first - timedelta(days=1), last + timedelta(days=1)
    span = (last - first).days

    def x(day: str) -> float:
        share = (date.fromisoformat(day) - first).days / span
        return round(LEFT + 10 + (RIGHT - LEFT - 20) * share, 1)

    def y(value: float) -> float:
        value = min(max(value, low), high)
        return round(BOTTOM - (BOTTOM - TOP) * (value - low) / (high - low), 1)

    n_ticks = min(5, span + 1)
    tick_days = [
        first + timedelta(days=round(k * span / max(n_ticks - 1, 1))) for k in range(n_ticks)
    ]
    lines, dots = [], []
    for tone, (name, samples) in enumerate(series):
        kept = list(samples)[-MOST_POINTS:]
        lines.append(Line(tone=tone, points=" ".join(f"{x(s.day)},{y(s.value)}" for s in kept)))
        for s in kept:
            dots.append(
                Dot(
                    x=x(s.day),
                    y=y(s.value),
                    low=None if s.low is None else y(s.low),
                    high=None if s.high is None else y(s.high),
                    tone=tone,
                    is_final=s.is_final,
                    uid=s.uid,
                    words=f"{day_text(date.fromisoformat(s.day))}{name and f', {name}'}: "
                    f"{shown(s.value)}",
                )
            )
    n_steps = round((high - low) / step)
    return SmallChart(
        id=chart_id,
        title=title,
        left=LEFT,
        right=RIGHT,
        value_ticks=tuple(
            Tick(at=y(low + k * step), text=on_axis(low + k * step)) for k in range(n_steps + 1)
        ),
        day_ticks=tuple(Tick(at=x(d.isoformat()), text=day_text(d)) for d in tick_days),
        lines=tuple(lines),
        points=tuple(dots),
        bounds=tuple(BoundLine(kind=kind, at=y(b)) for kind, b in bounds if low <= b <= high),
        key=tuple(Key(tone=t, words=name) for t, (name, _) in enumerate(series) if name)
        if len(series) > 1
        else (),
        words=words,
        table_head=head,
        table=tuple(table),
        uids=tuple(uids),
    )


def measure_chart(
    series: MeasureSeries, chart_id: str, bounds: Sequence[tuple[str, Bound]] = ()
) -> SmallChart | None:
    """A measure over the weeks with its error; left and right as two series."""
    key = series.key
    named = [
        (
            side,
            [
                Sample(
                    day=p.day,
                    value=p.mean.value,
                    low=p.mean.low,
                    high=p.mean.high,
                    is_final=p.is_final,
                    uid=p.uid,
                )
                for p in series.of_side(side)
            ],
        )
        for side in series.sides
    ][:2]
    edges = [
        (kind, e)
        for kind, b in bounds
        if b.measure == key
        for e in (b.at_least, b.at_most)
        if e is not None
    ]
    table = [
        (
            day_text(date.fromisoformat(p.day)),
            p.side,
            wording.quantity(key, p.mean.value),
            wording.around(key, p.mean.value, p.mean.low, p.mean.high),
            "yes" if p.is_final else "no",
        )
        for p in series.points
    ]
    title = f"{wording.exercise_name(series.exercise)}: {wording.in_a_line(key)}"
    parts = [
        f"{kind} {wording.bound_words(b)} ({'dotted' if kind == 'limit' else 'dashed'} line)"
        for kind, b in bounds
        if b.measure == key
    ]
    return _chart(
        chart_id,
        title,
        named,
        lambda v: wording.quantity(key, v),
        bounds=edges,
        words="; ".join(parts),
        head=("Day", "Side", "Mean", "95 % interval", "Reviewed"),
        table=table,
        uids=[p.uid for p in series.points],
    )


def dose_chart(sets: Sequence[StoredSet], chart_id: str) -> SmallChart | None:
    """The share of the prescribed repetitions that were done, a point a set."""
    dosed = [s for s in sets if s.dose_prescribed and s.is_measured]
    samples = [
        Sample(
            day=s.day, value=100 * s.dose_done / s.dose_prescribed, is_final=s.is_final, uid=s.uid
        )
        for s in dosed
    ]
    return _chart(
        chart_id,
        "Dose done of prescribed, filmed sets",
        [("", samples)],
        lambda v: f"{v:.0f} %",
        least=0,
        most=max([100, *(s.value for s in samples)], default=100),
        words='A set without a recording has no point here: not recorded is not "not done".',
        head=("Day", "Exercise", "Done of prescribed"),
        table=[
            (
                day_text(date.fromisoformat(s.day)),
                f"{wording.exercise_name(s.exercise)}, {s.side}",
                wording.dose_done(s.dose_done, s.dose_prescribed),
            )
            for s in dosed
        ],
        uids=[s.uid for s in dosed],
    )


def pain_chart(stated: Sequence[Stated], chart_id: str) -> SmallChart | None:
    """The highest pain and the highest effort that were stated on each day."""
    pain: dict[str, int] = {}
    effort: dict[str, int] = {}
    for day, pain_of, effort_of in stated:
        for found, value in ((pain, pain_of), (effort, effort_of)):
            if value is not None:
                found[day] = max(value, found.get(day, 0))
    series = [
        (name, [Sample(day=d, value=v) for d, v in sorted(found.items())])
        for name, found in (
            ("highest pain of the day", pain),
            ("highest effort of the day", effort),
        )
        if found
    ]
    return _chart(
        chart_id,
        "Pain and effort, as stated (0 to 10)",
        series,
        lambda v: f"{v:.0f}",
        least=0,
        most=10,
        head=("Day", "Pain", "Effort"),
        table=[
            (day_text(date.fromisoformat(d)), str(pain.get(d, "–")), str(effort.get(d, "–")))
            for d in sorted(pain.keys() | effort.keys())
        ],
    )


def finding_charts(findings: Sequence[ClinicFinding]) -> tuple[SmallChart, ...]:
    """The course of each kind of finding with a value on two days or more; a side is a series.

    findings : those in force, the oldest first. They are the clinic's own, without an interval.
    """
    out = []
    for kind, of in FINDINGS.items():
        found = [f for f in findings if f.kind == kind and f.value is not None]
        if len({f.day for f in found}) < 2:
            continue
        sides = [side for side in ("left", "right", "both") if any(f.side == side for f in found)]
        series = [
            (side, [Sample(day=f.day, value=f.value) for f in found if f.side == side])
            for side in sides
        ]
        table = [
            (day_text(date.fromisoformat(f.day)), f.side, value_words(kind, f.value)) for f in found
        ]
        chart = _chart(
            f"finding-{kind}",
            f"{of.name[:1].upper()}{of.name[1:]}{'' if of.unit == 'deg' else f', {of.unit}'}",
            series,
            partial(value_words, kind),
            on_axis=partial(value_words, kind) if of.unit == "deg" else "{:g}".format,
            head=("Day", "Side", "Value"),
            table=table,
        )
        if chart is not None:
            out.append(chart)
    return tuple(out)


def score_charts(scores: Sequence[OutcomeScore]) -> tuple[SmallChart, ...]:
    """The course of each outcome score that was entered on two days or more.

    scores : those in force, by name, the oldest first.
    """
    out = []
    for n, name in enumerate(dict.fromkeys(s.name for s in scores)):
        found = [s for s in scores if s.name == name]
        if len({s.day for s in found}) < 2:
            continue
        chart = _chart(
            f"score-{n}",
            name,
            [("", [Sample(day=s.day, value=s.value) for s in found])],
            lambda v: f"{v:g}",
            words=found[-1].direction,
            table=[(day_text(date.fromisoformat(s.day)), f"{s.value:g}") for s in found],
        )
        if chart is not None:
            out.append(chart)
    return tuple(out)
