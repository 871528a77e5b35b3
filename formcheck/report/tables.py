"""The report page's tables: which measures stand where, as cells of words ready to lay out."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from formcheck.model.anatomy import other_side
from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound
from formcheck.model.records import (
    AssessedRepetition,
    Check,
    CheckKind,
    Measured,
    NotMeasurable,
    Remark,
    Report,
    SetMeasure,
    Symmetry,
    Value,
)
from formcheck.words import wording
from formcheck.words.refusal_words import refusal_words

TEMPO = ("lowering_s", "pause_s", "raising_s")
TEMPO_WORDS = {"lowering_s": "lowering", "pause_s": "pause", "raising_s": "raising"}
COLUMNS_OF_A_TABLE = 5
"""A4 upright holds five columns of values with their intervals (common practice)."""
MOST_HEADLINES = 3
FEW_REPETITIONS = 3
"""Up to this many repetitions stand side by side, a line a measure: holds read better so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """An outcome with its words, its shape and its colour."""

    words: str
    shape: str
    tone: wording.Tone


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A table cell: a value with its interval, or a dash with the reason; outcomes under it."""

    value: str = ""
    between: str = ""
    reason: str = ""
    chips: tuple[Chip, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of measures: heading, what was prescribed, the definition."""

    key: str
    label: str
    bounds: tuple[str, ...] = ()
    definition: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One repetition of a table."""

    label: str
    id: str
    from_s: float
    to_s: float
    moment: str
    note: str
    cells: tuple[Cell, ...]
    tempo: str = ""
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a table of further measures; a repetition's line carries its moment."""

    label: str
    cells: tuple[Cell, ...]
    from_s: float | None = None
    to_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Further measures: a line a repetition, or a line a measure where repetitions are few."""

    corner: str
    heads: tuple[str, ...]
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalParts:
    """How the interval of one measure is built, at one repetition."""

    label: str
    repetition: str
    value: str
    between: str
    parts: tuple[tuple[str, str, str, str], ...]


def _chip(check: Check) -> Chip:
    words = wording.check_words(check)
    return Chip(words=words.words, shape=words.shape, tone=words.tone)


def _repetition_label(assessed: AssessedRepetition, sides_differ: bool) -> str:
    r = assessed.repetition
    parts = [str(r.number), r.part or "", r.side if sides_differ else ""]
    return " ".join(p for p in parts if p)


def columns_of(repetitions: Iterable[AssessedRepetition]) -> list[str]:
    return list(dict.fromkeys(m.key for r in repetitions for m in r.measures))


def is_measured_somewhere(key: str, repetitions: Iterable[AssessedRepetition]) -> bool:
    return any(
        m.key == key and isinstance(wording.known(m), Measured)
        for r in repetitions
        for m in r.measures
    )


OTHER_KNEE = "other:"
"""Before a measure's key: that of the other knee, seen from the front."""
_OF_EACH_KNEE = "fppa_peak_deg"


def headline_keys(report: Report) -> list[str]:
    """Measures of the first table: those that were judged and seen, else what the exercise is
    about; of both knees where both were seen. What was never seen stands below the tables."""
    present = columns_of(report.repetitions)
    seen = [k for k in present if is_measured_somewhere(k, report.repetitions)]
    judged = dict.fromkeys(c.measure for r in report.repetitions for c in r.checks)
    told = dict.fromkeys(t.key for t in report.whole.facts.told)
    keys = [k for k in judged if k in seen]
    keys += [k for k in told if k in seen and k not in keys]
    others = [r.other_leg for r in report.repetitions]
    if _OF_EACH_KNEE in keys and any(
        m.key == _OF_EACH_KNEE and isinstance(m, Measured) for of in others for m in of
    ):
        keys.insert(keys.index(_OF_EACH_KNEE) + 1, OTHER_KNEE + _OF_EACH_KNEE)
    more = [k for k in seen if MEASURES[k].at != "tempo" and k not in keys]
    if _OF_EACH_KNEE in keys:
        more = [k for k in more if k != "fppa_at_turn_deg"]
    return (keys + more[: max(MOST_HEADLINES - len(keys), 0)]) or seen[:1]


def _bounds_of(key: str, report: Report) -> tuple[tuple[str, Bound], ...]:
    return tuple((kind, b) for kind, b in report.bounds if b.measure == key)


def column(key: str, report: Report) -> Column:
    base = key.removeprefix(OTHER_KNEE)
    written = [f"{kind}: {wording.bound_words(b)}" for kind, b in _bounds_of(base, report)]
    label = wording.label(base)
    leg = next((r.leg for r in report.repetitions if r.leg), None)
    if leg and base == _OF_EACH_KNEE and any(r.other_leg for r in report.repetitions):
        label += f", {other_side(leg) if key != base else leg} knee"
    return Column(
        key=key,
        label=label,
        bounds=tuple(dict.fromkeys(written)),
        definition=MEASURES[base].definition,
    )


