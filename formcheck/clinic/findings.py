"""What the clinic measures and agrees itself: findings with their index, scores, goals."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from formcheck.clinic.database import Clinic, add, change, now, rows, today
from formcheck.clinic.patients import checked_initials
from formcheck.model.errors import UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingKind:
    """Something that a clinic measures itself.

    unit : of the value; "words" where it is told in words, "grade" where one of `grades` is.
    bounds : the least and the most that can be written; outside them a slip of the pen.
    is_less_better : a time, where the side that takes longer is the worse one. has_index : whether
    the two sides of one day are put as a limb symmetry index.
    """

    name: str
    unit: Literal["deg", "kg", "Nm", "cm", "s", "errors", "grade", "words"]
    bounds: tuple[float, float] = (0.0, 0.0)
    is_less_better: bool = False
    has_index: bool = False
    grades: tuple[str, ...] = ()
    fact: str = ""
    """What is published of its values, with the source; never a verdict."""


_ANGLE = (-30.0, 170.0)
_KG, _NM, _CM, _S = (0.1, 300.0), (0.1, 700.0), (1.0, 1500.0), (0.5, 60.0)
_SWEEP = (
    "stroke test: zero = no wave on the downstroke; trace = a small wave; 1+ = a larger bulge; "
    "2+ = it comes back by itself; 3+ = so much that it cannot be moved out (Sturgill 2009, J "
    "Orthop Sports Phys Ther 39:845; from memory)"
)
_STEP_DOWN = (
    "lateral step-down, errors of arm, trunk, pelvis, knee and balance, told in three groups: 0 to "
    "1, 2 to 3, 4 or more (Piva 2006, BMC Musculoskelet Disord 7:33; from memory)"
)

FINDINGS: dict[str, FindingKind] = {
    "active_flexion": FindingKind(name="active knee flexion", unit="deg", bounds=_ANGLE),
    "passive_flexion": FindingKind(name="passive knee flexion", unit="deg", bounds=_ANGLE),
    "active_extension": FindingKind(
        name="active knee extension (0 = straight, + = lacking)", unit="deg", bounds=_ANGLE
    ),
    "passive_extension": FindingKind(
        name="passive knee extension (0 = straight, + = lacking)", unit="deg", bounds=_ANGLE
    ),
    "effusion": FindingKind(name="effusion", unit="words"),
    "effusion_stroke_test": FindingKind(
        name="effusion, stroke test",
        unit="grade",
        grades=("zero", "trace", "1+", "2+", "3+"),
        fact=_SWEEP,
    ),
    "strength": FindingKind(name="strength", unit="words"),
    "extensor_strength_kg": FindingKind(
        name="knee extensor strength", unit="kg", bounds=_KG, has_index=True
    ),
    "extensor_strength_nm": FindingKind(
        name="knee extensor torque", unit="Nm", bounds=_NM, has_index=True
    ),
    "flexor_strength_kg": FindingKind(
        name="knee flexor strength", unit="kg", bounds=_KG, has_index=True
    ),
    "flexor_strength_nm": FindingKind(
        name="knee flexor torque", unit="Nm", bounds=_NM, has_index=True
    ),
    "abductor_strength_kg": FindingKind(
        name="hip abductor strength", unit="kg", bounds=_KG, has_index=True
    ),
    "single_hop_cm": FindingKind(
        name="single hop for distance", unit="cm", bounds=_CM, has_index=True
    ),
    "triple_hop_cm": FindingKind(
        name="triple hop for distance", unit="cm", bounds=_CM, has_index=True
    ),
    "crossover_hop_cm": FindingKind(
        name="crossover hop for distance", unit="cm", bounds=_CM, has_index=True
    ),
    "timed_hop_s": FindingKind(
        name="6 m timed hop", unit="s", bounds=_S, is_less_better=True, has_index=True
    ),
    "step_down_errors": FindingKind(
        name="step-down quality, errors", unit="errors", bounds=(0.0, 6.0), fact=_STEP_DOWN
    ),
}
"""What can be entered, by kind. Force and torque are kinds apart: one is never set against the
other. Hop tests as in common practice (Noyes 1991)."""

INDEX_FACT = (
    "Customary line 90 %, by consensus: it did not predict a safe return, and of uninjured "
    "athletes 24 % pass a whole battery at it (PMC9808831 and reviews; from memory which says "
    "which). The other leg may be weakened too."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawal:
    """Who took an entry out of force, when (UTC), and why."""

    by: str
    at: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClinicFinding:
    """One hand-entered finding."""

    id: int
    day: str
    kind: str
    side: str
    value: float | None
    words: str
    made_by: str
    withdrawal: Withdrawal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimbSymmetry:
    """Two sides of one kind on one day: 100 times the one side over the other, in per cent.

    `side` is the involved side where it is known, else the worse one, whose index cannot exceed
    100. Of a time the index is the other side's over this one's, so that less is worse throughout.
    """

    kind: str
    day: str
    side: str
    percent: float
    is_involved: bool
    is_same_method: bool
    """Whether what was written to the two values (device, position) is the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeScore:
    """A questionnaire's total, entered by name; the questions themselves are not kept here."""

    id: int
    day: str
    name: str
    value: float
    direction: Literal["higher is better", "lower is better"]
    least_change: float | None
    """The smallest change that its source calls real, where the clinician gives one."""
    made_by: str
    withdrawal: Withdrawal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """Something the patient wants to be able to do."""

    id: int
    words: str
    set_on: str
    due_on: str | None
    reached_on: str | None
    made_by: str
    withdrawal: Withdrawal | None = None


