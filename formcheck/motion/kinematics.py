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
    other way round. `foot_lift_share` is the heel above the floor in any view, share of a foot
    length taken from stature, for a free foot that leaves the floor. `*_standard` are what the
    camera's place and the leg's plane leave in doubt of a value, (n,); None where neither is known.
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
    leg_length_px: float
    foot_length_px: float
    thigh_px: float
    shank_px: float
    knee_flexion_standard_deg: np.ndarray | None = None
    thigh_inclination_standard_deg: np.ndarray | None = None
    shank_inclination_standard_deg: np.ndarray | None = None
    fppa_standard_deg: np.ndarray | None = None
    knee_medial_standard_share: np.ndarray | None = None
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
) -> Series:
    """All series of the working leg in this view.

    is_two_leg : pelvic obliquity then is positive with the patient's left side lower, else with
        the other (swing) side lower.
    width_share : sin(azimuth) where a correction for azimuth is wanted for the inclinations.
    leg_plane : the plane that this leg bends in; its angles are then those in that plane.
    front_view : from where this leg is seen; its knee is then where a camera straight ahead would
        see it.
    """
    hip, knee, ankle, heel, toe = (
        joint(track, side, j) for j in ("hip", "knee", "ankle", "heel", "toe")
    )
    far = other_side(side)
    far_hip, far_knee, far_ankle = (joint(track, far, j) for j in ("hip", "knee", "ankle"))
    shoulder = joint(track, side, "shoulder")
    trunk_low, trunk_high = mid(track, "hip"), mid(track, "shoulder")
    nowhere = np.full(len(track.time_s), np.nan)
    sense = view.facing_x
    from_side = view.plane == "sagittal" and sense != 0
    from_front = view.plane == "frontal"
    seen_from = "front" if abs(view.azimuth_deg) <= 90 else "back"

    shank_px = long_length_px(knee, ankle)
    thigh_px = long_length_px(hip, knee)
    leg_px = thigh_px + shank_px
    foot_px = _length_or_nan(long_length_px(heel, toe))
    squeezed = np.array([1 / width_share, 1.0])

    def side_only(value: np.ndarray) -> np.ndarray:
        return value if from_side else nowhere

    def front_only(value: np.ndarray) -> np.ndarray:
        return value if from_front else nowhere

    medial = medial_x(side, seen_from)

    def straight_on(seen: FrontView | None) -> np.ndarray:
        return knee if seen is None else seen.straight_on(hip, knee, ankle)

    def projection(seen: FrontView | None) -> np.ndarray:
        return fppa_deg(hip, straight_on(seen), ankle, side, seen_from)

    def medial_share(seen: FrontView | None) -> np.ndarray:
        share: np.ndarray = medial * (straight_on(seen)[:, 0] - ankle[:, 0]) / shank_px
        return share

    def in_plane(plane: LegPlane, k: int) -> np.ndarray:
        return _in_plane(hip, knee, ankle, sense, track.grid_hz, plane)[k]

    standards: dict[str, np.ndarray] = {}
    if leg_plane is not None:
        flexion, thigh_inclination, shank_inclination = _in_plane(
            hip, knee, ankle, sense, track.grid_hz, leg_plane
        )
        for k, name in enumerate(("knee_flexion", "thigh_inclination", "shank_inclination")):
            standards[f"{name}_standard_deg"] = leg_plane.standard_of(partial(in_plane, k=k))
    else:
        flexion = knee_flexion_deg(hip, knee, ankle, sense)
        thigh_inclination = thigh_inclination_deg(hip, knee, width_share)
        shank_inclination = inclination_deg(ankle * squeezed, knee * squeezed, sense)
    if front_view is not None:
        standards["fppa_standard_deg"] = front_view.standard_of(projection)
        standards["knee_medial_standard_share"] = front_view.standard_of(medial_share)
    left_x = 1 if seen_from == "front" else -1
    hips = joint(track, "left", "hip") - joint(track, "right", "hip")
    apart = np.abs(hips[:, 0])
    # Hips that seem to stand one behind the other give no line across.
    known = apart[np.isfinite(apart)]
    least = HIPS_APART_LEAST * float(np.median(known)) if len(known) else 0.0
    left_lower = np.degrees(np.arctan2(hips[:, 1], np.where(apart >= least, apart, np.nan)))
    swing_lower = left_lower if far == "left" else -left_lower
    ankles_apart = np.abs(ankle[:, 0] - far_ankle[:, 0])
    stance_px = _length_or_nan(
        float(np.nanmedian(ankles_apart)) if np.isfinite(ankles_apart).any() else np.nan
    )
    feet = np.stack([ankle[:, 1], far_ankle[:, 1]])
    ground_y = _steady_ground_y(feet)
    trunk = trunk_high - trunk_low
    lateral = np.degrees(np.arctan2(-medial * trunk[:, 0], -trunk[:, 1]))
    leg_away = np.degrees(np.arctan2(-medial * (ankle[:, 0] - hip[:, 0]), ankle[:, 1] - hip[:, 1]))
    return Series(
        time_s=track.time_s,
        grid_hz=track.grid_hz,
        side=side,
        knee_flexion_deg=side_only(flexion),
        thigh_inclination_deg=side_only(thigh_inclination),
        shank_inclination_deg=side_only(shank_inclination),
        trunk_inclination_deg=side_only(inclination_deg(trunk_low, trunk_high, sense)),
        trunk_thigh_deg=side_only(trunk_thigh_deg(shoulder, hip, knee, sense)),
        trunk_swing_leg_line_deg=side_only(trunk_thigh_deg(trunk_high, far_hip, far_ankle, sense)),
        rear_knee_height_share=side_only((ankle[:, 1] - far_knee[:, 1]) / shank_px),
        knee_over_toe_share=side_only(sense * (knee[:, 0] - toe[:, 0]) / foot_px),
        # From between front and side it still times a raise, and no measure is read off it there.
        leg_elevation_deg=nowhere if from_front else leg_elevation_deg(hip, ankle),
        heel_height_share=side_only((toe[:, 1] - heel[:, 1]) / foot_px),
        heel_rise_px=-heel[:, 1],
        foot_lift_share=(_lowest_y(heel[:, 1]) - heel[:, 1])
        / _length_or_nan(FOOT_SHARE * view.person_height_px),
        hip_height_share=(ground_y - trunk_low[:, 1]) / leg_px,
        shoulder_height_share=(ground_y - trunk_high[:, 1]) / leg_px,
        hip_x_share=trunk_low[:, 0] / leg_px,
        fppa_deg=front_only(projection(front_view)),
        knee_medial_to_foot_share=front_only(medial_share(front_view)),
        knee_separation_ratio=front_only(
            np.abs(knee[:, 0] - far_knee[:, 0]) / np.where(ankles_apart > 1, ankles_apart, np.nan)
        ),
        pelvic_obliquity_deg=front_only(left_lower if is_two_leg else swing_lower),
        pelvis_shift_share=front_only(
            left_x * (trunk_low[:, 0] - (ankle[:, 0] + far_ankle[:, 0]) / 2) / stance_px
        ),
        trunk_lateral_inclination_deg=front_only(lateral),
        leg_abduction_deg=front_only(leg_away),
        leg_length_px=leg_px,
        foot_length_px=foot_px,
        thigh_px=thigh_px,
        shank_px=shank_px,
        trunk_ahead_deg=trunk_ahead_deg,
        **standards,
    )


def _in_plane(
    hip: np.ndarray,
    knee: np.ndarray,
    ankle: np.ndarray,
    sense: int,
    grid_hz: float,
    plane: LegPlane,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(knee flexion, thigh inclination, shank inclination) in the leg's own plane, degrees."""
    hip, knee, ankle = (plane.flat(p) for p in (hip, knee, ankle))
    hip = hip_at_length(hip, knee, grid_hz)
    return (
        knee_flexion_deg(hip, knee, ankle, sense),
        thigh_inclination_deg(hip, knee),
        inclination_deg(ankle, knee, sense),
    )


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


def _steady_ground_y(feet_y: np.ndarray) -> float:
    """Picture height of the floor at the ankles: where they stand most of the time."""
    known = feet_y[np.isfinite(feet_y)]
    return float(np.median(known)) if len(known) else float("nan")


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
