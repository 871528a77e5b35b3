"""A set held against its targets and limits, and summed up in words. The tool never judges
without a bound that somebody set."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from formcheck.model.anatomy import SIDES, Side, other_side
from formcheck.model.intervals import COVERAGE_FACTOR, combined, decide, measured, model_parts
from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound, Exercise, PrescribedExercise, Prescription
from formcheck.model.records import (
    AssessedRepetition,
    AssessedSet,
    Check,
    Finding,
    Measured,
    Part,
    SetMeasure,
    Value,
)
from formcheck.motion.chair_tests import chair_stand_measures
from formcheck.motion.driving import is_of_signal
from formcheck.motion.symmetry import symmetry_of

BoundOfKind = tuple[str, Bound]

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
    else on the plateau. A target that asks for what a limit forbids is left out. Full extension
    becomes a target only where the clinician entered the patient's own passive extension, and
    not where `side` is known to be the other leg.
    """
    written = [*(("target", b) for b in line.targets), *(("limit", b) for b in line.limits)]
    bounds = list(drop_targets_beyond_limits(written, exercise))
    named = {b.measure for _, b in written}
    listed = _listed(exercise)
    if line.hold_s is not None and not named & {"plateau_hold_s", "hold_in_band_s"}:
        targets = [b for kind, b in bounds if kind == "target"]
        has_band = any(is_of_signal(b, v) for b in targets for v in exercise.views)
        key = "hold_in_band_s" if has_band and "hold_in_band_s" in listed else "plateau_hold_s"
        if key in listed:
            bounds.append(("target", Bound(measure=key, at_least=line.hold_s)))
    passive = _passive_extension(line, exercise, prescription)
    if passive is not None and side not in _other_leg(prescription):
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
    it. A measure of the whole set is judged once, in the set's sentence; after the last
    repetition of a leg there is no rest to judge.
    """
    passive = _passive_extension(line, exercise, prescription) if line else None
    others = _other_leg(prescription) if passive else ()
    last = {r.repetition.side: k for k, r in enumerate(repetitions)}.values()

    def is_meant(c: Check, k: int) -> bool:
        if MEASURES[c.measure].at == "set":
            return False
        if c.measure == "rest_s" and c.outcome == "not_visible" and k in last:
            return False
        if passive is None or repetitions[k].repetition.side not in others:
            return True
        return (c.kind, c.measure, c.bound) != ("target", passive.measure, bound_text(passive))

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


UNIT_WORDS = {"deg": " deg", "s": " s", "share": "", "cm": " cm", "deg/min": " deg/min", "1": ""}


def bound_text(bound: Bound) -> str:
    """The bound in words: "at least 60 deg", "80 to 100 deg", "at most 0 deg, give or take 10"."""
    unit = UNIT_WORDS[MEASURES[bound.measure].unit]
    tolerance = f", give or take {bound.tolerance:zg}" if bound.tolerance else ""
    if bound.at_least is not None and bound.at_most is not None:
        if bound.at_least == bound.at_most:
            return f"{bound.at_least:zg}{unit}{tolerance}"
        return f"{bound.at_least:zg} to {bound.at_most:zg}{unit}{tolerance}"
    if bound.at_least is not None:
        return f"at least {bound.at_least:zg}{unit}{tolerance}"
    return f"at most {bound.at_most:zg}{unit}{tolerance}"


_OUTCOME_TEXT = {
    ("target", "met"): "target reached",
    ("target", "not_met"): "target not reached",
    ("target", "undecided"): "too close to call",
    ("limit", "kept"): "within the limit",
    ("limit", "passed"): "past the limit",
    ("limit", "undecided"): "may be past the limit, please look",
}


def check_bound(kind: str, bound: Bound, value: Value, plane: str, is_complete: bool) -> Check:
    """One bound held against one measure, with its outcome in plain words.

    An attempt that the clip cuts is not judged; a measure that the view cannot support is
    not visible. Silence never becomes "met".
    """
    name = MEASURES[bound.measure].label.lower()
    wanted = bound_text(bound)
    if not is_complete:
        outcome, text = "not_judged", "not judged: this repetition is not whole in the clip"
    elif not isinstance(value, Measured):
        outcome, text = "not_visible", f"{name}: {value.reason}"
    else:
        outcome = decide(kind, value.low, value.high, *bound.band(kind))
        unit = UNIT_WORDS[MEASURES[bound.measure].unit]
        seen = f"{_number(value.value)}{unit} ({_number(value.low)} to {_number(value.high)})"
        text = f"{_OUTCOME_TEXT[kind, outcome]}: {name} {seen}, wanted {wanted}"
        if kind == "limit":
            text = f"{_OUTCOME_TEXT[kind, outcome]}: {name} {seen}, limit {wanted}"
    return Check(measure=bound.measure, kind=kind, bound=wanted, outcome=outcome, text=text)


NOT_SEEN = "not seen: "
NOT_JUDGED = "nobody set a target, so nothing is judged"


def _set_checks(bounds: Sequence[BoundOfKind], measures: Sequence[SetMeasure]) -> tuple[str, ...]:
    """Each bound on a measure of the whole set, held against it, in words."""
    values = {m.key: m.mean for m in measures}
    found = []
    for kind, bound in bounds:
        key = bound.measure
        if MEASURES[key].at != "set":
            continue
        name, unit = MEASURES[key].label.lower(), UNIT_WORDS[MEASURES[key].unit]
        wanted = f"{'limit' if kind == 'limit' else 'wanted'} {bound_text(bound)}"
        if key not in values:
            found.append(f"{NOT_SEEN}{name}, {wanted}")
            continue
        value = measured(key, values[key], model_parts("time") if unit == " s" else ())
        outcome = _OUTCOME_TEXT[kind, decide(kind, value.low, value.high, *bound.band(kind))]
        number = f"{value.value:g}" if MEASURES[key].unit == "1" else _number(value.value)
        found.append(f"{outcome}: {name} {number}{unit}, {wanted}")
    return tuple(found)


def outcomes_of_set(text: str) -> tuple[tuple[str, str], ...]:
    """(kind, outcome) of each bound on a measure of the whole set, read off the set's sentence."""
    return tuple(
        kind_and_outcome
        for part in text.rstrip(".").split("; ")[1:]
        for kind_and_outcome, words in _OUTCOME_TEXT.items()
        if part.startswith(f"{words}: ")
    )


