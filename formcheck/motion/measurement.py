"""From series and an attempt to the measures of a repetition, each with its interval.

One function computes every measure of the vocabulary; an exercise file only names which.
"""

import numpy as np

from formcheck.model.codes import RefusalCode, values_of
from formcheck.model.intervals import (
    FRONT_LEAK,
    azimuth_part,
    bent_to_straight_part,
    front_leak_part,
    grain_part,
    hips_away_part,
    measured,
    model_parts,
    pelvis_hidden_part,
    projected_flexion_deg,
    raised_leg_part,
    shortened_part,
    tilt_part,
)
from formcheck.model.measures import MEASURES, is_supported
from formcheck.model.records import NotMeasurable, Part, Value
from formcheck.motion import distances, timing  # noqa: F401  their functions read measures too
from formcheck.motion.camera import mid, off_side_deg, plane_to_film
from formcheck.motion.circumstances import (
    LARGEST_OF_MANY,
    UNSEEN_TILT_DEG,
    Setting,
    apart_px,
    degrees_per_px,
    driving_change_parts,
    front_leak,
    jitter_part,
    knee_value,
    middles_jitter_part,
    off_front_deg,
    off_front_share,
    peak_part,
    picture_jitter_part,
    plane_loss_deg,
    plane_part,
    thigh_seen_share,
    trunk_px,
)
from formcheck.motion.distances import in_cm, scaled_part, stature_cm
from formcheck.motion.kinematics import long_length_px
from formcheck.motion.readers import READERS, Read, reads
from formcheck.motion.readings import (
    HIDDEN,
    at_rest_before,
    at_standing,
    at_turn,
    is_rest_seen,
    largest_at,
    largest_with_rests,
    moment_s,
    rests_beside,
    seen_enough,
    stretch,
)
from formcheck.motion.track import low_pass

_LEG_ANGLES = {"thigh_inclination_deg": ("hip", "knee"), "shank_inclination_deg": ("knee", "ankle")}
"""Inclinations of the leg's segments at the turn: key -> the segment's joints."""

FRONT_LEAK_MOST_DEG = 10.0
"""A projection angle is refused where the camera off the front may shift it by more (standard
uncertainty): it would say nothing of the knee (chosen on sample clips, decision 7)."""
OFF_FRONT: RefusalCode = "camera_off_front"
LEG_AHEAD: RefusalCode = "leg_ahead_of_hips"
BENT_AT_REST: RefusalCode = "bent_at_rest"
LEG_PLANE_MOST_DEG = 7.5
"""An angle of the leg is refused where its plane leaves more of it in doubt (standard uncertainty):
half a right angle between the ends of the interval would say nothing of depth (decision 60)."""
OUT_OF_PICTURE: RefusalCode = "leg_out_of_picture"

LIFTED_LEAST_SHARE = 0.2
"""The leg is raised from this share of its rise on (common practice: clear of the bed)."""


def measure(key: str, s: Setting) -> Value:
    """One measure of one repetition with its interval, or why it cannot be had.

    Raises KeyError for a key that is not in the vocabulary.
    """
    if not is_supported(key, s.view.plane, s.position):
        seen_and_wanted = values_of(plane=s.view.plane, wanted=plane_to_film(key, s.position))
        return NotMeasurable(key=key, code="view_not_fit", values=seen_and_wanted)
    if key in ("knee_over_toe_cm", "leg_elevation_peak_cm") and s.stature_cm is None:
        return NotMeasurable(key=key, code="stature_missing")
    value = CUT if _is_cut_away(key, s) else READERS[key](key, s)
    if isinstance(value, str):
        return NotMeasurable(key=key, code=value)
    return value


CUT: RefusalCode = "repetition_cut"


def _is_cut_away(key: str, s: Setting) -> bool:
    """Whether the part of the repetition that a measure is read from lies outside the clip."""
    a = s.attempt
    if key in ("lowering_s", "raising_s"):
        is_first = (key == "lowering_s") == (s.first_phase == "lowering")
        return a.is_cut_before if is_first else a.is_cut_after
    if key == "rest_s" or MEASURES[key].at == "set":
        return False
    near = max(1, round(0.1 * s.series.grid_hz))
    return (a.is_cut_before and a.turn_from <= a.start + near) or (
        a.is_cut_after and a.turn_to >= a.end - near
    )