def value_cell(value: Value | None, bounds: Sequence[tuple[CheckKind, Bound]]) -> Cell:
    """The cell of a measure; None where the repetition has none such. bounds : in force."""
    value = None if value is None else wording.known(value)
    if isinstance(value, Measured):
        shown, between = wording.interval(value, tuple(bounds))
        return Cell(value=shown, between=between)
    reason = "not part of this repetition"
    if isinstance(value, NotMeasurable):
        reason = refusal_words(value, "clinician")
    return Cell(reason=reason)


def table_cell(key: str, assessed: AssessedRepetition, report: Report) -> Cell:
    """The cell of a measure, also of the other knee's."""
    base = key.removeprefix(OTHER_KNEE)
    values = assessed.measures if key == base else assessed.other_leg
    return value_cell(next((m for m in values if m.key == base), None), report.bounds)


def _cell(key: str, assessed: AssessedRepetition, report: Report) -> Cell:
    chips = tuple(
        _chip(c) for c in assessed.checks if c.measure == key and c.outcome != "not_visible"
    )
    return replace(table_cell(key, assessed, report), chips=chips)


def tempo_order(present: list[str]) -> list[str]:
    """The tempo's measures in the order in which they happen (raising first in some)."""
    return [k for k in present if k in TEMPO]


def _tempo(assessed: AssessedRepetition, order: list[str]) -> str:
    values = {m.key: wording.known(m) for m in assessed.measures}
    texts = [
        wording.number(m.value, 1) if isinstance(m, Measured) else "–"
        for m in map(values.get, order)
    ]
    return " · ".join(texts) if set(texts) != {"–"} else "–"


def _unbroken(text: str) -> str:
    return text.replace(" ", "\N{NO-BREAK SPACE}")


def _remark(remark: Remark, report: Report) -> str:
    said = report.exercise_words.remark(remark.code).rstrip(".")
    return f"{said} (at\N{NO-BREAK SPACE}{_unbroken(wording.clock(remark.at_s))})"


def _note(assessed: AssessedRepetition, report: Report) -> str:
    r = assessed.repetition
    if r.is_complete:
        return ""
    return f"{wording.cut_words(r, report.clip.duration_s)}; listed, not judged"


def repetition_row(
    i: int, assessed: AssessedRepetition, keys: list[str], order: list[str], report: Report
) -> Row:
    r = assessed.repetition
    sides_differ = len({a.repetition.side for a in report.repetitions}) > 1
    return Row(
        label=_repetition_label(assessed, sides_differ),
        id=f"rep-{i + 1}",
        from_s=round(max(r.start_s, 0.0), 3),
        to_s=round(r.end_s, 3),
        moment=wording.stretch(r.start_s, r.end_s),
        note=_note(assessed, report),
        cells=tuple(_cell(k, assessed, report) for k in keys),
        tempo=_tempo(assessed, order),
        remarks=tuple(_remark(m, report) for m in assessed.remarks),
    )


def _numbers(labels: list[str], n_all: int) -> str:
    """Repetitions in words: `all repetitions`, `repetitions 1 to 4, 7`."""
    if len(labels) == n_all:
        return "all repetitions" if n_all > 1 else "the repetition"
    if not all(label.isdigit() for label in labels):
        return f"repetition{'' if len(labels) == 1 else 's'} {', '.join(labels)}"
    numbers = [int(n) for n in labels]
    spans: list[list[int]] = []
    for n in numbers:
        if spans and n == spans[-1][1] + 1:
            spans[-1][1] = n
        else:
            spans.append([n, n])
    words = ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in spans)
    return f"repetition{'' if len(numbers) == 1 else 's'} {words}"


_RANGES = ("range_deg", "range_share")


def _full_label(key: str) -> str:
    """A measure's name, with its unit where another measure has the same name."""
    return f"{wording.label(key)} in cm" if MEASURES[key].unit == "cm" else wording.label(key)


def not_measured(report: Report) -> list[tuple[str, list[tuple[str, str]]]]:
    """What could not be measured, by reason: (reason, [(measures, in which repetitions)]).

    Left out is what there is none of: the rest after the last repetition, and the range in the
    unit that the driving signal does not have.
    """
    sides_differ = len({a.repetition.side for a in report.repetitions}) > 1
    groups: dict[str, dict[str, list[str]]] = {}
    for i, assessed in enumerate(report.repetitions, 1):
        for m in map(wording.known, assessed.measures):
            is_last_rest = m.key == "rest_s" and i == len(report.repetitions)
            is_other_range = m.key in _RANGES and any(
                k.key in _RANGES and isinstance(k, Measured) for k in assessed.measures
            )
            if isinstance(m, NotMeasurable) and not is_last_rest and not is_other_range:
                label = _repetition_label(assessed, sides_differ)
                reason = refusal_words(m, "clinician")
                groups.setdefault(reason, {}).setdefault(m.key, []).append(label)
    n = len(report.repetitions)
    listed = []
    for reason, keys in groups.items():
        by_where: dict[str, list[str]] = {}
        for key, labels in keys.items():
            by_where.setdefault(_numbers(labels, n), []).append(_full_label(key))
        listed.append((reason, [(", ".join(names), where) for where, names in by_where.items()]))
    return listed


