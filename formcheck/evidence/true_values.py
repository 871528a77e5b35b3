"""What a truth file says of each measure: the definitions of measures.py on the true motion.

The same stretches are read as from a clip: the turn's middle, the extreme between start and
end, the rest just before. Angles come from imposed rotations where the file has them; positions
are used where a measure needs a line between joints (leg elevation, projections, heights). The
joint centres of a rendered figure are its rig's, not anatomy.
"""

from dataclasses import dataclass

import numpy as np

from formcheck.evidence.truth import TrueRepetition, Truth
from formcheck.model.anatomy import SIDES, Side, other_side
from formcheck.model.programme import Exercise, ExerciseView
from formcheck.motion.circumstances import MeasurementSettings
from formcheck.motion.holds import find_plateau
from formcheck.motion.kinematics import SIGNALS, long_length_px, medial_x
from formcheck.motion.phases import Phases, find_phases
from formcheck.motion.repetitions import Attempt, RepetitionSettings

GRID_HZ = 100.0
"""Rate at which true series are read: fine against the 0.1 s that matter."""

_LYING_ON_BACK = ("supine", "hook_lying", "long_sitting", "bench_supported")


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueMotion:
    """The true series of one leg on an even grid, under the names of kinematics.Series.

    series : name -> (n,) values with that name's unit and sense; NaN where not known.
    """

    time_s: np.ndarray
    series: dict[str, np.ndarray]


def true_motion(truth: Truth, side: Side, exercise: Exercise) -> TrueMotion:
    """All true series that a measure may be read from, for one working leg."""
    grid = np.arange(truth.time_s[0], truth.time_s[-1] + 1e-9, 1 / GRID_HZ)

    def on_grid(values):
        known = np.isfinite(values)
        if known.sum() < 2:
            return np.full(len(grid), np.nan)
        return np.interp(grid, truth.time_s[known], values[known], left=np.nan, right=np.nan)

    own = _angles(truth, side, exercise) | _lines(truth, side, exercise)
    return TrueMotion(time_s=grid, series={name: on_grid(v) for name, v in own.items()})


def _angles(truth: Truth, side: Side, exercise: Exercise) -> dict[str, np.ndarray]:
    """Series from imposed rotations."""
    flexion = truth.knee_flexion_deg(side)
    thigh = truth.thigh_inclination_deg(side)
    trunk = truth.trunk_inclination_deg
    upright = exercise.position in ("standing", "sitting")
    nowhere = np.full(len(truth.time_s), np.nan)
    return {
        "knee_flexion_deg": flexion,
        "thigh_inclination_deg": thigh if upright else nowhere,
        # In the sagittal plane the shank leans by what flexion exceeds the thigh's own lean.
        "shank_inclination_deg": flexion - (90 - thigh) if upright else nowhere,
        "trunk_inclination_deg": trunk if upright else nowhere,
        "trunk_thigh_deg": (90 - thigh) + trunk
        if upright or exercise.position in _LYING_ON_BACK
        else nowhere,
        "pelvic_obliquity_deg": truth.pelvic_obliquity_deg,
    }


