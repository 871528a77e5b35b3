"""What was done of what was planned: by day, and over the days of a plan.

A set that was neither filmed nor ticked is not known, never "not done".
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from formcheck.clinic.answers import Tick
from formcheck.clinic.database import Clinic, rows
from formcheck.clinic.patients import PrescriptionVersion, in_force_on
from formcheck.clinic.safety import Answer
from formcheck.clinic.sets import StoredSet
from formcheck.clinic.today import DayDone, days_done
from formcheck.model.programme import Exercise, PrescribedExercise, Prescription
from formcheck.model.rounds import rounds_a_day, sides_of
from formcheck.model.schedule import planned_schedule

LATEST_WEEKS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class LineKept:
    """One line of a plan: days on which anything of it was done, and days planned until now.

    begins : since when it stands in the plan as it is.
    loads_kg : the weights that were used, the oldest first, each once in a row. n_filmed,
    n_ticked : sets. efforts : as stated after its sets or written on paper, the oldest first,
    0 to 10. weeks : (first day, days done, days planned) of the last LATEST_WEEKS, from Mondays on.
    """

    line: PrescribedExercise
    begins: date
    n_done: int
    n_planned: int
    n_over: int
    """Sets in which more than the prescribed repetitions were done."""
    loads_kg: tuple[float, ...] = ()
    n_filmed: int = 0
    n_ticked: int = 0
    efforts: tuple[int, ...] = ()
    weeks: tuple[tuple[date, int, int], ...] = ()


def history_of(clinic: Clinic, patient_id: int) -> tuple[DayDone, ...]:
    """The days on which sets were recorded, or ticked as done."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT DISTINCT exercise, side, day FROM sets WHERE patient_id = :p
               UNION
               SELECT DISTINCT exercise, side, day FROM ticks
               WHERE patient_id = :p AND kind = 'done' ORDER BY day""",
            p=patient_id,
        )
    return tuple(
        DayDone(exercise=r["exercise"], side=r["side"], day=date.fromisoformat(r["day"]))
        for r in found
    )


def history_from(sets: Iterable[StoredSet], ticks: Iterable[Tick]) -> tuple[DayDone, ...]:
    """The same from sets and ticks that are at hand."""
    done = {(s.exercise, s.side, s.day) for s in sets}
    done |= {(t.exercise, t.side, t.day) for t in ticks if t.kind == "done"}
    return tuple(
        DayDone(exercise=exercise, side=side, day=date.fromisoformat(day))
        for exercise, side, day in sorted(done)
    )


def plan_kept(
    prescription: Prescription,
    history: Sequence[DayDone],
    sets: Iterable[StoredSet],
    ticks: Iterable[Tick],
    today: date,
    answers: Iterable[Answer] = (),
    versions: Sequence[PrescriptionVersion] = (),
) -> tuple[LineKept, ...]:
    """Each line of a plan from its first day to yesterday, today too where something was done.

    versions : of the prescription, the newest first: a line counts from the day since when it has
    been asked for as often as now.
    """
    filmed, ticked, said = list(sets), list(ticks), list(answers)
    out = []
    for line in prescription.exercises:
        begins = _begins(prescription, line, versions, today)
        done = {d for d in days_done(line, history) if d >= begins}
        last = today if today in done else today - timedelta(days=1)
        own = [s for s in filmed if _is_of_line(s, line, begins)]
        loads: list[float] = []
        words = [t for t in ticked if _is_of_line(t, line, begins)]
        for one in sorted((*own, *words), key=lambda x: x.day):
            if one.load_kg is not None and loads[-1:] != [one.load_kg]:
                loads.append(one.load_kg)
        out.append(
            LineKept(
                line=line,
                begins=begins,
                n_done=len({d for d in done if d <= today}),
                n_planned=planned_schedule(line.frequency).n_planned(begins, last),
                n_over=sum(
                    s.dose_prescribed is not None and s.dose_done > s.dose_prescribed for s in own
                ),
                loads_kg=tuple(loads),
                n_filmed=len(own),
                n_ticked=sum(t.kind == "done" for t in words),
                efforts=_efforts(line, begins, own, words, said),
                weeks=_weeks(done, line, begins, last),
            )
        )
    return tuple(out)


def _begins(
    prescription: Prescription,
    line: PrescribedExercise,
    versions: Sequence[PrescriptionVersion],
    today: date,
) -> date:
    """The day since when a line has been in force with its sides and as often as now."""
    begins = prescription.valid_from
    version = in_force_on(versions, today)
    if version is None or version.record() != prescription:
        return begins
    while version is not None and _asks_for(version.record(), line):
        earlier = in_force_on(versions, version.begins - timedelta(days=1))
        if earlier is None or earlier.begins >= version.begins:
            return version.record().valid_from  # the first of all may be written down later
        begins, version = version.begins, earlier
    return begins


def _asks_for(prescription: Prescription, line: PrescribedExercise) -> bool:
    """Whether a prescription has a line of the same exercise and sides, as often."""
    schedule = planned_schedule(line.frequency)
    return any(
        (of.exercise, of.sides, planned_schedule(of.frequency))
        == (line.exercise, line.sides, schedule)
        for of in prescription.exercises
    )


def _weeks(
    done: Collection[date], line: PrescribedExercise, begins: date, last: date
) -> tuple[tuple[date, int, int], ...]:
    """(first day, days done, days planned) of the latest weeks of a line, from Mondays on."""
    schedule = planned_schedule(line.frequency)
    monday = last - timedelta(days=last.weekday())
    out = []
    for n in reversed(range(LATEST_WEEKS)):
        # Up to the week's end less up to its beginning: every other day is 4 and 3 in turn.
        first = max(monday - timedelta(weeks=n), begins)
        end = min(monday - timedelta(weeks=n) + timedelta(days=6), last)
        if first <= end:
            n_done = sum(first <= d <= end for d in done)
            before = schedule.n_planned(begins, first - timedelta(days=1))
            out.append((first, n_done, schedule.n_planned(begins, end) - before))
    return tuple(out)


def _efforts(
    line: PrescribedExercise,
    begins: date,
    sets: Sequence[StoredSet],
    ticks: Sequence[Tick],
    said: Sequence[Answer],
) -> tuple[int, ...]:
    """What was stated of a line's sets, filmed or written on paper, the oldest first.

    An answer after a filmed set may name no side: its set does.
    """
    ids = {s.id for s in sets}
    of_line = [
        a for a in said if (_is_of_line(a, line, begins) if a.set_id is None else a.set_id in ids)
    ]
    stated = sorted((*of_line, *ticks), key=lambda x: x.day)
    return tuple(x.effort for x in stated if x.effort is not None)


def _is_of_line(one: StoredSet | Tick | Answer, line: PrescribedExercise, begins: date) -> bool:
    return (
        one.exercise == line.exercise
        and one.day >= begins.isoformat()
        and (one.side in line.sides or "both" in (one.side, *line.sides))
    )


def dose_of_day(
    prescription: Prescription | None,
    exercises: Sequence[Exercise],
    filmed: Sequence[StoredSet],
    ticks: Sequence[Tick],
    day: date,
    history: Sequence[DayDone],
) -> tuple[int | None, int | None]:
    """(repetitions done, repetitions prescribed) of a day; None where not known.

    What is prescribed is every round of the lines that are due by their days, and of those that
    were begun. A line of so many days a week counts on the days on which it was begun.
    """
    done, prescribed, is_known = 0, 0, True
    lines = prescription.exercises if prescription else ()
    for line, exercise in zip(lines, exercises, strict=True):
        schedule = planned_schedule(line.frequency)
        begins = prescription.valid_from if prescription else day
        is_due = schedule.days_a_week is None and schedule.is_due(
            day, days_done(line, history), begins
        )
        sides = sides_of(line, exercise)
        is_begun = any(
            one.exercise == line.exercise and (one.side in sides or one.side == "both")
            for one in (*filmed, *ticks)
        )
        if not is_begun and not is_due:
            continue
        for side in sides:
            for number in range(1, line.sets * rounds_a_day(line, schedule) + 1):
                prescribed += line.repetitions
                key = (line.exercise, side, number)
                mine = [s.dose_done for s in filmed if _is_of(s, key) and s.is_measured]
                ticked = [t.kind for t in ticks if _is_of(t, key)]
                if mine:
                    done += min(max(mine), line.repetitions)
                elif ticked:
                    done += line.repetitions if ticked[-1] == "done" else 0
                else:
                    is_known = False
    return (done if prescribed and is_known else None), (prescribed or None)


def _is_of(one: StoredSet | Tick, key: tuple[str, str, int]) -> bool:
    exercise, side, number = key
    return (one.exercise, one.set_number) == (exercise, number) and side in (one.side, "both")
