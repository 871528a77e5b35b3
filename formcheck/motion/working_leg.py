"""Which leg works in an attempt, and which way it steps.

Sides are the person's own. In a side view the leg near the camera is measured; from the front
the working leg follows from what the feet do, by the exercise's rule.
"""

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES, Side, other_side
from formcheck.model.records import Track, View
from formcheck.motion.camera import azimuth_samples_deg
from formcheck.motion.kinematics import Series
from formcheck.motion.repetitions import Attempt

DIRECTIONS_DEG = {"forward": 0.0, "lateral": 90.0, "rotational": 135.0, "backward": 180.0}
"""Direction of a step about the body, 0 = straight ahead, 90 = out to the stepping leg's side.
(A rotational step goes back and out to about 135 deg.)"""

MOVED_LEAST_SHARE = 0.12
"""A foot that moved this share of body height stepped (sample clips, decision 6)."""

MOVED_ALONE_LEAST_SHARE = 0.05
"""So did one that moved less, to here, while the other stayed: moved under a third as far (a
short step aside moves it by 0.10 to 0.12 on the sample clips, the other by 0.01)."""


FRONT_LEAST_DEG = 30.0
"""One foot is in front of the other when the line between them points this far from sideways
(common practice: a split stance is longer than it is wide)."""

FRONT_LEAST_M = 0.25
"""And when they are this far apart, by the model's world (common practice: feet as wide as the
hips are nearer than that)."""

TURNED_LEAST_DEG = 30.0
"""A pelvis turned further than this at the turn turned on purpose (sample clips, decision 6)."""


def _foot(track: Track, side: Side) -> np.ndarray:
    return track.image_px[:, LANDMARK[side, "ankle"]]


def _moved_px(track: Track, side: Side, attempt: Attempt) -> float:
    """How far the foot stands at the turn from where it stood at the start, pixels."""
    foot = _foot(track, side)
    gone = foot[attempt.turn] - foot[attempt.start]
    return float(np.hypot(*gone)) if np.isfinite(gone).all() else float("nan")


def foot_steps(attempt: Attempt, track: Track, view: View) -> bool | None:
    """Whether a foot stands elsewhere at the turn than at the start; None where one is unseen."""
    moved = [_moved_px(track, side, attempt) for side in SIDES]
    if not np.isfinite(moved).all():
        return None
    shares = sorted(v / view.person_height_px for v in moved)
    is_alone = shares[0] < shares[1] / 3 and shares[1] >= MOVED_ALONE_LEAST_SHARE
    return shares[1] >= MOVED_LEAST_SHARE or is_alone


LIFTED_LEAST_SHARE = 0.02
"""A foot that rises by this share of body height while the other stays is the free one of a
one-leg stance (common practice: 3 cm; landmarks of a foot that stands waver by a tenth of it)."""


def _lifted_foot(attempt: Attempt, track: Track, view: View) -> Side | None:
    """The foot that rises in an attempt while the other one stays; None where neither does."""
    rise = {
        side: float(_foot(track, side)[attempt.start, 1] - _foot(track, side)[attempt.turn, 1])
        for side in SIDES
    }
    for side in SIDES:
        least = LIFTED_LEAST_SHARE * view.person_height_px
        if rise[side] >= least and abs(rise[other_side(side)]) < rise[side] / 3:
            return side
    return None


