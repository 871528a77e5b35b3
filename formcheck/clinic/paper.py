"""What was ticked on the patient's page on paper, entered at a visit: days by lines of the plan.

A box that was ticked on paper is a tick with the initials of who entered it; a set that was
filmed, or ticked off by the patient, stays what it is.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from formcheck.clinic.answers import Tick, tick, ticks_of, untick
from formcheck.clinic.database import Clinic, today
from formcheck.clinic.patients import (
    Patient,
    PrescriptionVersion,
    checked_initials,
    current_prescription,
)
from formcheck.clinic.plan_kept import history_of
from formcheck.clinic.safety import is_over, pain_rule
from formcheck.clinic.sets import sets_of
from formcheck.clinic.today import TodayExercise, TodaySet, todays_list
from formcheck.files.exercises import load_exercise
from formcheck.model.errors import UsageError
from formcheck.model.programme import PrescribedExercise
from formcheck.model.rounds import sides_of

DAYS = 7
"""Of a page: a week from Monday, as on the paper."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperCell:
    """One side of a line of the plan on one day: a row of the paper under a day.

    n_boxes : sets that paper can say something of; n_ticked : those entered as ticked.
    n_filmed, n_own : sets that were filmed, and those that the patient ticked off here.
    is_over_limit : whether the pain written down asks for a call; pain_limit : the limit of the
        line, None after an operation without one, where severe pain asks for it.
    """

    day: date
    is_due: bool
    n_boxes: int
    n_ticked: int
    n_filmed: int
    n_own: int
    effort: int | None
    pain: int | None
    is_over_limit: bool
    pain_limit: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperLine:
    """One side of a line of the plan with its cells, the days of a week in order."""

    line: PrescribedExercise
    side: str
    cells: tuple[PaperCell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What stands on paper of a line on a day. n_ticked : None means all of its boxes."""

    n_ticked: int | None
    effort: int | None = None
    pain: int | None = None


def monday_of(day: date) -> date:
    """The first day of the week that a day lies in."""
    return day - timedelta(days=day.weekday())


def _plan_of_week(clinic: Clinic, patient: Patient, monday: date) -> PrescriptionVersion | None:
    last = min(monday + timedelta(days=DAYS - 1), today())
    return current_prescription(clinic, patient.id, last)


def paper_week(clinic: Clinic, patient: Patient, monday: date) -> tuple[PaperLine, ...]:
    """The lines of the plan in force at the week's end, or today, each with a week; days to come
    have no boxes."""
    days = [monday + timedelta(days=n) for n in range(DAYS)]
    with clinic.one_state():
        version = _plan_of_week(clinic, patient, monday)
        if version is None:
            return ()
        prescription = version.record()
        lists = [_list_of(clinic, patient, day) for day in days]
    lines = []
    for n, (of, side) in enumerate(lists[0][0]):
        rule = pain_rule(prescription, [of.line])
        cells = []
        for day, (rows, ticks) in zip(days, lists, strict=True):
            found = rows[n][0]
            paper, free = _paper_and_free(found, ticks)
            pain = max((t.pain for t in paper if t.pain is not None), default=None)
            effort = max((t.effort for t in paper if t.effort is not None), default=None)
            n_filmed = sum(s.state == "recorded" for s in found.sets)
            cells.append(
                PaperCell(
                    day=day,
                    is_due=found.is_due,
                    n_boxes=len(free) if day <= today() else 0,
                    n_ticked=len(paper),
                    n_filmed=n_filmed,
                    n_own=len(found.sets) - len(free) - n_filmed,
                    effort=effort,
                    pain=pain,
                    is_over_limit=is_over(pain, rule),
                    pain_limit=rule.limit,
                )
            )
        lines.append(PaperLine(line=of.line, side=side, cells=tuple(cells)))
    return tuple(lines)


def keep_paper(
    clinic: Clinic,
    patient: Patient,
    monday: date,
    written: Mapping[tuple[int, date], Written | None],
    by: str,
) -> int:
    """Keeps what stands on paper; how many sets changed.

    written : by the number of the row and the day; None takes back what was entered of it. Of
    n boxes the first n sets are ticked. Raises UsageError for a day to
    come, or for more boxes than the day has; nothing is kept then.
    """
    by = checked_initials(by)
    n_changed = 0
    with clinic.one_change():
        for (n, day), said in written.items():
            if not monday <= day < monday + timedelta(days=DAYS) or day > today():
                raise UsageError("a day on this page lies in the future")
            found, ticks = _list_of(clinic, patient, day)
            if n not in range(len(found)):
                raise UsageError("the plan has changed; load the page again")
            n_changed += _keep_cell(clinic, patient, found[n][0], ticks, day, said, by)
    return n_changed


def _keep_cell(
    clinic: Clinic,
    patient: Patient,
    of: TodayExercise,
    ticks: Sequence[Tick],
    day: date,
    said: Written | None,
    by: str,
) -> int:
    paper, free = _paper_and_free(of, ticks)
    wanted = 0 if said is None else len(free) if said.n_ticked is None else said.n_ticked
    if not 0 <= wanted <= len(free):
        raise UsageError(
            f"{of.exercise.name}, {day}: {wanted} sets are written down, and {len(free)} are to "
            "be entered from paper"
        )
    if said is not None and not wanted and (said.effort is not None or said.pain is not None):
        raise UsageError(f"{of.exercise.name}, {day}: write how many sets were ticked")
    standing = {_key(t): t for t in paper}
    n_changed = 0
    for k, s in enumerate(free):
        before = standing.get(_key_of(s))
        where = {"exercise": s.exercise, "side": s.side, "set_number": s.number}
        if said is not None and k < wanted:
            if before and (before.effort, before.pain) == (said.effort, said.pain):
                continue
            tick(
                clinic,
                patient.id,
                **where,
                kind="done",
                day=day.isoformat(),
                paper_by=by,
                effort=said.effort,
                pain=said.pain,
            )
        elif before:
            untick(clinic, patient.id, **where, day=day.isoformat(), paper_by=by)
        else:
            continue
        n_changed += 1
    return n_changed


def _key(t: Tick) -> tuple[str, str, int]:
    return t.exercise, t.side, t.set_number


def _key_of(s: TodaySet) -> tuple[str, str, int]:
    return s.exercise, s.side, s.number


def _list_of(
    clinic: Clinic, patient: Patient, day: date
) -> tuple[list[tuple[TodayExercise, str]], tuple[Tick, ...]]:
    """The rows of the paper (a line of the week's plan with the sets of one side, that side) on
    a day, and the ticks of that day."""
    version = _plan_of_week(clinic, patient, monday_of(day))
    if version is None:
        raise UsageError(f"{patient.code} has no prescription yet")
    prescription = version.record()
    ticks = ticks_of(clinic, patient.id, day.isoformat())
    exercises = [load_exercise(line.exercise) for line in prescription.exercises]
    sets = sets_of(clinic, patient.id, day=day.isoformat())
    history = history_of(clinic, patient.id)
    found = todays_list(prescription, exercises, sets, ticks, day=day, history=history)
    return [
        (replace(of, sets=tuple(s for s in of.sets if s.side == side)), side)
        for of in found
        for side in sides_of(of.line, of.exercise)
    ], ticks


def _paper_and_free(of: TodayExercise, ticks: Sequence[Tick]) -> tuple[list[Tick], list[TodaySet]]:
    """(ticks from paper, sets that paper can say something of) of a line on a day."""
    words = {_key(t): t for t in ticks}
    paper, free = [], []
    for s in of.sets:
        word = words.get(_key_of(s))
        if s.state == "open":
            free.append(s)
        elif s.state == "done" and word is not None and word.paper_by:
            free.append(s)
            paper.append(word)
    return paper, free
