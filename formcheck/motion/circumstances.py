"""What the measures of a repetition are read from, and what these circumstances add to intervals.

View, segment lengths and jitter of this clip become named parts; the constants are in
model/intervals.py.
"""

from dataclasses import dataclass, replace

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES
from formcheck.model.intervals import (
    azimuth_part,
    both_ends_part,
    front_leak_part,
    grain_part,
    leg_plane_part,
    lifted_pelvis_part,
    model_parts,
    near_straight_part,
    noise_part,
    projected_flexion_deg,
    sampling_part,
    shortened_part,
    tilt_part,
    time_part,
)
from formcheck.model.programme import Bound
from formcheck.model.records import GoniometerReading, Part, Track, View
from formcheck.motion.calibration import offset_near
from formcheck.motion.camera import off_side_deg
from formcheck.motion.kinematics import Series, long_length_px
from formcheck.motion.repetitions import Attempt, RepetitionSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementSettings:
    """How a value is read off a series.

    turn_window_s : a value "at the turn" is the mean over this stretch about it.
    rest_window_s : a value "at rest before" is the median over this stretch before the start.
    seen_least_share : a measure needs this share of its stretch to be seen.
    unseen_most_share : a peak is refused where what is missing may lie beyond it by more than this
        share of the stretch's range.
    """

    turn_window_s: float = 0.13
    rest_window_s: float = 0.5
    seen_least_share: float = 0.7
    unseen_most_share: float = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What the measures of one repetition are read from.

    `driving` is the driving signal as it is (not turned to rise), `band` the hold's tolerance
    band in its unit, or None.
    """

    track: Track
    series: Series
    view: View
    attempt: Attempt
    driving: np.ndarray
    driving_unit: str
    driving_signal: str
    is_rising: bool = True
    """Whether the driving signal rises toward the turn."""
    first_phase: str
    position: str = "standing"
    is_split: bool = False
    """Whether one foot stands in front of the other through the exercise."""
    standing: np.ndarray
    """Where the person rests between attempts, bool (n,)."""
    previous_end: int | None = None
    next_start: int | None
    is_until_touch: bool = False
    """Whether a hold lasts as long as the signal is off the floor, whatever its level."""
    frame_s: float
    band: Bound | None
    stature_cm: float | None
    is_hidden: np.ndarray
    """Samples at which the working leg is not to be trusted, bool (n,)."""
    settings: MeasurementSettings
    repetition: RepetitionSettings
    readings: tuple[GoniometerReading, ...] = ()
    model: str = ""


def jitter_part(s: Setting, joints: tuple[str, ...], *lengths_px: float) -> Part:
    """Jitter of an angle between segments of these lengths, degrees."""
    noise = [s.track.noise_px[LANDMARK[s.series.side, j]] for j in joints]
    sigma = float(np.nanmax(noise)) if np.isfinite(noise).any() else 1.0
    return noise_part(sigma * degrees_per_px(*lengths_px))


LARGEST_OF_MANY = 2.0
"""The largest of a stretch is some two standard deviations of jitter beyond the true one."""


def picture_jitter_part(s: Setting, joints: tuple[str, ...], per_px: float) -> Part:
    """Jitter of a measure from both sides' joints; per_px : of the measure's unit, for a pixel."""
    noise = [s.track.noise_px[LANDMARK[side, j]] for side in SIDES for j in joints]
    sigma = float(np.nanmax(noise)) if np.isfinite(noise).any() else 1.0
    return noise_part(sigma * per_px if np.isfinite(per_px) else 0.0)


def middles_jitter_part(s: Setting, joints: tuple[str, ...], *lengths_px: float) -> Part:
    """Jitter of an angle between the middles of both sides' joints, degrees."""
    noise = [np.hypot(*(s.track.noise_px[LANDMARK[side, j]] for side in SIDES)) / 2 for j in joints]
    sigma = float(np.nanmax(noise)) if np.isfinite(noise).any() else 1.0
    return noise_part(sigma * degrees_per_px(*lengths_px))


def apart_px(s: Setting, joint: str) -> float:
    """How far a joint of the two sides is apart in the picture, pixels; NaN where not seen."""
    return long_length_px(*(s.track.image_px[:, LANDMARK[side, joint]] for side in SIDES))


