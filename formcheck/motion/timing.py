"""Measures of time: holds, time in a band, tempo and rest."""

from dataclasses import replace

import numpy as np

from formcheck.model.intervals import (
    COVERAGE_FACTOR,
    UNSEEN_TIME,
    combined,
    measured,
    model_parts,
    time_part,
)
from formcheck.model.programme import Bound
from formcheck.model.records import Measured, Part
from formcheck.motion.circumstances import (
    Setting,
    driving_parts,
    driving_quantity,
    hold_parts,
    knee_value,
)
from formcheck.motion.holds import (
    OFF_FLOOR_SHARE,
    Plateau,
    across_blinks,
    find_plateau,
    longest_and_total_s,
)
from formcheck.motion.masks import runs
from formcheck.motion.phases import end_standard_s, find_phases
from formcheck.motion.readers import Read, reads
from formcheck.motion.readings import HIDDEN, at_rest_before, moment_s, seen_enough, stretch


def _what_was_held(s: Setting, values: np.ndarray, band: float) -> Plateau | None:
    """What was held: the plateau, or for a one-leg stance the time until the foot touches."""
    if not s.is_until_touch:
        return find_plateau(values, s.attempt, s.series.grid_hz, band)
    rest = min(s.attempt.rest_before, s.attempt.rest_after)
    piece = values[s.attempt.start : s.attempt.end + 1]
    off_floor = rest + min(OFF_FLOOR_SHARE, s.attempt.range / 3)
    with np.errstate(invalid="ignore"):
        is_up = across_blinks(piece >= off_floor, np.isfinite(piece), s.series.grid_hz)
    if not is_up.any():
        return None
    a, b = max(runs(is_up), key=lambda r: r[1] - r[0])
    return Plateau(
        level=float(np.nanmedian(piece[a:b])),
        start=s.attempt.start + a,
        end=s.attempt.start + b - 1,
        drift_per_s=0.0,
    )


def _unseen_hold_part(s: Setting, stay: Plateau) -> Part:
    """What a hold may have lasted longer where it was not seen beside what was."""
    unseen = s.is_hidden | ~np.isfinite(s.driving)
    before, after = stay.start, stay.end
    while before > s.attempt.start and unseen[before - 1]:
        before -= 1
    while after < s.attempt.end and unseen[after + 1]:
        after += 1
    longer_s = 0.0
    if (before, after) != (stay.start, stay.end):
        # Beyond what was not seen the hold may have gone on to the turn's end.
        longer_s = (s.attempt.end - s.attempt.start) / s.series.grid_hz
        longer_s -= (stay.end - stay.start) / s.series.grid_hz
    return _time_not_seen_part(longer_s)


def _time_not_seen_part(longer_s: float) -> Part:
    return Part(
        name=UNSEEN_TIME,
        standard=longer_s / COVERAGE_FACTOR,
        kind="own",
        source="the hold may have gone on while landmarks were missing in this clip",
    )


def _perhaps_longer(found: Measured, unseen: Part) -> Measured:
    """The time with what may have been missed of it: that makes it longer, never shorter."""
    longer = measured(found.key, found.value, [*found.parts, unseen], found.at_s)
    return replace(longer, low=found.low)