def is_out_of_picture(standard: np.ndarray | None, at: int) -> bool:
    """Whether the leg's plane leaves too much in doubt at grid index `at`; standard : (n,)."""
    return standard is not None and bool(standard[at] > LEG_PLANE_MOST_DEG)


def _is_at_rest(s: Setting, signal: str, sign: float) -> bool:
    """Whether the exercise is told by this signal and goes the other way, from where sign times
    the signal is largest."""
    return s.driving_signal == signal and s.is_rising != (sign > 0)


@reads("knee_flexion_peak_deg", "knee_flexion_least_deg")
def _knee_peak(key: str, s: Setting) -> Read:
    sign = 1.0 if key == "knee_flexion_peak_deg" else -1.0
    furthest = largest_with_rests(
        s, sign * s.series.knee_flexion_deg, is_at_rest=_is_at_rest(s, "knee_flexion", sign)
    )
    if furthest is None:
        return HIDDEN
    at, value = furthest[0], sign * furthest[1]
    if is_out_of_picture(s.series.knee_flexion_standard_deg, at):
        return OUT_OF_PICTURE
    value, parts = knee_value(s, value, at)
    parts.append(peak_part(s, s.series.knee_flexion_deg, at))
    return measured(key, value, parts, moment_s(s, at))


@reads("knee_flexion_gain_deg")
def _knee_gain(key: str, s: Setting) -> Read:
    piece = stretch(s, s.series.knee_flexion_deg)
    rest = at_rest_before(s, s.series.knee_flexion_deg)
    if not seen_enough(s, piece):
        return HIDDEN
    if not np.isfinite(rest):
        return CUT
    raised = s.driving[s.attempt.start : s.attempt.end + 1]
    # The first sample may lie in a gap that was bridged to find the attempt.
    known = np.isfinite(raised)
    if not known.any():
        return HIDDEN
    risen = np.abs(raised - raised[known][0])
    lifted = risen > LIFTED_LEAST_SHARE * np.max(risen[known])
    while_raised = np.where(lifted, piece, np.nan)
    if not np.isfinite(while_raised).any():
        return HIDDEN
    at = largest_at(s, np.where(lifted | ~np.isfinite(piece), piece, np.nanmin(piece)))
    if at is None:
        return HIDDEN
    parts = [
        *model_parts("knee_flexion", is_change=True),
        raised_leg_part(),
        jitter_part(s, ("hip", "knee", "ankle"), s.series.thigh_px, s.series.shank_px),
        peak_part(s, s.series.knee_flexion_deg, s.attempt.start + at),
    ]
    return measured(key, float(piece[at]) - rest, parts, moment_s(s, s.attempt.start + at))


@reads(*_LEG_ANGLES)
def _leg_angle_at_turn(key: str, s: Setting) -> Read:
    quantity = key.removesuffix("_deg")
    length_px = s.series.thigh_px if key == "thigh_inclination_deg" else s.series.shank_px
    parts = [
        jitter_part(s, _LEG_ANGLES[key], length_px),
        shortened_part(quantity, s.series.leg_seen_share),
        tilt_part(s.view.roll_deg),
    ]
    return _sagittal_at_turn(key, s, parts)


@reads("trunk_inclination_deg")
def _trunk_at_turn(key: str, s: Setting) -> Read:
    jitter = middles_jitter_part(s, ("hip", "shoulder"), trunk_px(s))
    return _sagittal_at_turn(key, s, [jitter, tilt_part(s.view.roll_deg)])


@reads("trunk_thigh_deg")
def _trunk_thigh_at_turn(key: str, s: Setting) -> Read:
    jitter = jitter_part(s, ("shoulder", "hip", "knee"), trunk_px(s), s.series.thigh_px)
    return _sagittal_at_turn(key, s, [jitter])


