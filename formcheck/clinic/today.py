"""Today's list: every set of the prescription, and what is known of each.

A set is open until something was recorded or ticked; nothing recorded is never "not done".
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from formcheck.clinic.answers import Tick
from formcheck.clinic.sets import StoredSet
from formcheck.live.count import n_to_count
from formcheck.model.measures import Plane
from formcheck.model.programme import Exercise, PrescribedExercise, Prescription
from formcheck.model.rounds import rounds_a_day, sides_of
from formcheck.model.schedule import Schedule, planned_schedule
from formcheck.words.languages import gettext


@dataclass(frozen=True, slots=True, kw_only=True)
class TodaySet:
    """One set of one side. `number` runs on through the rounds of a day (a plan of three sets
    twice a day has sets 1 to 6); `view` is where it is to be filmed from, None when it is not."""

    exercise: str
    side: Literal["left", "right", "both"]
    number: int
    number_in_round: int
    round: int
    n_rounds: int
    view: Plane | None
    state: Literal["open", "recorded", "done", "not done"] = "open"
    stored: StoredSet | None = None
    reason: str = ""
    is_from_paper: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TodayExercise:
    """One line of the prescription with its sets of the day.

    is_due : whether the day is one of the plan's days for it. next_due : the next one after.
    week : (days done this week before today, days planned), where the plan says so many a week.
    """

    line: PrescribedExercise
    exercise: Exercise
    sets: tuple[TodaySet, ...]
    is_due: bool = True
    next_due: date | None = None
    week: tuple[int, int] | None = None

    @property
    def is_over(self) -> bool:
        """Whether every set was recorded, or ticked as done or not done; or none is due."""
        return self.first_open is None

    @property
    def first_open(self) -> TodaySet | None:
        """The set to do next, or None when every one is over or none is due."""
        if not self.is_due:
            return None
        return next((s for s in self.sets if s.state == "open"), None)

    @property
    def rounds(self) -> tuple[tuple[TodaySet, ...], ...]:
        """The sets by the time of day: one group where the plan says once a day."""
        n = self.sets[-1].round
        return tuple(tuple(s for s in self.sets if s.round == k) for k in range(1, n + 1))

    @property
    def round_now(self) -> int:
        """Which of the rounds is to be done, from 0; the last one when all are over."""
        return (self.first_open or self.sets[-1]).round - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class DayDone:
    """A day on which a set of an exercise was recorded, or ticked as done."""

    exercise: str
    side: str
    day: date


def days_done(line: PrescribedExercise, history: Iterable[DayDone]) -> frozenset[date]:
    """The days on which anything of a line was done."""
    is_any = "both" in line.sides
    return frozenset(
        h.day
        for h in history
        if h.exercise == line.exercise and (is_any or h.side == "both" or h.side in line.sides)
    )


def todays_list(
    prescription: Prescription,
    exercises: Sequence[Exercise],
    sets: Iterable[StoredSet],
    ticks: Iterable[Tick],
    *,
    day: date | None = None,
    history: Sequence[DayDone] = (),
) -> tuple[TodayExercise, ...]:
    """The prescription's lines with the sets of one day.

    exercises : that of each line. sets, ticks : those of the day. day, history : which day it
    is, and what was done before it; without a day, every line is due.
    """
    # The newest recording of a set stands for it; they come newest first.
    recorded: dict[tuple, StoredSet] = {}
    for s in sets:
        recorded.setdefault((s.exercise, s.side, s.set_number), s)
    ticked = {(t.exercise, t.side, t.set_number): t for t in ticks}
    out = []
    for line, exercise in zip(prescription.exercises, exercises, strict=True):
        views = {f.set_number: f.view for f in line.film}
        schedule = planned_schedule(line.frequency)
        n_rounds = rounds_a_day(line, schedule)
        rows = []
        for number in range(1, line.sets * n_rounds + 1):
            in_round = (number - 1) % line.sets + 1
            for side in sides_of(line, exercise):
                key = (line.exercise, side, number)
                stored, tick = recorded.get(key), ticked.get(key)
                state = "recorded" if stored else tick.kind if tick else "open"
                rows.append(
                    TodaySet(
                        exercise=line.exercise,
                        side=side,
                        number=number,
                        number_in_round=in_round,
                        round=(number - 1) // line.sets + 1,
                        n_rounds=n_rounds,
                        view=views.get(in_round),
                        state=state,
                        stored=stored,
                        reason=tick.reason if tick and not stored else "",
                        is_from_paper=bool(tick and tick.paper_by and not stored),
                    )
                )
        of = TodayExercise(line=line, exercise=exercise, sets=tuple(rows))
        out.append(_on_day(of, schedule, day, history, prescription.valid_from) if day else of)
    return tuple(out)


def _on_day(
    of: TodayExercise, schedule: Schedule, day: date, history: Sequence[DayDone], begins: date
) -> TodayExercise:
    """A line with what its days say of a day."""
    done = days_done(of.line, history)
    week = None
    if schedule.days_a_week is not None:
        n = sum(d.isocalendar()[:2] == day.isocalendar()[:2] for d in done if d < day)
        week = (n, schedule.days_a_week[1])
    return replace(
        of,
        is_due=schedule.is_due(day, done, begins),
        next_due=schedule.next_due(day, done, begins),
        week=week,
    )


def find_today(
    day: Sequence[TodayExercise], exercise: str, side: str, number: int
) -> tuple[TodayExercise, TodaySet] | None:
    """A set of the list with its line, or None when the list has no such set."""
    for of in day:
        for s in of.sets:
            if (s.exercise, s.side, s.number) == (exercise, side, number):
                return of, s
    return None


def next_open(day: Sequence[TodayExercise], after: TodaySet) -> TodaySet | None:
    """The open set to do after one: of the same exercise and round first, then from the top."""
    same = [
        s for of in day for s in of.sets if s.exercise == after.exercise and s.round == after.round
    ]
    others = [s for of in day if of.line.exercise != after.exercise and of.is_due for s in of.sets]
    return next((s for s in (*same, *others) if s.state == "open"), None)


def change_words(before: TodaySet, after: TodaySet) -> str:
    """What to change between two sets: the person's side, or the camera's place."""
    if after.view is None:
        return gettext("The next set is not filmed. You can leave the camera.")
    if before.exercise != after.exercise:
        return ""
    if before.view is not None and before.view != after.view:
        return {
            "frontal": gettext("Move the camera to the front."),
            "sagittal": gettext("Move the camera to your side."),
            "oblique": gettext("Move the camera half way between front and side."),
        }[after.view]
    if before.side != after.side and "both" not in (before.side, after.side):
        if after.view == "sagittal":
            return gettext("Turn round for the other leg.")
        return gettext("Now the other leg. The camera can stay.")
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingPlan:
    """What ends a recording: the dose, or the time limit.

    `n` movements are counted live; None where the movement is too small to be seen, and the set
    is timed. `hold_s` is the prescribed hold, None without one.
    """

    n: int | None
    hold_s: float | None
    limit_s: float


SECONDS_A_REPETITION = 6.0
"""A slow repetition with its rest (common practice), where no tempo is prescribed."""
LEAST_LIMIT_S, MOST_LIMIT_S = 60.0, 600.0


def recording_plan(line: PrescribedExercise, exercise: Exercise) -> RecordingPlan:
    """How long a recording of this line may take: twice the time of the dose, and half a minute
    to get into place."""
    n = n_to_count(exercise, line.repetitions)
    tempo = line.tempo
    parts = [tempo.lowering_s, tempo.pause_s, tempo.raising_s] if tempo else []
    one = max(sum(p or 0 for p in parts), SECONDS_A_REPETITION) + (line.hold_s or 0)
    limit = min(max(30 + 2 * n * one, LEAST_LIMIT_S), MOST_LIMIT_S)
    return RecordingPlan(
        n=None if exercise.is_timed_when_unseen else n, hold_s=line.hold_s, limit_s=limit
    )
