"""Where the camera stands: side, azimuth, scale, and which measures this view supports.

The azimuth comes from the model's depth of hips and shoulders taken together, of the ears where
the head points the way the trunk does, from their widths in the picture and from the way the
feet point (azimuth.py, decisions 5 and 61). For a person lying down it is about the body's own
long axis instead of the vertical, and comes from depth alone.
"""

from dataclasses import dataclass
from typing import Literal, cast

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES, Side
from formcheck.model.measures import Plane, is_supported
from formcheck.model.records import Track, View
from formcheck.motion.azimuth import (
    AzimuthSettings,
    Cue,
    body_length,
    feet_cue,
    joined,
    median_where,
    width_cue,
)
from formcheck.motion.masks import runs

LYING_STANDARD_DEG = 8.5
"""Of the azimuth of a person who lies or sits on the floor (decision 61)."""
LEG_SHARE = 0.491
"""Thigh and shank, share of stature (.245 and .246: Drillis & Contini 1966 in Winter)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraSettings:
    """Limits of the views.

    frontal_most_deg, sagittal_most_off_deg : how far from straight ahead, and from the side, a
        measure of that plane is still given (common practice: about 15 deg off is good, 20 and
        35 deg are the ends).
    azimuth_standard_deg : moves the sagittal edge outward, and by half of it the frontal one,
        where measures spoil faster: a camera that may well stand inside is measured, with the
        interval of its place (decision 5; that interval's own spread is in `cues`, decision 61).
    turned_least_deg : a trunk turned further than this from its direction at rest has turned on
        purpose (sample clips, decision 6).
    round_least_deg, round_least_s : this far and for this long, it shows its other side (common
        practice: 180 deg less what is left of a view off the side).
    lying_least_deg : trunk axis this far from the vertical through most of the clip = lying.
    """

    frontal_most_deg: float = 20.0
    sagittal_most_off_deg: float = 35.0
    azimuth_standard_deg: float = 5.0
    lying_least_deg: float = 55.0
    turned_least_deg: float = 30.0
    round_least_deg: float = 110.0
    round_least_s: float = 1.0
    cues: AzimuthSettings = AzimuthSettings()


def mid(track: Track, joint: str) -> np.ndarray:
    """Midpoint of the left and right joint in the picture, (n, 2); NaN where either is missing."""
    return mid_of(track.image_px, joint)


def mid_of(points: np.ndarray, joint: str) -> np.ndarray:
    """Midpoint of the left and right joint among landmarks, (n, 33, d) -> (n, d)."""
    a, b = (LANDMARK[s, joint] for s in SIDES)
    middle: np.ndarray = (points[:, a] + points[:, b]) / 2
    return middle


def is_lying(track: Track, settings: CameraSettings = CameraSettings()) -> bool:
    """Whether the person lies through most of the clip: trunk nearer the horizontal."""
    return lies(track.image_px, settings)


def lies(image_px: np.ndarray, settings: CameraSettings = CameraSettings()) -> bool:
    """As `is_lying`, of landmarks in the picture, (n, 33, 2)."""
    from_vertical = trunk_from_vertical_deg(image_px)
    known = from_vertical[np.isfinite(from_vertical)]
    return bool(len(known) and np.median(known) > settings.lying_least_deg)


def trunk_from_vertical_deg(image_px: np.ndarray) -> np.ndarray:
    """How far the trunk leans in the picture, 0 = upright; image_px : (n, 33, 2) -> (n,)."""
    axis = mid_of(image_px, "hip") - mid_of(image_px, "shoulder")
    from_vertical: np.ndarray = np.degrees(np.arctan2(np.abs(axis[:, 0]), axis[:, 1]))
    return from_vertical


def azimuth_samples_deg(track: Track, lying: bool, parts: tuple[str, ...]) -> np.ndarray:
    """Azimuth of the camera about the person per sample, degrees, (n,); NaN where not seen.

    parts : paired joints whose left-right axes are added ("hip", "shoulder", "ear").
    0 = camera in front, 90 = at the person's left, -90 = at their right, 180 = behind.
    """
    across = sum(
        track.world_m[:, LANDMARK["left", p]] - track.world_m[:, LANDMARK["right", p]]
        for p in parts
    )
    up = _up_axis(track) if lying else np.broadcast_to(np.array([0.0, -1.0, 0.0]), across.shape)
    across = across - up * np.sum(across * up, axis=1, keepdims=True)
    front = np.cross(across, up)
    # Toward the camera is -z; `front` and `across` have equal lengths, so their z compare.
    azimuth_deg: np.ndarray = np.degrees(np.arctan2(-across[:, 2], -front[:, 2]))
    return azimuth_deg


def _up_axis(track: Track) -> np.ndarray:
    """Unit axis from hips to shoulders in the world, (n, 3)."""
    axis = sum(
        track.world_m[:, LANDMARK[s, "shoulder"]] - track.world_m[:, LANDMARK[s, "hip"]]
        for s in SIDES
    )
    unit: np.ndarray = axis / np.linalg.norm(axis, axis=1, keepdims=True)
    return unit


def _with_long_axis_deg(azimuth_deg: float, track: Track, is_still: np.ndarray) -> float:
    """The azimuth of a lying person with what the camera stands toward the feet or head.

    That shortens the body in the picture as a camera off the side does, so it moves the azimuth
    off the side (off the front, for a body that lies on its side) by the whole angle; at 45 deg
    and beyond the view is oblique.
    """
    toward_end = _up_axis(track)[:, 2]
    at_rest = np.where(is_still, toward_end, np.nan)
    known = at_rest[np.isfinite(at_rest)]
    known = known if len(known) else toward_end[np.isfinite(toward_end)]
    if not len(known) or not np.isfinite(azimuth_deg):
        return azimuth_deg
    in_plane = np.sqrt(max(1 - float(np.median(known)) ** 2, 0.0))
    size, sign = abs(azimuth_deg), np.sign(azimuth_deg) or 1.0
    axis_deg = 90.0 if 45 <= size <= 135 else 0.0 if size < 45 else 180.0
    off_rad = np.arccos(np.clip(in_plane * np.cos(np.radians(size - axis_deg)), -1, 1))
    off_deg = min(float(np.degrees(off_rad)), 45.0)
    beyond = 1 if size > axis_deg else -1
    return float(sign * abs(axis_deg + beyond * off_deg))


def _azimuth_deg(
    track: Track, lying: bool, is_still: np.ndarray, settings: AzimuthSettings
) -> tuple[float, float]:
    """(azimuth, its standard uncertainty) from all the cues that this view has, degrees."""
    depth = _azimuth_at_rest_deg(track, lying, is_still, ("hip", "shoulder"))
    head = _azimuth_at_rest_deg(track, lying, is_still, ("ear",))
    cues = [
        Cue(
            name="depth of hips and shoulders",
            value_deg=depth,
            standard_deg=settings.depth_standard_deg,
        )
    ]
    if abs(within_180_deg(head - depth)) <= settings.head_gate_deg:
        cues.append(
            Cue(name="depth of the ears", value_deg=head, standard_deg=settings.head_standard_deg)
        )
    if not np.isfinite(depth) or lying:
        return joined(cues)
    mask = is_still if is_still.sum() >= 0.5 * track.grid_hz else np.ones_like(is_still)
    seen = (width_cue(track, mask, depth, settings), feet_cue(track, mask, depth, settings))
    azimuth, standard = joined([*cues, *(c for c in seen if c is not None)])
    ahead, beside = np.cos(np.radians(azimuth)), np.sin(np.radians(azimuth))
    turned = abs(
        within_180_deg(
            _azimuth_at_rest_deg(track, lying, is_still, ("hip",))
            - _azimuth_at_rest_deg(track, lying, is_still, ("shoulder",))
        )
    )
    if _legs_lie_level(track, mask):  # the model knows few people who sit on the floor either
        standard = max(standard, LYING_STANDARD_DEG)
    parts = (
        standard,
        settings.common_standard_deg * ahead,
        settings.beside_standard_deg * beside,
        settings.turned_share * max(turned - settings.turned_from_deg, 0.0) * beside,
    )
    return azimuth, float(np.linalg.norm(parts))


LEVEL_LEG_SHARE = 0.35
"""Hips that stand less than this share of a leg's length above the ankles: the person sits on the
floor with the legs out (a chair's seat is half a leg high or more)."""


def _legs_lie_level(track: Track, mask: np.ndarray) -> bool:
    height = mid(track, "ankle")[:, 1] - mid(track, "hip")[:, 1]
    leg_px = LEG_SHARE * body_length(track.image_px)
    return median_where(height, mask) < LEVEL_LEG_SHARE * leg_px


def _azimuth_at_rest_deg(
    track: Track, lying: bool, is_still: np.ndarray, parts: tuple[str, ...]
) -> float:
    samples = azimuth_samples_deg(track, lying, parts)
    at_rest = np.where(is_still, samples, np.nan)
    enough = np.isfinite(at_rest).sum() >= 0.5 * track.grid_hz
    return circular_mean_deg(at_rest if enough else samples)


def circular_mean_deg(angles_deg: np.ndarray) -> float:
    """Mean direction of angles in degrees, NaN left out; NaN when there is none."""
    known_rad = np.radians(angles_deg[np.isfinite(angles_deg)])
    if not len(known_rad):
        return float("nan")
    return float(np.degrees(np.arctan2(np.sin(known_rad).mean(), np.cos(known_rad).mean())))


def within_180_deg(angle_deg: float) -> float:
    """The same direction above -180 and at most 180 degrees; NaN stays."""
    return 180 - (180 - angle_deg) % 360


def plane_of(
    azimuth_deg: float, settings: CameraSettings = CameraSettings()
) -> Literal["sagittal", "frontal", "oblique", "unknown"]:
    """The plane that a camera at this azimuth sees: sagittal, frontal, oblique or unknown."""
    if not np.isfinite(azimuth_deg):
        return "unknown"
    from_front = abs((azimuth_deg + 180) % 360 - 180)
    most_off_side = settings.sagittal_most_off_deg + settings.azimuth_standard_deg
    if abs(from_front - 90) <= most_off_side:
        return "sagittal"
    most_off_front = settings.frontal_most_deg + settings.azimuth_standard_deg / 2
    if min(from_front, 180 - from_front) <= most_off_front:
        return "frontal"
    return "oblique"


def off_side_deg(azimuth_deg: float) -> float:
    """How far the camera stands from the person's side, 0 to 90 degrees."""
    return abs(abs((azimuth_deg + 180) % 360 - 180) - 90)


def facing_sense(track: Track, is_meant: np.ndarray | None = None) -> Literal[-1, 0, 1]:
    """+1 when flexion turns positive in the picture as for a person facing right, -1 for left.

    From the foot: heel-to-toe against knee-to-ankle, which tells the sense lying down as well.
    0 when no foot is seen. is_meant : samples to look at, bool (n,); all where it is None.
    """
    votes = 0.0
    for side in SIDES:
        knee, ankle, heel, toe = (
            track.image_px[:, LANDMARK[side, j]] for j in ("knee", "ankle", "heel", "toe")
        )
        turn = _cross(ankle - knee, toe - heel)
        weight = np.nan_to_num(track.visibility[:, LANDMARK[side, "knee"]])
        if is_meant is not None:
            weight = weight * is_meant
        votes -= float(np.nansum(np.sign(turn) * weight))
    return cast(Literal[-1, 0, 1], int(np.sign(votes)))


def _cross(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    cross: np.ndarray = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return cross


def person_height_px(track: Track) -> float:
    """Stature in pixels from trunk, thigh and shank at their longest in the picture."""
    return body_length(track.image_px)


def _is_turned(
    track: Track, lying: bool, is_rest: np.ndarray, settings: CameraSettings
) -> np.ndarray:
    """Where the trunk has turned from its direction at rest by more than a wobble, bool (n,)."""
    samples = azimuth_samples_deg(track, lying, ("hip", "shoulder"))
    at_rest = circular_mean_deg(np.where(is_rest, samples, np.nan))
    turned = np.abs((samples - at_rest + 180) % 360 - 180)
    return np.nan_to_num(turned) > settings.turned_least_deg


def turned_round(
    track: Track, view: View, settings: CameraSettings = CameraSettings()
) -> np.ndarray:
    """Where a person seen from the side shows their other side, bool (n,).

    Both have to tell it, the trunk's direction and the way the feet point in the picture; while
    the person turns counts too. Nowhere in any other view.
    """
    nowhere = np.zeros(len(track.time_s), bool)
    if view.plane != "sagittal" or view.facing_x == 0:
        return nowhere
    samples = azimuth_samples_deg(track, is_lying(track, settings), ("hip", "shoulder"))
    turned_deg = np.nan_to_num(np.abs((samples - view.azimuth_deg + 180) % 360 - 180))
    facing = np.zeros(len(track.time_s))
    for side in SIDES:
        foot = track.image_px[:, LANDMARK[side, "toe"]] - track.image_px[:, LANDMARK[side, "heel"]]
        shank = (
            track.image_px[:, LANDMARK[side, "ankle"]] - track.image_px[:, LANDMARK[side, "knee"]]
        )
        facing -= np.nan_to_num(np.sign(_cross(shank, foot)))
    is_round = (turned_deg > settings.round_least_deg) & (facing * view.facing_x < 0)
    out = nowhere
    for a, b in runs(turned_deg > settings.turned_least_deg):
        if is_round[a:b].sum() >= settings.round_least_s * track.grid_hz:
            out[a:b] = True
    return out


def find_view(
    track: Track,
    is_still: np.ndarray,
    settings: CameraSettings = CameraSettings(),
    *,
    is_rest: np.ndarray | None = None,
) -> View:
    """The camera's place about the person, from the still samples where there are any.

    is_still : bool (n,), where the person holds still. is_rest : bool (n,), those of them in the
        posture that the person keeps coming back to; where the trunk is turned far from its
        direction there (a rotational lunge held), stillness tells nothing of the camera.
    """
    lying = is_lying(track, settings)
    if is_rest is not None:
        is_still = is_still & ~_is_turned(track, lying, is_rest, settings)
    azimuth, standard = _azimuth_deg(track, lying, is_still, settings.cues)
    if lying:
        azimuth, standard = (_with_long_axis_deg(azimuth, track, is_still), LYING_STANDARD_DEG)
    half_width = 1.96 * standard
    plane = plane_of(azimuth, settings)
    near: Side | None = None
    if np.isfinite(azimuth) and plane in ("sagittal", "oblique"):
        near = "left" if azimuth > 0 else "right"
    # Who turns round faces the other way from then on, which says nothing of this side.
    samples = azimuth_samples_deg(track, lying, ("hip", "shoulder"))
    away_deg = np.nan_to_num(np.abs((samples - azimuth + 180) % 360 - 180))
    sense = facing_sense(track, away_deg <= settings.round_least_deg)
    if plane == "sagittal" and near is not None and sense == 0:
        sense = 1 if near == "right" else -1
    return View(
        plane=plane,
        azimuth_deg=azimuth,
        azimuth_low_deg=azimuth - half_width,
        azimuth_high_deg=azimuth + half_width,
        near_side=near,
        person_height_px=person_height_px(track),
        roll_deg=0.0,
        facing_x=sense if plane != "frontal" else 0,
    )


def plane_to_film(key: str, position: str = "standing") -> Plane:
    """The plane from which a measure can be had; the side first, where several give it."""
    planes: tuple[Plane, ...] = ("sagittal", "frontal")
    return next((p for p in planes if is_supported(key, p, position)), "oblique")
