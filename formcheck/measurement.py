"""From series and an attempt to the measures of a repetition, each with its interval.

One function computes every measure of the vocabulary; an exercise file only names which.
"""

import numpy as np

from formcheck.camera import mid, off_side_deg, why_not_in_view
from formcheck.circumstances import (
    Setting,
    driving_change_parts,
    driving_parts,
    driving_quantity,
    front_leak,
    hold_parts,
    jitter_part,
    knee_value,
    off_front_share,
    peak_part,
    plane_loss_deg,
)
from formcheck.kinematics import long_length_px
from formcheck.measures import MEASURES
from formcheck.records import Measured, NotMeasurable, Part, Value
from formcheck.repetitions import find_plateau, longest_and_total_s
from formcheck.uncertainty import (
    azimuth_part,
    bent_to_straight_part,
    front_leak_part,
    measured,
    model_parts,
    projected_flexion_deg,
    tilt_part,
    time_part,
)

_TURN = {
    "thigh_inclination_deg": ("thigh_inclination_deg", "thigh_inclination"),
    "shank_inclination_deg": ("shank_inclination_deg", "shank_inclination"),
    "trunk_inclination_deg": ("trunk_inclination_deg", "trunk_inclination"),
    "trunk_thigh_deg": ("trunk_thigh_deg", "trunk_thigh"),
    "trunk_swing_leg_line_deg": ("trunk_swing_leg_line_deg", "trunk_swing_leg_line"),
    "rear_knee_height_share": ("rear_knee_height_share", "rear_knee_height"),
    "knee_over_toe_share": ("knee_over_toe_share", "knee_over_toe"),
    "fppa_at_turn_deg": ("fppa_deg", "fppa"),
    "knee_medial_to_foot_share": ("knee_medial_to_foot_share", "knee_medial_to_foot"),
    "pelvis_shift_share": ("pelvis_shift_share", "pelvis_shift"),
}
"""Measures read at the turn: key -> (series, quantity of the error model)."""

GRAVITY_QUANTITIES = ("thigh_inclination", "shank_inclination", "trunk_inclination")
"""Angles to the floor or the vertical, which a tilted camera turns."""

FRONT_LEAK_MOST_DEG = 10.0
"""A projection angle is refused where the camera off the front may shift it by more (standard
uncertainty): it would say nothing of the knee (chosen on sample clips, decision 7)."""
OFF_FRONT = (
    "the camera stands too far off the front for so deep a bend: the knee going forward would "
    "look like the knee going inward; place the camera straight in front of the person"
)

LIFTED_LEAST_SHARE = 0.2
"""The leg is raised from this share of its rise on (common practice: clear of the bed)."""

HIDDEN = "the leg was hidden or could not be told apart for too much of this repetition"


def measure(key: str, s: Setting) -> Value:
    """One measure of one repetition with its interval, or why it cannot be had.

    Raises KeyError for a key that is not in the vocabulary.
    """
    reason = why_not_in_view(key, s.view.plane, s.position)
    if reason:
        return NotMeasurable(key=key, reason=reason)
    if key in ("knee_over_toe_cm", "leg_elevation_peak_cm") and s.stature_cm is None:
        return NotMeasurable(key=key, reason="the patient's stature was not entered")
    value = _READERS[key](key, s)
    if isinstance(value, str):
        return NotMeasurable(key=key, reason=value)
    return value


def _stretch(s: Setting, values: np.ndarray) -> np.ndarray:
    piece = np.array(values[s.attempt.start : s.attempt.end + 1], float)
    piece[s.is_hidden[s.attempt.start : s.attempt.end + 1]] = np.nan
    return piece


def _seen_enough(s: Setting, piece: np.ndarray) -> bool:
    return bool(len(piece)) and np.isfinite(piece).mean() >= s.settings.seen_least_share


