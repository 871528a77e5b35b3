"""Movements that are not repetitions: sitting down, a bend for something, a step, a jump, a turn.

They may drive the signal as far as an attempt does. What tells them apart is balance and place,
not shape, so that a poor repetition is still a repetition.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES, Side
from formcheck.model.codes import OtherMovement, values_of
from formcheck.model.programme import Exercise
from formcheck.model.records import Finding, Track, View
from formcheck.motion.camera import mid_of
from formcheck.motion.kinematics import Series
from formcheck.motion.repetitions import Attempt


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherMovementSettings:
    """Limits that tell other movements from repetitions (sample clips, decision 11).

    seat_least_share : the middle of the trunk this far behind the ankle, in shares of leg
        length, cannot be held up by the feet: the person sits.
    bend_least_deg : trunk inclination this much beyond knee flexion is a bend, not a squat.
    jump_least_share : hips this far above standing, in shares of leg length, and the toes of
        each foot that is seen half as far above where they stood: they leave the floor.
    step_least_share : a foot this far from where it stood, in shares of leg length (ankles of
        planted feet move by up to 0.07 in squats with truth); both_feet_least_share : both of
        them, sideways.
    planted_most_share, crouch_most_share : who stands with the hips below this share of their
        standing height takes no step; both ankles moved further apart or together than the first
        are astray.
    knee_astray_least_deg : a knee that reads this much straighter than the hips stand low is not
        to be believed.
    pick_most_share, pick_lower_share, pick_reach_share, pick_lean_deg : hands this near the height
        of the ankles, this much lower than in the other attempts, this much further below the
        shoulders than there, with the trunk this much further forward (common practice; a bar lies
        0.2 leg lengths above the ankles).
    turned_least_share : a trunk that is seen wider or narrower at the turn than at both ends by
        more leg lengths than this has turned round (in 1,100 repetitions of random clips from the
        side: at most 0.14, with unsteady landmarks once 0.24).
    """

    seat_least_share: float = 0.25
    bend_least_deg: float = 15.0
    jump_least_share: float = 0.09
    step_least_share: float = 0.2
    both_feet_least_share: float = 0.35
    planted_most_share: float = 0.07
    crouch_most_share: float = 0.6
    knee_astray_least_deg: float = 40.0
    pick_most_share: float = 0.25
    pick_lower_share: float = 0.25
    pick_reach_share: float = 0.15
    pick_lean_deg: float = 10.0
    turned_least_share: float = 0.25


FLIGHT_S = 0.4
"""Longest flight of a small jump, up or down (common practice)."""


PLACE_SHARE = 0.5
"""A hold before the first one of this share of the deepest's range is getting into place: leaning
back on the wall, sinking into the feet (common practice)."""


def set_apart(
    attempts: Sequence[Attempt],
    track: Track,
    view: View,
    all_series: Mapping[Side, Series],
    leg: Side,
    exercise: Exercise,
    settings: OtherMovementSettings = OtherMovementSettings(),
) -> tuple[tuple[Attempt, ...], list[Finding]]:
    """(attempts that are repetitions, findings about the movements that are not).

    Turning round is looked for in every exercise that does not turn, the rest in knee bends on
    planted feet alone: in a lunge or on the floor other movements do not pass for an attempt in the
    same way. From the side the near leg tells, whichever was asked for: the far one is hidden when
    it matters.
    """
    near = view.near_side if view.plane == "sagittal" else None
    series = all_series[near or leg]
    others: list[OtherMovement | None] = [None] * len(attempts)
    if _bends_on_planted_feet(exercise):
        standing = _standing_share(attempts, series)
        others = [
            _other_movement(a, track, view, series, exercise, standing, settings) for a in attempts
        ]
        plain = [a for a, what in zip(attempts, others, strict=True) if what is None]
        others = [
            what or _among_others(a, plain, track, view, series, exercise, settings)
            for a, what in zip(attempts, others, strict=True)
        ]
    if view.plane == "sagittal" and not _turns(exercise):
        width = _trunk_width_share(track, series)
        others = [
            what or ("turning_round" if _turns_round(a, width, settings) else None)
            for a, what in zip(attempts, others, strict=True)
        ]
    told = list(zip(attempts, others, strict=True))
    return tuple(a for a, what in told if what is None), [
        Finding(
            code="other_movement",
            values=values_of(looks_like=what),
            from_s=float(track.time_s[a.start]),
            to_s=float(track.time_s[a.end]),
        )
        for a, what in told
        if what is not None
    ]


def _bends_on_planted_feet(exercise: Exercise) -> bool:
    bends_knees = any(
        v.driving_signal == "knee_flexion" and v.direction == "rises" for v in exercise.views
    )
    return bends_knees and exercise.position == "standing" and exercise.working_leg == "both"


def _turns(exercise: Exercise) -> bool:
    """Whether the pelvis and trunk may turn in the exercise itself: it is not one for the side."""
    return exercise.kind == "sequence" or exercise.figure.plane != "sagittal"


def _trunk_width_share(track: Track, series: Series) -> np.ndarray:
    """How far the left of the trunk is seen to the right of its right, leg lengths, (n,)."""
    of = {s: [LANDMARK[s, j] for j in ("shoulder", "hip")] for s in SIDES}
    x = track.image_px[..., 0]
    width = (x[:, of["left"]] - x[:, of["right"]]).mean(axis=1) / series.leg_length_px
    return np.asarray(width)


def _turns_round(a: Attempt, width: np.ndarray, settings: OtherMovementSettings) -> bool:
    """Whether the trunk is turned another way at the turn than at both ends."""
    at_turn = width[a.turn_from : a.turn_to + 1]
    ends = width[[a.start, a.end]]
    if not np.isfinite(at_turn).any() or not np.isfinite(ends).all():
        return False
    return bool((np.abs(np.nanmedian(at_turn) - ends) > settings.turned_least_share).all())


def _standing_share(attempts: Sequence[Attempt], series: Series) -> float:
    """Hip height standing, leg lengths: where the attempts begin and end; NaN where not seen.

    Not a share of the clip's time: who pauses at the bottom stands for a small part of it. The
    higher end of each, since the clip may cut the other.
    """
    hips = series.hip_height_share
    ends = [hips[[a.start, a.end]] for a in attempts]
    known = [float(np.nanmax(e)) for e in ends if np.isfinite(e).any()]
    return float(np.median(known)) if known else float("nan")


def _other_movement(
    a: Attempt,
    track: Track,
    view: View,
    series: Series,
    exercise: Exercise,
    standing: float,
    settings: OtherMovementSettings,
) -> OtherMovement | None:
    """What an attempt is by itself, or None for the exercise."""
    if exercise.kind == "repetition" and _is_jump(a, track, series, standing, settings):
        return "jump"
    if _steps(a, track, series, standing, settings):
        return "step"
    if view.plane != "sagittal" or exercise.kind != "repetition":
        return None
    # Over the whole turn: a knee that is astray for a moment makes no bend of a squat.
    there = slice(a.turn_from, a.turn_to + 1)
    beyond = series.trunk_inclination_deg[there] - _bend_deg(series, there, standing, settings)
    known = beyond[np.isfinite(beyond)]
    if len(known) and np.median(known) > settings.bend_least_deg:
        return "bend"
    at_turn = slice(a.turn, a.turn + 1)
    if trunk_behind_shares(at_turn, track, view, series)[0] > settings.seat_least_share:
        return "sitting_down"
    return None


def _bend_deg(
    series: Series, where: slice, standing: float, settings: OtherMovementSettings
) -> np.ndarray:
    """Knee flexion, (m,); what the hips' height tells, where the knee reads far straighter.

    Hip, knee and ankle are a triangle of two equal sides, and standing its height: hips that stand
    low are not carried by straight legs.
    """
    knee = series.knee_flexion_deg[where]
    share = np.clip(series.hip_height_share[where] / standing, 0, 1)
    by_hips = 2 * np.degrees(np.arccos(share))
    bent: np.ndarray = np.where(by_hips - knee > settings.knee_astray_least_deg, by_hips, knee)
    return bent


def _steps(
    a: Attempt, track: Track, series: Series, standing: float, settings: OtherMovementSettings
) -> bool:
    """Whether a foot leaves its place between start and turn, or both do.

    One foot against the other: a picture that moves takes both along. Who steps stands on the other
    foot and does not crouch on it: two feet that both move at the bottom of a crouch, towards each
    other or apart, are landmarks astray. From the side the far one may be hidden; then the near one
    is looked at alone.
    """
    moved = {}
    for side in SIDES:
        ankle = track.image_px[:, LANDMARK[side, "ankle"]]
        moved[side] = (ankle[a.turn] - ankle[a.start]) / series.leg_length_px
    both = np.stack([moved[side] for side in SIDES])
    if np.isfinite(both).all():
        apart = np.hypot(*(both[0] - both[1]))
        least = np.hypot(*both.T).min()
        is_crouch = series.hip_height_share[a.turn] < settings.crouch_most_share * standing
        is_astray = is_crouch and least > settings.planted_most_share and both[0] @ both[1] < 0
        return bool(
            (apart > settings.step_least_share and not is_astray)
            or np.abs(both[:, 0]).min() > settings.both_feet_least_share
        )
    return bool(np.hypot(*moved[series.side]) > settings.step_least_share)


def _is_jump(
    a: Attempt, track: Track, series: Series, standing: float, settings: OtherMovementSettings
) -> bool:
    # A jump's flight lies between two knee bends, so a little beyond either is looked at.
    beyond = round(FLIGHT_S * series.grid_hz)
    first = max(a.start - beyond, 0)
    hips = series.hip_height_share[first : a.end + beyond + 1]
    if not np.isfinite(hips).any() or not np.nanmax(hips) - standing > settings.jump_least_share:
        return False
    toes_y = [track.image_px[:, LANDMARK[side, "toe"], 1] for side in SIDES]
    at = first + int(np.nanargmax(hips))
    # What goes up comes down: a pose that drifts off as the person is lost does not.
    down = series.hip_height_share[at : at + beyond + 1]
    if not np.nanmin(down) - standing < settings.jump_least_share / 2:
        return False
    lifted = [(y[a.turn] - y[at]) / series.leg_length_px for y in toes_y]
    seen = [v for v in lifted if np.isfinite(v)]
    return bool(seen) and min(seen) > settings.jump_least_share / 2


def trunk_behind_shares(where: slice, track: Track, view: View, series: Series) -> np.ndarray:
    """How far the middle of the trunk lies behind the ankles, (m,), shares of leg length.

    where : the m samples. Seen from the side; what both feet carry lies over them. NaN where not
        seen.
    """
    points = track.image_px[where]
    middle = (mid_of(points, "hip") + mid_of(points, "shoulder")) / 2
    ankles = mid_of(points, "ankle")
    is_unseen = ~np.isfinite(ankles).all(axis=1)
    ankles[is_unseen] = points[is_unseen, LANDMARK[series.side, "ankle"]]
    # A tilted camera moves what is high sideways; balance is about the true vertical.
    tilted_px = (ankles[:, 1] - middle[:, 1]) * np.tan(np.radians(view.roll_deg))
    behind: np.ndarray = middle[:, 0] - tilted_px - ankles[:, 0]
    return -view.facing_x * behind / series.leg_length_px


def _among_others(
    a: Attempt,
    plain: Sequence[Attempt],
    track: Track,
    view: View,
    series: Series,
    exercise: Exercise,
    settings: OtherMovementSettings,
) -> OtherMovement | None:
    """What an attempt is when it is held against the other ones, or None for the exercise."""
    others = [b for b in plain if b is not a]
    if exercise.kind == "hold":
        least = PLACE_SHARE * max((b.range for b in plain), default=0.0)
        full = [b for b in plain if b.range >= least]
        if a.range < least and full and a.end <= full[0].start:
            return "getting_into_place"
        return None
    if len(others) < 2 or view.plane != "sagittal":
        return None
    hands = _hands_above_ankle_share(track, series)
    trunk = series.trunk_inclination_deg
    # Hands that go down with a body that goes deeper pick nothing up.
    reach = series.shoulder_height_share - hands
    seen = [b.turn for b in others if np.isfinite(reach[b.turn] + trunk[b.turn])]
    if len(seen) < 2:
        return None
    usual_hands, usual_reach, usual_trunk = (
        float(np.median(v[seen])) for v in (hands, reach, trunk)
    )
    is_low = hands[a.turn] < min(settings.pick_most_share, usual_hands - settings.pick_lower_share)
    is_reached = reach[a.turn] - usual_reach > settings.pick_reach_share
    if is_low and is_reached and trunk[a.turn] - usual_trunk > settings.pick_lean_deg:
        return "picking_up"
    return None


def _hands_above_ankle_share(track: Track, series: Series) -> np.ndarray:
    """Height of the lower wrist above the near ankle, leg lengths, (n,)."""
    wrists_y = np.fmax(*(track.image_px[:, LANDMARK[side, "wrist"], 1] for side in SIDES))
    ankle_y = track.image_px[:, LANDMARK[series.side, "ankle"], 1]
    above_share: np.ndarray = (ankle_y - wrists_y) / series.leg_length_px
    return above_share
