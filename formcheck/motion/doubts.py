"""Findings about the movement as it was found: what makes its numbers, or its name, doubtful.

What each of them does to the numbers stands in spoiled.py.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES, Side, other_side
from formcheck.model.codes import FindingCode, Scalar, values_of
from formcheck.model.programme import Exercise
from formcheck.model.records import Finding, RawTrack, Track, View
from formcheck.motion.camera import azimuth_samples_deg, circular_mean_deg, is_lying, off_side_deg
from formcheck.motion.kinematics import Series
from formcheck.motion.masks import runs
from formcheck.motion.repetitions import Attempt, filled
from formcheck.motion.track import low_pass, only_where

PICTURES_LEAST = 12
"""An attempt that is over in fewer pictures looked at is blurred and cut short at its turn: five
pictures each way and two at the turn (common practice)."""

PULSE_LEAST_SHARE = 0.15
PULSE_LEAST_DEG = 8.0
PULSES_LEAST = 3
"""Pulses: this many turns at the far end with dips of this share of the range between them, and
in an angle of this many degrees (common practice; one dip is a bounce)."""

VIEW_CHANGE_LEAST_DEG = 25.0
"""A person who stands turned this far from the clip's usual direction at the start of an attempt
is seen from elsewhere (within 16 deg of it in all attempts of 100 random clips)."""

FEET_SEEN_LEAST = 0.35
"""Median visibility of the near foot's heel and toe below which the feet are hidden (0.43 and
more in 90 random clips from the side, 0.03 to 0.3 where something stands in front)."""

MISFIT_MOST_SHARE = 0.55
"""Shoulder to hip to knee to ankle come out this much shorter than usual, side view: the body was
fitted to a part of the person (0.63 and more in 100 random clips, deep squats among them)."""
MISFIT_TRUNK_SHARE = 0.5
"""The same of the trunk alone, which is rigid: shoulders found at the hands, over hips and feet
that are about right (0.55 and more in 208 random clips from the side, 0.05 to 0.24 in five)."""
MISFIT_MARGIN_S = 0.2

FOOT_TO_LEG = (0.222, 0.315)
SHOULDERS_TO_TRUNK = (0.45, 0.85)
"""Narrowest and widest foot over leg (the camera's place taken into account), and shoulders over
trunk (from the front), that people show: 0.241 to 0.31 and 0.51 to 0.71 in 100 random clips; feet
and legs vary by 4 and 3 % of their length between people (Drillis and Contini 1966)."""
MEAN_FOOT_TO_LEG, USUAL_FOOT_TO_LEG = 0.271, (0.243, 0.3)
"""Mean of 56 random clips from the side, and the range outside of which angles are less sure; 1 in
12 of those clips lies outside."""
ON_STEP_FOOT_MOST = 0.36
"""A foot on a step is read longer by a part of the step's edge (up to 0.323 in 10 random clips)."""
MEAN_FAR_FOOT_TO_LEG = 0.22
"""The same of the foot behind, which is hidden in part (95 random clips from the side)."""
UNSQUEEZED_MOST_OFF_DEG = 40.0
SHOWN_FOOT_LEAST = 0.5
"""Median visibility of a foot whose length is trusted (common practice)."""
LONGER_LYING_MOST = 1.12
"""A thigh is as long level as upright; a camera near the person adds up to 7 % (random clips)."""


def quick_findings(attempts: Sequence[Attempt], track: Track, frame_s: float) -> list[Finding]:
    """Attempts that are over in too few of the pictures looked at, `frame_s` apart."""
    return [
        _in(a, track, "too_few_pictures")
        for a in attempts
        if a.is_complete and (a.end - a.start) / track.grid_hz / frame_s < PICTURES_LEAST
    ]


def pulse_findings(
    attempts: Sequence[Attempt], rising: np.ndarray, unit: str, track: Track, exercise: Exercise
) -> list[Finding]:
    """Attempts that go to and fro at their far end; rising : (n,) driving signal, as it rises."""
    from scipy.signal import find_peaks

    if exercise.kind == "hold" or exercise.working_leg in ("stepping", "staying"):
        return []  # a leg that swings to its step bends, too
    out = []
    for a in attempts:
        piece = np.asarray(rising[a.start : a.end + 1], float)
        if np.isfinite(piece).mean() < 0.95 or len(piece) < 9:
            continue  # what is lost and found again looks like a pulse
        least = max(PULSE_LEAST_SHARE * a.range, PULSE_LEAST_DEG if unit == "deg" else 0.0)
        peaks, _ = find_peaks(low_pass(filled(piece), track.grid_hz, 3.0), prominence=least)
        if len(peaks) >= PULSES_LEAST:
            out.append(_in(a, track, "pulses", n=len(peaks)))
    return out


def view_findings(attempts: Sequence[Attempt], track: Track, view: View) -> list[Finding]:
    """Attempts that begin with the person turned another way than the clip's view says."""
    if is_lying(track) or not np.isfinite(view.azimuth_deg):
        return []
    samples = azimuth_samples_deg(track, False, ("hip", "shoulder"))
    before = round(0.5 * track.grid_hz)
    out = []
    for a in attempts:
        here = circular_mean_deg(samples[max(a.start - before, 0) : a.start + 1])
        if abs((here - view.azimuth_deg + 180) % 360 - 180) > VIEW_CHANGE_LEAST_DEG:
            out.append(_in(a, track, "view_changes"))
    return out


def feet_findings(attempts: Sequence[Attempt], track: Track, view: View) -> list[Finding]:
    """Attempts in which the near foot is hidden, seen from the side."""
    if view.plane != "sagittal" or view.near_side is None:
        return []
    feet = [LANDMARK[view.near_side, j] for j in ("heel", "toe")]
    seen = track.visibility[:, feet].min(axis=1)
    return [
        _in(a, track, "feet_hidden")
        for a in attempts
        if np.median(seen[a.start : a.end + 1]) < FEET_SEEN_LEAST
    ]


def misfit_findings(track: Track, view: View) -> list[Finding]:
    """Stretches in which the pose was fitted to a part of the person only."""
    if view.plane != "sagittal" or view.near_side is None:
        return []
    chain = [
        track.image_px[:, LANDMARK[view.near_side, j]] for j in ("shoulder", "hip", "knee", "ankle")
    ]
    segments = [np.linalg.norm(b - a, axis=1) for a, b in pairwise(chain)]
    is_short = np.zeros(len(track.time_s), bool)
    for length, least in ((sum(segments), MISFIT_MOST_SHARE), (segments[0], MISFIT_TRUNK_SHARE)):
        known = length[np.isfinite(length)]
        with np.errstate(invalid="ignore"):
            is_short |= length < least * np.percentile(known, 75) if len(known) else False
    margin = MISFIT_MARGIN_S
    return [
        Finding(
            code="pose_misfit",
            from_s=max(float(track.time_s[a]) - margin, float(track.time_s[0])),
            to_s=min(float(track.time_s[b - 1]) + margin, float(track.time_s[-1])),
            spoils="stretch",
        )
        for a, b in runs(is_short)
    ]


def squeeze_findings(
    track: Track, view: View, series: Series, exercise: Exercise, findings: Sequence[Finding] = ()
) -> list[Finding]:
    """Whether people's proportions say that the picture was squeezed or stretched.

    Lengths that lie level against lengths that stand: the foot to the leg from the side, the
    shoulders to the trunk from the front, and the thigh to itself. What a camera off the side
    and turned-out feet shorten cannot be told from a squeeze of up to a fifth; seen from the side
    a foot that is unusual for its leg makes angles less sure. No more than that where the other
    foot, standing beside it, contradicts. On a step a part of the edge is taken for the foot.
    Stretches that a finding spoils are not looked at.
    """
    if is_lying(track):
        return []
    is_sound = np.ones(len(track.time_s), bool)
    for f in findings:
        if f.spoils == "stretch" and f.from_s is not None and f.to_s is not None:
            is_sound &= (track.time_s < f.from_s) | (track.time_s > f.to_s)
    track = only_where(track, is_sound)
    ratio, (least, most) = float("nan"), (0.0, np.inf)
    shown = float(np.cos(np.radians(off_side_deg(view.azimuth_deg))))
    if view.plane == "sagittal" and off_side_deg(view.azimuth_deg) <= UNSQUEEZED_MOST_OFF_DEG:
        if _is_foot_shown(track, series.side):
            ratio = _median_length_px(track, (series.side, "heel"), (series.side, "toe"))
            ratio, (least, most) = ratio / shown / series.leg_length_px, FOOT_TO_LEG
            most = ON_STEP_FOOT_MOST if exercise.working_leg == "on_step" else most
    elif view.plane == "frontal":
        across = _median_length_px(track, ("left", "shoulder"), ("right", "shoulder"))
        trunk = max(_long_length_px(track, (s, "shoulder"), (s, "hip")) for s in SIDES)
        ratio, (least, most) = across / trunk, SHOULDERS_TO_TRUNK
    is_narrow, is_wide = ratio < least, ratio > most
    are_beside = view.plane == "sagittal" and exercise.working_leg == "both"
    if are_beside and (is_narrow or is_wide):
        is_contradicted = _does_far_foot_contradict(track, series, shown, is_wide=is_wide)
        is_narrow, is_wide = is_narrow and not is_contradicted, is_wide and not is_contradicted
    if view.plane == "sagittal" and _level_to_upright_thigh(track, series.side) > LONGER_LYING_MOST:
        is_wide = True
    if is_narrow or is_wide:
        return [Finding(code="picture_squeezed", values=values_of(is_wide=bool(is_wide)))]
    low, high = USUAL_FOOT_TO_LEG
    if view.plane != "sagittal" or not np.isfinite(ratio) or low <= ratio <= high:
        return []
    share = ratio / MEAN_FOOT_TO_LEG
    return [
        Finding(
            code="proportions_unusual",
            values=values_of(is_wide=bool(share > 1), share=float(share)),
        )
    ]


def _is_foot_shown(track: Track, side: Side) -> bool:
    foot = [LANDMARK[side, j] for j in ("heel", "toe")]
    return bool(np.median(track.visibility[:, foot]) >= SHOWN_FOOT_LEAST)


def _does_far_foot_contradict(track: Track, series: Series, shown: float, *, is_wide: bool) -> bool:
    """Whether the other foot is seen, and is no longer than usual in a picture that would be wide,
    or no shorter in one that would be narrow: a squeezed picture squeezes both."""
    far = other_side(series.side)
    if not _is_foot_shown(track, far):
        return False
    ratio = _median_length_px(track, (far, "heel"), (far, "toe")) / shown / series.leg_length_px
    return ratio <= MEAN_FAR_FOOT_TO_LEG if is_wide else ratio >= MEAN_FAR_FOOT_TO_LEG


def slow_motion_findings(raw: RawTrack) -> list[Finding]:
    """What the file's own capture rate says against the rate it is stored at."""
    recorded, stored = raw.clip.capture_rate_hz, raw.clip.frame_rate_hz
    if recorded is None or not np.isfinite(stored) or recorded < 1.5 * stored:
        return []
    return [
        Finding(code="slow_motion", values=values_of(recorded_hz=float(recorded), stored_hz=stored))
    ]


def _in(a: Attempt, track: Track, code: FindingCode, **values: Scalar) -> Finding:
    return Finding(
        code=code,
        values=values_of(**values),
        from_s=float(track.time_s[a.start]),
        to_s=float(track.time_s[a.end]),
    )


def _lengths_px(track: Track, a: tuple[Side, str], b: tuple[Side, str]) -> np.ndarray:
    lengths = np.linalg.norm(
        track.image_px[:, LANDMARK[a]] - track.image_px[:, LANDMARK[b]], axis=1
    )
    known: np.ndarray = lengths[np.isfinite(lengths)]
    return known


def _median_length_px(track: Track, a: tuple[Side, str], b: tuple[Side, str]) -> float:
    lengths = _lengths_px(track, a, b)
    return float(np.median(lengths)) if len(lengths) else float("nan")


def _long_length_px(track: Track, a: tuple[Side, str], b: tuple[Side, str]) -> float:
    lengths = _lengths_px(track, a, b)
    return float(np.percentile(lengths, 75)) if len(lengths) else float("nan")


def _level_to_upright_thigh(track: Track, side: Side) -> float:
    """Seen length of the thigh while it lies nearly level over that while it stands; NaN."""
    thigh = track.image_px[:, LANDMARK[side, "knee"]] - track.image_px[:, LANDMARK[side, "hip"]]
    x, y = np.abs(thigh).T
    length = np.hypot(x, y)
    with np.errstate(invalid="ignore"):
        level, upright = length[x > 2 * y], length[y > 2 * x]
    least = track.grid_hz / 2
    if len(level) < least or len(upright) < least:
        return float("nan")
    return float(np.median(level) / np.median(upright))