@reads("trunk_swing_leg_line_deg")
def _swing_leg_at_turn(key: str, s: Setting) -> Read:
    per_px = degrees_per_px(trunk_px(s), s.series.leg_length_px)
    return _sagittal_at_turn(key, s, [picture_jitter_part(s, ("shoulder", "hip", "ankle"), per_px)])


def _sagittal_at_turn(key: str, s: Setting, more_parts: list[Part]) -> Read:
    """An angle of a side view at the turn, with what its plane leaves in doubt."""
    own = getattr(s.series, key.replace("_deg", "_standard_deg"), None)
    value = at_turn(s, getattr(s.series, key))
    if not np.isfinite(value):
        return HIDDEN
    if is_out_of_picture(own, s.attempt.turn):
        return OUT_OF_PICTURE
    plane = plane_part(own, s.attempt.turn, plane_loss_deg(s, min(abs(value), 90 - abs(value))))
    parts = [*model_parts(key.removesuffix("_deg")), plane, *more_parts]
    return measured(key, value, parts, moment_s(s, s.attempt.turn))


@reads("fppa_at_turn_deg")
def _fppa_at_turn(key: str, s: Setting) -> Read:
    value = at_turn(s, s.series.fppa_deg)
    if not np.isfinite(value):
        return HIDDEN
    if s.is_split:
        return LEG_AHEAD
    leak = front_leak("fppa", s, s.attempt.turn)
    if leak.standard > FRONT_LEAK_MOST_DEG:
        return OFF_FRONT
    parts = [
        *model_parts("fppa"),
        leak,
        shortened_part("fppa", thigh_seen_share(s, s.attempt.turn)),
        jitter_part(s, ("hip", "knee", "ankle"), s.series.thigh_px, s.series.shank_px),
    ]
    return measured(key, value, parts, moment_s(s, s.attempt.turn))


@reads("fppa_peak_deg", "fppa_change_deg")
def _fppa_peak(key: str, s: Setting) -> Read:
    if s.is_split:
        return LEG_AHEAD
    if key == "fppa_change_deg" and s.driving_signal == "hip_height" and s.is_rising:
        return BENT_AT_REST
    piece = stretch(s, s.series.fppa_deg)
    at = largest_at(s, piece)
    if at is None:
        return HIDDEN
    jitter = jitter_part(s, ("hip", "knee", "ankle"), s.series.thigh_px, s.series.shank_px)
    leak = front_leak("fppa", s, s.attempt.start + at)
    if leak.standard > FRONT_LEAK_MOST_DEG:
        return OFF_FRONT
    seen = [jitter, leak, peak_part(s, s.series.fppa_deg, s.attempt.start + at)]
    if key == "fppa_change_deg":
        start = at_rest_before(s, s.series.fppa_deg)
        if not np.isfinite(start):
            return CUT
        parts = [*model_parts("fppa", is_change=True), *seen]
        return measured(key, float(piece[at]) - start, parts, moment_s(s, s.attempt.start + at))
    shortened = shortened_part("fppa", thigh_seen_share(s, s.attempt.start + at))
    parts = [*model_parts("fppa"), shortened, *seen]
    return measured(key, float(piece[at]), parts, moment_s(s, s.attempt.start + at))


PELVIS_CUT_OFF_HZ = 2.0
"""The hips' line is smoothed to this before its largest is taken: a pelvis sinks with its body, in
half a second and more, and the largest of what is faster is the model's wandering (decision 70)."""
PELVIS_LEAK_MOST_DEG = 2.0
"""Pelvic obliquity is refused where view and lean together may turn the hip line by more (standard
uncertainty): the drop of a pelvis that is looked for is 5 deg and more (decision 62)."""
OFF_FRONT_LEANING: RefusalCode = "trunk_leans_off_front"


