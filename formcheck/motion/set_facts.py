"""What the sentence about a set says: measures over its repetitions, decisions, remarks, the hold.

Facts alone: the sentence is made in `words`. Nothing is told of what was not measured.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Literal

from formcheck.model.anatomy import SIDES, other_side
from formcheck.model.intervals import decide, over_repetitions, standard_of
from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound, BoundOfKind
from formcheck.model.records import (
    AssessedRepetition,
    Check,
    CheckKind,
    HeldAs,
    Measured,
    Observed,
    Outcome,
    SetDecision,
    SetFacts,
    Tally,
    ToldMeasure,
    Value,
    Where,
)

_PELVIS = "pelvic_obliquity_peak_deg"
ALWAYS_TOLD = ("fppa_peak_deg", _PELVIS, "knee_flexion_gain_deg")
"""Told whenever seen, prescribed or not: an inward knee, the pelvis of one-leg work, an extensor
lag."""
DEEPER_IS_LESS = ("thigh_inclination_deg",)
"""Told by the deepest, which is the least."""
_OF_A_HOLD = ("plateau_hold_s", "plateau_level_deg", "hold_in_band_s", "hold_in_band_total_s")
_ENDS_OF_A_HOLD = ("plateau_level_deg", "knee_flexion_peak_deg", "knee_flexion_least_deg")
LONGER_SHARE = 1.5
"""A hold of this many times what was asked is told as longer (common practice: half as much again
is another dose)."""

_WORST_FIRST: tuple[Outcome, ...] = (
    "not_reached",
    "passed",
    "borderline",
    "possibly_passed",
    "not_visible",
    "not_judged",
    "reached",
    "kept",
)
"""What is not known of one bound keeps the repetition from being told as reached."""
_LISTED: tuple[Outcome, ...] = (
    "reached",
    "not_reached",
    "borderline",
    "kept",
    "passed",
    "possibly_passed",
    "not_visible",
    "not_judged",
)
"""Order of the outcomes in the facts of a set."""


def outcome_of_bound(kind: CheckKind, bound: Bound, value: Value) -> Outcome:
    """What one measure comes to under one bound; what was not seen is never reached."""
    if not isinstance(value, Measured):
        return "not_visible"
    return decide(kind, value, *bound.band(kind))


def _outcome_by_kind(checks: Sequence[Check]) -> dict[CheckKind, Outcome]:
    """Kind -> what a repetition's targets, or its limits, come to together: the worst outcome."""
    found: dict[CheckKind, Outcome] = {}
    for c in sorted(checks, key=lambda c: _WORST_FIRST.index(c.outcome)):
        found.setdefault(c.kind, c.outcome)
    return found


def set_facts(
    repetitions: Sequence[AssessedRepetition],
    complete: Collection[int],
    *,
    is_hold: bool,
    bounds: Sequence[BoundOfKind],
    measure_of_remark: Mapping[str, str],
    is_left_out: Sequence[bool] = (),
) -> SetFacts:
    """What the sentence about the set says of these repetitions.

    complete : the numbers that are complete. bounds : those in force. measure_of_remark : code ->
    the measure that the remark rests on. is_left_out : of each repetition, whether a clinician
    left it out; it counts nowhere, and still tells that the other leg worked too.
    """
    is_left_out = is_left_out or [False] * len(repetitions)
    kept = [r for r, out in zip(repetitions, is_left_out, strict=True) if not out]
    whole = [r for r in kept if r.repetition.is_complete]
    tallies = Counter(pair for r in whole for pair in _outcome_by_kind(r.checks).items())
    held = [
        v.value
        for r in kept
        for v in r.measures
        if isinstance(v, Measured) and v.key == "plateau_hold_s"
    ]
    of_hold = held_as(whole, bounds) if is_hold else None
    return SetFacts(
        of_side=complete_of_each_leg(
            ((r.repetition.number, r.repetition.side) for r in repetitions), complete
        ),
        tallies=tuple(
            Tally(kind=kind, outcome=outcome, n=n)
            for (kind, outcome), n in sorted(tallies.items(), key=_as_listed)
        ),
        n_not_visible=sum(c.outcome == "not_visible" for r in whole for c in r.checks),
        longest_hold_s=max(held) if is_hold and held else None,
        is_judged=bool(bounds),
        n_left_out=len(repetitions) - len(kept),
        told=told_measures(whole, bounds, is_hold=of_hold is not None),
        observed=observed(kept, measure_of_remark),
        held=of_hold,
    )


def _as_listed(tally: tuple[tuple[CheckKind, Outcome], int]) -> tuple[bool, int]:
    (kind, outcome), _ = tally
    return kind == "limit", _LISTED.index(outcome)


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


