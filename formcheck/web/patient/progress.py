"""What was measured over the weeks, as a patient sees it: one measure of each exercise and leg."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from formcheck.clinic.follow_up import FollowUp, Point, change_of
from formcheck.evidence.progress import Verdict
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
    """The first and the last measured day of one exercise and leg, with every set between them.

    words : the measure in a patient's words. first, last : (day, value with its unit).
    dots : (x, y) of each set in the drawing.
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
        series = next((s for s in found.measures if s.exercise == exercise), None)
        for side in series.sides if series else ():
            points = [p for p in series.of_side(side) if date.fromisoformat(p.day) >= since]
            if len({p.day for p in points}) > 1:
                lines.append(_line(exercise, side, series.key, points))
    return lines


def _line(exercise: str, side: str, key: str, points: Sequence[Point]) -> MeasuredProgress:
    ends = points[0], points[-1]
    first, last = ((date.fromisoformat(p.day), wording.quantity(key, p.mean.value)) for p in ends)
    return MeasuredProgress(
        exercise=exercise,
        side=side,
        words=measure_words(key),
        first=first,
        last=last,
        dots=_dots(points),
        verdict=VERDICTS[change_of(key, *ends).verdict],
    )


def _dots(points: Sequence[Point]) -> tuple[tuple[float, float], ...]:
    """Where each set stands: its day from left to right, its value upwards."""
    days = [p.session.day for p in points]
    values = [p.mean.value for p in points]
    across, up = days[-1] - days[0], max(values) - min(values)
    return tuple(
        (
            round(EDGE + (WIDTH - 2 * EDGE) * (day - days[0]) / across, 1),
            round(HEIGHT / 2, 1)
            if not up
            else round(HEIGHT - EDGE - (HEIGHT - 2 * EDGE) * (value - min(values)) / up, 1),
        )
        for day, value in zip(days, values, strict=True)
    )