Entry = Literal["finding", "score", "goal"]
_TABLES: dict[Entry, str] = {
    "finding": "clinic_findings",
    "score": "outcome_scores",
    "goal": "goals",
}


def value_words(kind: str, value: float) -> str:
    """A finding's value with its unit: `120°`, `35.5 kg`."""
    unit = FINDINGS[kind].unit
    return f"{value:.0f}°" if unit == "deg" else f"{value:g} {unit}"


def checked_day(text: str, *, may_be_ahead: bool = False) -> str:
    """The day as year-month-day. Raises UsageError, also for one that is still to come."""
    try:
        day = date.fromisoformat(text.strip())
    except ValueError:
        raise UsageError("write the date as year-month-day, for instance 2025-03-31") from None
    if day > today() and not may_be_ahead:
        raise UsageError(f"{day.isoformat()} is still to come; write the day on which it was")
    return day.isoformat()


def add_finding(
    clinic: Clinic,
    patient_id: int,
    *,
    day: str,
    kind: str,
    side: str,
    value: float | None,
    words: str,
    by: str,
) -> None:
    """Keeps a finding. Raises UsageError when it cannot be right."""
    if kind not in FINDINGS:
        raise UsageError("choose what was found")
    if side not in ("left", "right", "both"):
        raise UsageError("choose the side")
    of = FINDINGS[kind]
    if of.unit == "grade":
        if words.strip() not in of.grades:
            raise UsageError(f"write the grade in words: {', '.join(of.grades)}")
        value = None
    elif of.unit == "words":
        if not words.strip():
            raise UsageError("write what was found")
        value = None
    else:
        low, high = of.bounds
        is_right = value is not None and low <= value <= high
        if not is_right or (of.unit == "errors" and value != round(value)):
            unit = "degrees" if of.unit == "deg" else of.unit
            raise UsageError(f"{of.name}: write a value in {unit}, from {low:g} to {high:g}")
        if of.has_index and side == "both":
            raise UsageError(f"{of.name}: choose left or right; enter each side by itself")
    with clinic.write() as c:
        add(
            c,
            "clinic_findings",
            patient_id=patient_id,
            day=checked_day(day),
            kind=kind,
            side=side,
            value=value,
            words=words.strip()[:300],
            made_by=checked_initials(by),
            made_at=now(),
        )


def withdraw(
    clinic: Clinic, patient_id: int, entry: Entry, entry_id: int, *, by: str, why: str
) -> None:
    """Takes an entry out of force; that it was made, and what it said, stays.

    Raises UsageError without initials or a reason, and for one that is not in force.
    """
    if not 1 <= len(why.strip()) <= 200:
        raise UsageError("write why it is withdrawn, up to 200 letters")
    with clinic.write() as c:
        n = change(
            c,
            f"""UPDATE {_TABLES[entry]}
                  SET withdrawn_by = :by, withdrawn_at = :at, withdrawn_why = :why
                  WHERE id = :id AND patient_id = :p AND withdrawn_at IS NULL""",
            by=checked_initials(by),
            at=now(),
            why=why.strip(),
            id=entry_id,
            p=patient_id,
        )
    if not n:
        raise UsageError(f"that {entry} is not in force")


def _entries(
    clinic: Clinic, patient_id: int, entry: Entry, order: str, with_withdrawn: bool
) -> list[dict]:
    """The rows of a patient's entries, `withdrawal` a record or None."""
    of = {"finding": ClinicFinding, "score": OutcomeScore, "goal": Goal}[entry]
    columns = ", ".join(n for n in of.__slots__ if n != "withdrawal")
    in_force = "" if with_withdrawn else "AND withdrawn_at IS NULL"
    with clinic.read() as c:
        found = rows(
            c,
            f"""SELECT {columns}, withdrawn_by, withdrawn_at, withdrawn_why
                  FROM {_TABLES[entry]} WHERE patient_id = :p {in_force} ORDER BY {order}""",
            p=patient_id,
        )
    out = []
    for row in found:
        r = dict(row)
        by, at, why = (r.pop(f"withdrawn_{n}") for n in ("by", "at", "why"))
        out.append(r | {"withdrawal": Withdrawal(by=by, at=at, why=why) if at else None})
    return out