def _at_turn(s: Setting, values: np.ndarray) -> float:
    half = max(1, round(s.settings.turn_window_s / 2 * s.series.grid_hz))
    a, b = max(s.attempt.turn - half, 0), s.attempt.turn + half + 1
    piece = np.where(s.is_hidden[a:b], np.nan, values[a:b])
    known = piece[np.isfinite(piece)]
    return float(known.mean()) if len(known) >= (b - a) / 2 else float("nan")


def _before(s: Setting, values: np.ndarray) -> float:
    """Median at rest just before the repetition (or at its very start)."""
    n = round(s.settings.rest_window_s * s.series.grid_hz)
    piece = values[max(s.attempt.start - n, 0) : s.attempt.start + 2]
    known = piece[np.isfinite(piece)]
    return float(np.median(known)) if len(known) else float("nan")


def _standing(s: Setting, values: np.ndarray) -> float:
    """Median while the person rests between the attempts; just before this one if never."""
    known = values[s.standing & np.isfinite(values)]
    return float(np.median(known)) if len(known) >= s.series.grid_hz / 3 else _before(s, values)


def _time_s(s: Setting, index: int) -> float:
    return float(s.series.time_s[index])


def _knee_peak(key: str, s: Setting):
    piece = _stretch(s, s.series.knee_flexion_deg)
    if not _seen_enough(s, piece):
        return HIDDEN
    largest = key == "knee_flexion_peak_deg"
    at = int(np.nanargmax(piece) if largest else np.nanargmin(piece))
    value = float(piece[at])
    at += s.attempt.start
    value, parts = knee_value(s, value)
    parts.append(peak_part(s, s.series.knee_flexion_deg, at))
    return measured(key, value, parts, _time_s(s, at))


def _knee_gain(key: str, s: Setting):
    piece = _stretch(s, s.series.knee_flexion_deg)
    rest = _before(s, s.series.knee_flexion_deg)
    if not _seen_enough(s, piece) or not np.isfinite(rest):
        return HIDDEN
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
    at = int(np.nanargmax(while_raised))
    parts = [
        *model_parts("knee_flexion", is_change=True),
        jitter_part(s, ("hip", "knee", "ankle"), s.series.thigh_px, s.series.shank_px),
        peak_part(s, s.series.knee_flexion_deg, s.attempt.start + at),
    ]
    return measured(key, float(piece[at]) - rest, parts, _time_s(s, s.attempt.start + at))


def _turn(key: str, s: Setting):
    name, quantity = _TURN[key]
    value = _at_turn(s, getattr(s.series, name))
    if not np.isfinite(value):
        return HIDDEN
    parts = list(model_parts(quantity))
    if quantity in ("fppa", "knee_medial_to_foot"):
        leak = front_leak(quantity, s, s.attempt.turn)
        if quantity == "fppa" and leak.standard > FRONT_LEAK_MOST_DEG:
            return OFF_FRONT
        parts.append(leak)
    if MEASURES[key].unit == "deg":
        parts.append(jitter_part(s, ("hip", "knee", "ankle"), s.series.thigh_px))
        if "sagittal" in MEASURES[key].views:
            parts.append(azimuth_part(plane_loss_deg(s, min(abs(value), 90 - abs(value)))))
        if quantity in GRAVITY_QUANTITIES:
            parts.append(tilt_part(s.view.roll_deg))
    elif "sagittal" in MEASURES[key].views:
        off = np.radians(off_side_deg(s.view.azimuth_deg))
        parts.append(azimuth_part(abs(value) * (1 - np.cos(off))))
    return measured(key, value, parts, _time_s(s, s.attempt.turn))


def _toe_cm(key: str, s: Setting):
    share = _turn("knee_over_toe_share", s)
    if isinstance(share, str):
        return share
    cm = s.series.foot_length_px * s.stature_cm / s.view.person_height_px
    return _scaled(key, share, cm)


def _scaled(key: str, share: Measured, cm: float) -> Measured:
    parts = [
        Part(name=p.name, standard=p.standard * cm, kind=p.kind, source=p.source)
        for p in share.parts
    ]
    parts.append(
        Part(
            name="scale from stature",
            standard=0.06 * abs(share.value) * cm,
            kind="shared",
            source="segment shares of stature, a gross scale (Drillis & Contini 1966)",
        )
    )
    return measured(key, share.value * cm, parts, share.at_s)


