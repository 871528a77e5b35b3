"""Masks over time: the unbroken stretches in which something holds."""

import numpy as np


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """(start, stop) of each unbroken run of True in a mask of shape (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], np.asarray(mask, np.int8), [0]))))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


SLIP_MARGIN_S = 0.15
"""A landmark slips and comes back over some frames: samples this close to a slip are no better."""


def widened(mask: np.ndarray, margin: int) -> np.ndarray:
    """The mask, (n,) bool, with `margin` samples before and after each run of True."""
    out = np.array(mask, bool)
    for start, stop in runs(mask):
        out[max(start - margin, 0) : stop + margin] = True
    return out
