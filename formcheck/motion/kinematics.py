"""Angles and distances over time, from landmarks in the picture. Pure functions of arrays.

Positions are (n, 2) pixels, x to the right, y down. `sense` is +1 where a person facing the
right of the picture would turn the joint the same way, -1 for the left (camera.facing_sense).
NaN in, NaN out. Zero and sign of every measure are those of measures.py.
"""

from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES, Side, other_side
from formcheck.model.records import Track, View
from formcheck.motion.camera import mid
from formcheck.motion.front_view import FrontView
from formcheck.motion.leg_plane import LegPlane, hip_at_length
from formcheck.motion.planted import planted_y


def _cross(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    cross: np.ndarray = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return cross


def _dot(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    dot: np.ndarray = np.sum(a * b, axis=-1)
    return dot


def signed_angle_deg(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Rotation from direction a to direction b, degrees in (-180, 180], clockwise positive.

    a, b : (n, 2). Clockwise as seen in a picture whose y axis points down.
    """
    angle_deg: np.ndarray = np.degrees(np.arctan2(_cross(a, b), _dot(a, b)))
    return angle_deg


def included_flexion_deg(hip: np.ndarray, knee: np.ndarray, ankle: np.ndarray) -> np.ndarray:
    """Knee flexion without its sign from three points in 2-D or 3-D, degrees, shape (n,).

    180 degrees less the included angle hip-knee-ankle: the clinical zero is full extension.
    Three points alone cannot tell hyperextension from flexion.
    """
    thigh, shank = knee - hip, ankle - knee
    cosine = _dot(thigh, shank) / (np.linalg.norm(thigh, axis=-1) * np.linalg.norm(shank, axis=-1))
    flexion_deg: np.ndarray = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    return flexion_deg


def knee_flexion_deg(
    hip: np.ndarray, knee: np.ndarray, ankle: np.ndarray, sense: int
) -> np.ndarray:
    """Knee flexion with its sign: 0 = straight, positive = flexion, negative = hyperextension.

    In (-110, 250]: a thigh that points toward the camera may stand beyond the shank in the
    picture, and no knee hyperextends that far.
    """
    return _unfolded_deg(sense * signed_angle_deg(knee - hip, ankle - knee))


FOLD_DEG = -110.0
"""Flexion of knee or hip lies above this: the middle of what no joint reaches, between 20 deg
of hyperextension and 160 deg of flexion (common practice)."""

KNEE_LEAST_DEG = -30.0
"""A knee seen from the side that bends further the wrong way is none, its landmarks are astray
(decision 89; 20 deg of hyperextension is much, common practice; the rest is for the camera)."""


def _unfolded_deg(angle_deg: np.ndarray) -> np.ndarray:
    return FOLD_DEG + 360 - (FOLD_DEG - angle_deg) % 360


def thigh_inclination_deg(hip: np.ndarray, knee: np.ndarray, squeeze: float = 1.0) -> np.ndarray:
    """Thigh axis to the horizontal: 0 = parallel to the floor, positive = hip above knee.

    squeeze : share of the sagittal plane's width that the picture shows, sin(azimuth); widths
        are divided by it. 1 leaves the picture as it is.
    """
    thigh = knee - hip
    angle_deg: np.ndarray = np.degrees(np.arctan2(thigh[..., 1], np.abs(thigh[..., 0]) / squeeze))
    return angle_deg


def inclination_deg(lower: np.ndarray, upper: np.ndarray, sense: int) -> np.ndarray:
    """Axis from a lower to an upper point to the vertical, positive = forward, degrees."""
    axis = upper - lower
    angle_deg: np.ndarray = np.degrees(np.arctan2(sense * axis[..., 0], -axis[..., 1]))
    return angle_deg


def trunk_thigh_deg(
    shoulder: np.ndarray, hip: np.ndarray, distal: np.ndarray, sense: int
) -> np.ndarray:
    """Rotation between trunk axis and thigh (or leg) axis: 0 = in line, positive = hip flexed."""
    return _unfolded_deg(-sense * signed_angle_deg(hip - shoulder, distal - hip))


def leg_elevation_deg(hip: np.ndarray, ankle: np.ndarray) -> np.ndarray:
    """Hip-to-ankle line to the floor, positive = ankle above hip, degrees."""
    leg = ankle - hip
    angle_deg: np.ndarray = np.degrees(np.arctan2(-leg[..., 1], np.abs(leg[..., 0])))
    return angle_deg


def fppa_deg(
    hip: np.ndarray, knee: np.ndarray, ankle: np.ndarray, side: Side, seen_from: str
) -> np.ndarray:
    """Frontal plane projection angle: positive = valgus (knee medial), negative = varus.

    seen_from : "front" or "back"; the patient's left is at the picture's right from the front.
    """
    turn = signed_angle_deg(knee - hip, ankle - knee)
    return turn * medial_x(side, seen_from)


def medial_x(side: Side, seen_from: str) -> int:
    """Direction along the picture's x axis that is medial for this leg: +1 or -1."""
    from_front = -1 if side == "left" else 1
    return from_front if seen_from == "front" else -from_front


HIPS_APART_LEAST = 0.5
"""Share of their usual distance in the picture under which two hips give no line (60 deg off)."""

FOOT_SHARE = 0.152
"""Foot length, share of stature (Drillis & Contini 1966 in Winter)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Every angle and distance of one working leg over time, each (n,), NaN where not seen.

    Units by the names' suffixes; heights are shares of leg length (heel: of foot length).
    `other` is the leg that is not working. In a frontal view sagittal angles are NaN and the
    other way round. `foot_lift_share` is the heel (hidden: the ankle, then the toe) above the
    floor in any view, share of a foot length taken from stature, for a free foot that leaves
    the floor. `*_standard` are what the camera's place and the leg's plane leave in doubt of a
    value, (n,); None where neither is known.
    """

    time_s: np.ndarray
    grid_hz: float
    side: Side
    knee_flexion_deg: np.ndarray
    thigh_inclination_deg: np.ndarray
    shank_inclination_deg: np.ndarray
    trunk_inclination_deg: np.ndarray
    trunk_thigh_deg: np.ndarray
    trunk_swing_leg_line_deg: np.ndarray
    rear_knee_height_share: np.ndarray
    knee_over_toe_share: np.ndarray
    leg_elevation_deg: np.ndarray
    heel_height_share: np.ndarray
    heel_rise_px: np.ndarray
    foot_lift_share: np.ndarray
    hip_height_share: np.ndarray
    shoulder_height_share: np.ndarray
    hip_x_share: np.ndarray
    fppa_deg: np.ndarray
    knee_medial_to_foot_share: np.ndarray
    knee_separation_ratio: np.ndarray
    pelvic_obliquity_deg: np.ndarray
    pelvis_shift_share: np.ndarray
    trunk_lateral_inclination_deg: np.ndarray
    leg_abduction_deg: np.ndarray
    is_leg_seen: np.ndarray
    leg_length_px: float
    foot_length_px: float
    thigh_px: float
    shank_px: float
    knee_flexion_standard_deg: np.ndarray | None = None
    thigh_inclination_standard_deg: np.ndarray | None = None
    shank_inclination_standard_deg: np.ndarray | None = None
    trunk_inclination_standard_deg: np.ndarray | None = None
    fppa_standard_deg: np.ndarray | None = None
    knee_medial_standard_share: np.ndarray | None = None
    hip_height_standard_share: np.ndarray | None = None
    """What hips that go away from a camera ahead or behind leave in doubt of their height, (n,)."""
    leg_seen_share: float = 1.0
    """Share of lengths along the leg's own plane that a camera at the side sees; 1 where that is
    not known."""
    is_two_leg: bool = False
    """Whether both legs carry the person side by side."""
    trunk_ahead_deg: np.ndarray | None = None
    """Lean of the trunk along the line of sight of a camera ahead or behind, (n,); from nowhere
    else."""


def joint(track: Track, side: Side, name: str) -> np.ndarray:
    """One joint in the picture over time, (n, 2)."""
    return track.image_px[:, LANDMARK[side, name]]


def build_series(
    track: Track,
    view: View,
    side: Side,
    *,
    is_two_leg: bool = False,
    width_share: float = 1.0,
    leg_plane: LegPlane | None = None,
    front_view: FrontView | None = None,
    trunk_ahead_deg: np.ndarray | None = None,
    hip_height_standard_share: np.ndarray | None = None,
    is_on_toes: bool = False,
) -> Series:
    """All series of the working leg in this view.

    is_two_leg : pelvic obliquity then is positive with the patient's left side lower, else with
        the other (swing) side lower.
    width_share : sin(azimuth) where a correction for azimuth is wanted for the inclinations.
    leg_plane : the plane that this leg bends in; its angles are then those in that plane.
    is_on_toes : the exercise raises heels over toes that stay where they are.
    front_view : from where this leg is seen; its knee is then where a camera straight ahead would
        see it.
    """
    limbs = _limbs(track, view, side)
    from_side = view.plane == "sagittal" and limbs.sense != 0
    from_front = view.plane == "frontal"
    leg_elevation = leg_elevation_deg(limbs.hip, limbs.ankle)
    return Series(
        time_s=track.time_s,
        grid_hz=track.grid_hz,
        side=side,
        # From between front and side it still times a raise, and no measure is read off it there.
        leg_elevation_deg=np.full(len(track.time_s), np.nan) if from_front else leg_elevation,
        is_leg_seen=_is_leg_seen(limbs),
        leg_length_px=limbs.leg_px,
        foot_length_px=limbs.foot_px,
        thigh_px=limbs.thigh_px,
        shank_px=limbs.shank_px,
        leg_seen_share=1.0 if leg_plane is None else leg_plane.seen_share,
        is_two_leg=is_two_leg,
        trunk_ahead_deg=trunk_ahead_deg,
        hip_height_standard_share=hip_height_standard_share,
        **_only_if(from_side, _series_from_the_side(limbs, width_share, leg_plane, is_on_toes)),
        **_only_if(from_front, _series_from_the_front(limbs, front_view, is_two_leg=is_two_leg)),
        **_series_from_anywhere(limbs, view.person_height_px),
        **_standards_in_plane(limbs, leg_plane),
        **_standards_from_the_front(limbs, front_view),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Limbs:
    """Where the joints stand in the picture over time, pixels, (n, 2), and how long limbs are.

    far_* : of the leg that does not work. trunk_low, trunk_high : the middle of hips and of
    shoulders. hips : from the right hip to the left. medial : +1 where the midline lies to the
    picture's right of the working leg, else -1.
    """

    side: Side
    grid_hz: float
    sense: int
    seen_from: Literal["front", "back"]
    medial: int
    shoulder: np.ndarray
    hip: np.ndarray
    knee: np.ndarray
    ankle: np.ndarray
    heel: np.ndarray
    toe: np.ndarray
    far_hip: np.ndarray
    far_knee: np.ndarray
    far_ankle: np.ndarray
    trunk_low: np.ndarray
    trunk_high: np.ndarray
    hips: np.ndarray
    thigh_px: float
    shank_px: float
    leg_px: float
    foot_px: float


def _limbs(track: Track, view: View, side: Side) -> _Limbs:
    far = other_side(side)
    hip, knee, ankle, heel, toe = (
        joint(track, side, j) for j in ("hip", "knee", "ankle", "heel", "toe")
    )
    seen_from: Literal["front", "back"] = "front" if abs(view.azimuth_deg) <= 90 else "back"
    shank_px = long_length_px(knee, ankle)
    thigh_px = long_length_px(hip, knee)
    return _Limbs(
        side=side,
        grid_hz=track.grid_hz,
        sense=view.facing_x,
        seen_from=seen_from,
        medial=medial_x(side, seen_from),
        shoulder=joint(track, side, "shoulder"),
        hip=hip,
        knee=knee,
        ankle=ankle,
        heel=heel,
        toe=toe,
        far_hip=joint(track, far, "hip"),
        far_knee=joint(track, far, "knee"),
        far_ankle=joint(track, far, "ankle"),
        trunk_low=mid(track, "hip"),
        trunk_high=mid(track, "shoulder"),
        hips=joint(track, "left", "hip") - joint(track, "right", "hip"),
        thigh_px=thigh_px,
        shank_px=shank_px,
        leg_px=thigh_px + shank_px,
        foot_px=_length_or_nan(long_length_px(heel, toe)),
    )


def _only_if(is_seen: bool, series: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The series, or NaN throughout where the camera stands where they cannot be seen."""
    return series if is_seen else {name: np.full(len(v), np.nan) for name, v in series.items()}


def _series_from_the_side(
    limbs: _Limbs, width_share: float, leg_plane: LegPlane | None, is_on_toes: bool
) -> dict[str, np.ndarray]:
    knee, toe, sense = limbs.knee, limbs.toe, limbs.sense
    toe_y = (
        planted_y(toe[:, 1], limbs.heel[:, 1], limbs.foot_px, limbs.grid_hz)
        if is_on_toes
        else toe[:, 1]
    )
    if leg_plane is not None:
        flexion, thigh_inclination, shank_inclination = _in_plane(limbs, leg_plane)
        trunk_inclination = _trunk_in_plane(limbs, leg_plane.of_trunk())
    else:
        squeezed = np.array([1 / width_share, 1.0])
        flexion = knee_flexion_deg(limbs.hip, knee, limbs.ankle, sense)
        thigh_inclination = thigh_inclination_deg(limbs.hip, knee, width_share)
        shank_inclination = inclination_deg(limbs.ankle * squeezed, knee * squeezed, sense)
        trunk_inclination = inclination_deg(limbs.trunk_low, limbs.trunk_high, sense)
    return {
        "knee_flexion_deg": flexion,
        "thigh_inclination_deg": thigh_inclination,
        "shank_inclination_deg": shank_inclination,
        "trunk_inclination_deg": trunk_inclination,
        "trunk_thigh_deg": trunk_thigh_deg(limbs.shoulder, limbs.hip, knee, sense),
        "trunk_swing_leg_line_deg": trunk_thigh_deg(
            limbs.trunk_high, limbs.far_hip, limbs.far_ankle, sense
        ),
        "rear_knee_height_share": (limbs.ankle[:, 1] - limbs.far_knee[:, 1]) / limbs.shank_px,
        "knee_over_toe_share": sense * (knee[:, 0] - toe[:, 0]) / limbs.foot_px,
        "heel_height_share": (toe_y - limbs.heel[:, 1]) / limbs.foot_px,
    }


def _series_from_the_front(
    limbs: _Limbs, front_view: FrontView | None, *, is_two_leg: bool
) -> dict[str, np.ndarray]:
    hip, knee, ankle, far_ankle = limbs.hip, limbs.knee, limbs.ankle, limbs.far_ankle
    ankles_apart = np.abs(ankle[:, 0] - far_ankle[:, 0])
    stance_px = _length_or_nan(
        float(np.nanmedian(ankles_apart)) if np.isfinite(ankles_apart).any() else np.nan
    )
    left_x = 1 if limbs.seen_from == "front" else -1
    left_lower = _left_hip_lower_deg(limbs.hips)
    is_left_counted = is_two_leg or limbs.side == "right"
    trunk = limbs.trunk_high - limbs.trunk_low
    return {
        "fppa_deg": _projection_angle_deg(limbs, front_view),
        "knee_medial_to_foot_share": _knee_medial_share(limbs, front_view),
        "knee_separation_ratio": np.abs(knee[:, 0] - limbs.far_knee[:, 0])
        / np.where(ankles_apart > 1, ankles_apart, np.nan),
        "pelvic_obliquity_deg": left_lower if is_left_counted else -left_lower,
        "pelvis_shift_share": left_x
        * (limbs.trunk_low[:, 0] - (ankle[:, 0] + far_ankle[:, 0]) / 2)
        / stance_px,
        "trunk_lateral_inclination_deg": np.degrees(
            np.arctan2(-limbs.medial * trunk[:, 0], -trunk[:, 1])
        ),
        "leg_abduction_deg": np.degrees(
            np.arctan2(-limbs.medial * (ankle[:, 0] - hip[:, 0]), ankle[:, 1] - hip[:, 1])
        ),
    }


def _series_from_anywhere(limbs: _Limbs, person_height_px: float) -> dict[str, np.ndarray]:
    heel_y, leg_px = limbs.heel[:, 1], limbs.leg_px
    ground_y = _steady_ground_y(np.stack([limbs.ankle[:, 1], limbs.far_ankle[:, 1]]))
    return {
        "heel_rise_px": -heel_y,
        "foot_lift_share": _foot_lift_px(limbs) / _length_or_nan(FOOT_SHARE * person_height_px),
        "hip_height_share": (ground_y - limbs.trunk_low[:, 1]) / leg_px,
        "shoulder_height_share": (ground_y - limbs.trunk_high[:, 1]) / leg_px,
        "hip_x_share": limbs.trunk_low[:, 0] / leg_px,
    }


def _is_leg_seen(limbs: _Limbs) -> np.ndarray:
    """Whether anything is seen of either leg below the hips, (n,) bool: where nothing is, the model
    guesses where hips are."""
    legs = np.stack([limbs.knee, limbs.ankle, limbs.far_knee, limbs.far_ankle])
    is_seen: np.ndarray = np.isfinite(legs).all(axis=2).any(axis=0)
    return is_seen


def _foot_lift_px(limbs: _Limbs) -> np.ndarray:
    """The heel above the lowest place it keeps to; where it is hidden the ankle, then the toe."""
    lift = np.full(len(limbs.heel), np.nan)
    for y in (limbs.heel[:, 1], limbs.ankle[:, 1], limbs.toe[:, 1]):
        lift = np.where(np.isfinite(lift), lift, _lowest_y(y) - y)
    return lift


def _standards_in_plane(limbs: _Limbs, leg_plane: LegPlane | None) -> dict[str, np.ndarray]:
    """Standard uncertainties of the angles in the leg's own plane; none without one."""
    if leg_plane is None:
        return {}

    names = ("knee_flexion", "thigh_inclination", "shank_inclination")
    of_leg = leg_plane.standard_of(partial(_in_plane, limbs))
    of_trunk = leg_plane.of_trunk().standard_of(partial(_trunk_in_plane, limbs))
    return {
        **{f"{name}_standard_deg": s for name, s in zip(names, of_leg, strict=True)},
        "trunk_inclination_standard_deg": of_trunk,
    }


def _standards_from_the_front(limbs: _Limbs, front_view: FrontView | None) -> dict[str, np.ndarray]:
    """Standard uncertainties of where a camera straight ahead would see the knee."""
    if front_view is None:
        return {}
    return {
        "fppa_standard_deg": front_view.standard_of(partial(_projection_angle_deg, limbs)),
        "knee_medial_standard_share": front_view.standard_of(partial(_knee_medial_share, limbs)),
    }


def _in_plane(limbs: _Limbs, plane: LegPlane) -> np.ndarray:
    """Knee flexion, thigh and shank inclination in the leg's own plane, degrees, (3, n)."""
    leg = plane.laid_flat(limbs.hip, limbs.knee, limbs.ankle)
    hip = hip_at_length(leg.hip, leg.knee, limbs.grid_hz)
    upright = np.stack([np.ones_like(leg.steepness), leg.steepness], axis=-1)
    return np.stack(
        [
            knee_flexion_deg(hip, leg.knee, leg.ankle, limbs.sense),
            thigh_inclination_deg(hip * upright, leg.knee * upright),
            inclination_deg(leg.ankle * upright, leg.knee * upright, limbs.sense),
        ]
    )


def _trunk_in_plane(limbs: _Limbs, plane: LegPlane) -> np.ndarray:
    """Trunk inclination in the plane that it leans in, degrees, (n,)."""
    trunk = plane.laid_flat(limbs.trunk_high, limbs.trunk_high, limbs.trunk_low)
    return inclination_deg(trunk.ankle, trunk.hip, limbs.sense)


def _straight_on(limbs: _Limbs, front_view: FrontView | None) -> np.ndarray:
    """The knee as it is seen, or where a camera straight ahead would see it; (n, 2)."""
    if front_view is None:
        return limbs.knee
    return front_view.straight_on(limbs.hip, limbs.knee, limbs.ankle)


def _projection_angle_deg(limbs: _Limbs, front_view: FrontView | None) -> np.ndarray:
    knee = _straight_on(limbs, front_view)
    return fppa_deg(limbs.hip, knee, limbs.ankle, limbs.side, limbs.seen_from)


def _knee_medial_share(limbs: _Limbs, front_view: FrontView | None) -> np.ndarray:
    knee_x = _straight_on(limbs, front_view)[:, 0]
    share: np.ndarray = limbs.medial * (knee_x - limbs.ankle[:, 0]) / limbs.shank_px
    return share


def _left_hip_lower_deg(hips: np.ndarray) -> np.ndarray:
    """Line of the hips to the horizontal, degrees, positive with the left hip lower; (n,)."""
    apart = np.abs(hips[:, 0])
    # Hips that seem to stand one behind the other give no line across.
    known = apart[np.isfinite(apart)]
    least = HIPS_APART_LEAST * float(np.median(known)) if len(known) else 0.0
    lower_deg: np.ndarray = np.degrees(
        np.arctan2(hips[:, 1], np.where(apart >= least, apart, np.nan))
    )
    return lower_deg


def long_length_px(a: np.ndarray, b: np.ndarray) -> float:
    """Length of a segment in pixels: the 90th percentile, as the picture can only shorten it."""
    length = np.linalg.norm(b - a, axis=1)
    known = length[np.isfinite(length)]
    return float(np.percentile(known, 90)) if len(known) else float("nan")


def _length_or_nan(length_px: float) -> float:
    """The length, or NaN where it is seen end on (under a pixel): nothing is a share of that."""
    return length_px if length_px >= 1 else float("nan")


def _lowest_y(y: np.ndarray) -> float:
    """Picture height of the lowest place a joint keeps to: the floor, for a foot held up long."""
    known = y[np.isfinite(y)]
    return float(np.percentile(known, 95)) if len(known) else float("nan")


def _median_or_nan(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _steady_ground_y(feet_y: np.ndarray) -> float:
    """Picture height of the floor at the ankles: where they stand most of the time."""
    return _median_or_nan(feet_y)


SIGNALS: dict[str, tuple[str, Literal["deg", "share"], str]] = {
    "knee_flexion": ("knee_flexion_deg", "deg", "knee flexion"),
    "trunk_inclination": ("trunk_inclination_deg", "deg", "trunk inclination"),
    "trunk_thigh": ("trunk_thigh_deg", "deg", "trunk-thigh angle"),
    "leg_elevation": ("leg_elevation_deg", "deg", "leg elevation"),
    "leg_abduction": ("leg_abduction_deg", "deg", "leg lifted sideways"),
    "heel_height": ("heel_height_share", "share", "heel height"),
    "hip_height": ("hip_height_share", "share", "hip height"),
    "shoulder_height": ("shoulder_height_share", "share", "shoulder height"),
}
"""Driving signal -> (series, unit, label)."""


def driving_values(
    series: Series, signal: str, *, is_free_foot: bool = False
) -> tuple[np.ndarray, str, str]:
    """(values over time, unit, label) of a driving signal.

    is_free_foot : the leg stands in the air, so its heel's height is that above the floor and
        not that above its own toes.
    """
    name, unit, label = SIGNALS[signal]
    if is_free_foot and signal == "heel_height":
        name = "foot_lift_share"
    return getattr(series, name), unit, label


__all__ = [
    "SIDES",
    "SIGNALS",
    "Series",
    "build_series",
    "driving_values",
    "fppa_deg",
    "inclination_deg",
    "included_flexion_deg",
    "joint",
    "knee_flexion_deg",
    "leg_elevation_deg",
    "long_length_px",
    "signed_angle_deg",
    "thigh_inclination_deg",
    "trunk_thigh_deg",
]