def _number(x: float) -> str:
    return f"{x:.0f}" if abs(x) >= 10 else f"{x:.1f}" if abs(x) >= 1 else f"{x:.2f}"


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


def _quantity(key: str, exercise: Exercise | None) -> str:
    """The key, or for the level of a hold that the knee drives the knee's own at its turn."""
    if exercise is not None and key == "plateau_level_deg":
        for view in exercise.views:
            if view.driving_signal == "knee_flexion":
                end = "peak" if view.direction == "rises" else "least"
                return f"knee_flexion_{end}_deg"
    return key


def _is_beyond(target: Bound, limit: Bound, exercise: Exercise | None) -> bool:
    """Whether all that satisfies a target on a quantity lies past a limit on the same one."""
    if _quantity(target.measure, exercise) != _quantity(limit.measure, exercise):
        return False
    too_high = (
        target.at_least is not None
        and limit.at_most is not None
        and target.at_least > limit.at_most
    )
    too_low = (
        target.at_most is not None
        and limit.at_least is not None
        and target.at_most < limit.at_least
    )
    return too_high or too_low


def is_met(repetition: AssessedRepetition) -> bool | None:
    """Whether every target is met and every limit kept; None where nobody set any."""
    outcomes = [c.outcome for c in repetition.checks]
    if not outcomes:
        return None
    return all(o in ("met", "kept") for o in outcomes)


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
    findings: Sequence[Finding],
    *,
    bounds: Sequence[BoundOfKind],
    line: PrescribedExercise | None,
    involved: Side | None,
    clip_s: tuple[float, float],
) -> AssessedSet:
    """The set as a whole: counts, dose, summaries and one sentence.

    Dose done counts complete repetitions whatever their outcome. In a sequence exercise the
    numbers, not the parts, are counted, and a sequence is complete when all its parts are.
    bounds : those in force; the ones on measures of the whole set are judged here. line : what
    was prescribed. involved : the leg that the symmetry is put for. clip_s : first and last
    moment looked at.
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
    movements: dict[str, set] = {}
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
        *chair_stand_measures([r.repetition for r in repetitions], _listed(exercise), clip_s),
    )
    return AssessedSet(
        n_repetitions=len(by_number),
        n_complete=len(complete),
        n_met=len(met),
        dose_prescribed=planned,
        dose_done=len(complete),
        measures=measures,
        symmetry=symmetry_of(repetitions, involved),
        text=_set_text(
            exercise,
            by_number,
            complete,
            planned,
            findings,
            _set_checks(bounds, measures),
            is_judged=bool(bounds),
        ),
    )


def _plural(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


_WORST_FIRST = ("not_met", "passed", "undecided", "not_visible", "not_judged", "met", "kept")
"""What is not known of one bound keeps the repetition from being told as reached."""

KindAndOutcome = tuple[str, str]


def _outcome_by_kind(checks: Sequence[KindAndOutcome]) -> dict[str, str]:
    """Kind -> what a repetition's targets, or its limits, come to together: the worst outcome."""
    found: dict[str, str] = {}
    for kind, outcome in sorted(checks, key=lambda c: _WORST_FIRST.index(c[1])):
        found.setdefault(kind, outcome)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class SetFacts:
    """What the sentence about a set says.

    of_side : complete ones of the left and of the right leg; None where they are not told apart.
    checks : (kind, outcome) of every check, one tuple for each complete repetition.
    longest_hold_s : of a hold; None for other exercises. of_set : checks on measures of the whole
    set, in words. n_left_out : by a clinician.
    """

    name: str
    word: str
    n: int
    n_complete: int
    planned: int | None
    of_side: tuple[int, int] | None
    checks: tuple[tuple[KindAndOutcome, ...], ...]
    longest_hold_s: float | None
    of_set: tuple[str, ...]
    is_judged: bool
    n_left_out: int = 0


