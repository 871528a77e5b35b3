"""The camera's azimuth about the person from several cues, joined by their own uncertainties.

The model's depth tells it everywhere but badly; widths of hips and shoulders in the picture tell
it well beside the person, where depth cannot help; the way both feet point tells it well before
or behind the person. Each cue is geometry of the picture; none is tuned to figures.
"""

from dataclasses import dataclass
from typing import cast

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES
from formcheck.model.records import Track
from formcheck.motion.masks import runs

SHOULDER_TO_ANKLE_SHARE = 0.779
"""Shoulder height .818 less ankle height .039 of stature (Drillis & Contini 1966 in Winter)."""

HEEL_TO_TOE_SHARE = 0.14
"""From the back of the heel to the big toe's joint to tip, share of stature: a little under the
foot's length of .152 (Drillis & Contini 1966 in Winter)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AzimuthSettings:
    """How much each cue is worth (decision 61; standard uncertainties).

    depth_standard_deg : of the model's depth of hips and shoulders together.
    head_standard_deg, head_gate_deg : of the model's depth of the ears, and how far it may point
        from the trunk (a person may look at the screen).
    width_standard_share : of hips' and shoulders' widths in the picture together, of stature.
    width_scale : of their true widths.
    feet_standard_deg : of the mean direction of both feet, a person's own asymmetry among it.
    feet_scale : of the foot's length.
    common_standard_deg, beside_standard_deg : what all of them share (pelvis and trunk as the
        model takes them), straight ahead and beside the person, where no foot tells it apart.
    turned_from_deg, turned_share : hips and shoulders that differ by more than this are in doubt
        by this share of the rest (who lunges turns the pelvis against the trunk).
    feet_most_deg : further from the front or back the feet hide each other.
    """

    depth_standard_deg: float = 5.5
    head_standard_deg: float = 9.0
    head_gate_deg: float = 15.0
    width_standard_share: float = 0.03
    width_scale: float = 0.06
    feet_standard_deg: float = 4.5
    feet_scale: float = 0.12
    common_standard_deg: float = 2.0
    beside_standard_deg: float = 5.0
    turned_from_deg: float = 5.0
    turned_share: float = 0.3
    feet_most_deg: float = 45.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """One estimate of an angle with its standard uncertainty, degrees."""

    name: str
    value_deg: float
    standard_deg: float


def joined(cues: list[Cue]) -> tuple[float, float]:
    """(angle, standard uncertainty) of the cues together, by inverse variance, degrees.

    Where they disagree by more than their uncertainties allow, the outcome is that much less
    certain (Birge ratio). NaN where there is none.
    """
    known = [c for c in cues if np.isfinite(c.value_deg) and np.isfinite(c.standard_deg)]
    if not known:
        return float("nan"), float("nan")
    weight = np.array([1 / c.standard_deg**2 for c in known])
    first = known[0].value_deg
    away = np.array([(c.value_deg - first + 180) % 360 - 180 for c in known])
    mean = float((weight * away).sum() / weight.sum())
    standard = float(1 / np.sqrt(weight.sum()))
    if len(known) > 1:
        chi = float((weight * (away - mean) ** 2).sum()) / (len(known) - 1)
        standard *= max(1.0, np.sqrt(chi))
    return 180 - (180 - first - mean) % 360, standard


def body_length(points: np.ndarray) -> float:
    """Stature in the points' own unit: trunk, thigh and shank at their longest, (n, 33, d).

    The 90th percentile of their sum over both sides, over the share of stature that they make.
    """
    sums = []
    for side in SIDES:
        chain = [points[:, LANDMARK[side, j]] for j in ("shoulder", "hip", "knee", "ankle")]
        sums.append(
            sum(np.linalg.norm(b - a, axis=1) for a, b in zip(chain, chain[1:], strict=False))
        )
    both = np.concatenate(sums)
    both = both[np.isfinite(both)]
    return float(np.percentile(both, 90)) / SHOULDER_TO_ANKLE_SHARE if len(both) else float("nan")


def median_where(values: np.ndarray, mask: np.ndarray) -> float:
    """Median of the known values where the mask holds; NaN where there is none."""
    known = values[mask & np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


STRETCHES_LEAST, STRETCH_LEAST = 3, 3
"""So many stretches, each of so many samples, tell the longer from the shorter ones."""


def longest_where(lengths: np.ndarray, mask: np.ndarray) -> float:
    """The length, (n,), in the longer half of the stretches where the mask holds; NaN where none.

    A bend that is held, in nearly the same posture, shortens it, and who stands nearer for a while
    lengthens it: the median over those stretches. The 90th percentile where there are too few.
    """
    is_known = mask & np.isfinite(lengths)
    stretches = [
        float(np.median(lengths[a:b])) for a, b in runs(is_known) if b - a >= STRETCH_LEAST
    ]
    if len(stretches) >= STRETCHES_LEAST:
        longer = sorted(stretches)[len(stretches) // 2 :]
        return float(np.median(longer))
    known = lengths[is_known]
    return float(np.percentile(known, 90)) if len(known) else float("nan")


def where_standing(track: Track, is_standing: np.ndarray) -> np.ndarray:
    """Where the person stands still; everywhere if that is hardly ever. Bool (n,)."""
    return is_standing if is_standing.sum() >= 0.3 * track.grid_hz else np.ones_like(is_standing)


def width_cue(
    track: Track, mask: np.ndarray, azimuth_deg: float, settings: AzimuthSettings
) -> Cue | None:
    """From how far hips and shoulders are apart in the picture, against their true widths.

    The true ones are the model's own, as shares of its own stature. Best with the camera at the
    side, useless straight ahead. azimuth_deg : tells the side (of the two that look alike).
    """
    image_px, world_m = body_length(track.image_px), body_length(track.world_m)
    apart, width = 0.0, 0.0
    for joint in ("hip", "shoulder"):
        left, right = (LANDMARK[s, joint] for s in SIDES)
        apart = apart + (track.image_px[:, left, 0] - track.image_px[:, right, 0]) / image_px
        across = track.world_m[:, left] - track.world_m[:, right]
        width = width + np.linalg.norm(across, axis=1) / world_m
    seen = median_where(cast(np.ndarray, apart), mask)
    true = median_where(cast(np.ndarray, width), mask)
    if not (np.isfinite(seen) and true > 0):
        return None
    cosine = float(np.clip(seen / true, -1, 1))
    sine = max(float(np.sqrt(1 - cosine**2)), abs(float(np.sin(np.radians(azimuth_deg)))), 0.05)
    spread = np.hypot(settings.width_standard_share / true, settings.width_scale * cosine) / sine
    sign = np.sign(azimuth_deg) or 1.0
    return Cue(
        name="widths of hips and shoulders in the picture",
        value_deg=float(sign * np.degrees(np.arccos(cosine))),
        standard_deg=float(np.degrees(spread)),
    )


def feet_cue(
    track: Track, mask: np.ndarray, azimuth_deg: float, settings: AzimuthSettings
) -> Cue | None:
    """From the mean direction in which both feet point in the picture, before or behind a person.

    Toes that turn out alike cancel. None where a foot is not seen, or from the side, where the
    near foot hides the far one.
    """
    from_front = abs((azimuth_deg + 180) % 360 - 180)
    if min(from_front, 180 - from_front) > settings.feet_most_deg:
        return None
    stature_px = body_length(track.image_px)
    sideways = [
        median_where(
            (track.image_px[:, LANDMARK[s, "toe"], 0] - track.image_px[:, LANDMARK[s, "heel"], 0]),
            mask,
        )
        for s in SIDES
    ]
    sine = -float(np.mean(sideways)) / (HEEL_TO_TOE_SHARE * stature_px)
    if not np.isfinite(sine) or abs(sine) > 0.8:
        return None
    angle = float(np.degrees(np.arcsin(sine)))
    cosine = np.sqrt(1 - sine**2)
    return Cue(
        name="direction of both feet in the picture",
        value_deg=angle if from_front <= 90 else 180 - angle,
        standard_deg=float(
            np.hypot(
                settings.feet_standard_deg / cosine,
                np.degrees(settings.feet_scale * abs(sine) / cosine),
            )
        ),
    )
