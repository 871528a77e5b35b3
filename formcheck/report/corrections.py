"""A clinician's corrections laid over what was found; what was found stays beside them.

A repetition is named by its place in the report's list, from 0, since a sequence gives several
entries one number.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, cast

from formcheck.model.errors import UsageError
from formcheck.model.intervals import measured, model_parts, over_repetitions
from formcheck.model.measures import MEASURES
from formcheck.model.records import (
    AssessedRepetition,
    Check,
    CheckKind,
    Measured,
    Outcome,
    Report,
    SetMeasure,
)
from formcheck.motion.assessment import complete_numbers, is_met, summarise_measure
from formcheck.motion.chair_tests import CHAIR_STAND_S
from formcheck.motion.set_facts import set_facts

Kind = Literal["left out", "limits", "outcome", "comment"]
OUTCOMES: dict[CheckKind, tuple[Outcome, ...]] = {
    "target": ("reached", "borderline", "not_reached", "not_judged"),
    "limit": ("kept", "possibly_passed", "passed", "not_judged"),
}
"""What a clinician may say instead of what was found."""
LEAST_REPETITION_S = 0.2
"""Shortest stretch that limits may be moved to: six frames of a 30 Hz clip (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One thing that a clinician changed or said, with reason, initials and moment.

    `repetition` is the place in the list, None for a comment on the set. `start_s` and `end_s`
    are moved limits; `measure`, `check_kind`, `outcome` an overruled outcome; `at_s` and `words`
    a comment.
    """

    kind: Kind
    repetition: int | None = None
    reason: str = ""
    start_s: float | None = None
    end_s: float | None = None
    measure: str = ""
    check_kind: CheckKind | Literal[""] = ""
    outcome: Outcome | Literal[""] = ""
    at_s: float | None = None
    words: str = ""
    made_by: str = ""
    made_at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """That a clinician left a repetition out: why, who, when."""

    reason: str
    by: str
    at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Overruled:
    """What was found where a clinician says otherwise: the outcome found, who, why."""

    found: Outcome
    by: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectedReport:
    """A report with a clinician's corrections laid over it.

    report : outcomes and set as corrected; left-out repetitions stay in its list and count nowhere.
    left_out : one for each repetition, None where it counts. overruled : for each repetition one
    for each of its checks, None where the outcome is the one found.
    """

    report: Report
    left_out: tuple[LeftOut | None, ...]
    overruled: tuple[tuple[Overruled | None, ...], ...]

    @property
    def kept(self) -> tuple[AssessedRepetition, ...]:
        """The repetitions that count."""
        return tuple(
            r for r, out in zip(self.report.repetitions, self.left_out, strict=True) if not out
        )


def check_correction(correction: Correction, report: Report) -> None:
    """Raises UsageError when a correction does not fit the report."""
    repetitions = report.repetitions
    duration_s = report.clip.duration_s if math.isfinite(report.clip.duration_s) else 0.0
    at = correction.repetition
    if correction.kind != "comment" and (at is None or not 0 <= at < len(repetitions)):
        raise UsageError("that repetition is not in this set")
    if correction.kind != "comment" and not correction.reason.strip():
        raise UsageError("write why")
    if len(correction.reason) > 500 or len(correction.words) > 2000:
        raise UsageError("that text is too long")
    if correction.kind == "comment":
        if not correction.words.strip():
            raise UsageError("write the comment")
        if correction.at_s is not None and not 0 <= correction.at_s <= duration_s + 1:
            raise UsageError("that moment is not in this clip")
    elif correction.kind == "limits":
        _check_limits(correction, report, duration_s)
    elif correction.kind == "outcome" and at is not None:
        if not any(_is_about(correction, c) for c in repetitions[at].checks):
            raise UsageError("nothing was judged there")
        if correction.outcome not in OUTCOMES[cast(CheckKind, correction.check_kind)]:
            raise UsageError("choose one of the outcomes offered")


def _check_limits(correction: Correction, report: Report, duration_s: float) -> None:
    start, end = correction.start_s, correction.end_s
    if start is None or end is None or not (math.isfinite(start) and math.isfinite(end)):
        raise UsageError("give the start and the end in seconds")
    if not 0 <= start < end <= duration_s + 1 or end - start < LEAST_REPETITION_S:
        raise UsageError("the start comes before the end, both within the clip")
    for from_s, to_s in ways_left_out_s(report):
        if start < to_s and end > from_s:
            raise UsageError(
                f"{from_s:.1f} to {min(to_s, duration_s):.1f} s is the way to the place of the "
                "set, or from it, where nothing is measured"
            )
    for n, r in enumerate(report.repetitions):
        place, rep = cast(int, correction.repetition), r.repetition
        if (n < place and start < rep.end_s) or (n > place and end > rep.start_s):
            raise UsageError(
                f"that would overlap repetition {repetition_label(r)} or pass it, "
                f"{rep.start_s:.1f} to {rep.end_s:.1f} s"
            )


def ways_left_out_s(report: Report) -> list[tuple[float, float]]:
    """The (from, to) seconds in which the patient is not at the place of the set."""
    return [
        (f.from_s or 0.0, math.inf if f.to_s is None else f.to_s)
        for f in report.findings
        if f.code == "way_left_out"
    ]


def _is_about(correction: Correction, check: Check) -> bool:
    return (check.measure, check.kind) == (correction.measure, correction.check_kind)


def repetition_label(assessed: AssessedRepetition) -> str:
    """A repetition's name in a line: number and part."""
    return " ".join(str(p) for p in (assessed.repetition.number, assessed.repetition.part) if p)


def corrected(report: Report, corrections: Sequence[Correction]) -> CorrectedReport:
    """The report with the corrections laid over it.

    A later correction of the same thing replaces an earlier one. Counts, facts and means follow;
    the symmetry is gone where a repetition was left out. Moved limits change nothing here: the
    repetitions are to be measured anew (`Request.moved_limits`).
    """
    repetitions = list(report.repetitions)
    left_out: list[LeftOut | None] = [None] * len(repetitions)
    overruled: list[list[Overruled | None]] = [[None] * len(r.checks) for r in repetitions]
    for c in corrections:
        if c.repetition is None or c.repetition >= len(repetitions):
            continue
        if c.kind == "left out":
            left_out[c.repetition] = LeftOut(reason=c.reason, by=c.made_by, at=c.made_at)
        elif c.kind == "outcome":
            r, before = repetitions[c.repetition], overruled[c.repetition]
            for k, check in enumerate(r.checks):
                if _is_about(c, check):
                    earlier = before[k]
                    found = earlier.found if earlier else check.outcome
                    before[k] = Overruled(found=found, by=c.made_by, reason=c.reason)
            repetitions[c.repetition] = replace(
                r,
                checks=tuple(
                    replace(check, outcome=cast(Outcome, c.outcome))
                    if _is_about(c, check)
                    else check
                    for check in r.checks
                ),
            )
    out = CorrectedReport(
        report=replace(report, repetitions=tuple(repetitions)),
        left_out=tuple(left_out),
        overruled=tuple(map(tuple, overruled)),
    )
    if any(c.kind in ("left out", "outcome") for c in corrections):
        return _recounted(out)
    return out


def _recounted(found: CorrectedReport) -> CorrectedReport:
    """Brings the set up to what is left out and overruled in its repetitions."""
    whole, repetitions, kept = found.report.whole, found.report.repetitions, found.kept
    groups: dict[int, list[AssessedRepetition]] = {}
    for r in kept:
        groups.setdefault(r.repetition.number, []).append(r)
    # A sequence with one of its parts left out is no whole sequence any more.
    complete = [
        n
        for n in complete_numbers(repetitions, whole.n_complete)
        if n in groups and _parts(groups[n]) == _parts(repetitions)
    ]
    measures, symmetry = whole.measures, whole.symmetry
    if len(kept) < len(repetitions):
        measures, symmetry = (*_means(kept), *_chair_tests(found)), None
    keys = {m.key for m in measures}
    return replace(
        found,
        report=replace(
            found.report,
            whole=replace(
                whole,
                n_repetitions=len(groups),
                n_complete=len(complete),
                n_met=sum(all(map(is_met, groups[n])) for n in complete),
                dose_done=len(complete),
                measures=measures,
                symmetry=symmetry,
                checks=tuple(
                    c for c in whole.checks if c.measure in keys or c.outcome == "not_visible"
                ),
                facts=set_facts(
                    repetitions,
                    complete,
                    is_hold=found.report.exercise_words.kind == "hold",
                    bounds=found.report.bounds,
                    measure_of_remark={
                        o.code: o.mean.key for o in whole.facts.observed if o.mean is not None
                    },
                    is_left_out=[out is not None for out in found.left_out],
                ),
            ),
        ),
    )


def _parts(repetitions: Sequence[AssessedRepetition]) -> set[str]:
    return {r.repetition.part for r in repetitions if r.repetition.part}


def _means(kept: Sequence[AssessedRepetition]) -> tuple[SetMeasure, ...]:
    values: dict[str, list[Measured]] = {}
    movements: dict[str, set[tuple[str, str | None]]] = {}
    for r in kept:
        if r.repetition.is_complete:
            for m in r.measures:
                if isinstance(m, Measured):
                    values.setdefault(m.key, []).append(m)
                    movements.setdefault(m.key, set()).add((r.repetition.side, r.repetition.part))
    return tuple(
        summarise_measure(key, v, is_alike=len(movements[key]) == 1) for key, v in values.items()
    )


def _chair_tests(found: CorrectedReport) -> tuple[SetMeasure, ...]:
    """The chair tests that hold although stands were left out: those that counted none of them."""
    repetitions = [r.repetition for r in found.report.repetitions]
    from_s = min((r.start_s for r in repetitions if r.is_complete), default=math.inf)
    first_out_s = min(
        r.start_s for r, out in zip(repetitions, found.left_out, strict=True) if out is not None
    )
    measures = {m.key: m for m in found.report.whole.measures}
    lasts_s = {"n_in_30_s": CHAIR_STAND_S}
    if "time_for_five_s" in measures:
        lasts_s["time_for_five_s"] = measures["time_for_five_s"].mean
    return tuple(
        measures[key]
        for key, test_s in lasts_s.items()
        if key in measures and first_out_s >= from_s + test_s
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """How many repetitions of a set need what kind of look. Left-out ones are not counted; a bound
    on the set as a whole counts as one more. `n_open` : of the complete ones, those with a target
    within measuring error or not seen, which nobody may take for reached. `n_limit_unseen` : of
    the complete ones, those with a limit that was not seen. `n_remarked` : those with a remark."""

    n_not_met: int
    n_open: int
    n_passed: int
    n_doubtful: int
    n_limit_unseen: int
    n_remarked: int


_OPEN: tuple[tuple[CheckKind, Outcome], ...] = (("target", "borderline"), ("target", "not_visible"))
_LIMIT_UNSEEN: tuple[tuple[CheckKind, Outcome], ...] = (("limit", "not_visible"),)


def counts(found: CorrectedReport) -> Counts:
    """Repetitions with a target not reached or open, a limit passed, a limit perhaps passed."""
    of_set = [(c.kind, c.outcome) for c in found.report.whole.checks]

    def n(kind: CheckKind, outcome: Outcome) -> int:
        n_kept = sum(
            any((c.kind, c.outcome) == (kind, outcome) for c in r.checks) for r in found.kept
        )
        return n_kept + of_set.count((kind, outcome))

    def n_complete(pairs: Sequence[tuple[CheckKind, Outcome]]) -> int:
        n_kept = sum(
            any((c.kind, c.outcome) in pairs for c in r.checks)
            for r in found.kept
            if r.repetition.is_complete
        )
        return n_kept + sum(pair in pairs for pair in of_set)

    return Counts(
        n_not_met=n("target", "not_reached"),
        n_open=n_complete(_OPEN),
        n_passed=n("limit", "passed"),
        n_doubtful=n("limit", "possibly_passed"),
        n_limit_unseen=n_complete(_LIMIT_UNSEEN),
        n_remarked=sum(bool(r.remarks) for r in found.kept),
    )


def set_means(found: CorrectedReport) -> tuple[tuple[Measured, int], ...]:
    """(mean with its 95 % interval, repetitions in it) of each measure over the kept complete ones,
    and each that is of the set as a whole, such as a chair test, as of one.

    As the report's own means over a set (`over_repetitions`).
    """
    values: dict[str, list[Measured]] = {}
    for r in found.kept:
        if r.repetition.is_complete:
            for m in r.measures:
                if isinstance(m, Measured):
                    values.setdefault(m.key, []).append(m)
    of_set = [
        (measured(m.key, m.mean, model_parts("time") if MEASURES[m.key].unit == "s" else ()), 1)
        for m in found.report.whole.measures
        if MEASURES[m.key].at == "set"
    ]
    return (*((over_repetitions(of), len(of)) for of in values.values()), *of_set)