def _fppa_peak(key: str, s: Setting):
    piece = _stretch(s, s.series.fppa_deg)
    if not _seen_enough(s, piece):
        return HIDDEN
    at = int(np.nanargmax(piece))
    jitter = jitter_part(s, ("hip", "knee", "ankle"), s.series.thigh_px, s.series.shank_px)
    leak = front_leak("fppa", s, s.attempt.start + at)
    if leak.standard > FRONT_LEAK_MOST_DEG:
        return OFF_FRONT
    seen = [
        jitter,
        leak,
        peak_part(s, s.series.fppa_deg, s.attempt.start + at),
    ]
    if key == "fppa_change_deg":
        start = _before(s, s.series.fppa_deg)
        if not np.isfinite(start):
            return HIDDEN
        parts = [*model_parts("fppa", is_change=True), *seen]
        return measured(key, float(piece[at]) - start, parts, _time_s(s, s.attempt.start + at))
    return measured(
        key, float(piece[at]), [*model_parts("fppa"), *seen],
        _time_s(s, s.attempt.start + at),
    )  # fmt: skip


def _separation(key: str, s: Setting):
    piece = _stretch(s, s.series.knee_separation_ratio)
    if not _seen_enough(s, piece):
        return HIDDEN
    at = int(np.nanargmin(piece))
    return measured(
        key, float(piece[at]), model_parts("knee_separation"), _time_s(s, s.attempt.start + at)
    )


def _obliquity(key: str, s: Setting):
    return _largest_in_size(
        key, s, s.series.pelvic_obliquity_deg, "pelvic_obliquity",
        _standing(s, s.series.pelvic_obliquity_deg),
    )  # fmt: skip


def _lateral_trunk(key: str, s: Setting):
    trunk = mid(s.track, "shoulder") - mid(s.track, "hip")
    full_px = long_length_px(mid(s.track, "hip"), mid(s.track, "shoulder"))
    seen_px = np.linalg.norm(trunk, axis=1)
    ahead_px = np.sqrt(np.maximum(full_px**2 - seen_px**2, 0)) * off_front_share(s)
    leak_deg = np.degrees(np.arctan2(ahead_px, np.maximum(seen_px, 1.0)))
    return _largest_in_size(
        key, s, s.series.trunk_lateral_inclination_deg, "trunk_lateral_inclination", 0.0, leak_deg
    )


def _largest_in_size(key, s: Setting, values, quantity, zero, leak_deg=None):
    piece = _stretch(s, values) - zero
    if not _seen_enough(s, piece):
        return HIDDEN
    at = int(np.nanargmax(np.abs(piece)))
    parts = list(model_parts(quantity, is_change=zero != 0.0))
    if leak_deg is not None:
        parts.append(front_leak_part(float(np.nan_to_num(leak_deg[s.attempt.start + at]))))
    return measured(key, float(piece[at]), parts, _time_s(s, s.attempt.start + at))


def _hip_drop(key: str, s: Setting):
    value = _standing(s, s.series.hip_height_share) - _at_turn(s, s.series.hip_height_share)
    if not np.isfinite(value):
        return HIDDEN
    return measured(key, value, model_parts("hip_drop"), _time_s(s, s.attempt.turn))