@reads("pelvic_obliquity_peak_deg")
def _obliquity(key: str, s: Setting) -> Read:
    """The pelvis is found by the trunk on it: what the camera stands off the front is taken for a
    turn about the trunk's own axis, which in a trunk that leans is partly a drop of one hip."""
    leak_deg = None
    if s.series.trunk_ahead_deg is not None:
        leak_deg = off_front_deg(s) * np.sin(np.radians(s.series.trunk_ahead_deg))
    values = low_pass(s.series.pelvic_obliquity_deg, s.series.grid_hz, PELVIS_CUT_OFF_HZ)
    value = _largest_in_size(
        key,
        s,
        values,
        quantity="pelvic_obliquity",
        zero=at_standing(s, s.series.pelvic_obliquity_deg),
        more_parts=() if s.series.is_two_leg else (pelvis_hidden_part(_most_lean_deg(s)),),
        joints=("hip",),
        deg_per_px=degrees_per_px(apart_px(s, "hip")),
        leak_deg=leak_deg,
    )
    if leak_deg is not None:
        within = leak_deg[s.attempt.start : s.attempt.end + 1]
        most = PELVIS_LEAK_MOST_DEG * np.sqrt(3)
        if np.isfinite(within).any() and np.nanmax(within) > most:
            return OFF_FRONT_LEANING
    return value


def _most_lean_deg(s: Setting) -> float:
    """The most that the trunk leans to the camera in a repetition; 0 where it is not known."""
    if s.series.trunk_ahead_deg is None:
        return 0.0
    lean = s.series.trunk_ahead_deg[s.attempt.start : s.attempt.end + 1]
    return float(np.nanmax(lean)) if np.isfinite(lean).any() else 0.0


TRUNK_LEAK_MOST_DEG = 6.0
"""A lean to the side is refused where a lean ahead may pass for more of it (standard uncertainty):
a squat seen from behind and 20 deg aside read 28 deg for none."""


@reads("trunk_lateral_inclination_peak_deg")
def _lateral_trunk(key: str, s: Setting) -> Read:
    trunk = mid(s.track, "shoulder") - mid(s.track, "hip")
    full_px = long_length_px(mid(s.track, "hip"), mid(s.track, "shoulder"))
    seen_px = np.linalg.norm(trunk, axis=1)
    ahead_px = np.sqrt(np.maximum(full_px**2 - seen_px**2, 0)) * off_front_share(s)
    leak_deg = np.degrees(np.arctan2(ahead_px, np.maximum(seen_px, 1.0)))
    tilt = tilt_part(max(abs(s.view.roll_deg), UNSEEN_TILT_DEG))
    rest = at_standing(s, s.series.trunk_lateral_inclination_deg)
    value = _largest_in_size(
        key,
        s,
        s.series.trunk_lateral_inclination_deg,
        quantity="trunk_lateral_inclination",
        zero=0.0,
        more_parts=(tilt, grain_part(degrees_per_px(full_px))),
        joints=("hip", "shoulder"),
        deg_per_px=degrees_per_px(full_px),
        leak_deg=leak_deg,
        # What may be the camera's own tilt does not choose the side that the trunk leans to.
        rest=rest if abs(rest) <= 2 * UNSEEN_TILT_DEG else 0.0,
    )
    parts = () if isinstance(value, str) else value.parts
    leak = next((p.standard for p in parts if p.name == FRONT_LEAK), 0.0)
    return OFF_FRONT_LEANING if leak > TRUNK_LEAK_MOST_DEG else value


def _largest_in_size(
    key: str,
    s: Setting,
    values: np.ndarray,
    *,
    quantity: str,
    zero: float,
    more_parts: tuple[Part, ...],
    joints: tuple[str, ...],
    deg_per_px: float,
    leak_deg: np.ndarray | None = None,
    rest: float = 0.0,
) -> Read:
    piece = stretch(s, values) - zero
    at = largest_at(s, np.abs(piece - rest))
    if at is None:
        return HIDDEN
    parts = [
        *model_parts(quantity, is_change=zero != 0.0),
        *more_parts,
        picture_jitter_part(s, joints, LARGEST_OF_MANY * deg_per_px),
    ]
    if leak_deg is not None:
        parts.append(front_leak_part(float(np.nan_to_num(leak_deg[s.attempt.start + at]))))
    return measured(key, float(piece[at]), parts, moment_s(s, s.attempt.start + at))