def set_sentence(f: SetFacts) -> str:
    """The set in a sentence: how many of what was planned, what they came to, what was unseen."""
    parts = [f"{f.name}: {_plural(f.n_complete, 'complete ' + f.word)}"]
    if f.planned:
        parts[0] += f" of {f.planned} planned"
    if f.of_side:
        parts[0] += f" ({f.of_side[0]} left, {f.of_side[1]} right)"
    if f.n > f.n_complete:
        parts[0] += f", {f.n - f.n_complete} more cut or unfinished in the clip"
    if f.n_left_out:
        parts[0] += f", {f.n_left_out} left out by the clinician"
    outcomes = [_outcome_by_kind(checks) for checks in f.checks]
    for kind, outcome, words in (
        ("target", "met", "target reached in {}"),
        ("target", "not_met", "target not reached in {}"),
        ("target", "undecided", "too close to call in {}"),
        ("limit", "passed", "past the limit in {}"),
        ("limit", "undecided", "may be past the limit in {}, please look"),
    ):
        k = sum(o.get(kind) == outcome for o in outcomes)
        if k:
            parts.append(words.format(k))
    hidden = sum(outcome == "not_visible" for checks in f.checks for _, outcome in checks)
    if hidden:
        parts.append(f"{_plural(hidden, 'check')} could not be seen")
    parts += f.of_set
    if f.longest_hold_s is not None:
        parts.append(f"longest hold {f.longest_hold_s:.1f} s")
    if not f.is_judged:
        parts.append(NOT_JUDGED)
    return "; ".join(parts) + "."


def complete_of_each_leg(
    legs: Iterable[tuple[int, str]], complete: Collection[int]
) -> tuple[int, int] | None:
    """How many are complete of the left and of the right leg; None where one leg worked alone,
    or where both had a part in one sequence.

    legs : (number, side) of every repetition. complete : the numbers of complete ones.
    """
    pairs = set(legs)
    numbers = {number for number, _ in pairs}
    if len(pairs) > len(numbers) or not set(SIDES) <= {side for _, side in pairs}:
        return None
    left, right = (sum((n, side) in pairs for n in complete) for side in SIDES)
    return left, right


def _set_text(exercise, by_number, complete, planned, findings, of_set, is_judged) -> str:
    word = exercise.kind if exercise.kind in ("hold", "sequence") else "repetition"
    if not by_number:
        spoilt = [f.text for f in findings if f.spoils == "clip"]
        return f"{exercise.name}: no {word} was found." + (f" {spoilt[0]}" if spoilt else "")
    repetitions = [r for parts in by_number.values() for r in parts]
    legs = ((r.repetition.number, r.repetition.side) for r in repetitions)
    held = [
        v.value
        for r in repetitions
        for v in r.measures
        if isinstance(v, Measured) and v.key == "plateau_hold_s"
    ]
    return set_sentence(
        SetFacts(
            name=exercise.name,
            word=word,
            n=len(by_number),
            n_complete=len(complete),
            planned=planned,
            of_side=complete_of_each_leg(legs, complete),
            checks=tuple(
                tuple((c.kind, c.outcome) for c in r.checks)
                for r in repetitions
                if r.repetition.is_complete
            ),
            longest_hold_s=max(held) if exercise.kind == "hold" and held else None,
            of_set=of_set,
            is_judged=is_judged,
        )
    )
