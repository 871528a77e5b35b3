"""Masks over time: the unbroken stretches in which something holds."""

import numpy as np


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """(start, stop) of each unbroken run of True in a mask of shape (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], np.asarray(mask, np.int8), [0]))))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