# Measures over the set


def told_measures(
    repetitions: Sequence[AssessedRepetition],
    bounds: Sequence[BoundOfKind],
    *,
    is_hold: bool = False,
) -> tuple[ToldMeasure, ...]:
    """The measures that the first line tells, each leg and each part of a sequence for itself.

    Those with a bound, in the order of the bounds; where none of these was seen, the first that
    the exercise's view lists; and what is told always. is_hold : its time and its level are told
    as a hold.
    """
    groups: dict[tuple[str, str | None], list[AssessedRepetition]] = {}
    for r in repetitions:
        groups.setdefault((r.repetition.side, r.repetition.part), []).append(r)
    bounded = [b.measure for _, b in bounds]
    told = []
    for (side, _), of in groups.items():
        seen = _measured_keys(of)
        keys = [k for k in bounded if k in seen]
        if not keys and not is_hold:
            keys = [k for k in seen if stands_for_all(k)][:1]
        keys += [k for k in ALWAYS_TOLD if k in seen and (k != _PELVIS or side != "both")]
        told += [
            of_leg
            for key in dict.fromkeys(keys)
            if not (is_hold and _is_told_as_held(key, of, bounds, len(repetitions)))
            for of_leg in _told_of_legs(key, of, bounds)
        ]
    return tuple(told)


def _is_told_as_held(
    key: str, repetitions: Sequence[AssessedRepetition], bounds: Sequence[BoundOfKind], n_holds: int
) -> bool:
    """Whether the sentence about the longest hold tells all that there is of a measure: no limit,
    no other target, and of several holds, of both legs, none that differs from what was asked."""
    if key not in _OF_A_HOLD:
        return False
    asked = asked_of_hold([b for kind, b in bounds if kind == "target"])
    if any(b.measure == key and (kind == "limit" or b not in asked) for kind, b in bounds):
        return False
    return n_holds == 1 or are_all_as_asked(repetitions, key)


def are_all_as_asked(repetitions: Sequence[AssessedRepetition], key: str = "") -> bool:
    """Whether every hold reached its targets of a measure, or of all that is told of a hold."""
    return all(
        c.outcome == "reached"
        for r in repetitions
        for c in r.checks
        if c.kind == "target" and (c.measure == key if key else c.measure in _OF_A_HOLD)
    )


def asked_of_hold(targets: Sequence[Bound]) -> tuple[Bound | None, Bound | None]:
    """The targets that the sentence about the longest hold tells: of its time, of its angle."""
    of_time = ("hold_in_band_s", "plateau_hold_s")
    timed = next((b for b in targets if b.measure in of_time and b.at_least is not None), None)
    level = next((b for key in _ENDS_OF_A_HOLD for b in targets if b.measure == key), None)
    return timed, level


def stands_for_all(key: str) -> bool:
    """Whether a measure can stand for its exercise: no time; of an inward knee, its largest."""
    return MEASURES[key].at != "tempo" and key != "fppa_at_turn_deg"


def _told_of_legs(
    key: str, repetitions: Sequence[AssessedRepetition], bounds: Sequence[BoundOfKind]
) -> list[ToldMeasure]:
    """The measure over the repetitions; of both knees where both were seen."""
    told = [_told(key, repetitions, bounds)]
    others = [_as_the_other_leg(r, bounds) for r in repetitions]
    legs = {r.leg for r in repetitions}
    if len(legs) == 1 and _values(key, others):
        leg = legs.pop()
        if leg is not None:
            told = [replace(told[0], side=leg)]
            told.append(replace(_told(key, others, bounds), side=other_side(leg)))
    return told


def _as_the_other_leg(
    assessed: AssessedRepetition, bounds: Sequence[BoundOfKind]
) -> AssessedRepetition:
    """The repetition with what was seen of the other knee, held against the same bounds."""
    values = {m.key: m for m in assessed.other_leg}
    return replace(
        assessed,
        measures=assessed.other_leg,
        checks=tuple(
            Check(kind=kind, bound=b, outcome=outcome_of_bound(kind, b, values[b.measure]))
            for kind, b in bounds
            if b.measure in values
        ),
    )


def _measured_keys(repetitions: Sequence[AssessedRepetition]) -> list[str]:
    return list(
        dict.fromkeys(m.key for r in repetitions for m in r.measures if isinstance(m, Measured))
    )


def _values(
    key: str, repetitions: Sequence[AssessedRepetition]
) -> list[tuple[AssessedRepetition, Measured]]:
    return [
        (r, m) for r in repetitions for m in r.measures if m.key == key and isinstance(m, Measured)
    ]