def _lines(truth: Truth, side: Side, exercise: Exercise) -> dict[str, np.ndarray]:
    """Series from joint positions; frontal ones in the person's own frontal plane.

    A camera off the front sees another projection: that is its error, not another truth.
    """
    far = other_side(side)

    def at(joint, of=side):
        return truth.joint_m(of, joint)

    if not np.isfinite(at("hip") + at("knee") + at("ankle")).any():
        return {}
    seen_from = "front" if abs(truth.azimuth_deg) <= 90 else "back"
    left_x = 1 if seen_from == "front" else -1

    def seen(points):
        """Where a point shows straight from the front or back: x to the right, y down."""
        return np.stack([left_x * points[:, 0], -points[:, 2]], axis=1)

    hip, knee, ankle = (seen(at(j)) for j in ("hip", "knee", "ankle"))
    thigh_m, shank_m = (
        long_length_px(at("hip"), at("knee")),
        long_length_px(at("knee"), at("ankle")),
    )
    foot_m = long_length_px(at("heel"), at("toe"))
    medial = medial_x(side, seen_from)
    turn = np.degrees(
        np.arctan2(
            (knee - hip)[:, 0] * (ankle - knee)[:, 1] - (knee - hip)[:, 1] * (ankle - knee)[:, 0],
            np.sum((knee - hip) * (ankle - knee), axis=1),
        )
    )
    hips = (at("hip") + at("hip", far)) / 2
    shoulders = (at("shoulder") + at("shoulder", far)) / 2
    trunk = seen(shoulders) - seen(hips)
    ankles = [seen(at("ankle", s)) for s in SIDES]
    knees = [seen(at("knee", s)) for s in SIDES]
    apart = np.abs(ankles[0][:, 0] - ankles[1][:, 0])
    stance = float(np.nanmedian(apart))
    ground = float(np.nanmedian([at("ankle")[:, 2], at("ankle", far)[:, 2]]))
    forward = -(at("knee")[:, 1] - at("toe")[:, 1])
    return {
        "leg_elevation_deg": truth.leg_elevation_deg(side),
        "fppa_deg": turn * medial,
        "knee_medial_to_foot_share": medial * (knee - ankle)[:, 0] / shank_m,
        "knee_separation_ratio": np.abs(knees[0] - knees[1])[:, 0] / np.maximum(apart, 1e-3),
        "pelvis_shift_share": left_x
        * (seen(hips)[:, 0] - (ankles[0] + ankles[1])[:, 0] / 2)
        / max(stance, 1e-3),
        "trunk_lateral_inclination_deg": np.degrees(
            np.arctan2(-medial * trunk[:, 0], -trunk[:, 1])
        ),
        "heel_height_share": (at("heel")[:, 2] - at("toe")[:, 2]) / foot_m,
        "ankle_height_m": at("ankle")[:, 2],
        "knee_over_toe_share": forward / foot_m,
        "hip_height_share": (hips[:, 2] - ground) / (thigh_m + shank_m),
        "shoulder_height_share": (shoulders[:, 2] - ground) / (thigh_m + shank_m),
    }


READINGS = {
    "knee_flexion_peak_deg": ("knee_flexion_deg", "peak"),
    "knee_flexion_least_deg": ("knee_flexion_deg", "least"),
    "knee_flexion_gain_deg": ("knee_flexion_deg", "rise"),
    "thigh_inclination_deg": ("thigh_inclination_deg", "turn"),
    "shank_inclination_deg": ("shank_inclination_deg", "turn"),
    "trunk_inclination_deg": ("trunk_inclination_deg", "turn"),
    "trunk_thigh_deg": ("trunk_thigh_deg", "turn"),
    "knee_over_toe_share": ("knee_over_toe_share", "turn"),
    "fppa_at_turn_deg": ("fppa_deg", "turn"),
    "fppa_peak_deg": ("fppa_deg", "peak"),
    "fppa_change_deg": ("fppa_deg", "rise"),
    "knee_medial_to_foot_share": ("knee_medial_to_foot_share", "turn"),
    "knee_separation_ratio_least": ("knee_separation_ratio", "least"),
    "pelvic_obliquity_peak_deg": ("pelvic_obliquity_deg", "largest"),
    "pelvis_shift_share": ("pelvis_shift_share", "turn"),
    "trunk_lateral_inclination_peak_deg": ("trunk_lateral_inclination_deg", "largest"),
    "hip_drop_share": ("hip_height_share", "fall"),
    "leg_elevation_peak_deg": ("leg_elevation_deg", "rise"),
    "heel_height_peak_share": ("heel_height_share", "above_standing"),
    "plateau_hold_s": ("driving", "hold"),
    "plateau_level_deg": ("driving", "level"),
    "range_deg": ("driving", "range"),
    "range_share": ("driving", "range"),
    "lowering_s": ("driving", "tempo"),
    "pause_s": ("driving", "tempo"),
    "raising_s": ("driving", "tempo"),
}
"""Measure -> (series, how it is read): the measures that a truth file can answer for."""

ABSOLUTE = ("peak", "least", "turn")
"""Readings whose error and excursion error differ: the rest of the readings are changes."""


def read_series(
    values: np.ndarray,
    time_s: np.ndarray,
    how: str,
    start_s: float,
    turn_s: float,
    end_s: float,
    settings: MeasurementSettings = MeasurementSettings(),
) -> float:
    """One reading of a series over a repetition; NaN when it is not known there.

    values, time_s : (n,). how : peak, least, turn, or rest (the median just before the start).
    """
    if how == "turn":
        inside = np.abs(time_s - turn_s) <= settings.turn_window_s / 2
        reading = np.mean
    elif how == "rest":
        inside = (time_s >= start_s - settings.rest_window_s) & (time_s <= start_s + 0.04)
        reading = np.median
    else:
        inside = (time_s >= start_s) & (time_s <= end_s)
        reading = np.max if how == "peak" else np.min
    known = values[inside & np.isfinite(values)]
    return float(reading(known)) if len(known) else float("nan")