def working_side_of(
    attempt: Attempt,
    track: Track,
    view: View,
    rule: str,
    usual: Side,
    *,
    is_free_foot_raised: bool = False,
) -> Side:
    """The leg that works in this attempt, by the exercise's rule and what the feet did.

    rule : programme.WorkingLeg. `usual` is taken where the feet tell nothing. is_free_foot_raised :
    the free foot drives the exercise, so that a low lift tells, too.
    """
    if is_free_foot_raised and (lifted := _lifted_foot(attempt, track, view)) is not None:
        return other_side(lifted)
    if rule == "front":
        return front_side(attempt, track, view) or usual
    moved = {side: _moved_px(track, side, attempt) for side in SIDES}
    if not all(np.isfinite(v) for v in moved.values()):
        return usual
    if not foot_steps(attempt, track, view):
        # A step toward the camera or away from it moves no foot in the picture. Then the legs
        # are one before the other, and the front one works: it stepped, or it stayed. Only a
        # step back with which the pelvis turns was made by the leg behind.
        is_lunge = rule in ("stepping", "staying") and view.plane != "sagittal"
        front = front_side(attempt, track, view) if is_lunge else None
        turned_deg = pelvis_turn_deg(attempt, track, view.azimuth_deg)
        if front and rule == "stepping" and turned_deg > TURNED_LEAST_DEG:
            return other_side(front)
        return front or usual
    mover: Side = "left" if moved["left"] > moved["right"] else "right"
    if rule == "stepping":
        return mover
    if rule in ("staying", "stance", "on_step"):
        return other_side(mover)
    return usual


def front_side(attempt: Attempt, track: Track, view: View) -> Side | None:
    """The leg whose foot stands in front at the turn, or None where neither clearly does."""
    ankles = track.world_m[attempt.turn, [LANDMARK[s, "ankle"] for s in SIDES]]
    apart_m = float(np.linalg.norm(ankles[0] - ankles[1]))
    ahead_deg = abs(step_direction_deg(attempt, track, view, "left"))
    if not apart_m >= FRONT_LEAST_M or abs(ahead_deg - 90) < FRONT_LEAST_DEG:
        return None
    return "left" if ahead_deg < 90 else "right"


CLEAR_LEAST_SHARE = 2 / 3
"""Feet contradict what was asked for or assumed only where this share of the attempts agree."""


def clearly_working_side(
    attempts: Sequence[Attempt], track: Track, view: View, rule: str, is_hidden: np.ndarray
) -> Side | None:
    """The leg that the feet of most attempts show beyond doubt, seen from the side, or None.

    rule, is_hidden : as for `clearly_works_in`.
    """
    told = [clearly_works_in(a, track, view, rule, is_hidden) for a in attempts]
    for side in SIDES:
        if told and told.count(side) >= CLEAR_LEAST_SHARE * len(told):
            return side
    return None


def clearly_works_in(
    a: Attempt, track: Track, view: View, rule: str, is_hidden: np.ndarray
) -> Side | None:
    """The leg that the feet show beyond doubt to work in an attempt, or None.

    rule : "front", "stance" or "on_step"; is_hidden : samples not to be trusted, bool (n,).

    Notes: a foot that swings away and comes back while the other stays tells it, or a foot that
    stands in front of the other all through the attempt. Two feet that move alike (legs under
    each other's names for a while, steps on and off a step) tell nothing.
    """
    tell = _clearly_front if rule == "front" else _clearly_planted
    return tell(a, track, view, is_hidden)


def _clearly_planted(a: Attempt, track: Track, view: View, is_hidden: np.ndarray) -> Side | None:
    moved: dict[Side, list[float]] = {}
    for side in SIDES:
        foot = np.where(is_hidden[:, None], np.nan, _foot(track, side))
        at_turn = _median_at(foot, a.turn_from, a.turn_to)
        moved[side] = [
            float(np.hypot(*(at_turn - foot[end]))) / view.person_height_px
            for end in (a.start, a.end)
        ]
    for free in SIDES:
        planted = other_side(free)
        least, most = np.min(moved[free]), np.max(moved[planted])
        if least >= MOVED_ALONE_LEAST_SHARE and most < least / 3:  # NaN is neither
            return planted
    return None


def _median_at(points: np.ndarray, start: int, end: int) -> np.ndarray:
    piece = points[start : end + 1]
    piece = piece[np.isfinite(piece).all(axis=1)]
    return np.median(piece, axis=0) if len(piece) else np.full(2, np.nan)


IN_FRONT_LEAST_SHARE = 0.9
"""A foot stands in front all through an attempt: in this share of what is seen of it, and half of
the attempt is seen (split squats of the sample clips: 1.0 with each bundle)."""


