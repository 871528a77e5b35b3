"""What was measured over the weeks, as a patient sees it: one measure of each exercise and leg."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from formcheck.clinic.follow_up import FollowUp, Point
from formcheck.evidence.progress import SessionValue, Verdict, change_between
from formcheck.evidence.trend import days_of
from formcheck.words import wording
from formcheck.words.languages import marked
from formcheck.words.patient_words import measure_words

WIDTH, HEIGHT, EDGE = 160, 44, 6
"""Of the drawing, in its own units."""

VERDICTS: dict[Verdict, str] = {
    "larger_than_error": marked("A clear change."),
    "within_error": marked("No clear change: the camera is not that exact."),
    "not_enough_information": marked("It is not known how exact this is."),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredProgress:
    """The first and the last measured day of one exercise and leg, and the days between them.

    words : the measure in a patient's words. first, last : (day, value with its unit), the mean of
    the day's sets. dots : (x, y) of each day in the drawing.
    """

    exercise: str
    side: str
    words: str
    first: tuple[date, str]
    last: tuple[date, str]
    dots: tuple[tuple[float, float], ...]
    verdict: str


def measured_progress(
    found: FollowUp, exercises: Sequence[str], since: date
) -> list[MeasuredProgress]:
    """A line for each leg of each exercise that was measured on two days or more.

    found : its series stand by exercise, what the plan speaks of first. exercises : those of the
    plan, in its order. since : the first day shown.
    """
    lines = []
    for exercise in dict.fromkeys(exercises):
        for side in ("left", "right", "both"):
            for series in (s for s in found.measures if s.exercise == exercise):
                points = [p for p in series.of_side(side) if date.fromisoformat(p.day) >= since]
                if len({p.day for p in points}) > 1:
                    lines.append(_line(exercise, side, series.key, points))
                    break
    return lines


def _line(exercise: str, side: str, key: str, points: Sequence[Point]) -> MeasuredProgress:
    # Not the first set against the last: within a day one warms up, or tires.
    days = days_of([p.session for p in points])
    first, last = (
        (date.fromordinal(d.day), wording.quantity(key, d.value)) for d in days[:: len(days) - 1]
    )
    change = change_between(key, days[0], days[-1], points[-1].mdc95)
    return MeasuredProgress(
        exercise=exercise,
        side=side,
        words=measure_words(key),
        first=first,
        last=last,
        dots=_dots(days, change.smallest),
        verdict=VERDICTS[change.verdict],
    )


def _dots(days: Sequence[SessionValue], smallest: float) -> tuple[tuple[float, float], ...]:
    """Where each day stands: from left to right, its value upwards.

    smallest : the change that error alone passes 1 time in 20; what is less does not fill the
    height.
    """
    values = [d.value for d in days]
    across = days[-1].day - days[0].day
    up = max(max(values) - min(values), smallest if math.isfinite(smallest) else 0.0) or 1.0
    middle = (max(values) + min(values)) / 2
    return tuple(
        (
            round(EDGE + (WIDTH - 2 * EDGE) * (d.day - days[0].day) / across, 1),
            round(HEIGHT / 2 - (HEIGHT - 2 * EDGE) * (d.value - middle) / up, 1),
        )
        for d in days
    )
