"""The cue at a limit on depth, while a set is being filmed: when it is due. Pure.

A help and no safety device: it comes some tenths of a second after the picture that shows the
knee past the point, and the knee has gone on meanwhile (decision 83).
"""

import math
from dataclasses import dataclass, replace

from formcheck.model.measures import Plane
from formcheck.model.programme import Exercise, PrescribedExercise
from formcheck.motion.assessment import quantity

CUED_MEASURE = "knee_flexion_peak_deg"
CUE_GUARD_DEG = 10.0
"""The cue is due so far before the limit: the half-width of a 95 % interval of knee flexion from
the side, 1.96 sqrt(4.4² + 1.8²) = 9.3 deg by its error model, rounded up."""
READY_AGAIN_DEG = 10.0
"""The knee has to come back by so much before the next cue: twice what a landmark's jitter makes
of knee flexion in a single picture (chosen as common practice)."""
CUE_MEDIAN_MS, CUE_MOST_MS = 300, 600
"""From the first picture past the point to the sound: median and most, rounded up to 100 ms
(decision 83 says on what, and tests/test_stop_and_cue.py measures it again)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CuePoint:
    """The limit on knee flexion, and the knee flexion at which its cue is due, deg."""

    limit_deg: float
    at_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DepthCue:
    """What the last picture says. `is_due`: the cue comes now; `is_past`: the knee has been past
    the point and not come back yet; `is_seen`: the knee flexion was seen in this picture."""

    is_due: bool = False
    is_past: bool = False
    is_seen: bool = False


def cue_point(line: PrescribedExercise, exercise: Exercise) -> CuePoint | None:
    """Where the cue that a line asks for is due; None where it asks for none, or has no limit on
    how far the knee bends (for the level of a hold, where the knee drives it)."""
    ends = [
        limit.at_most
        for limit in line.limits
        if limit.at_most is not None and quantity(limit.measure, exercise) == CUED_MEASURE
    ]
    if not line.cue_at_limit or not ends:
        return None
    return CuePoint(limit_deg=min(ends), at_deg=min(ends) - CUE_GUARD_DEG)


def can_be_cued(exercise: Exercise) -> bool:
    """Whether an exercise has a view from the side that gives how far the knee bends."""
    return any(
        view.plane == "sagittal" and quantity(key, exercise) == CUED_MEASURE
        for view in exercise.views
        for key in view.measures
    )


def is_cued_from(plane: Plane, exercise: Exercise) -> bool:
    """Whether a camera in this plane sees what the cue goes by."""
    return plane == "sagittal" and can_be_cued(exercise)


def next_cue(before: DepthCue, knee_flexion_deg: float, point_deg: float) -> DepthCue:
    """The cue after one more picture. NaN: the knee is not seen, and nothing is due.

    One picture is enough: a second one to confirm it would come a fifth of a second later, and
    a cue too many costs nothing.
    """
    if not math.isfinite(knee_flexion_deg):
        return replace(before, is_due=False, is_seen=False)
    if before.is_past:
        is_past = knee_flexion_deg > point_deg - READY_AGAIN_DEG
        return DepthCue(is_past=is_past, is_seen=True)
    is_past = knee_flexion_deg >= point_deg
    return DepthCue(is_due=is_past, is_past=is_past, is_seen=True)