def true_value(
    key: str,
    motion: TrueMotion,
    truth: Truth,
    repetition: TrueRepetition,
    exercise: Exercise,
    view: ExerciseView,
    settings: RepetitionSettings = RepetitionSettings(),
) -> float:
    """The true value of a measure in one repetition; NaN where the file cannot tell.

    view : how the exercise is driven in the view that the clip was measured in.
    """
    if key not in READINGS:
        return float("nan")
    name, how = READINGS[key]
    driving_name, unit, _ = SIGNALS[view.driving_signal]
    if name == "driving":
        name = driving_name
    values = motion.series.get(name)
    if values is None or not np.isfinite(values).any():
        return float("nan")
    if key.startswith(("range_", "plateau_level")) and not key.endswith(f"_{unit}"):
        return float("nan")
    rep = repetition
    turn_s = (rep.turn_from_s + rep.turn_to_s) / 2

    def read(what):
        return read_series(values, motion.time_s, what, rep.start_s, turn_s, rep.end_s)

    if how in ABSOLUTE:
        return read(how)
    if how == "rise":
        return read("peak") - read("rest")
    if how in ("fall", "above_standing", "largest"):
        standing = _standing(values, motion.time_s, truth)
        if how == "fall":
            return standing - read("turn")
        if how == "above_standing":
            return read("peak") - standing
        if key == "trunk_lateral_inclination_peak_deg":
            standing = 0.0
        most, least = read("peak") - standing, read("least") - standing
        return most if abs(most) >= abs(least) else least
    if how == "range":
        return read("peak") - read("least")
    rising = values if view.direction == "rises" else -values
    attempt = true_attempt(rising, motion.time_s, rep, settings)
    if attempt is None:
        return float("nan")
    if how == "tempo":
        return _tempo_s(key, find_phases(rising, attempt, GRID_HZ), exercise.first_phase)
    band = settings.plateau_band_deg
    if unit != "deg":
        band = settings.plateau_band_share * attempt.range
    plateau = find_plateau(values, attempt, GRID_HZ, band)
    if plateau is None:
        return float("nan")
    return (plateau.end - plateau.start + 1) / GRID_HZ if how == "hold" else plateau.level


def _standing(values: np.ndarray, time_s: np.ndarray, truth: Truth) -> float:
    """Median of a series outside all repetitions; its first sample where they fill the clip."""
    outside = np.isfinite(values)
    for rep in truth.repetitions:
        outside &= (time_s < rep.start_s) | (time_s > rep.end_s)
    known = values[outside]
    return float(np.median(known)) if len(known) else float(values[np.isfinite(values)][0])


def true_attempt(
    rising: np.ndarray, time_s: np.ndarray, repetition: TrueRepetition, settings: RepetitionSettings
) -> Attempt | None:
    """The repetition's limits by their definition (5 % and 10 % of range) on a true signal.

    rising : (n,) the driving signal, rising toward the turn. None where it is not known.
    """
    at = np.flatnonzero((time_s >= repetition.start_s) & (time_s <= repetition.end_s))
    if len(at) < 3 or not np.isfinite(rising[at]).all():
        return None
    piece = rising[at]
    peak = int(np.argmax(piece))
    extreme, before, after = float(piece[peak]), float(piece[0]), float(piece[-1])
    full = extreme - min(before, after)
    if full <= 0:
        return None
    near = np.flatnonzero(piece >= extreme - settings.turn_share * full)

    def left(stretch, rest):
        return np.flatnonzero(stretch <= rest + settings.edge_share * full)

    low, high = left(piece[: peak + 1], before), left(piece[peak:], after)
    return Attempt(
        start=int(at[low[-1]]),
        turn_from=int(at[near[0]]),
        turn_to=int(at[near[-1]]),
        end=int(at[peak + high[0]]),
        rest_before=before,
        rest_after=after,
        extreme=extreme,
        is_complete=True,
    )


def _tempo_s(key: str, phases: Phases, first_phase: str) -> float:
    first = (phases.there_to - phases.there_from) / GRID_HZ
    last = (phases.back_to - phases.back_from) / GRID_HZ
    if key == "pause_s":
        return max(phases.back_from - phases.there_to, 0) / GRID_HZ
    return first if (key == "lowering_s") == (first_phase == "lowering") else last
