"""Distances in the picture, as shares of a segment or in centimetres, each with its interval."""

from dataclasses import replace
from typing import cast

import numpy as np

from formcheck.model.anatomy import LANDMARK, Side, other_side
from formcheck.model.intervals import azimuth_part, grain_part, measured, model_parts
from formcheck.model.records import Measured, Part
from formcheck.motion.camera import off_side_deg
from formcheck.motion.circumstances import (
    LARGEST_OF_MANY,
    Setting,
    apart_px,
    front_leak,
    pelvis_shift_parts,
    picture_jitter_part,
    tilted_distance_part,
)
from formcheck.motion.readers import Read, reads
from formcheck.motion.readings import HIDDEN, at_turn, largest_at, moment_s, stretch


def _apart_px(s: Setting, a: tuple[Side, str], b: tuple[Side, str]) -> np.ndarray:
    """How far two joints lie apart in the picture at the turn: (sideways, upward) pixels."""
    apart: np.ndarray = np.abs(
        s.track.image_px[s.attempt.turn, LANDMARK[a]]
        - s.track.image_px[s.attempt.turn, LANDMARK[b]]
    )
    return apart


def _off_side_part(s: Setting, value: float) -> Part:
    off = np.radians(off_side_deg(s.view.azimuth_deg))
    return azimuth_part(abs(value) * (1 - np.cos(off)))


@reads("rear_knee_height_share")
def _rear_knee(key: str, s: Setting) -> Read:
    value = at_turn(s, s.series.rear_knee_height_share)
    if not np.isfinite(value):
        return HIDDEN
    leg = s.series.side
    along_px, _ = _apart_px(s, (leg, "ankle"), (other_side(leg), "knee"))
    parts = [
        *model_parts("rear_knee_height"),
        _off_side_part(s, value),
        tilted_distance_part(s, along_px, 1 / s.series.shank_px),
    ]
    return measured(key, value, parts, moment_s(s, s.attempt.turn))


@reads("knee_over_toe_share")
def _knee_over_toe(key: str, s: Setting) -> Read:
    value = at_turn(s, s.series.knee_over_toe_share)
    if not np.isfinite(value):
        return HIDDEN
    leg = s.series.side
    _, above_px = _apart_px(s, (leg, "knee"), (leg, "toe"))
    parts = [
        *model_parts("knee_over_toe"),
        _off_side_part(s, value),
        tilted_distance_part(s, above_px, 1 / s.series.foot_length_px),
    ]
    return measured(key, value, parts, moment_s(s, s.attempt.turn))


@reads("knee_over_toe_cm")
def _knee_over_toe_cm(key: str, s: Setting) -> Read:
    share = _knee_over_toe("knee_over_toe_share", s)
    if isinstance(share, str):
        return share
    return in_cm(key, share, s.series.foot_length_px * stature_cm(s) / s.view.person_height_px)


@reads("knee_medial_to_foot_share")
def _knee_medial(key: str, s: Setting) -> Read:
    value = at_turn(s, s.series.knee_medial_to_foot_share)
    if not np.isfinite(value):
        return HIDDEN
    leg, per_px = s.series.side, 1 / s.series.shank_px
    _, above_px = _apart_px(s, (leg, "knee"), (leg, "ankle"))
    parts = [
        *model_parts("knee_medial_to_foot"),
        front_leak("knee_medial_to_foot", s, s.attempt.turn),
        tilted_distance_part(s, above_px, per_px),
        picture_jitter_part(s, ("knee", "ankle"), np.sqrt(2) * per_px),
        grain_part(np.sqrt(2) * per_px),
    ]
    return measured(key, value, parts, moment_s(s, s.attempt.turn))


@reads("pelvis_shift_share")
def _pelvis_shift(key: str, s: Setting) -> Read:
    value = at_turn(s, s.series.pelvis_shift_share)
    if not np.isfinite(value):
        return HIDDEN
    parts = [*model_parts("pelvis_shift"), *pelvis_shift_parts(s)]
    return measured(key, value, parts, moment_s(s, s.attempt.turn))


@reads("knee_separation_ratio_least")
def _separation(key: str, s: Setting) -> Read:
    piece = stretch(s, s.series.knee_separation_ratio)
    at = largest_at(s, -piece)
    if at is None:
        return HIDDEN
    parts = [
        *model_parts("knee_separation"),
        picture_jitter_part(s, ("knee", "ankle"), LARGEST_OF_MANY * 2 / apart_px(s, "ankle")),
    ]
    return measured(key, float(piece[at]), parts, moment_s(s, s.attempt.start + at))


# -- centimetres


def stature_cm(s: Setting) -> float:
    """The stature, for a measure in centimetres: `measure` refuses those without one."""
    return cast(float, s.stature_cm)


def scaled_part(part: Part, factor: float) -> Part:
    """The same doubt of a measure in another unit."""
    return replace(part, standard=part.standard * factor)


def in_cm(key: str, share: Measured, cm: float) -> Measured:
    """A distance in centimetres; cm : of what the share is of, with the doubt of its scale."""
    scale = Part(
        name="scale from stature",
        standard=0.06 * abs(share.value) * cm,
        kind="shared",
        source="segment shares of stature, a gross scale (Drillis & Contini 1966)",
    )
    parts = [*(scaled_part(p, cm) for p in share.parts), scale]
    return measured(key, share.value * cm, parts, share.at_s)
