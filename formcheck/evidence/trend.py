"""The course of a measure over all sessions: a straight line with the interval of its slope."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from formcheck.evidence.agreement import NORMAL_95
from formcheck.evidence.progress import SessionValue, Verdict, smallest_change

LEAST_DAYS = 3
"""A line through two points has no scatter about it, so that its slope has no interval."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A least-squares line through the means of days over time.

    n : days it runs through. n_sets : sets filmed on them. weeks : from the first to the last.
    per_week, half_width : slope and the half of its 95 % interval, in the measure's unit a week.
    smallest : the smallest detectable change between two days, NaN where not known; basis : where
    that comes from, in words.
    """

    n: int
    n_sets: int
    weeks: float
    per_week: float
    half_width: float
    smallest: float
    basis: str

    @property
    def along(self) -> float:
        """The change along the line from the first day to the last."""
        return self.per_week * self.weeks

    @property
    def along_half_width(self) -> float:
        return self.half_width * self.weeks

    @property
    def verdict(self) -> Verdict:
        """Larger than error only where the interval of the slope leaves zero out and the change
        along the line exceeds the smallest detectable one."""
        if not math.isfinite(self.smallest):
            return "not_enough_information"
        is_sure = abs(self.per_week) > self.half_width
        is_large = abs(self.along) > self.smallest
        return "larger_than_error" if is_sure and is_large else "within_error"


def slope_of(weeks: Sequence[float], values: Sequence[float]) -> tuple[float, float]:
    """(slope, half of its 95 % interval) of the ordinary least-squares line, in units a week.

    By scipy.stats.linregress and Student's t with n - 2 degrees; three points at least.
    """
    from scipy.special import stdtrit
    from scipy.stats import linregress

    line = linregress(weeks, values)
    return float(line.slope), float(stdtrit(len(weeks) - 2, 0.975) * line.stderr)


def days_of(sessions: Sequence[SessionValue]) -> tuple[SessionValue, ...]:
    """One value a day, the mean of its sets, the oldest first.

    The sets of a day share clothes, light and the camera's place, so that their mean is taken as
    no surer than one of them: its standard uncertainty is the mean of those that are known.
    """
    of_day: dict[int, list[SessionValue]] = {}
    for s in sessions:
        of_day.setdefault(s.day, []).append(s)
    out = []
    for day in sorted(of_day):
        known = [s.between_standard for s in of_day[day] if math.isfinite(s.between_standard)]
        out.append(
            SessionValue(
                day=day,
                value=float(np.mean([s.value for s in of_day[day]])),
                between_standard=float(np.mean(known)) if known else math.nan,
            )
        )
    return tuple(out)


def trend(key: str, sessions: Sequence[SessionValue], mdc95: float | None = None) -> Trend | None:
    """The line through all sessions of one measure and side; None below three different days.

    Every day counts the same, however many sets were filmed on it: what differs between days
    (clothes, light, the camera's place) is common to a day's sets, and weighting by the sets' own
    errors would trust a day that was filmed well beyond that. The interval is the wider of two:
    from the scatter about the line, which few days tell badly, and the one that the days' own
    errors give.

    mdc95 : of this measure from the clinic's own test-retest recordings, if it has any.
    """
    days = days_of(sessions)
    if len(days) < LEAST_DAYS:
        return None
    weeks = np.array([d.day for d in days], float) / 7
    per_week, scattered = slope_of(weeks.tolist(), [d.value for d in days])
    centred = weeks - weeks.mean()
    errors = np.array([d.between_standard for d in days])
    known = np.where(np.isfinite(errors), errors, 0.0)
    given = NORMAL_95 * float(np.sqrt((centred**2 * known**2).sum()) / (centred**2).sum())
    smallest, basis = smallest_change(key, days[0], days[-1], mdc95)
    return Trend(
        n=len(days),
        n_sets=len(sessions),
        weeks=float(weeks[-1] - weeks[0]),
        per_week=per_week,
        half_width=max(scattered, given),
        smallest=smallest,
        basis=basis,
    )
