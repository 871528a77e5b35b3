"""What a line of a prescription comes to on a day: its sides, and how often its sets are done."""

from formcheck.model.programme import Exercise, PrescribedExercise
from formcheck.model.schedule import Schedule

MOST_SET_NUMBER = 20


def sides_of(line: PrescribedExercise, exercise: Exercise) -> tuple[str, ...]:
    """The sides that each set is done with: `both` once only where both legs work together."""
    if line.sides == ("both",) and exercise.working_leg != "both":
        return ("left", "right")
    return line.sides


def rounds_a_day(line: PrescribedExercise, schedule: Schedule) -> int:
    """How often a day the sets of a line are done."""
    return max(1, min(schedule.times_a_day, MOST_SET_NUMBER // line.sets))
