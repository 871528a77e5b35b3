"""A report with the numbers that its file carries: rounded here, once.

2 decimals for degrees and centimetres, 3 for seconds and shares. Every reader of a report, page or
table or terminal, is shown this one, whether it comes from memory or from disk. What is not finite
is NaN, and a measure with such a number has no value.
"""

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

from formcheck.model.codes import Values
from formcheck.model.measures import MEASURES
from formcheck.model.records import (
    AssessedRepetition,
    Measured,
    NotMeasurable,
    Report,
    SetFacts,
    SetMeasure,
    Symmetry,
    Value,
    View,
)
from formcheck.motion.camera import within_180_deg

_DECIMALS = {"deg": 2, "cm": 2, "deg/min": 2, "s": 3, "share": 3, "1": 3}
_PART_DECIMALS = 6
"""Of a part's standard uncertainty: parts add up as squares, so small ones must not vanish."""


def _rounded(value: float, decimals: int) -> float:
    """NaN where the number is not finite; never a negative zero."""
    return round(float(value), decimals) + 0.0 if math.isfinite(value) else math.nan


def _seconds(value: float) -> float:
    return _rounded(value, 3)


def _perhaps_seconds(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else _seconds(value)


def _values(values: Values) -> Values:
    return tuple((k, _rounded(v, 3) if isinstance(v, float) else v) for k, v in values)


def _value(value: Value, decimals: int) -> Value:
    if isinstance(value, NotMeasurable):
        return replace(value, values=_values(value.values))
    if not all(map(math.isfinite, (value.value, value.low, value.high))):
        return NotMeasurable(key=value.key, code="no_value")
    return Measured(
        key=value.key,
        value=_rounded(value.value, decimals),
        low=_rounded(value.low, decimals),
        high=_rounded(value.high, decimals),
        parts=tuple(
            replace(p, standard=_rounded(p.standard, _PART_DECIMALS))
            for p in value.parts
            if math.isfinite(p.standard)
        ),
        at_s=_perhaps_seconds(value.at_s),
    )


def _measure(value: Value) -> Value:
    return _value(value, _DECIMALS[MEASURES[value.key].unit])


def _repetition(assessed: AssessedRepetition) -> AssessedRepetition:
    r = assessed.repetition
    return replace(
        assessed,
        repetition=replace(
            r,
            start_s=_seconds(r.start_s),
            turn_s=_seconds(r.turn_s),
            end_s=_seconds(r.end_s),
            turn_from_s=_seconds(r.turn_from_s),
            turn_to_s=_seconds(r.turn_to_s),
        ),
        measures=tuple(map(_measure, assessed.measures)),
        other_leg=tuple(map(_measure, assessed.other_leg)),
        remarks=tuple(replace(m, at_s=_seconds(m.at_s)) for m in assessed.remarks),
    )


def _set_measure(m: SetMeasure) -> SetMeasure:
    decimals = _DECIMALS[MEASURES[m.key].unit]
    change = None if m.change_over_set is None else _measure(m.change_over_set)
    return SetMeasure(
        key=m.key,
        mean=_rounded(m.mean, decimals),
        sd=None if m.sd is None or not math.isfinite(m.sd) else _rounded(m.sd, decimals),
        first=_rounded(m.first, decimals),
        last=_rounded(m.last, decimals),
        change_over_set=change if isinstance(change, Measured) else None,
    )


def _finite(value: Measured | None) -> Measured | None:
    """The measure as written; None where a number of it is not finite."""
    written = None if value is None else _measure(value)
    return written if isinstance(written, Measured) else None


def facts_as_written(facts: SetFacts) -> SetFacts:
    """The facts of a set with the numbers that a file carries."""
    held = facts.held
    if held is not None:
        longest = _finite(held.held)
        level = _finite(held.level)
        held = replace(held, held=longest, level=level) if longest is not None else None
    return replace(
        facts,
        longest_hold_s=_perhaps_seconds(facts.longest_hold_s),
        told=tuple(
            replace(t, mean=mean, extreme=extreme)
            for t in facts.told
            if (mean := _finite(t.mean)) and (extreme := _finite(t.extreme))
        ),
        observed=tuple(replace(o, mean=_finite(o.mean)) for o in facts.observed),
        held=held,
    )


def symmetry_as_written(s: Symmetry) -> Symmetry:
    """A comparison of the legs with the numbers that a file carries."""
    # An index is in per cent whatever the measure's own unit is.
    return replace(s, value=_value(s.value, 1) if s.kind == "index" else _measure(s.value))


def _view(view: View) -> View:
    return replace(
        view,
        azimuth_deg=_rounded(view.azimuth_deg, 2),
        # Behind the person an interval goes over 180: from 170, say, to -170.
        azimuth_low_deg=_rounded(within_180_deg(view.azimuth_low_deg), 2),
        azimuth_high_deg=_rounded(within_180_deg(view.azimuth_high_deg), 2),
        person_height_px=_rounded(view.person_height_px, 1),
        roll_deg=_rounded(view.roll_deg, 2),
    )


def as_written(report: Report) -> Report:
    """The report with the numbers that its file carries. The same again where it was so already.

    Raises:
        KeyError: a measure outside the closed list of measures.
    """
    whole = report.whole
    return replace(
        report,
        settings=tuple((key, plain(value)) for key, value in report.settings),
        clip=replace(
            report.clip,
            file=readable(report.clip.file),
            duration_s=_seconds(report.clip.duration_s),
            capture_rate_hz=plain(report.clip.capture_rate_hz),
            quantizer=None if report.clip.quantizer is None else round(report.clip.quantizer, 1),
        ),
        context=replace(
            report.context, **{k: plain(getattr(report.context, k)) for k in _CONTEXT_NUMBERS}
        ),
        view=_view(report.view),
        findings=tuple(
            replace(
                f,
                values=_values(f.values),
                from_s=_perhaps_seconds(f.from_s),
                to_s=_perhaps_seconds(f.to_s),
            )
            for f in report.findings
        ),
        repetitions=tuple(map(_repetition, report.repetitions)),
        whole=replace(
            whole,
            measures=tuple(map(_set_measure, whole.measures)),
            symmetry=None
            if whole.symmetry is None
            else tuple(map(symmetry_as_written, whole.symmetry)),
            facts=facts_as_written(whole.facts),
        ),
    )


_CONTEXT_NUMBERS = ("load_kg", "step_height_cm", "seat_height_cm", "stature_cm")


def readable(text: str) -> str:
    """The text as a file can hold it."""
    # A file name may hold bytes that are no UTF-8: "?" stands for each of them.
    return text.encode("utf-8", "replace").decode("utf-8")


def plain(value: object) -> Any:
    """A setting as JSON can hold it: records and mappings as objects, tuples as arrays."""
    if isinstance(value, Path):
        return value.name  # reports carry no machine's folders
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, tuple | list | set | frozenset):
        items = sorted(value) if isinstance(value, set | frozenset) else value
        return [plain(v) for v in items]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if value is None or isinstance(value, bool | int | float | str):
        return value
    return str(value)
