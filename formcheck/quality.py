"""Findings: what spoils a clip or a stretch of it, each with a time range and advice.

A finding that spoils only some repetitions spoils only those: `hidden_samples` marks when the
working leg is not to be trusted, and the measures read that mask.
"""

from dataclasses import dataclass

import numpy as np

from formcheck.anatomy import LANDMARK, SIDES, Side
from formcheck.records import Finding, RawTrack, Track, View
from formcheck.track import choose_patient, runs


@dataclass(frozen=True, slots=True, kw_only=True)
class QualitySettings:
    """Limits of the findings (chosen on sample clips, decision 8, unless a source is named).

    length_change_most : a thigh or shank whose length in the picture departs from its usual by
        more than this share is not believed (side view; segments are rigid).
    person_least_px : people smaller than this in the picture are too far away.
    rate_least_hz : frames a second below which turns and holds are smeared.
    dark_most, contrast_least : mean and spread of grey, 0 to 255.
    gone_share_most : a person not found for more of the clip than this spoils it.
    """

    length_change_most: float = 0.45
    person_least_px: float = 160.0
    rate_least_hz: float = 12.0
    dark_most: float = 35.0
    contrast_least: float = 8.0
    gone_share_most: float = 0.8
    gone_least_s: float = 0.7
    edge_share: float = 0.01


def stretches(mask: np.ndarray, time_s: np.ndarray, least_s: float) -> list[tuple[float, float]]:
    """(from, to) seconds of the unbroken stretches of True that last at least `least_s`."""
    out = []
    for a, b in runs(mask):
        start, end = float(time_s[a]), float(time_s[b - 1])
        if end - start >= least_s:
            out.append((start, end))
    return out


def hidden_samples(
    track: Track, side: Side, view: View, settings: QualitySettings = QualitySettings()
) -> np.ndarray:
    """Samples at which the working leg cannot be trusted, bool (n,).

    In a side view thigh and shank keep their length; where one departs from its usual length
    the landmark has slipped (to the other leg, a chair, a shadow). In other views lengths do
    change, and only missing landmarks count.
    """
    hip, knee, ankle = (track.image_px[:, LANDMARK[side, j]] for j in ("hip", "knee", "ankle"))
    hidden = ~np.isfinite(hip + knee + ankle).all(axis=1)
    if view.plane != "sagittal":
        return hidden
    for a, b in ((hip, knee), (knee, ankle)):
        length = np.linalg.norm(b - a, axis=1)
        known = length[np.isfinite(length)]
        if not len(known):
            continue
        usual = np.percentile(known, 75)
        with np.errstate(invalid="ignore"):
            hidden |= np.abs(length / usual - 1) > settings.length_change_most
    return hidden


def clip_findings(
    raw: RawTrack, track: Track, view: View, settings: QualitySettings = QualitySettings()
) -> list[Finding]:
    """Findings about the clip as a whole: person, distance, light, frame rate, lost frames."""
    out: list[Finding] = []
    time_s = raw.time_s
    rows = choose_patient(raw)
    gone = rows < 0
    if gone.mean() > settings.gone_share_most:
        out.append(Finding(
            code="person_mostly_absent",
            text="The person is in the picture for only a small part of the clip. Record again "
            "with the whole body in the picture.",
            from_s=float(time_s[0]), to_s=float(time_s[-1]), spoils="stretch",
        ))  # fmt: skip
    for a, b in stretches(gone, time_s, settings.gone_least_s):
        out.append(Finding(
            code="person_leaves",
            text="No person was found in this stretch, so nothing in it is measured.",
            from_s=a, to_s=b, spoils="stretch",
        ))  # fmt: skip
    if raw.clip.n_frames_lost:
        out.append(Finding(
            code="frames_lost",
            text=f"{raw.clip.n_frames_lost} frames of the file could not be read and were "
            "left out.",
        ))  # fmt: skip
    rate_hz = raw.clip.frame_rate_hz
    if np.isfinite(rate_hz) and rate_hz < settings.rate_least_hz:
        out.append(Finding(
            code="frame_rate_low",
            text=f"The clip has only {rate_hz:.0f} frames a second: quick turns and short "
            "pauses are smeared. Record at 25 or more.",
        ))  # fmt: skip
    if np.isfinite(view.person_height_px) and view.person_height_px < settings.person_least_px:
        out.append(Finding(
            code="person_too_far",
            text="The person is small in the picture, so angles are coarse. Bring the camera "
            "closer.",
        ))  # fmt: skip
    if np.nanmedian(raw.brightness) < settings.dark_most:
        out.append(Finding(
            code="too_dark",
            text="The picture is dark. Turn on a light in front of the person, and film away "
            "from the window.",
        ))  # fmt: skip
    out += _cut_off_findings(raw, track, settings)
    if view.plane == "unknown":
        out.append(Finding(
            code="view_unknown",
            text="The camera's place could not be told, so no angle is measured.",
            spoils="clip",
        ))  # fmt: skip
    return out


def _cut_off_findings(raw: RawTrack, track: Track, settings: QualitySettings) -> list[Finding]:
    out = []
    height = raw.clip.height_px
    feet = [LANDMARK[s, j] for s in SIDES for j in ("ankle", "heel", "toe")]
    with np.errstate(invalid="ignore"):
        below = (track.image_px[:, feet, 1] > height * (1 + settings.edge_share)).any(axis=1)
        above = track.image_px[:, 0, 1] < -height * settings.edge_share
    for mask, code, what in ((below, "feet_cut_off", "feet"), (above, "head_cut_off", "head")):
        spans = stretches(mask, track.time_s, settings.gone_least_s)
        if spans:
            out.append(Finding(
                code=code,
                text=f"The {what} leave the picture. Move the camera back or tilt it so that the "
                "whole body shows.",
                from_s=spans[0][0], to_s=spans[-1][1],
                spoils="stretch" if code == "feet_cut_off" else "nothing",
            ))  # fmt: skip
    return out