def _hips_away(s: Setting) -> tuple[Part, ...]:
    """What the hips' way along the line of sight leaves in doubt of their way down."""
    if s.series.hip_height_standard_share is None:
        return ()
    standard = stretch(s, s.series.hip_height_standard_share)
    return (hips_away_part(float(np.nanmax(standard))),) if np.isfinite(standard).any() else ()


@reads("hip_drop_share")
def _hip_drop(key: str, s: Setting) -> Read:
    value = at_standing(s, s.series.hip_height_share) - at_turn(s, s.series.hip_height_share)
    if not np.isfinite(value):
        return HIDDEN
    parts = [
        *model_parts("hip_drop"),
        *_hips_away(s),
        picture_jitter_part(s, ("hip", "ankle"), 1 / s.series.leg_length_px),
    ]
    return measured(key, value, parts, moment_s(s, s.attempt.turn))


@reads("leg_elevation_peak_deg", "leg_elevation_peak_cm")
def _elevation(key: str, s: Setting) -> Read:
    # In side lying the leg rises in the plane that a camera before the body sees.
    is_side_lying = s.position == "side_lying"
    values = s.series.leg_abduction_deg if is_side_lying else s.series.leg_elevation_deg
    if key == "leg_elevation_peak_cm":
        values = s.series.heel_rise_px * (stature_cm(s) / s.view.person_height_px)
    piece, rest = stretch(s, values), at_rest_before(s, values)
    at = largest_at(s, piece)
    if at is None or not np.isfinite(rest):
        return HIDDEN if at is None else CUT
    value, at_s = float(piece[at]) - rest, moment_s(s, s.attempt.start + at)
    peak = peak_part(s, values, s.attempt.start + at)
    length_px = s.series.leg_length_px
    if key == "leg_elevation_peak_cm":
        # The heel goes along an arc about the hip: what is in doubt of the angle, that far out.
        arc_cm = length_px * stature_cm(s) / s.view.person_height_px
        deg = float(np.degrees(np.arcsin(np.clip(value / arc_cm, -1, 1))))
        parts = [scaled_part(p, np.radians(1) * arc_cm) for p in _elevation_parts(s, deg)]
        return in_cm(key, measured(key, value, [*parts, peak], at_s), 1.0)
    return measured(key, value, [*_elevation_parts(s, value), peak], at_s)


def _elevation_parts(s: Setting, rise_deg: float) -> list[Part]:
    return [
        *model_parts("leg_elevation", is_change=True),
        jitter_part(s, ("hip", "ankle"), s.series.leg_length_px),
        azimuth_part(plane_loss_deg(s, rise_deg) * 0.5),
    ]


FLAT_FOOT_SHARE = 0.1
"""Rests whose heels lie within this of the most level one are the same flat stance (share of foot
length; common practice: the jitter of a foot's landmarks)."""
FLAT_FOOT_MOST_SHARE = 0.25
"""A heel further than this above or below the toes at every rest never stood flat
(common practice: a shoe's heel is a few centimetres high)."""
NO_FLAT_FOOT: RefusalCode = "no_flat_foot"


def _flat_foot(s: Setting) -> float | None:
    """Heel height of flat-foot standing: of the rests the one with the heel most level.

    Who works on a step's edge rests with the heel dropped more often than flat.
    """
    heel = s.series.heel_height_share
    known = heel[s.standing & ~s.is_hidden & np.isfinite(heel)]
    if len(known) < s.series.grid_hz / 3:
        return at_rest_before(s, heel)
    level = float(known[np.argmin(np.abs(known))])
    if abs(level) > FLAT_FOOT_MOST_SHARE:
        return None
    return float(np.median(known[np.abs(known - level) <= FLAT_FOOT_SHARE]))


