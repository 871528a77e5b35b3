"""What is worth a look in a repetition: an exercise's look-for list applied to the series.

Each feature is one small function: the setting and the threshold in, the moment (index into
the grid) out, or None when there is nothing to say. The list is closed; programme.FEATURES
names and defines it. Thresholds are the exercise file's.
"""

from collections.abc import Callable, Sequence
from typing import cast

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from formcheck.model.anatomy import LANDMARK, other_side
from formcheck.model.measures import MEASURES
from formcheck.model.programme import LookFor
from formcheck.model.records import Measured, Remark, Value
from formcheck.motion.circumstances import Setting
from formcheck.motion.holds import find_plateau
from formcheck.motion.kinematics import FOOT_SHARE
from formcheck.motion.phases import at_the_turn
from formcheck.motion.track import low_pass

BENT_LEG_LEAST_DEG = 20.0
"""A thigh steeper than this belongs to a bent leg with its foot flat (common practice)."""


def find_remarks(
    look_for: Sequence[LookFor],
    plane: str,
    s: Setting,
    values: Sequence[Value],
    in_set: Sequence[Setting],
) -> tuple[Remark, ...]:
    """Remarks of one repetition, in the exercise file's order.

    values : the repetition's measures; in_set : the settings of all the set's repetitions in time
    order, for what is compared with the set's own first or best. A remark on a measure is made
    only when the whole interval is past the threshold.
    """
    by_key = {v.key: v for v in values}
    out = []
    for look in look_for:
        if look.view != plane:
            continue
        if look.feature in MEASURES:
            at_s = _measure_past(look, by_key.get(look.feature), s)
        else:
            index = FEATURE_FINDERS[look.feature](s, look, in_set)
            at_s = None if index is None else float(s.series.time_s[index])
        if at_s is not None:
            out.append(Remark(code=look.code, at_s=at_s))
    return tuple(out)


def _measure_past(look: LookFor, value: Value | None, s: Setting) -> float | None:
    if not isinstance(value, Measured):
        return None
    past = (look.above is not None and value.low > look.above) or (
        look.below is not None and value.high < look.below
    )
    if not past:
        return None
    return float(s.series.time_s[s.attempt.turn]) if value.at_s is None else value.at_s


def _above(look: LookFor) -> float:
    """The feature's `above`: a file that leaves it out is refused."""
    return cast(float, look.above)


def _below(look: LookFor) -> float:
    """The feature's `below`: a file that leaves it out is refused."""
    return cast(float, look.below)


def _earlier(s: Setting, in_set: Sequence[Setting]) -> list[Setting]:
    return [e for e in in_set if e.attempt.start < s.attempt.start]


def _span(s: Setting) -> slice:
    return slice(s.attempt.start, s.attempt.end + 1)


def _trusted(s: Setting, values: np.ndarray) -> np.ndarray:
    """The series without the samples at which the working leg is not to be trusted."""
    return np.where(s.is_hidden, np.nan, values)


def _rest_value(s: Setting, values: np.ndarray) -> float:
    n = round(s.settings.rest_window_s * s.series.grid_hz)
    piece = values[max(s.attempt.start - n, 0) : s.attempt.start + 2]
    known = piece[np.isfinite(piece)]
    return float(np.median(known)) if len(known) else float("nan")


def _rises_above_rest(s: Setting, values: np.ndarray, above: float) -> int | None:
    """Where a series stands furthest above its value at rest, if by more than `above`."""
    values = _trusted(s, values)
    piece = values[_span(s)] - _rest_value(s, values)
    if not np.isfinite(piece).any():
        return None
    at = int(np.nanargmax(piece))
    return s.attempt.start + at if piece[at] > above else None


