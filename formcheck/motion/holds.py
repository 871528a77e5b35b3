"""Holds: the plateau of a repetition, and how long a condition lasts."""

from dataclasses import dataclass

import numpy as np

from formcheck.motion.masks import runs
from formcheck.motion.repetitions import BLINK_S, Attempt

OFF_FLOOR_SHARE = 0.1
"""The free foot is off the floor while its heel is this much higher than at rest, share of foot
length, or a third of its rise if that is less (decision 45): a one-leg stance lasts until the foot
touches, wherever it is in the air."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plateau:
    """The sustained part of a repetition: its level and its longest unbroken stay near it.

    Indices inclusive; `drift_per_s` is the slope over the stay, in the signal's unit.
    """

    level: float
    start: int
    end: int
    drift_per_s: float


def across_blinks(inside: np.ndarray, is_seen: np.ndarray, grid_hz: float) -> np.ndarray:
    """The mask, (n,) bool, also True in unseen stretches of up to BLINK_S that it encloses."""
    out: np.ndarray = inside & is_seen
    for a, b in runs(~is_seen):
        if a > 0 and b < len(out) and b - a <= BLINK_S * grid_hz:
            out[a:b] = out[a - 1] and out[b]
    return out


def find_plateau(
    values: np.ndarray, attempt: Attempt, grid_hz: float, band: float
) -> Plateau | None:
    """The plateau of a repetition: longest unbroken time within `band` of its own median level.

    values : (n,) the driving signal (either sense), NaN where not seen; a blink does not end the
    stay. band : in its unit (5 deg by definition). The level is the median of the samples near
    the extreme, taken again over the stay itself.
    """
    piece = np.asarray(values[attempt.turn_from : attempt.turn_to + 1], float)
    if not np.isfinite(piece).any():
        return None
    level = float(np.nanmedian(piece))
    whole = np.asarray(values[attempt.start : attempt.end + 1], float)
    stay = (0, len(whole))
    for _ in range(3):
        with np.errstate(invalid="ignore"):
            inside = np.abs(whole - level) <= band
        candidates = runs(across_blinks(inside, np.isfinite(whole), grid_hz))
        if not candidates:
            return None
        stay = max(candidates, key=lambda r: r[1] - r[0])
        level = float(np.nanmedian(whole[stay[0] : stay[1]]))
    start, stop = attempt.start + stay[0], attempt.start + stay[1] - 1
    drift = 0.0
    held = np.asarray(values[start : stop + 1], float)
    seen = np.isfinite(held)
    if seen.sum() >= 3:
        drift = float(np.polyfit(np.flatnonzero(seen) / grid_hz, held[seen], 1)[0])
    return Plateau(level=level, start=start, end=stop, drift_per_s=drift)


def longest_and_total_s(inside: np.ndarray, grid_hz: float) -> tuple[float, float]:
    """(longest unbroken, total) seconds in which a mask of shape (n,) holds."""
    stretches = [(b - a) / grid_hz for a, b in runs(inside)]
    return (max(stretches, default=0.0), float(sum(stretches)))