@reads("heel_height_peak_share", "heel_drop_share")
def _heel(key: str, s: Setting) -> Read:
    zero = _flat_foot(s)
    if zero is None:
        return NO_FLAT_FOOT
    up = key == "heel_height_peak_share"
    heel = s.series.heel_height_share - zero
    sign = 1.0 if up else -1.0
    furthest = largest_with_rests(s, sign * heel, is_at_rest=_is_at_rest(s, "heel_height", sign))
    if furthest is None:
        return HIDDEN
    at, value = furthest
    value = value if up else max(value, 0.0)
    parts = [
        *model_parts("heel_height"),
        picture_jitter_part(s, ("heel", "toe"), LARGEST_OF_MANY / s.series.foot_length_px),
    ]
    return measured(key, value, parts, moment_s(s, at))


@reads("ankle_dorsiflexion_peak_deg")
def _dorsiflexion(key: str, s: Setting) -> Read:
    zero = _flat_foot(s)
    if zero is None:
        return NO_FLAT_FOOT
    shank = stretch(s, s.series.shank_inclination_deg)
    heel = stretch(s, s.series.heel_height_share) - zero
    if not seen_enough(s, heel) or not np.isfinite(shank).any():
        return HIDDEN
    with np.errstate(invalid="ignore"):
        is_up = heel > FLAT_FOOT_SHARE
    if np.all(is_up | ~np.isfinite(heel)):
        return NO_FLAT_FOOT
    # With the heel up the shank says nothing of the ankle; what was not seen stays a gap.
    at = largest_at(s, np.where(is_up & np.isfinite(shank), np.nanmin(shank), shank))
    if at is None:
        return HIDDEN
    value = float(shank[at])
    parts = [
        *model_parts("shank_inclination"),
        jitter_part(s, ("knee", "ankle"), s.series.shank_px),
        azimuth_part(plane_loss_deg(s, min(abs(value), 90 - abs(value)))),
        tilt_part(s.view.roll_deg),
        peak_part(s, s.series.shank_inclination_deg, s.attempt.start + at),
    ]
    return measured(key, value, parts, moment_s(s, s.attempt.start + at))


@reads("range_deg", "range_share")
def _range(key: str, s: Setting) -> Read:
    wanted = "deg" if key == "range_deg" else "share"
    if s.driving_unit != wanted:
        return "other_unit"
    piece = stretch(s, s.driving)
    if largest_at(s, piece if s.is_rising else -piece) is None or not is_rest_seen(s, s.driving):
        return HIDDEN
    levels = [*piece[np.isfinite(piece)], *(level for _, level in rests_beside(s, s.driving))]
    largest, least = float(max(levels)), float(min(levels))
    value = largest - least
    if wanted == "share":
        of_heel = s.driving_signal == "heel_height"
        length_px = s.series.foot_length_px if of_heel else s.series.leg_length_px
        parts = [
            *model_parts("heel_height" if of_heel else "hip_drop"),
            *(_hips_away(s) if s.driving_signal == "hip_height" else ()),
            picture_jitter_part(
                s, ("heel", "toe") if of_heel else ("hip",), LARGEST_OF_MANY / length_px
            ),
        ]
        return measured(key, value, parts)
    if s.driving_signal != "knee_flexion":
        return measured(key, value, driving_change_parts(s, value))
    # Not a change about one posture: landmarks sit differently at a bent and a straight knee,
    # so what is shared through the clip does not cancel between the two ends of a range.
    loss = value - projected_flexion_deg(min(value, 175.0), off_side_deg(s.view.azimuth_deg))
    shared = [p for p in model_parts("knee_flexion") if p.kind == "shared"]
    parts = [
        *shared,
        *model_parts("knee_flexion", is_change=True),
        bent_to_straight_part(least, largest),
        plane_part(s.series.knee_flexion_standard_deg, s.attempt.turn, loss),
        shortened_part("knee_flexion", s.series.leg_seen_share),
        jitter_part(s, ("hip", "knee", "ankle"), s.series.thigh_px, s.series.shank_px),
    ]
    return measured(key, value, parts)


@reads("n_in_30_s", "time_for_five_s")
def _of_the_set(key: str, s: Setting) -> Read:
    return "of_the_set"