@reads("plateau_hold_s", "plateau_level_deg", "hold_drift_deg_per_min")
def read_hold(key: str, s: Setting) -> Read:
    band = s.repetition.plateau_band_deg
    if s.driving_unit != "deg":
        if key not in ("plateau_hold_s",):
            return "hold_angle_not_seen"
        band = s.repetition.plateau_band_share * s.attempt.range
    if not seen_enough(s, stretch(s, s.driving)):
        return HIDDEN
    plateau = _what_was_held(s, np.where(s.is_hidden, np.nan, s.driving), band)
    if plateau is None:
        return HIDDEN
    at_s = moment_s(s, (plateau.start + plateau.end) // 2)
    held_s = (plateau.end - plateau.start + 1) / s.series.grid_hz
    if key == "plateau_hold_s":
        held = measured(key, held_s, hold_parts(s), at_s)
        return _perhaps_longer(held, _unseen_hold_part(s, plateau))
    if key == "plateau_level_deg":
        if s.driving_signal == "knee_flexion":
            return measured(key, *knee_value(s, plateau.level), at_s)
        return measured(key, plateau.level, driving_parts(s, plateau.level), at_s)
    drift = plateau.drift_per_s * 60
    # Standard error of a slope over `held_s` from own noise at either end.
    own = model_parts(driving_quantity(s), is_change=True)[0].standard * 60 / max(held_s, 0.5) / 2
    part = Part(
        name="pose model within the hold",
        standard=own,
        kind="own",
        source="own noise over the hold's length",
    )
    return measured(key, drift, [part], at_s)


def _as_bounded(s: Setting, band: Bound, values: np.ndarray) -> np.ndarray:
    """The driving signal over the repetition as a bound speaks of it.

    Knee flexion with the goniometer's offset, as in the level and the peak; a leg's elevation as
    the rise from rest.
    """
    piece = stretch(s, values)
    if not np.isfinite(piece).any():
        return piece
    if s.driving_signal == "knee_flexion":
        plateau = find_plateau(
            np.where(s.is_hidden, np.nan, values),
            s.attempt,
            s.series.grid_hz,
            s.repetition.plateau_band_deg,
        )
        level = float(np.nanmedian(piece)) if plateau is None else plateau.level
        return piece + (knee_value(s, level)[0] - level)
    if s.driving_signal == "leg_elevation" and band.measure == "leg_elevation_peak_deg":
        return piece - at_rest_before(s, values)
    return piece


@reads("hold_in_band_s", "hold_in_band_total_s")
def read_band(key: str, s: Setting) -> Read:
    if s.band is None:
        return "no_target_band"
    low, high = s.band.band("target")
    piece = _as_bounded(s, s.band, s.driving)
    if not seen_enough(s, piece):
        return HIDDEN
    is_seen = np.isfinite(piece)
    k = 0 if key == "hold_in_band_s" else 1

    def lasted_s(least: float, most: float, *, with_unseen: bool = False) -> float:
        with np.errstate(invalid="ignore"):
            inside = (piece >= least) & (piece <= most)
        inside = across_blinks(inside, is_seen, s.series.grid_hz)
        if with_unseen:
            inside = _and_unseen_beside(inside, is_seen)
        return longest_and_total_s(inside, s.series.grid_hz)[k]

    value = lasted_s(low, high)
    # Where the level lies near the band's edge the angle's own doubt is a doubt about time.
    doubt = COVERAGE_FACTOR * combined(driving_parts(s, float(np.nanmedian(piece))))
    longest, shortest = lasted_s(low - doubt, high + doubt), lasted_s(low + doubt, high - doubt)
    edge = Part(
        name="level against the band's edge",
        standard=max(longest - value, value - shortest) / COVERAGE_FACTOR,
        kind="shared",
        source="time gained or lost when the angle is off by its 95 % interval",
    )
    found = measured(key, value, [*hold_parts(s), edge], moment_s(s, s.attempt.turn))
    unseen_s = lasted_s(low, high, with_unseen=True) - value
    found = _perhaps_longer(found, _time_not_seen_part(unseen_s))
    whole_s = (s.attempt.end - s.attempt.start + 1) / s.series.grid_hz
    return replace(found, high=min(found.high, max(whole_s, value)))


def _and_unseen_beside(inside: np.ndarray, is_seen: np.ndarray) -> np.ndarray:
    """The mask, (n,) bool, also True in unseen stretches that touch it."""
    out = inside.copy()
    for a, b in runs(~is_seen):
        if inside[max(a - 1, 0)] or inside[min(b, len(inside) - 1)]:
            out[a:b] = True
    return out


def _limits_seen(s: Setting, *limits: int) -> bool:
    return not s.is_hidden[list(limits)].any()


@reads("lowering_s", "pause_s", "raising_s")
def read_tempo(key: str, s: Setting) -> Read:
    a = s.attempt
    if not _limits_seen(s, a.start, a.turn, a.end) or not seen_enough(s, stretch(s, s.driving)):
        return HIDDEN
    rising = s.driving if s.is_rising else -s.driving
    p = find_phases(rising, a, s.series.grid_hz)
    there_s = moment_s(s, p.there_to) - moment_s(s, p.there_from)
    pause_s = max(moment_s(s, p.back_from) - moment_s(s, p.there_to), 0.0)
    back_s = moment_s(s, p.back_to) - moment_s(s, p.back_from)
    lowering_s, raising_s = (there_s, back_s) if s.first_phase == "lowering" else (back_s, there_s)
    value = {"lowering_s": lowering_s, "pause_s": pause_s, "raising_s": raising_s}[key]
    # Both ends of a pause move when a peak is rounded off or a landmark wanders at the turn.
    quantity = "pause_time" if key == "pause_s" else "phase_time"
    way_s = max(there_s, back_s) if key == "pause_s" else value
    jitter = Part(
        name="jitter against the speed",
        standard=end_standard_s(rising, a, s.series.grid_hz, way_s),
        kind="own",
        source="jitter of this clip's signal; share of the way's time: decision 45",
    )
    return measured(key, value, [*model_parts(quantity), time_part(s.frame_s), jitter])


@reads("rest_s")
def read_rest(key: str, s: Setting) -> Read:
    if s.next_start is None:
        return "last_repetition"
    if not _limits_seen(s, s.attempt.end, s.next_start):
        return HIDDEN
    value = moment_s(s, s.next_start) - moment_s(s, s.attempt.end)
    return measured(key, max(value, 0.0), [*model_parts("time"), time_part(s.frame_s)])
