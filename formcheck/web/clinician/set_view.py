"""One set as the review page shows it: rows, cells and words from its report. No arithmetic."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from formcheck.model.measures import MEASURES
from formcheck.model.records import Measured
from formcheck.report.corrections import OUTCOMES, repetition_label
from formcheck.words import wording

COLUMNS = 3
"""Measures in the repetition table; the others stand in the table of all measures."""
_TONES = {
    "met": "teal",
    "kept": "teal",
    "not_met": "plum",
    "passed": "rust",
    "not_visible": "slate",
    "not_judged": "slate",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """An outcome in words with its shape and tone; what was found, where it was overruled."""

    words: str
    shape: str
    tone: str
    reason: str
    found: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A measure of a repetition: value and interval, or the reason why there is none."""

    value: str = ""
    between: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A repetition of the table; `place` is its place in the report's list, from 0."""

    place: int
    label: str
    start_s: float
    end_s: float
    turn_s: float
    is_complete: bool
    is_moved: bool
    left_out: str
    cells: tuple[Cell, ...]
    every_cell: tuple[Cell, ...]
    chips: tuple[Chip, ...]
    findings: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """An outcome that can be overruled: which repetition and check, and what may be said."""

    value: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetView:
    """Everything that the page says of the measured repetitions."""

    columns: tuple[tuple[str, str], ...]
    every_column: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    checks: tuple[Choice, ...]
    findings: tuple[tuple[str, str], ...]
    means: tuple[tuple[str, str, str], ...]
    text: str
    frame_rate_hz: float


def tone_of(outcome: str, kind: str) -> str:
    """The tone of an outcome; words and shape say the same."""
    return _TONES.get(outcome) or ("rust" if kind == "limit" else "ochre")


def _reason(text: str, outcome: str) -> str:
    """A check's text without the outcome, which the chip says already."""
    text = text.removeprefix(f"{outcome}: ").replace(" deg", "°")
    return text[:1].upper() + text[1:]


def chip_of(check: Mapping[str, Any]) -> Chip:
    """The chip of a check of a corrected report."""
    words = wording.outcome_words(check["outcome"], check["kind"])
    found = ""
    if check["found"] is not None:
        found = wording.outcome_words(check["found"], check["kind"]).words
    label = MEASURES[check["measure"]].label if check["measure"] in MEASURES else check["measure"]
    return Chip(
        words=f"{label}: {words.words}",
        shape=words.shape,
        tone=tone_of(check["outcome"], check["kind"]),
        found=found,
        reason=_reason(check["text"], words.words),
        why=f"{check['reason']} ({check['overruled_by']})" if found else "",
    )


def cell_of(key: str, measure: Mapping[str, Any] | None) -> Cell:
    """The cell of a measure of a report."""
    if measure is None:
        return Cell(reason="not among the measures of this repetition")
    if "value" not in measure:
        return Cell(reason=str(measure.get("not_measurable", "")))
    value, between = wording.interval(
        Measured(key=key, value=measure["value"], low=measure["low"], high=measure["high"])
    )
    return Cell(value=value, between=between)


def _columns(repetitions: Sequence[Mapping[str, Any]]) -> list[str]:
    every = list(dict.fromkeys(k for r in repetitions for k in r["measures"] if k in MEASURES))
    judged = {c["measure"] for r in repetitions for c in r["checks"]}
    seen = {k for r in repetitions for k, m in r["measures"].items() if "value" in m}
    return sorted(every, key=lambda k: (k not in judged, k not in seen))


def set_view(
    report: Mapping[str, Any],
    found: Mapping[str, Any],
    half_widths: Mapping[str, float] | None = None,
) -> SetView:
    """The view of a corrected report; `found` is the report as it was first measured.

    half_widths : measure -> half of the 95 % interval of its mean over the set.
    """
    half_widths = half_widths or {}
    repetitions = report["repetitions"]
    ordered = _columns(repetitions)
    seen = [k for k in ordered if any("value" in r["measures"].get(k, {}) for r in repetitions)]
    shown = seen[:COLUMNS]
    rows, checks = [], []
    for place, r in enumerate(repetitions):
        label = repetition_label(r)
        was = found["repetitions"][place] if place < len(found["repetitions"]) else r
        rows.append(
            Row(
                place=place,
                label=label,
                start_s=r["start_s"],
                end_s=r["end_s"],
                turn_s=r["turn_s"],
                is_complete=r["complete"],
                is_moved=(was["start_s"], was["end_s"]) != (r["start_s"], r["end_s"]),
                left_out=f"{r['left_out']['reason']} ({r['left_out']['by']})"
                if r["left_out"]
                else "",
                cells=tuple(cell_of(k, r["measures"].get(k)) for k in shown),
                every_cell=tuple(cell_of(k, r["measures"].get(k)) for k in ordered),
                chips=tuple(chip_of(c) for c in r["checks"]),
                findings=tuple((f["at_s"], f["text"]) for f in r["findings"]),
            )
        )
        for c in r["checks"]:
            for outcome in OUTCOMES[c["kind"]]:
                if outcome != c["outcome"]:
                    words = wording.outcome_words(outcome, c["kind"]).words
                    checks.append(
                        Choice(
                            value=f"{place} {c['measure']} {c['kind']} {outcome}",
                            words=f"{label}: {MEASURES[c['measure']].label}, {c['kind']}: {words}",
                        )
                    )
    means = tuple(
        (
            MEASURES[key].label,
            f"{wording.quantity(key, m['mean'])} "
            f"{wording.plus_minus(key, half_widths[key]) if key in half_widths else ''}".strip(),
            wording.plus_minus(key, m["sd"]).removeprefix("± ") if m["sd"] is not None else "–",
        )
        for key, m in report["set"]["measures"].items()
        if key in MEASURES
    )
    clip = report["clip"]
    rate = clip["n_frames"] / clip["duration_s"] if clip["duration_s"] else 30.0
    return SetView(
        columns=tuple((k, MEASURES[k].label) for k in shown),
        every_column=tuple((k, MEASURES[k].label) for k in ordered),
        rows=tuple(rows),
        # Two targets on one measure are overruled together: each choice stands there once.
        checks=tuple(dict.fromkeys(checks)),
        findings=tuple(
            (f["text"], wording.stretch(f["from_s"], f["to_s"]))
            for f in report["quality"]["findings"]
        ),
        means=means,
        text=report["set"]["text"],
        frame_rate_hz=round(rate, 3),
    )
