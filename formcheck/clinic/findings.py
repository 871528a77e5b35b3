"""What the clinic measures and agrees itself: findings, outcome scores, goals."""

from dataclasses import dataclass
from datetime import date
from typing import Literal

from formcheck.clinic.database import Clinic, add, change, now, rows
from formcheck.clinic.patients import checked_initials
from formcheck.model.errors import UsageError

FINDINGS: dict[str, tuple[str, str]] = {
    "active_flexion": ("active knee flexion", "deg"),
    "passive_flexion": ("passive knee flexion", "deg"),
    "active_extension": ("active knee extension (0 = straight, + = lacking)", "deg"),
    "passive_extension": ("passive knee extension (0 = straight, + = lacking)", "deg"),
    "effusion": ("effusion", "words"),
    "strength": ("strength", "words"),
}
"""Kind -> (name in words, unit; "words" where it is told in words)."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """Something the patient wants to be able to do."""

    id: int
    words: str
    set_on: str
    due_on: str | None
    reached_on: str | None
    made_by: str


def checked_day(text: str) -> str:
    """The day as year-month-day. Raises UsageError."""
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError:
        raise UsageError("write the date as year-month-day, for instance 2025-03-31") from None


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
    if FINDINGS[kind][1] == "deg":
        if value is None or not -30 <= value <= 170:
            raise UsageError("write the angle in degrees, from -30 to 170")
    elif not words.strip():
        raise UsageError("write what was found")
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


def findings_of(clinic: Clinic, patient_id: int) -> tuple[ClinicFinding, ...]:
    """The findings of a patient, the oldest first."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT id, day, kind, side, value, words, made_by FROM clinic_findings
                           WHERE patient_id = :p ORDER BY day, id""",
            p=patient_id,
        )
    return tuple(ClinicFinding(**r) for r in found)


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


def scores_of(clinic: Clinic, patient_id: int) -> tuple[OutcomeScore, ...]:
    """The outcome scores of a patient by name, the oldest first."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT id, day, name, value, direction, least_change, made_by
                  FROM outcome_scores WHERE patient_id = :p ORDER BY name, day, id""",
            p=patient_id,
        )
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
            due_on=checked_day(due_on) if due_on else None,
            made_by=checked_initials(by),
        )


def reach_goal(clinic: Clinic, patient_id: int, goal_id: int, day: str) -> None:
    """Keeps that a goal was reached."""
    with clinic.write() as c:
        change(
            c,
            "UPDATE goals SET reached_on = :d WHERE id = :id AND patient_id = :p",
            d=checked_day(day),
            id=goal_id,
            p=patient_id,
        )


def goals_of(clinic: Clinic, patient_id: int) -> tuple[Goal, ...]:
    """The goals of a patient."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT id, words, set_on, due_on, reached_on, made_by FROM goals
                           WHERE patient_id = :p ORDER BY id""",
            p=patient_id,
        )
    return tuple(Goal(**r) for r in found)