def _hold_broken(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    driving = _trusted(s, s.driving)
    plateau = find_plateau(driving, s.attempt, s.series.grid_hz, _band(s))
    if plateau is None:
        return None
    away = np.abs(driving[s.attempt.start : s.attempt.end + 1] - plateau.level)
    near = np.flatnonzero(away <= _band(s))
    left = np.flatnonzero(away[near[0] : near[-1]] > 2 * _band(s))
    return s.attempt.start + int(near[0] + left[0]) if len(left) else None


def _band(s: Setting) -> float:
    if s.driving_unit == "deg":
        return s.repetition.plateau_band_deg
    return s.repetition.plateau_band_share * s.attempt.range


LEAVING_SHARE = 0.25
"""A hold is over where the way back goes faster than this share of its fastest (chosen on sample
clips, decision 6): a slow slide is still the hold, and ends it lower than any plateau shows."""


def _end_of_hold(s: Setting) -> int:
    a, b = s.attempt.turn_to, s.attempt.end
    speed = np.abs(np.gradient(low_pass(s.driving, s.series.grid_hz, 2.0)))[a : b + 1]
    if not np.isfinite(speed).any():
        return a
    fastest = int(np.nanargmax(speed))
    slow = np.flatnonzero(speed[: fastest + 1] < LEAVING_SHARE * speed[fastest])
    return a + int(slow[-1]) if len(slow) else a


def _change_over_hold(s: Setting, values: np.ndarray) -> tuple[float, int]:
    plateau = find_plateau(s.driving, s.attempt, s.series.grid_hz, _band(s))
    a, b = s.attempt.turn_from, _end_of_hold(s)
    if plateau is not None:
        a, b = min(a, plateau.start), max(b, plateau.end)
    n = max((b - a) // 5, 1)
    values = _trusted(s, values)
    first, last = values[a : a + n], values[b - n + 1 : b + 1]
    if not np.isfinite(first).any() or not np.isfinite(last).any():
        return 0.0, b
    return float(np.nanmedian(last) - np.nanmedian(first)), b


def _slides_up(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    change, at = _change_over_hold(s, s.series.knee_flexion_deg)
    return at if change < -_above(look) else None


def _hips_sag(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    change, at = _change_over_hold(s, s.series.trunk_thigh_deg)
    return at if change > _above(look) else None


def _turn_is_seen(s: Setting) -> bool:
    """Whether nothing is missing or astray at the turn: its depth and its limits are known."""
    turn = slice(s.attempt.turn_from, s.attempt.turn_to + 1)
    return bool(np.isfinite(_trusted(s, s.driving)[turn]).all())


def _at_the_turn(s: Setting) -> tuple[int, int]:
    return at_the_turn(s.driving if s.is_rising else -s.driving, s.attempt)


def _lowering_faster(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    a, (turn_from, turn_to) = s.attempt, _at_the_turn(s)
    first, last = turn_from - a.start, a.end - turn_to
    lowering, raising = (first, last) if s.first_phase == "lowering" else (last, first)
    is_known = a.is_complete and _turn_is_seen(s)
    if not raising or not is_known or lowering / raising >= _below(look):
        return None
    return a.start if s.first_phase == "lowering" else turn_to


def _quick_turn(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    a, (turn_from, turn_to) = s.attempt, _at_the_turn(s)
    pause_s = (turn_to - turn_from) / s.series.grid_hz
    return a.turn if a.is_complete and _turn_is_seen(s) and pause_s < _below(look) else None


def _fades(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    best = max((e.attempt.range for e in _earlier(s, in_set)), default=None)
    is_known = s.attempt.is_complete and _turn_is_seen(s)
    if best is None or not is_known or s.attempt.range >= _below(look) * best:
        return None
    return s.attempt.turn


ANKLE_LEAST_SHARE = 0.7
"""Who lifts the heel turns the foot about its ball, which takes the ankle up by some 0.8 of the
heel's rise (heel to ball 0.73 and ankle to ball 0.56 of the foot: common practice)."""
LIFTED_LEAST_S = 0.2
"""A landmark that jumps is back sooner (common practice)."""


def _heel_lifts(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    """A heel that lifts rises over the toes and from its place, and takes the ankle with it
    (decision 88)."""
    toe, heel, ankle = (_rise_in_feet(s, j) for j in ("toe", "heel", "ankle"))
    lifted = np.minimum(np.minimum(heel - toe, heel), ankle / ANKLE_LEAST_SHARE)[_span(s)]
    n = max(1, round(LIFTED_LEAST_S * s.series.grid_hz))
    if len(lifted) < n or not np.isfinite(lifted).any():
        return None
    lasting = np.min(sliding_window_view(np.nan_to_num(lifted, nan=-np.inf), n), axis=1)
    at = int(np.argmax(lasting))
    return s.attempt.start + at + n // 2 if lasting[at] > _above(look) else None


def _rise_in_feet(s: Setting, joint: str) -> np.ndarray:
    """How far a joint of the working leg is above its place at rest, foot lengths, (n,)."""
    y = s.track.image_px[:, LANDMARK[s.series.side, joint], 1]
    up = _trusted(s, -y / s.series.foot_length_px)
    return up - _rest_value(s, up)


def _knee_bends(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    return _rises_above_rest(s, s.series.knee_flexion_deg, _above(look))


def _thigh_lifts(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    return _rises_above_rest(s, -s.series.thigh_inclination_deg, _above(look))


def _trunk_leans_further(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    # A repetition that the clip cuts may turn half way, where the trunk leans less.
    values = _trusted(s, s.series.trunk_inclination_deg)
    at_turns = [values[e.attempt.turn] for e in _earlier(s, in_set) if e.attempt.is_complete]
    known = [v for v in at_turns if np.isfinite(v)]
    if not known:
        return None
    return s.attempt.turn if values[s.attempt.turn] - known[0] > _above(look) else None


def _trunk_leans_back(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    return _rises_above_rest(s, -s.series.trunk_inclination_deg, _above(look))


def _leg_passes_other_thigh(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    far = other_side(s.series.side)
    hip, knee = (s.track.image_px[:, LANDMARK[far, j]] for j in ("hip", "knee"))
    thigh = np.degrees(np.arctan2(hip[:, 1] - knee[:, 1], np.abs(knee[:, 0] - hip[:, 0])))
    known = thigh[_span(s)][np.isfinite(thigh[_span(s)])]
    if not len(known) or np.median(known) <= BENT_LEG_LEAST_DEG:
        return None  # the other leg lies flat, so there is no bent thigh to pass
    past = _trusted(s, s.series.leg_elevation_deg - thigh)[_span(s)]
    if not np.isfinite(past).any():
        return None
    at = int(np.nanargmax(past))
    return s.attempt.start + at if past[at] > _above(look) else None


PUSH_MOST_DEG = 45.0
"""Hands push on the thighs to stand up until these are this steep (common practice: half way);
later arms that hang pass the thighs, too."""
WRIST_ABOVE_SHARE = 0.28
"""How far above the thigh's axis the wrist of a hand lies that rests on it, share of the thigh's
length: half of the thigh's thickness, and the wrist's (decision 50). A hand beside the thigh is at
the height of the axis, or under it."""


def _hands_on_thighs(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    side = s.series.side
    wrist, hip, knee = (s.track.image_px[:, LANDMARK[side, j]] for j in ("wrist", "hip", "knee"))
    along = knee - hip
    length = np.linalg.norm(along, axis=1)
    share = np.sum((wrist - hip) * along, axis=1) / length**2
    up = np.stack([along[:, 1], -along[:, 0]], axis=1) * np.sign(along[:, :1])
    on_thigh = hip + along * np.clip(share, 0.2, 1.0)[:, None] + WRIST_ABOVE_SHARE * up
    away = _trusted(s, np.linalg.norm(wrist - on_thigh, axis=1) / length)
    is_on = away < _below(look)
    looked_at = np.zeros(len(away), bool)
    if s.first_phase == "raising":
        looked_at[s.attempt.start : s.attempt.turn_from + 1] = True
        steep_deg = np.degrees(np.arctan2(np.abs(along[:, 1]), np.abs(along[:, 0])))
        looked_at &= steep_deg < PUSH_MOST_DEG
        least_s, at = 0.2, s.attempt.start
    else:
        looked_at[s.attempt.turn_from : s.attempt.turn_to + 1] = True
        least_s, at = 0.5, s.attempt.turn
    known = is_on[looked_at & np.isfinite(away)]
    if len(known) < least_s * s.series.grid_hz or np.mean(known) < 0.7:
        return None
    return at


def _does_not_reach_seat(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    if not s.attempt.is_complete:
        return None  # the clip cuts it, so how it ends is not known
    seated = in_set[0].attempt.rest_before
    return s.attempt.end if s.attempt.rest_after - seated > _above(look) else None


def _not_fully_up(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    best = max(e.attempt.extreme for e in in_set)
    is_known = s.attempt.is_complete and _turn_is_seen(s)
    if not is_known or best - s.attempt.extreme <= _above(look):
        return None
    return s.attempt.turn


def _shrinks(s: Setting, length: np.ndarray, above: float) -> int | None:
    length = _trusted(s, length)
    rest = _rest_value(s, length)
    piece = length[_span(s)]
    if not np.isfinite(rest) or rest <= 0 or not np.isfinite(piece).any():
        return None
    at = int(np.nanargmin(piece))
    return s.attempt.start + at if 1 - piece[at] / rest > above else None


def _pelvis_rolls_back(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    left, right = (s.track.image_px[:, LANDMARK[x, "hip"]] for x in ("left", "right"))
    return _shrinks(s, np.linalg.norm(left - right, axis=1), _above(look))


def _leg_drifts_forward(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    hip, ankle = (s.track.image_px[:, LANDMARK[s.series.side, j]] for j in ("hip", "ankle"))
    return _shrinks(s, np.linalg.norm(hip - ankle, axis=1), _above(look))


def _toes_turn_up(s: Setting, look: LookFor, in_set: Sequence[Setting]) -> int | None:
    heel, toe = (s.track.image_px[:, LANDMARK[s.series.side, j]] for j in ("heel", "toe"))
    # A foot that points at the camera has no direction in the picture, so its rise is taken
    # against its full length.
    full_px = FOOT_SHARE * s.view.person_height_px
    up = np.degrees(np.arcsin(np.clip((heel - toe)[:, 1] / full_px, -1, 1)))
    return _rises_above_rest(s, up, _above(look))


FEATURE_FINDERS: dict[str, Callable[[Setting, LookFor, Sequence[Setting]], int | None]] = {
    "hold_broken": _hold_broken,
    "slides_up": _slides_up,
    "hips_sag": _hips_sag,
    "lowering_faster_than_raising": _lowering_faster,
    "quick_turn": _quick_turn,
    "fades": _fades,
    "heel_lifts": _heel_lifts,
    "knee_bends": _knee_bends,
    "thigh_lifts": _thigh_lifts,
    "trunk_leans_further": _trunk_leans_further,
    "trunk_leans_back": _trunk_leans_back,
    "leg_passes_other_thigh": _leg_passes_other_thigh,
    "hands_on_thighs": _hands_on_thighs,
    "does_not_reach_seat": _does_not_reach_seat,
    "not_fully_up": _not_fully_up,
    "pelvis_rolls_back": _pelvis_rolls_back,
    "leg_drifts_forward": _leg_drifts_forward,
    "toes_turn_up": _toes_turn_up,
}