UNSEEN_TILT_DEG = 3.0
"""A camera that seems level may be tilted by this (common practice: set up by eye)."""


def tilted_distance_part(s: Setting, across_px: float, per_px: float) -> Part:
    """What a tilted camera adds to a distance along the picture's level or upright.

    across_px : how far its two ends lie apart at right angles to it, which the tilt turns into it;
    per_px : of the measure's unit, for a pixel.
    """
    tilt_rad = np.radians(max(abs(s.view.roll_deg), UNSEEN_TILT_DEG))
    into = float(np.nan_to_num(np.abs(across_px) * np.tan(tilt_rad) * per_px))
    return replace(tilt_part(0.0), standard=into / np.sqrt(3))


def trunk_px(s: Setting) -> float:
    """Length of the trunk in the picture, hips' middle to shoulders', pixels; NaN where unseen."""
    hips, shoulders = (
        np.mean([s.track.image_px[:, LANDMARK[side, j]] for side in SIDES], axis=0)
        for j in ("hip", "shoulder")
    )
    return long_length_px(hips, shoulders)


def pelvis_shift_parts(s: Setting) -> list[Part]:
    """What a camera off the front or tilted, and jitter, do to the hips' place over the feet.

    Hips go back as far as the thigh lies along the camera's axis; how far shows in how much it is
    foreshortened.
    """
    hip, knee = (
        s.track.image_px[s.attempt.turn, LANDMARK[s.series.side, j]] for j in ("hip", "knee")
    )
    stance_px = apart_px(s, "ankle")
    if not (np.isfinite(stance_px) and stance_px > 0):
        return []
    seen_px = float(np.nan_to_num(np.linalg.norm(knee - hip)))
    back_px = float(np.sqrt(max(np.nan_to_num(s.series.thigh_px) ** 2 - seen_px**2, 0.0)))
    return [
        front_leak_part(back_px * off_front_share(s) / stance_px),
        tilted_distance_part(s, s.series.leg_length_px, 1 / stance_px),
        picture_jitter_part(s, ("hip", "ankle"), 1 / stance_px),
    ]


def plane_part(standard: np.ndarray | None, at: int, loss: float) -> Part:
    """What the leg's plane and the camera's place leave in doubt at grid index `at`.

    standard : (n,) as in Series; where it is None, the whole loss of an uncorrected view is.
    """
    if standard is None or not np.isfinite(standard[at]):
        return azimuth_part(loss)
    return leg_plane_part(float(standard[at]))


def knee_parts(s: Setting, value: float, at: int | None = None) -> list[Part]:
    """at : grid index that the value was read at; else where the leg comes nearest to it."""
    off = off_side_deg(s.view.azimuth_deg)
    loss = max(abs(value), 0) - projected_flexion_deg(min(abs(value), 175.0), off)
    return [
        *model_parts("knee_flexion"),
        *((lifted_pelvis_part(),) if s.position == "hook_lying" else ()),
        near_straight_part(value),
        shortened_part("knee_flexion", s.series.leg_seen_share),
        plane_part(s.series.knee_flexion_standard_deg, at_value(s, value, at), loss),
        grain_part(degrees_per_px(s.series.thigh_px, s.series.shank_px)),
        jitter_part(s, ("hip", "knee", "ankle"), s.series.thigh_px, s.series.shank_px),
    ]


def at_value(s: Setting, knee_deg: float, at: int | None) -> int:
    """`at`, or where in the attempt the knee is nearest to this flexion, a grid index."""
    if at is not None:
        return at
    away = np.abs(s.series.knee_flexion_deg[s.attempt.start : s.attempt.end + 1] - knee_deg)
    if not np.isfinite(away).any():
        return s.attempt.turn
    return s.attempt.start + int(np.nanargmin(away))


def degrees_per_px(*lengths_px: float) -> float:
    """Degrees that an angle between segments of these lengths turns for a pixel at each end."""
    known = [length for length in lengths_px if np.isfinite(length) and length > 0]
    return float(np.degrees(np.sqrt(sum(2.0 / length**2 for length in known)))) if known else 0.0


