"""A set held against its targets and limits, and summed up. The tool never judges without a bound
that somebody set."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from formcheck.model.anatomy import SIDES, Side, other_side
from formcheck.model.intervals import COVERAGE_FACTOR, combined, measured, model_parts
from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound, BoundOfKind, Exercise, PrescribedExercise, Prescription
from formcheck.model.records import (
    AssessedRepetition,
    AssessedSet,
    Check,
    CheckKind,
    Measured,
    NotMeasurable,
    Outcome,
    Part,
    Repetition,
    SetMeasure,
    Value,
)
from formcheck.motion.chair_tests import chair_stand_measures
from formcheck.motion.driving import is_of_signal
from formcheck.motion.set_facts import outcome_of_bound, set_facts
from formcheck.motion.symmetry import symmetry_of

EXTENSION_TOLERANCE_DEG = 5.0
"""Full extension is judged within this of the passive value entered (common practice)."""


def prescribed_bounds(
    line: PrescribedExercise,
    exercise: Exercise,
    prescription: Prescription | None = None,
    side: str | None = None,
) -> tuple[BoundOfKind, ...]:
    """Targets and limits of one line of a programme, the hold time among them.

    A prescribed hold is a target on the time inside the target's band where the hold has one,
    else on the plateau; held for as long as it is easy, it is none. A target that asks for what
    a limit forbids is left out. Full extension becomes a target only where the clinician entered
    the patient's own passive extension, and not where `side` is known to be the other leg.
    """
    written: list[BoundOfKind] = [
        *(("target", b) for b in line.targets),
        *(("limit", b.bound) for b in line.limits),
    ]
    bounds = list(drop_targets_beyond_limits(written, exercise))
    named = {b.measure for _, b in written}
    listed = _listed(exercise)
    is_aim = line.hold_s is not None and not line.hold_while_easy
    if is_aim and not named & {"plateau_hold_s", "hold_in_band_s"}:
        targets = [b for kind, b in bounds if kind == "target"]
        has_band = any(is_of_signal(b, v) for b in targets for v in exercise.views)
        key = "hold_in_band_s" if has_band and "hold_in_band_s" in listed else "plateau_hold_s"
        if key in listed:
            bounds.append(("target", Bound(measure=key, at_least=line.hold_s)))
    passive = _passive_extension(line, exercise, prescription)
    if passive and prescription and side not in _other_leg(prescription):
        bounds.append(("target", passive))
    return tuple(bounds)


def _listed(exercise: Exercise) -> set[str]:
    return {key for v in exercise.views for key in v.measures}


def _passive_extension(
    line: PrescribedExercise, exercise: Exercise, prescription: Prescription | None
) -> Bound | None:
    """The target that comes from the passive extension entered, or None."""
    key = "knee_flexion_least_deg"
    if (
        prescription is None
        or prescription.passive_extension_deg is None
        or key not in _listed(exercise)
        or key in {b.measure for b in (*line.targets, *line.limits)}
        or not any(
            v.driving_signal == "knee_flexion" and v.direction == "falls" for v in exercise.views
        )
    ):
        return None
    return Bound(measure=key, at_most=prescription.passive_extension_deg + EXTENSION_TOLERANCE_DEG)


def _other_leg(prescription: Prescription) -> tuple[Side, ...]:
    """The leg that is not the involved one; none where both are, or nobody said."""
    involved = prescription.involved_side
    return (other_side(involved),) if involved in SIDES else ()


def bounds_where_meant(
    bounds: Sequence[BoundOfKind],
    repetitions: Sequence[AssessedRepetition],
    line: PrescribedExercise | None,
    exercise: Exercise,
    prescription: Prescription | None,
) -> tuple[tuple[BoundOfKind, ...], tuple[AssessedRepetition, ...]]:
    """(bounds in force, repetitions with the checks that can be made on them).

    The passive extension was measured on the involved knee, so the other one is not judged by
    it. A measure of the whole set is judged once, with the set; after the last
    repetition of a leg there is no rest to judge.
    """
    passive = _passive_extension(line, exercise, prescription) if line else None
    others = _other_leg(prescription) if passive and prescription else ()
    last = {r.repetition.side: k for k, r in enumerate(repetitions)}.values()

    def is_meant(c: Check, k: int) -> bool:
        if MEASURES[c.measure].at == "set":
            return False
        if c.measure == "rest_s" and c.outcome == "not_visible" and k in last:
            return False
        if passive is None or repetitions[k].repetition.side not in others:
            return True
        return (c.kind, c.bound) != ("target", passive)

    judged = tuple(
        replace(r, checks=tuple(c for c in r.checks if is_meant(c, k)))
        for k, r in enumerate(repetitions)
    )
    if repetitions and all(r.repetition.side in others for r in repetitions):
        bounds = [b for b in bounds if b != ("target", passive)]
    return tuple(bounds), judged


def planned_repetitions(
    line: PrescribedExercise, exercise: Exercise, repetitions: Sequence[AssessedRepetition]
) -> int:
    """The repetitions that the line asks of this set.

    A one-leg exercise is prescribed for each leg: where both worked in one clip it is due twice.
    """
    worked = {r.repetition.side for r in repetitions}
    is_for_each_leg = exercise.working_leg != "both" and (
        "both" in line.sides or set(SIDES) <= set(line.sides)
    )
    return line.repetitions * (2 if is_for_each_leg and set(SIDES) <= worked else 1)


def check_bound(kind: CheckKind, bound: Bound, value: Value, *, is_complete: bool) -> Check:
    """One bound held against one measure of a repetition.

    An attempt that the clip cuts is not judged; a measure that the view cannot support is
    not visible. Silence never becomes "reached".
    """
    outcome: Outcome = "not_judged"
    if is_complete:
        outcome = outcome_of_bound(kind, bound, value)
    return Check(kind=kind, bound=bound, outcome=outcome)


def check_set(bounds: Sequence[BoundOfKind], measures: Sequence[SetMeasure]) -> tuple[Check, ...]:
    """Each bound on a measure of the whole set, held against it."""
    means = {m.key: m.mean for m in measures}
    found = []
    for kind, bound in bounds:
        key = bound.measure
        if MEASURES[key].at != "set":
            continue
        value: Value = NotMeasurable(key=key, code="no_value")
        if key in means:
            parts = model_parts("time") if MEASURES[key].unit == "s" else ()
            value = measured(key, means[key], parts)
        found.append(Check(kind=kind, bound=bound, outcome=outcome_of_bound(kind, bound, value)))
    return tuple(found)


def drop_targets_beyond_limits(
    bounds: Sequence[BoundOfKind], exercise: Exercise | None = None
) -> tuple[BoundOfKind, ...]:
    """The bounds with no target that asks for more than a limit on the same quantity allows.

    A comfort limit beats a depth target: reaching the limit is then all that is wanted.
    exercise : tells which measures speak of one angle (the level held and the knee's peak).
    """
    limits = [b for kind, b in bounds if kind == "limit"]
    return tuple(
        (kind, b)
        for kind, b in bounds
        if kind == "limit" or not any(_is_beyond(b, limit, exercise) for limit in limits)
    )


def quantity(key: str, exercise: Exercise | None) -> str:
    """The key, or for the level of a hold that the knee drives the knee's own at its turn."""
    if exercise is not None and key == "plateau_level_deg":
        for view in exercise.views:
            if view.driving_signal == "knee_flexion":
                end = "peak" if view.direction == "rises" else "least"
                return f"knee_flexion_{end}_deg"
    return key


def _is_beyond(target: Bound, limit: Bound, exercise: Exercise | None) -> bool:
    """Whether all that satisfies a target, with its tolerance, lies past a limit on the same
    quantity."""
    if quantity(target.measure, exercise) != quantity(limit.measure, exercise):
        return False
    low, high = target.band("target")
    least, most = limit.band("limit")
    return low > most or high < least


def is_met(repetition: AssessedRepetition) -> bool | None:
    """Whether every target is reached and every limit kept; None where nobody set any."""
    outcomes = [c.outcome for c in repetition.checks]
    if not outcomes:
        return None
    return all(o in ("reached", "kept") for o in outcomes)


def summarise_measure(key: str, values: Sequence[Measured], *, is_alike: bool = True) -> SetMeasure:
    """Mean, consistency (SD), first, last, and the fitted change over the set.

    is_alike : False where the two legs, or the directions of a sequence, stand among the values:
    how they differ is neither scatter nor a change, so there is no SD and no trend.

    The change runs over own noise only: what is shared through the clip cancels. Its interval
    is that of a straight line's slope, the wider of the one from the own parts and the one from
    the scatter about the line, which few repetitions tell badly: Student's t, n - 2 degrees.
    """
    from scipy.special import stdtrit  # Student's t quantile, without all of scipy.stats

    x = np.array([v.value for v in values])
    n = len(x)
    change = None
    if n >= 3 and is_alike:
        number = np.arange(n) - (n - 1) / 2
        slope = float((number * x).sum() / (number**2).sum())
        scatter = np.sqrt(((x - x.mean() - slope * number) ** 2).sum() / (n - 2))
        own = float(np.mean([combined(v.parts, "own") for v in values]))
        wider = max(COVERAGE_FACTOR * own, float(stdtrit(n - 2, 0.975) * scatter))
        half = float(wider / np.sqrt((number**2).sum()) * (n - 1))
        part = Part(
            name="own noise of the repetitions",
            standard=half / COVERAGE_FACTOR,
            kind="own",
            source="least-squares line; wider of own parts and, by Student's t, the scatter",
        )
        # Not by `measured`: a change of a time may well be below zero.
        value = slope * (n - 1)
        change = Measured(key=key, value=value, low=value - half, high=value + half, parts=(part,))
    return SetMeasure(
        key=key,
        mean=float(x.mean()),
        sd=float(x.std(ddof=1)) if n >= 2 and is_alike else None,
        first=float(x[0]),
        last=float(x[-1]),
        change_over_set=change,
    )


def assess_set(
    exercise: Exercise,
    repetitions: Sequence[AssessedRepetition],
    *,
    bounds: Sequence[BoundOfKind],
    line: PrescribedExercise | None,
    involved: Side | None,
    clip_s: tuple[float, float],
    is_timed: bool = True,
) -> AssessedSet:
    """The set as a whole: counts, dose, summaries and the facts of its sentence.

    Dose done counts complete repetitions whatever their outcome. In a sequence exercise the
    numbers, not the parts, are counted, and a sequence is complete when all its parts are.
    bounds : those in force; the ones on measures of the whole set are judged here. line : what
    was prescribed. involved : the leg that the symmetry is put for. clip_s : first and last
    moment looked at.
    is_timed : False where times of the clip are not to be had.
    """
    by_number: dict[int, list[AssessedRepetition]] = {}
    for r in repetitions:
        by_number.setdefault(r.repetition.number, []).append(r)
    wanted = set(exercise.parts)
    complete = [
        n
        for n, parts in by_number.items()
        if all(p.repetition.is_complete for p in parts)
        and (not wanted or wanted <= {p.repetition.part for p in parts})
    ]
    met = [n for n in complete if all(is_met(p) for p in by_number[n])]
    values: dict[str, list[Measured]] = {}
    movements: dict[str, set[tuple[str, str | None]]] = {}
    for r in repetitions:
        if not r.repetition.is_complete:
            continue
        for v in r.measures:
            if isinstance(v, Measured):
                values.setdefault(v.key, []).append(v)
                movements.setdefault(v.key, set()).add((r.repetition.side, r.repetition.part))
    planned = planned_repetitions(line, exercise, repetitions) if line else None
    measures = (
        *(summarise_measure(k, v, is_alike=len(movements[k]) == 1) for k, v in values.items()),
        *(
            m
            for m in chair_stand_measures(
                [r.repetition for r in repetitions], _listed(exercise), clip_s
            )
            if is_timed
        ),
    )
    return AssessedSet(
        n_repetitions=len(by_number),
        n_complete=len(complete),
        n_met=len(met),
        dose_prescribed=planned,
        dose_done=len(complete),
        measures=measures,
        symmetry=symmetry_of(repetitions, involved),
        checks=check_set(bounds, measures),
        facts=set_facts(
            repetitions,
            complete,
            is_hold=exercise.kind == "hold",
            bounds=bounds,
            measure_of_remark={
                look.code: look.feature for look in exercise.look_for if look.feature in MEASURES
            },
        ),
    )


def complete_numbers(repetitions: Sequence[AssessedRepetition], n_found: int) -> tuple[int, ...]:
    """Numbers of a report's repetitions that are complete: all that was done of them, and all that
    is to be done.

    Where any sequence is complete, the parts that were seen at all are those of the exercise.
    n_found : how many the report says are complete.
    """
    every = {r.repetition.part for r in repetitions if r.repetition.part}
    by_number: dict[int, list[Repetition]] = {}
    for r in repetitions:
        by_number.setdefault(r.repetition.number, []).append(r.repetition)
    return tuple(
        number
        for number, parts in by_number.items()
        if n_found
        and all(p.is_complete for p in parts)
        and {p.part for p in parts if p.part} == every
    )