def findings_of(
    clinic: Clinic, patient_id: int, *, with_withdrawn: bool = False
) -> tuple[ClinicFinding, ...]:
    """The findings of a patient, the oldest first; those in force, or all that were made."""
    found = _entries(clinic, patient_id, "finding", "day, id", with_withdrawn)
    return tuple(ClinicFinding(**r) for r in found)


def symmetry_of_findings(
    found: Sequence[ClinicFinding], involved: str | None
) -> tuple[LimbSymmetry, ...]:
    """The limb symmetry index of every kind and day on which both sides were measured, the oldest
    first; of several values of a side on one day the last one counts.

    involved : "left" or "right"; anything else: the worse side is set against the better one.
    """
    values: dict[tuple[str, str], dict[str, float]] = {}
    methods: dict[tuple[str, str], dict[str, str]] = {}
    for f in found:
        kind = FINDINGS.get(f.kind)
        if kind and kind.has_index and f.value is not None:
            values.setdefault((f.day, f.kind), {})[f.side] = f.value
            methods.setdefault((f.day, f.kind), {})[f.side] = f.words
    out = []
    for (day, name), of in sorted(values.items()):
        if not {"left", "right"} <= of.keys():
            continue
        is_less_better = FINDINGS[name].is_less_better
        worst = max if is_less_better else min
        is_known = involved in ("left", "right")
        side = str(involved) if is_known else worst(("left", "right"), key=of.__getitem__)
        other = "right" if side == "left" else "left"
        above, below = (of[other], of[side]) if is_less_better else (of[side], of[other])
        out.append(
            LimbSymmetry(
                kind=name,
                day=day,
                side=side,
                percent=100 * above / below,
                is_involved=is_known,
                is_same_method=len(set(methods[day, name].values())) == 1,
            )
        )
    return tuple(out)


def add_score(
    clinic: Clinic,
    patient_id: int,
    *,
    day: str,
    name: str,
    value: float,
    direction: str,
    least_change: float | None,
    by: str,
) -> None:
    """Keeps an outcome score. Raises UsageError when it cannot be right."""
    if not 1 <= len(name.strip()) <= 60:
        raise UsageError("write the name of the score, up to 60 letters")
    if direction not in ("higher is better", "lower is better"):
        raise UsageError("choose which way is better")
    if not abs(value) < 1e6 or (least_change is not None and not 0 < least_change < 1e6):
        raise UsageError("write the value as a number")
    with clinic.write() as c:
        add(
            c,
            "outcome_scores",
            patient_id=patient_id,
            day=checked_day(day),
            name=name.strip(),
            value=value,
            direction=direction,
            least_change=least_change,
            made_by=checked_initials(by),
            made_at=now(),
        )


def scores_of(
    clinic: Clinic, patient_id: int, *, with_withdrawn: bool = False
) -> tuple[OutcomeScore, ...]:
    """The outcome scores of a patient by name, the oldest first; those in force, or all."""
    found = _entries(clinic, patient_id, "score", "name, day, id", with_withdrawn)
    return tuple(OutcomeScore(**r) for r in found)


def add_goal(
    clinic: Clinic, patient_id: int, *, words: str, set_on: str, due_on: str | None, by: str
) -> None:
    """Keeps a goal."""
    if not 1 <= len(words.strip()) <= 300:
        raise UsageError("write the goal, up to 300 letters")
    with clinic.write() as c:
        add(
            c,
            "goals",
            patient_id=patient_id,
            words=words.strip(),
            set_on=checked_day(set_on),
            due_on=checked_day(due_on, may_be_ahead=True) if due_on else None,
            made_by=checked_initials(by),
        )


def reach_goal(clinic: Clinic, patient_id: int, goal_id: int, day: str) -> None:
    """Keeps that a goal was reached."""
    with clinic.write() as c:
        change(
            c,
            """UPDATE goals SET reached_on = :d
                  WHERE id = :id AND patient_id = :p AND withdrawn_at IS NULL""",
            d=checked_day(day),
            id=goal_id,
            p=patient_id,
        )


def goals_of(clinic: Clinic, patient_id: int, *, with_withdrawn: bool = False) -> tuple[Goal, ...]:
    """The goals of a patient; those in force, or all."""
    found = _entries(clinic, patient_id, "goal", "id", with_withdrawn)
    return tuple(Goal(**r) for r in found)
