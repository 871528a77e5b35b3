"""Where toes stand that stay on the floor while the heel rises (decision 88)."""

import numpy as np

DOWN_WITHIN_S = 12.0
"""A heel is down at some time in so long (common practice: a raise takes 3 to 6 s)."""
PLANTED_OVER_S = 1.0
"""Over so long before and after a raise the toes' place is read (common practice)."""


def planted_y(toe_y: np.ndarray, heel_y: np.ndarray, grid_hz: float) -> np.ndarray:
    """Picture height of toes that stay on the floor, (n,): where they are while the heel is in
    the lower half of its range, and between these times on a line.

    toe_y, heel_y : (n,) picture heights, pixels, growing downward; NaN where not seen. The pose
    model moves the toes' landmark with the heel.
    """

    def about(values: np.ndarray, k: int, over_s: float) -> np.ndarray:
        half = round(over_s / 2 * grid_hz)
        piece = values[max(k - half, 0) : k + half + 1]
        known: np.ndarray = piece[np.isfinite(piece)]
        return known

    is_down = np.zeros(len(toe_y), bool)
    every = max(1, round(grid_hz / 6))
    for k in range(0, len(toe_y), every):
        heel = about(heel_y, k, DOWN_WITHIN_S)
        if len(heel):
            now = slice(k, k + every)
            is_down[now] = heel_y[now] >= np.mean(np.percentile(heel, [5, 95]))
    while_down_y = np.where(is_down, toe_y, np.nan)
    at = np.flatnonzero(np.isfinite(while_down_y))
    if not len(at):
        return toe_y
    level = [float(np.median(about(while_down_y, int(k), PLANTED_OVER_S))) for k in at]
    planted: np.ndarray = np.interp(np.arange(len(toe_y)), at, level)
    return planted
