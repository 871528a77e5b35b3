"""Movements that are not repetitions: sitting down, bending for something, a step, a jump.

They may drive the signal as far as an attempt does. What tells them apart is balance and place,
not shape, so that a poor repetition is still a repetition.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES
from formcheck.model.codes import OtherMovement, values_of
from formcheck.model.programme import Exercise
from formcheck.model.records import Finding, Track, View
from formcheck.motion.camera import mid
from formcheck.motion.kinematics import Series
from formcheck.motion.repetitions import Attempt


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherMovementSettings:
    """Limits that tell other movements from repetitions (sample clips, decision 11).

    seat_least_share : the middle of the trunk this far behind the ankle, in shares of leg
        length, cannot be held up by the feet: the person sits.
    bend_least_deg : trunk inclination this much beyond knee flexion is a bend, not a squat.
    jump_least_share : hips this far above standing, in shares of leg length.
    step_least_share : both feet this far from where they stood, in shares of leg length.
    """

    seat_least_share: float = 0.25
    bend_least_deg: float = 15.0
    jump_least_share: float = 0.09
    step_least_share: float = 0.35


FLIGHT_S = 0.4
"""Longest flight of a small jump, up or down (common practice)."""


def set_apart(
    attempts: Sequence[Attempt],
    track: Track,
    view: View,
    series: Series,
    exercise: Exercise,
    settings: OtherMovementSettings = OtherMovementSettings(),
) -> tuple[tuple[Attempt, ...], list[Finding]]:
    """(attempts that are repetitions, findings about the movements that are not).

    Only knee bends on planted feet are looked at: in a lunge or on the floor other movements do
    not pass for an attempt in the same way.
    """
    bends_knees = any(
        v.driving_signal == "knee_flexion" and v.direction == "rises" for v in exercise.views
    )
    if not bends_knees or exercise.position != "standing" or exercise.working_leg != "both":
        return tuple(attempts), []
    kept, findings = [], []
    standing = _standing_share(attempts, series)
    for a in attempts:
        what = _other_movement(a, track, view, series, exercise, standing, settings)
        if what is None:
            kept.append(a)
            continue
        findings.append(
            Finding(
                code="other_movement",
                values=values_of(looks_like=what),
                from_s=float(track.time_s[a.start]),
                to_s=float(track.time_s[a.end]),
            )
        )
    return tuple(kept), findings


def _standing_share(attempts: Sequence[Attempt], series: Series) -> float:
    """Hip height standing, leg lengths: where the attempts begin and end; NaN where not seen.

    Not a share of the clip's time: who pauses at the bottom stands for a small part of it. The
    higher end of each, since the clip may cut the other.
    """
    hips = series.hip_height_share
    ends = [hips[[a.start, a.end]] for a in attempts]
    known = [float(np.nanmax(e)) for e in ends if np.isfinite(e).any()]
    return float(np.median(known)) if known else float("nan")


def _other_movement(a, track, view, series, exercise, standing, settings) -> OtherMovement | None:
    # A jump's flight lies between two knee bends, so a little beyond either is looked at.
    beyond = round(FLIGHT_S * series.grid_hz)
    hips = series.hip_height_share[max(a.start - beyond, 0) : a.end + beyond + 1]
    is_seen = exercise.kind == "repetition" and np.isfinite(hips).any()
    if is_seen and np.nanmax(hips) - standing > settings.jump_least_share:
        return "jump"
    leg_px = series.leg_length_px
    moved = []
    for side in SIDES:
        ankle_x = track.image_px[:, LANDMARK[side, "ankle"], 0]
        moved.append(abs(ankle_x[a.turn] - ankle_x[a.start]) / leg_px)
    if np.isfinite(moved).all() and min(moved) > settings.step_least_share:
        return "step"
    if view.plane != "sagittal" or exercise.kind != "repetition":
        return None
    trunk, knee = series.trunk_inclination_deg[a.turn], series.knee_flexion_deg[a.turn]
    if trunk - knee > settings.bend_least_deg:
        return "bend"
    middle = ((mid(track, "hip") + mid(track, "shoulder")) / 2)[a.turn]
    ankle = track.image_px[a.turn, LANDMARK[series.side, "ankle"]]
    # A tilted camera moves what is high sideways; balance is about the true vertical.
    tilted_px = (ankle[1] - middle[1]) * np.tan(np.radians(view.roll_deg))
    behind = -view.facing_x * (middle[0] - tilted_px - ankle[0]) / leg_px
    if behind > settings.seat_least_share:
        return "sitting_down"
    return None