def other_tables(report: Report, keys: list[str]) -> list[Table]:
    """Tables of the measures that the first table does not show."""
    repetitions = report.repetitions
    sides_differ = len({a.repetition.side for a in repetitions}) > 1
    if not keys:
        return []
    if len(repetitions) <= FEW_REPETITIONS:
        heads = tuple(f"Rep {_repetition_label(a, sides_differ)}" for a in repetitions)
        lines = tuple(
            Line(label=wording.label(k), cells=tuple(_cell(k, a, report) for a in repetitions))
            for k in keys
        )
        return [Table(corner="Measure", heads=heads, lines=lines)]
    n_tables = math.ceil(len(keys) / COLUMNS_OF_A_TABLE)
    size = math.ceil(len(keys) / n_tables)  # six columns as three and three
    tables = []
    for i in range(0, len(keys), size):
        some = keys[i : i + size]
        lines = tuple(
            Line(
                label=_repetition_label(a, sides_differ),
                cells=tuple(_cell(k, a, report) for k in some),
                from_s=round(max(a.repetition.start_s, 0.0), 3),
                to_s=round(a.repetition.end_s, 3),
            )
            for a in repetitions
        )
        heads = tuple(wording.label(k) for k in some)
        tables.append(Table(corner="Rep", heads=heads, lines=lines))
    return tables


def _widest(
    key: str, repetitions: Iterable[AssessedRepetition]
) -> tuple[Measured, AssessedRepetition] | None:
    """The repetition with the widest interval of a measure: the most careful example."""
    found = [
        (m, assessed)
        for assessed in repetitions
        for m in map(wording.known, assessed.measures)
        if m.key == key and isinstance(m, Measured) and m.parts
    ]
    return max(found, key=lambda pair: pair[0].high - pair[0].low) if found else None


def interval_parts(report: Report) -> list[IntervalParts]:
    """For each measure the named parts of its widest interval."""
    sides_differ = len({a.repetition.side for a in report.repetitions}) > 1
    built = []
    headline = headline_keys(report)
    for key in [*headline, *(k for k in columns_of(report.repetitions) if k not in headline)]:
        widest = _widest(key, report.repetitions)
        if widest is None:
            continue
        value, assessed = widest
        shown, between = wording.interval(value)
        kinds = {"shared": "the same all through the clip", "own": "new in each repetition"}
        built.append(
            IntervalParts(
                label=wording.label(key),
                repetition=_repetition_label(assessed, sides_differ),
                value=shown,
                between=between,
                parts=tuple(
                    (p.name, wording.plus_minus(key, 1.96 * p.standard), kinds[p.kind], p.source)
                    for p in value.parts
                ),
            )
        )
    return built


def _set_row(m: SetMeasure) -> tuple[str, ...]:
    change = ""
    if m.change_over_set is not None and isinstance(wording.known(m.change_over_set), Measured):
        shown, between = wording.interval(m.change_over_set)
        change = f"{shown} ({between})"
    sd = wording.plus_minus(m.key, m.sd) if m.sd is not None and math.isfinite(m.sd) else "–"
    return (
        wording.label(m.key),
        wording.quantity(m.key, m.mean),
        sd,
        wording.quantity(m.key, m.first),
        wording.quantity(m.key, m.last),
        change or "–",
    )


def set_rows(report: Report, headline: list[str]) -> list[tuple[str, ...]]:
    """The set's measures, those of the first table first; none for a single repetition."""
    if len(report.repetitions) < 2:
        return []
    measures = sorted(report.whole.measures, key=lambda m: m.key not in headline)
    return [_set_row(m) for m in measures]


def _leg_words(s: Symmetry) -> str:
    return s.involved or "nobody named one: left against right"


def symmetry_rows(report: Report) -> list[tuple[str, str, str]]:
    rows = []
    for s in report.whole.symmetry or ():
        value = wording.known(s.value)
        if isinstance(value, NotMeasurable):
            rows.append(
                (wording.label(s.key), wording.measure_words(value, "clinician"), _leg_words(s))
            )
        elif s.kind == "index":
            low, high = wording.number(value.low), wording.number(value.high)
            text = f"{wording.number(value.value)} % of the other leg ({low} to {high})"
            rows.append((wording.label(s.key), text, _leg_words(s)))
        else:
            shown, between = wording.interval(value)
            rows.append((wording.label(s.key), f"{shown} more ({between})", _leg_words(s)))
    return rows