def _elevation(key: str, s: Setting):
    # In side lying the leg rises in the plane that a camera before the body sees.
    is_side_lying = s.position == "side_lying"
    values = s.series.leg_abduction_deg if is_side_lying else s.series.leg_elevation_deg
    if key == "leg_elevation_peak_cm":
        values = s.series.heel_rise_px * (s.stature_cm / s.view.person_height_px)
    piece, rest = _stretch(s, values), _before(s, values)
    if not _seen_enough(s, piece) or not np.isfinite(rest):
        return HIDDEN
    at = int(np.nanargmax(piece))
    value, at_s = float(piece[at]) - rest, _time_s(s, s.attempt.start + at)
    if key == "leg_elevation_peak_cm":
        per_deg = np.radians(1) * s.series.leg_length_px * s.stature_cm / s.view.person_height_px
        share = measured(key, value, model_parts("leg_elevation", scale=per_deg), at_s)
        return _scaled(key, share, 1.0)
    parts = [
        *model_parts("leg_elevation", is_change=True),
        jitter_part(s, ("hip", "ankle"), s.series.leg_length_px),
        azimuth_part(plane_loss_deg(s, value) * 0.5),
        peak_part(s, values, s.attempt.start + at),
    ]
    return measured(key, value, parts, at_s)


def _heel(key: str, s: Setting):
    zero = _standing(s, s.series.heel_height_share)
    piece = _stretch(s, s.series.heel_height_share) - zero
    if not _seen_enough(s, piece):
        return HIDDEN
    up = key == "heel_height_peak_share"
    at = int(np.nanargmax(piece) if up else np.nanargmin(piece))
    value = float(piece[at]) if up else max(-float(piece[at]), 0.0)
    return measured(key, value, model_parts("heel_height"), _time_s(s, s.attempt.start + at))


def _plateau(key: str, s: Setting):
    band = s.repetition.plateau_band_deg
    if s.driving_unit != "deg":
        if key not in ("plateau_hold_s",):
            return "the angle of the hold is not seen from this camera position"
        band = s.repetition.plateau_band_share * s.attempt.range
    if not _seen_enough(s, _stretch(s, s.driving)):
        return HIDDEN
    hidden = np.where(s.is_hidden, np.nan, s.driving)
    plateau = find_plateau(hidden, s.attempt, s.series.grid_hz, band)
    if plateau is None:
        return HIDDEN
    at_s = _time_s(s, (plateau.start + plateau.end) // 2)
    held_s = (plateau.end - plateau.start + 1) / s.series.grid_hz
    if key == "plateau_hold_s":
        return measured(key, held_s, hold_parts(s), at_s)
    if key == "plateau_level_deg":
        if s.driving_signal == "knee_flexion":
            return measured(key, *knee_value(s, plateau.level), at_s)
        return measured(key, plateau.level, driving_parts(s, plateau.level), at_s)
    drift = plateau.drift_per_s * 60
    # Standard error of a slope over `held_s` from own noise at either end.
    own = model_parts(driving_quantity(s), is_change=True)[0].standard * 60 / max(held_s, 0.5) / 2
    part = Part(
        name="pose model within the hold", standard=own, kind="own",
        source="own noise over the hold's length",
    )  # fmt: skip
    return measured(key, drift, [part], at_s)


def _as_bounded(s: Setting, values: np.ndarray) -> np.ndarray:
    """The driving signal over the repetition as a bound speaks of it.

    Knee flexion with the goniometer's offset, as in the level and the peak; a leg's elevation as
    the rise from rest.
    """
    piece = _stretch(s, values)
    if not np.isfinite(piece).any():
        return piece
    if s.driving_signal == "knee_flexion":
        plateau = find_plateau(
            np.where(s.is_hidden, np.nan, values), s.attempt, s.series.grid_hz,
            s.repetition.plateau_band_deg,
        )  # fmt: skip
        level = float(np.nanmedian(piece)) if plateau is None else plateau.level
        return piece + (knee_value(s, level)[0] - level)
    if s.driving_signal == "leg_elevation" and s.band.measure == "leg_elevation_peak_deg":
        return piece - _before(s, values)
    return piece


def _in_band(key: str, s: Setting):
    if s.band is None:
        return "no target band was prescribed for this hold"
    low, high = s.band.band("target")
    piece = _as_bounded(s, s.driving)
    if not np.isfinite(piece).any():
        return HIDDEN
    inside = np.nan_to_num((piece >= low) & (piece <= high)).astype(bool)
    longest, total = longest_and_total_s(inside, s.series.grid_hz)
    value = longest if key == "hold_in_band_s" else total
    # Where the level lies near the band's edge the angle's own doubt is a doubt about time.
    doubt = model_parts(driving_quantity(s))[0].standard
    wide = (piece >= low - doubt) & (piece <= high + doubt)
    narrow = (piece >= low + doubt) & (piece <= high - doubt)
    most = longest_and_total_s(np.nan_to_num(wide).astype(bool), s.series.grid_hz)
    least = longest_and_total_s(np.nan_to_num(narrow).astype(bool), s.series.grid_hz)
    k = 0 if key == "hold_in_band_s" else 1
    edge = Part(
        name="level against the band's edge",
        standard=max(most[k] - value, value - least[k]),
        kind="shared",
        source="time gained or lost when the angle is off by its standard uncertainty",
    )
    return measured(key, value, [*hold_parts(s), edge], _time_s(s, s.attempt.turn))


def _tempo(key: str, s: Setting):
    a = s.attempt
    first = _time_s(s, a.turn_from) - _time_s(s, a.start)
    pause = _time_s(s, a.turn_to) - _time_s(s, a.turn_from)
    last = _time_s(s, a.end) - _time_s(s, a.turn_to)
    lowering, raising = (first, last) if s.first_phase == "lowering" else (last, first)
    value = {"lowering_s": lowering, "pause_s": pause, "raising_s": raising}[key]
    # Both ends of a pause move when a peak is rounded off or a landmark wanders at the turn.
    quantity = "pause_time" if key == "pause_s" else "time"
    return measured(key, value, [*model_parts(quantity), time_part(s.frame_s)])


def _rest(key: str, s: Setting):
    if s.next_start is None:
        return "this is the last repetition"
    value = _time_s(s, s.next_start) - _time_s(s, s.attempt.end)
    return measured(key, max(value, 0.0), [*model_parts("time"), time_part(s.frame_s)])


def _range(key: str, s: Setting):
    wanted = "deg" if key == "range_deg" else "share"
    if s.driving_unit != wanted:
        return "the signal that drives this view has another unit"
    piece = _stretch(s, s.driving)
    if not _seen_enough(s, piece):
        return HIDDEN
    largest, least = float(np.nanmax(piece)), float(np.nanmin(piece))
    value = largest - least
    if wanted == "share":
        quantity = "heel_height" if s.driving_signal == "heel_height" else "hip_drop"
        return measured(key, value, model_parts(quantity))
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
        azimuth_part(loss),
        jitter_part(s, ("hip", "knee", "ankle"), s.series.thigh_px, s.series.shank_px),
    ]
    return measured(key, value, parts)


