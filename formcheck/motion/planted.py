"""Where toes stand that stay on the floor while the heel rises (decision 88)."""

import numpy as np

DOWN_WITHIN_S = 12.0
"""A heel is down at some time in so long (common practice: a raise takes 3 to 6 s)."""
RISE_LEAST_SHARE = 0.5
"""A stretch in which the heel moves by less than this share of the most that it does in one holds
it up, or down: what is its lower half says nothing (common practice)."""
PLANTED_OVER_S = 1.0
"""Over so long before and after a raise the toes' place is read (common practice)."""
STAYS_MOST_SHARE = 0.06
"""Toes that are further than this from their place in a fifth of the time that the heel is down
do not stay, in foot lengths: the camera moves (common practice: twice what landmarks jitter)."""


def planted_y(toe_y: np.ndarray, heel_y: np.ndarray, foot_px: float, grid_hz: float) -> np.ndarray:
    """Picture height of toes that stay on the floor, (n,): where they are while the heel is in
    the lower half of its range, and between these times on a line; where they are seen if they
    move while the heel is down.

    toe_y, heel_y : (n,) picture heights, pixels, growing downward; NaN where not seen. The pose
    model moves the toes' landmark with the heel.
    """
    while_down_y = np.where(_is_down(heel_y, grid_hz), toe_y, np.nan)
    at = [int(k) for k in np.flatnonzero(np.isfinite(while_down_y))[:: _every(grid_hz)]]
    if not len(at):
        return toe_y
    place_y = [_median_about(while_down_y, k, DOWN_WITHIN_S * grid_hz) for k in at]
    if np.percentile(np.abs(while_down_y[at] - place_y), 80) > STAYS_MOST_SHARE * foot_px:
        return toe_y
    level_y = [_median_about(while_down_y, k, PLANTED_OVER_S * grid_hz) for k in at]
    planted: np.ndarray = np.interp(np.arange(len(toe_y)), at, level_y)
    return planted


def _is_down(heel_y: np.ndarray, grid_hz: float) -> np.ndarray:
    """Whether the heel is in the lower half of its range of some seconds about, bool (n,)."""
    every = _every(grid_hz)
    at = range(0, len(heel_y), every)
    ends = np.full((len(at), 2), np.nan)
    for n, k in enumerate(at):
        heel = _about(heel_y, k, DOWN_WITHIN_S * grid_hz)
        if len(heel):
            ends[n] = np.percentile(heel, [5, 95])
    rise = np.nan_to_num(ends[:, 1] - ends[:, 0])
    tells = rise >= RISE_LEAST_SHARE * rise.max(initial=0.0)
    middle_y = np.where(tells, ends.mean(axis=1), np.nan)
    is_down: np.ndarray = heel_y >= np.repeat(middle_y, every)[: len(heel_y)]
    return is_down


def _every(grid_hz: float) -> int:
    """Samples from one look to the next: a sixth of a second."""
    return max(1, round(grid_hz / 6))


def _about(values: np.ndarray, k: int, n: float) -> np.ndarray:
    """What is known of some n samples around one."""
    half = round(n / 2)
    piece = values[max(k - half, 0) : k + half + 1]
    known: np.ndarray = piece[np.isfinite(piece)]
    return known


def _median_about(values: np.ndarray, k: int, n: float) -> float:
    return float(np.median(_about(values, k, n)))