def _told(
    key: str, repetitions: Sequence[AssessedRepetition], bounds: Sequence[BoundOfKind]
) -> ToldMeasure:
    values = _values(key, repetitions)
    about = [(kind, b) for kind, b in bounds if b.measure == key]
    far, extreme = max(values, key=lambda pair: _how_far(pair[1], about))
    mean = over_repetitions([m for _, m in values])
    first = repetitions[0].repetition
    return ToldMeasure(
        key=key,
        side=first.side,
        part=first.part,
        n=len(values),
        mean=mean,
        extreme=extreme,
        extreme_number=far.repetition.number,
        decisions=tuple(
            d for kind, b in about if (d := _decision(kind, b, mean, repetitions)) is not None
        ),
    )


def _how_far(value: Measured, about: Sequence[BoundOfKind]) -> float:
    """How far a value goes: towards the limit, else as it is read (a target to stay under has its
    furthest there, too)."""
    for kind, b in about:
        if kind == "limit" and (b.at_least is None) != (b.at_most is None):
            return value.value if b.at_least is None else -value.value
    if value.key in ("pelvic_obliquity_peak_deg", "trunk_lateral_inclination_peak_deg"):
        return abs(value.value)
    is_by_least = MEASURES[value.key].at == "least" or value.key in DEEPER_IS_LESS
    return -value.value if is_by_least else value.value


def where(value: Measured, kind: CheckKind, bound: Bound) -> Where:
    """Where the best estimate lies beside a bound."""
    low, high = bound.band(kind)
    return "below" if value.value < low else "above" if value.value > high else "within"


def _decision(
    kind: CheckKind, bound: Bound, mean: Measured, repetitions: Sequence[AssessedRepetition]
) -> SetDecision | None:
    """The bound held against the repetitions; None where it was not meant for this leg."""
    numbers: dict[Outcome, list[int]] = {}
    for r in repetitions:
        for c in r.checks:
            if (c.kind, c.bound) == (kind, bound):
                numbers.setdefault(c.outcome, []).append(r.repetition.number)
    if not numbers:
        return None
    is_by_mean = kind == "target" and sum(len(of) for of in numbers.values()) > 1
    outcome = (
        outcome_of_bound(kind, bound, mean) if is_by_mean else min(numbers, key=_WORST_FIRST.index)
    )
    return SetDecision(
        kind=kind,
        bound=bound,
        outcome=outcome,
        where=where(mean, kind, bound),
        numbers=tuple((o, tuple(numbers[o])) for o in _LISTED if o in numbers),
    )


# Remarks over the set


def observed(
    repetitions: Sequence[AssessedRepetition], measure_of_remark: Mapping[str, str]
) -> tuple[Observed, ...]:
    """Each remark once for each leg, with the repetitions that it was made of, in their order."""
    of: dict[tuple[str, Literal["left", "right", "both"]], list[AssessedRepetition]] = {}
    for r in repetitions:
        for code in dict.fromkeys(remark.code for remark in r.remarks):
            of.setdefault((code, r.repetition.side), []).append(r)
    found = []
    for (code, side), those in of.items():
        key = measure_of_remark.get(code)
        values = [m for _, m in _values(key, those)] if key else []
        found.append(
            Observed(
                code=code,
                side=side,
                numbers=tuple(dict.fromkeys(r.repetition.number for r in those)),
                mean=over_repetitions(values) if values else None,
            )
        )
    return tuple(found)


# A hold


def held_as(
    repetitions: Sequence[AssessedRepetition], bounds: Sequence[BoundOfKind]
) -> HeldAs | None:
    """The longest hold and its level beside what was asked; None where no hold was timed."""
    holds = _values("plateau_hold_s", repetitions)
    if not holds:
        return None
    longest, held = max(holds, key=lambda pair: pair[1].value)
    level = next(
        (m for m in longest.measures if m.key == "plateau_level_deg" and isinstance(m, Measured)),
        None,
    )
    timed, asked_level = asked_of_hold([b for kind, b in bounds if kind == "target"])
    asked_s = timed.at_least if timed is not None else None
    time_is: Where | None = None
    if asked_s is not None:
        is_short = held.value < asked_s - standard_of(held)
        time_is = (
            "below" if is_short else "above" if held.value > LONGER_SHARE * asked_s else "within"
        )
    level_is: Where | None = None
    is_level_sure = True
    if level is not None and asked_level is not None:
        level_is = where(level, "target", asked_level)
        is_borderline = outcome_of_bound("target", asked_level, level) == "borderline"
        is_level_sure = level_is == "within" or not is_borderline
    return HeldAs(
        held=held,
        level=level,
        n=len(holds),
        asked_s=asked_s,
        asked_level=asked_level,
        level_is=level_is,
        is_level_sure=is_level_sure,
        time_is=time_is,
    )