def _of_the_set(key: str, s: Setting):
    return "this is measured over the whole set"


_READERS = {
    **dict.fromkeys(_TURN, _turn),
    "knee_flexion_peak_deg": _knee_peak,
    "knee_flexion_least_deg": _knee_peak,
    "knee_flexion_gain_deg": _knee_gain,
    "knee_over_toe_cm": _toe_cm,
    "fppa_peak_deg": _fppa_peak,
    "fppa_change_deg": _fppa_peak,
    "knee_separation_ratio_least": _separation,
    "pelvic_obliquity_peak_deg": _obliquity,
    "trunk_lateral_inclination_peak_deg": _lateral_trunk,
    "hip_drop_share": _hip_drop,
    "leg_elevation_peak_deg": _elevation,
    "leg_elevation_peak_cm": _elevation,
    "heel_height_peak_share": _heel,
    "heel_drop_share": _heel,
    "plateau_hold_s": _plateau,
    "plateau_level_deg": _plateau,
    "hold_drift_deg_per_min": _plateau,
    "hold_in_band_s": _in_band,
    "hold_in_band_total_s": _in_band,
    "lowering_s": _tempo,
    "pause_s": _tempo,
    "raising_s": _tempo,
    "rest_s": _rest,
    "range_deg": _range,
    "range_share": _range,
    "n_in_30_s": _of_the_set,
    "time_for_five_s": _of_the_set,
}