def knee_value(s: Setting, seen_deg: float, at: int | None = None) -> tuple[float, list[Part]]:
    """(knee flexion, its parts): shifted by the clinician's goniometer reading where one is near.

    The reading takes the place of what is doubtful about landmarks and definition.
    """
    parts = knee_parts(s, seen_deg, at)
    near = offset_near(s.readings, s.series.side, s.model, seen_deg)
    if near is None:
        return seen_deg, parts
    offset, reading_parts = near
    replaced = (
        near_straight_part(0).name,
        *(p.name for p in model_parts("knee_flexion") if p.kind == "shared"),
    )
    return seen_deg + offset, [*reading_parts, *(p for p in parts if p.name not in replaced)]


def peak_part(s: Setting, values: np.ndarray, at: int) -> Part:
    """What a peak read at grid index `at` of a series may lose between two frames."""
    step = max(1, round(s.frame_s * s.series.grid_hz))
    beside = [values[k] for k in (at - step, at + step) if 0 <= k < len(values)]
    known = [v for v in beside if np.isfinite(v)]
    return sampling_part(float(values[at] - np.mean(known)) if known else 0.0)


def plane_loss_deg(s: Setting, value_deg: float) -> float:
    """Largest error of an inclination of this size from the azimuth's own uncertainty."""
    off = off_side_deg(s.view.azimuth_deg)
    if s.position == "side_lying":  # the leg rises across the view from the front
        off = 90 - off
    spread = (s.view.azimuth_high_deg - s.view.azimuth_low_deg) / 2
    seen = np.cos(np.radians(min(off + spread, 80.0)))
    lean_rad = np.radians(min(abs(value_deg), 89.0))
    return float(abs(value_deg) - np.degrees(np.arctan(np.tan(lean_rad) * seen)))


def front_leak(quantity: str, s: Setting, at: int) -> Part:
    """What is left in doubt of how far a knee that goes forward seems to go sideways."""
    standard = {
        "fppa": s.series.fppa_standard_deg,
        "knee_medial_to_foot": s.series.knee_medial_standard_share,
    }[quantity]
    if standard is None or not np.isfinite(standard[at]):
        return front_leak_part(0.0)
    return front_leak_part(float(np.sqrt(3) * standard[at]))


def thigh_seen_share(s: Setting, at: int) -> float:
    """Share of the thigh's length that a camera ahead sees at grid index `at`; 1 where unknown."""
    hip, knee = (s.track.image_px[at, LANDMARK[s.series.side, j]] for j in ("hip", "knee"))
    share = float(np.linalg.norm(knee - hip)) / s.series.thigh_px
    return share if np.isfinite(share) else 1.0


def off_front_share(s: Setting) -> float:
    """Share of a forward distance that the camera sees as a sideways one."""
    return float(np.sin(np.radians(90 - off_side_deg(s.view.azimuth_deg))))


def off_front_deg(s: Setting) -> float:
    """How far from straight ahead or behind the camera may well stand, degrees.

    Its place with its standard uncertainty (root sum of squares).
    """
    spread = (s.view.azimuth_high_deg - s.view.azimuth_low_deg) / 2 / 1.96
    return float(np.hypot(90 - off_side_deg(s.view.azimuth_deg), spread))


def driving_quantity(s: Setting) -> str:
    """The driving signal's quantity in the error model."""
    return {"leg_abduction": "leg_elevation"}.get(s.driving_signal, s.driving_signal)


def driving_parts(s: Setting, value: float) -> list[Part]:
    """Parts of an absolute driving angle."""
    if s.driving_signal == "knee_flexion":
        return knee_parts(s, value)
    return [
        *model_parts(driving_quantity(s)),
        azimuth_part(plane_loss_deg(s, min(abs(value), abs(90 - abs(value))))),
        jitter_part(s, ("hip", "knee", "ankle"), s.series.thigh_px),
    ]


def driving_change_parts(s: Setting, value: float) -> list[Part]:
    quantity = driving_quantity(s)
    return [
        *model_parts(quantity, is_change=True),
        *(() if quantity == "leg_elevation" else (both_ends_part(),)),
        azimuth_part(plane_loss_deg(s, value) * 0.5),
        jitter_part(s, ("hip", "knee", "ankle"), s.series.thigh_px),
    ]


def hold_parts(s: Setting) -> list[Part]:
    return [*model_parts("hold_time"), time_part(s.frame_s)]
