"""The course of a measure over all sessions: a straight line with the interval of its slope."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from formcheck.evidence.agreement import NORMAL_95
from formcheck.evidence.progress import SessionValue, Verdict, smallest_change

LEAST_SESSIONS = 3
"""A line through two points has no scatter about it, so that its slope has no interval."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A least-squares line through the means of sets over time.

    n : sets it runs through. weeks : from the first to the last. per_week, half_width : slope and
    the half of its 95 % interval, in the measure's unit a week. smallest : the smallest detectable
    change between two sets, NaN where not known; basis : where that comes from, in words.
    """

    n: int
    weeks: float
    per_week: float
    half_width: float
    smallest: float
    basis: str

    @property
    def along(self) -> float:
        """The change along the line from the first set to the last."""
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


def trend(key: str, sessions: Sequence[SessionValue], mdc95: float | None = None) -> Trend | None:
    """The line through all sessions of one measure and side; None below three different days.

    Ordinary least squares (scipy.stats.linregress). Every set counts the same: what differs
    between days (clothes, light, the camera's place) is much the same for all, and weighting by
    the sets' own errors would trust a set that was filmed well beyond that. The interval is the
    wider of two: by Student's t with n - 2 degrees from the scatter about the line, which few
    sets tell badly, and the one that the sets' own errors give.

    mdc95 : of this measure from the clinic's own test-retest recordings, if it has any.
    """
    from scipy.special import stdtrit
    from scipy.stats import linregress

    if len({s.day for s in sessions}) < LEAST_SESSIONS:
        return None
    ordered = sorted(sessions, key=lambda s: s.day)
    weeks = np.array([s.day for s in ordered], float) / 7
    line = linregress(weeks, [s.value for s in ordered])
    scattered = float(stdtrit(len(ordered) - 2, 0.975) * line.stderr)
    centred = weeks - weeks.mean()
    errors = np.array([s.between_standard for s in ordered])
    known = np.where(np.isfinite(errors), errors, 0.0)
    given = NORMAL_95 * float(np.sqrt((centred**2 * known**2).sum()) / (centred**2).sum())
    smallest, basis = smallest_change(key, ordered[0], ordered[-1], mdc95)
    return Trend(
        n=len(ordered),
        weeks=float(weeks[-1] - weeks[0]),
        per_week=float(line.slope),
        half_width=max(scattered, given),
        smallest=smallest,
        basis=basis,
    )