def _clearly_front(a: Attempt, track: Track, view: View, is_hidden: np.ndarray) -> Side | None:
    # Two readings that do not share an error: the picture with the way the feet point, and the
    # model's world with the camera's azimuth.
    apart_px = np.where(is_hidden, np.nan, (_foot(track, "left") - _foot(track, "right"))[:, 0])
    ahead = apart_px[a.start : a.end + 1] * view.facing_x / view.person_height_px
    seen = ahead[np.isfinite(ahead)]
    if len(seen) < len(ahead) / 2:
        return None
    is_left = np.mean(seen > MOVED_LEAST_SHARE) >= IN_FRONT_LEAST_SHARE
    is_right = np.mean(seen < -MOVED_LEAST_SHARE) >= IN_FRONT_LEAST_SHARE
    front: Side | None = "left" if is_left else "right" if is_right else None
    return front if front == front_side(a, track, view) else None


def stance_side(
    track: Track, view: View, attempts: Sequence[Attempt], rule: str = "stance"
) -> Side | None:
    """The leg that bears the weight through the attempts, or None where the feet do not tell.

    On the floor it is the one that does not lift. On a step ("on_step") the free foot goes below
    it instead, so it is the one that stays higher over the attempt as a whole.
    """
    votes = 0
    for attempt in attempts:
        lifted = {
            side: float(_foot(track, side)[attempt.start, 1] - _foot(track, side)[attempt.turn, 1])
            for side in SIDES
        }
        higher = {side: float(-_foot(track, side)[attempt.turn, 1]) for side in SIDES}
        gap = (lifted["left"] - lifted["right"]) + (higher["left"] - higher["right"])
        if rule == "on_step":
            # At the turn and at the start together; from the free foot to the one on the step.
            both = {side: 2 * higher[side] - lifted[side] for side in SIDES}
            gap = both["right"] - both["left"]
        if np.isfinite(gap) and abs(gap) > 0.05 * view.person_height_px:
            votes += 1 if gap > 0 else -1
    if votes == 0:
        return None
    return "right" if votes > 0 else "left"


TOP_LEAST_SHARE = 0.03
"""One hip lies above the other where it is this much higher, share of body height (common
practice: hips are about 0.11 apart, and a pelvis may be rolled)."""


def top_side(track: Track, view: View, is_still: np.ndarray) -> Side | None:
    """The side on top of a person who lies on the other one, or None where neither clearly is.

    is_still : bool (n,), where the person rests; all samples where nothing of that is seen.
    """
    left_y, right_y = (track.image_px[:, LANDMARK[s, "hip"], 1] for s in SIDES)
    above = (right_y - left_y) / view.person_height_px
    known = np.isfinite(above)
    seen = above[known & is_still] if (known & is_still).any() else above[known]
    if not len(seen) or abs(np.median(seen)) < TOP_LEAST_SHARE:
        return None
    return "left" if np.median(seen) > 0 else "right"


def more_inward_leg(attempts: Sequence[Attempt], series: Mapping[Side, Series]) -> Side:
    """The leg whose knee moves inward more through the attempts, seen from the front.

    series : of either leg. The left one where neither knee is seen.
    """

    def inward(side: Side) -> float:
        fppa = series[side].fppa_deg
        moved = [np.append(fppa[a.start : a.end + 1] - fppa[a.start], -np.inf) for a in attempts]
        most = [float(np.nanmax(m)) for m in moved]
        return float(np.mean(most)) if most else -np.inf

    return max(SIDES, key=inward)


def step_direction_deg(attempt: Attempt, track: Track, view: View, side: Side) -> float:
    """Direction of the step about the body at rest: 0 ahead, 90 outward, 180 back; NaN unseen.

    From the model's world points: stepping ankle against the other one, at the turn, turned
    into the body's own frame by the azimuth.
    """
    step = _apart_m(attempt, track, side, "ankle")
    if not np.isfinite(step).all():
        # A foot that steps toward the camera may leave the picture; its knee goes the same way.
        step = _apart_m(attempt, track, side, "knee")
    azimuth_rad = np.radians(view.azimuth_deg)
    ahead = -step[0] * np.sin(azimuth_rad) - step[2] * np.cos(azimuth_rad)
    to_left = step[0] * np.cos(azimuth_rad) - step[2] * np.sin(azimuth_rad)
    outward = to_left if side == "left" else -to_left
    return float(np.degrees(np.arctan2(outward, ahead)))


