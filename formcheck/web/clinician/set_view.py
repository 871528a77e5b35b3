"""One set as the review page shows it: rows, cells and words from its report. No arithmetic."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from formcheck.clinic.sets import SetMean
from formcheck.model.records import AssessedRepetition, Check, Report, SetMeasure
from formcheck.report.corrections import OUTCOMES, CorrectedReport, Overruled, repetition_label
from formcheck.report.tables import (
    Cell,
    Column,
    column,
    columns_of,
    headline_keys,
    is_measured_somewhere,
    not_measured,
    table_cell,
    value_cell,
)
from formcheck.words import wording
from formcheck.words.finding_words import told_once
from formcheck.words.first_line import set_sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """An outcome in words with its shape and tone; what was found, where it was overruled."""

    key: str
    words: str
    shape: str
    tone: str
    found: str = ""
    why: str = ""


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

    columns: tuple[Column, ...]
    every_column: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    checks: tuple[Choice, ...]
    findings: tuple[tuple[str, str], ...]
    not_measured: tuple[tuple[str, str], ...]
    has_remarks: bool
    means: tuple[tuple[str, str, str], ...]
    text: str
    frame_rate_hz: float


def chip_of(check: Check, assessed: AssessedRepetition, overruled: Overruled | None) -> Chip:
    """The chip of a check of a corrected report."""
    words = wording.check_words(check)
    return Chip(
        key=check.measure,
        words=words.words,
        shape=words.shape,
        tone=words.tone,
        found=wording.outcome_words(overruled.found, check.kind).words if overruled else "",
        why=f"{overruled.reason} ({overruled.by})" if overruled else "",
    )


def _columns(repetitions: Sequence[AssessedRepetition]) -> list[str]:
    every = columns_of(repetitions)
    judged = {c.measure for r in repetitions for c in r.checks}
    seen = [k for k in every if is_measured_somewhere(k, repetitions)]
    return sorted(seen, key=lambda k: k not in judged)


def set_view(
    corrected: CorrectedReport, found: Report, means: Mapping[str, SetMean] | None = None
) -> SetView:
    """The view of a corrected report; `found` is the report as it was first measured.

    means : measure -> its mean over the set with its 95 % interval.
    """
    means = means or {}
    report = corrected.report
    ordered = _columns(report.repetitions)
    shown = headline_keys(report)
    clip = report.clip
    is_timed = math.isfinite(clip.duration_s) and clip.duration_s > 0
    return SetView(
        columns=tuple(column(k, report) for k in shown),
        every_column=tuple((k, wording.label(k)) for k in ordered),
        rows=tuple(
            _row(place, corrected, found, shown, ordered)
            for place in range(len(report.repetitions))
        ),
        checks=tuple(
            dict.fromkeys(
                choice
                for place, r in enumerate(report.repetitions)
                for choice in _choices(place, r)
            )
        ),
        findings=tuple(
            (told.words, wording.stretches(told.stretches_s))
            for told in told_once(report, "clinician")
        ),
        not_measured=tuple(
            (reason, "; ".join(f"{names} ({where})" for names, where in measures))
            for reason, measures in not_measured(report)
        ),
        has_remarks=any(r.remarks for r in report.repetitions),
        means=tuple(_mean(m, means.get(m.key)) for m in report.whole.measures),
        text=set_sentence(report, "clinician"),
        frame_rate_hz=round(clip.n_frames / clip.duration_s if is_timed else 30.0, 3),
    )


def _row(
    place: int,
    corrected: CorrectedReport,
    found: Report,
    shown: Sequence[str],
    ordered: Sequence[str],
) -> Row:
    report = corrected.report
    assessed, left_out = report.repetitions[place], corrected.left_out[place]
    r = assessed.repetition
    was = found.repetitions[place].repetition if place < len(found.repetitions) else r
    values = {m.key: m for m in assessed.measures}
    return Row(
        place=place,
        label=repetition_label(assessed),
        start_s=r.start_s,
        end_s=r.end_s,
        turn_s=r.turn_s,
        is_complete=r.is_complete,
        is_moved=(was.start_s, was.end_s) != (r.start_s, r.end_s),
        left_out=f"{left_out.reason} ({left_out.by})" if left_out else "",
        cells=tuple(table_cell(k, assessed, report) for k in shown),
        every_cell=tuple(value_cell(values.get(k), report.bounds) for k in ordered),
        chips=tuple(
            chip_of(c, assessed, o)
            for c, o in zip(assessed.checks, corrected.overruled[place], strict=True)
            if o or c.outcome != "not_visible"
        ),
        findings=tuple((m.at_s, report.exercise_words.remark(m.code)) for m in assessed.remarks),
    )


def _choices(place: int, assessed: AssessedRepetition) -> tuple[Choice, ...]:
    return tuple(
        Choice(
            value=f"{place} {c.measure} {c.kind} {outcome}",
            words=f"{repetition_label(assessed)}: {wording.label(c.measure)}, "
            f"{c.kind}: {wording.outcome_words(outcome, c.kind).words}",
        )
        for c in assessed.checks
        for outcome in OUTCOMES[c.kind]
        if outcome != c.outcome
    )


def _mean(m: SetMeasure, found: SetMean | None) -> tuple[str, str, str]:
    mean = wording.quantity(m.key, m.mean)
    if found is not None:
        mean += f" {wording.around(m.key, found.value, found.low, found.high)}"
    sd = wording.plus_minus(m.key, m.sd).removeprefix("± ") if m.sd is not None else "–"
    return wording.label(m.key), mean, sd