def _apart_m(attempt: Attempt, track: Track, side: Side, joint: str) -> np.ndarray:
    """From the other leg's joint to this one's at the turn, metres, (3,)."""
    own, other = (LANDMARK[s, joint] for s in (side, other_side(side)))
    apart_m: np.ndarray = track.world_m[attempt.turn, own] - track.world_m[attempt.turn, other]
    return apart_m


def pelvis_turn_deg(attempt: Attempt, track: Track, rest_azimuth_deg: float) -> float:
    """How far the pelvis has turned at the turn from its direction at rest, degrees, size only."""
    at_turn = azimuth_samples_deg(track, False, ("hip",))[attempt.turn]
    return float(abs((at_turn - rest_azimuth_deg + 180) % 360 - 180))


def nearest_part(direction_deg: float, turned_deg: float, parts: Sequence[str]) -> str | None:
    """The named direction nearest to a step, or None where the step was not seen.

    A pelvis that turned with the step marks the rotational one: feet alone can't tell it from
    a lateral step taken a little back.
    """
    known = [p for p in parts if p in DIRECTIONS_DEG]
    if not np.isfinite(direction_deg) or not known:
        return None
    if "rotational" in known and np.isfinite(turned_deg):
        if turned_deg > TURNED_LEAST_DEG and abs(direction_deg) > 60:
            return "rotational"
        if abs(direction_deg) < 125:
            known = [p for p in known if p != "rotational"] or known
    return min(known, key=lambda p: abs((direction_deg - DIRECTIONS_DEG[p] + 180) % 360 - 180))


FURTHER_BACK_DEG, FURTHER_TURNED_DEG = 8.0, 3.0
"""Of two steps aside one after the other, the second turned back and out where it points this much
further back and the pelvis turns this much further (chosen on rendered sequences; repeated
lateral steps of one set differ by 2 deg in both)."""


def parts_in_order(
    directions_deg: Sequence[float], turned_deg: Sequence[float], parts: Sequence[str]
) -> list[str | None]:
    """The named direction of each step of a set of sequences.

    directions_deg, turned_deg : of each step, as of `step_direction_deg` and `pelvis_turn_deg`.

    Notes: a camera may show a step back and out too far ahead by itself, and not against the step
    aside just before it.
    """
    told = [nearest_part(*step, parts) for step in zip(directions_deg, turned_deg, strict=True)]
    out = list(told)
    for k in range(1, len(told)):
        is_again = told[k - 1] == told[k] == "lateral" == out[k - 1]
        is_told_next = told[k + 1 : k + 2] == ["rotational"]
        if "rotational" in parts and is_again and not is_told_next:
            further_deg = directions_deg[k] - directions_deg[k - 1]
            turned_further_deg = turned_deg[k] - turned_deg[k - 1]
            if further_deg >= FURTHER_BACK_DEG and turned_further_deg >= FURTHER_TURNED_DEG:
                out[k] = "rotational"
    return out


def number_sequences(parts: Sequence[str | None], order: Sequence[str]) -> list[int]:
    """Number of the sequence that each part belongs to, from 1.

    A new sequence begins where a part comes before the last one in the order. The same part again
    is a repeat within its sequence. One whose direction is not told is taken for the next in order,
    and after the last for the first, where that comes before a part that is not the first; where
    each part is done several times over it is one of those before it.
    """
    places = [order.index(part) if part in order else None for part in parts]
    is_in_blocks = any(a is not None and a == b for a, b in pairwise(places))
    numbers: list[int] = []
    number, last = 0, -1
    for k, place in enumerate(places):
        if place is None:
            following = next((p for p in places[k + 1 :] if p is not None), 0)
            place = last if is_in_blocks else min(last + 1, len(order) - 1)
            if not is_in_blocks and last == len(order) - 1 and following > 0:
                place = 0
        if number == 0 or place < last:
            number += 1
        numbers.append(number)
        last = place
    return numbers
