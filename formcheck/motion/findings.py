"""Findings: what spoils a clip or a stretch of it, each a code with its values and a time range.

A finding that spoils only some repetitions spoils only those: the samples that it marks are
hidden from the measures. A mirrored clip can't be told from the pose: a person confirms it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES, Side
from formcheck.model.codes import FindingCode, values_of
from formcheck.model.programme import Exercise
from formcheck.model.records import Finding, RawTrack, Track, View
from formcheck.motion.camera import is_lying, mid, off_side_deg
from formcheck.motion.kinematics import KNEE_LEAST_DEG, knee_flexion_deg, trunk_thigh_deg
from formcheck.motion.masks import SLIP_MARGIN_S, runs, widened
from formcheck.motion.people import MOVES_TIMES, are_at_one_place, choose_patient, linked_people
from formcheck.motion.swapped_legs import exchange_legs, exchanged_spans


@dataclass(frozen=True, slots=True, kw_only=True)
class QualitySettings:
    """Limits of the findings (chosen on sample clips, decision 8, unless a source is named).

    length_change_most : a thigh or shank whose length in the picture departs from its usual by
        more than this share is not believed (side view; segments are rigid).
    shank_change_most, square_off_deg : the same for the shank where the camera stands this square
        to the side: a good shank keeps within 17 %, one whose ankle slipped to the other foot is
        20 % short and more. (A thigh is seen a quarter short at the bottom of a deep squat.)
    hip_least_deg, hip_most_deg : a thigh that lies outside these against the trunk belongs to no
        hip (side view; hips move from 30 deg behind the trunk to 150 ahead of it, common practice;
        the rest is for a camera beside the side, a trunk that bends and landmarks).
    slip_margin_s : samples this close to a slip are not believed either.
    flicker_deg, flicker_apart_s : knee flexion that jumps there and back by more than this from
        picture to picture is a landmark that cannot settle (steady landmarks: at most 4 deg); two
        such jumps no further apart spoil what lies between them, too.
    person_least_px : people smaller than this in the picture are too far away.
    rate_least_hz : frames a second below which turns and holds are smeared.
    turn_most_deg : an angle that moves further than this between two pictures looked at is too
        quick for the rate.
    dark_most : median grey, 0 to 255, below which the picture is dark.
    sharp_least : median edge strength (variance of the Laplacian over the variance of grey)
        below which the picture is blurred.
    shake_least : median change of the picture's border, grey levels, of a camera that moves by
        fits; noise_least of a steady change, which is a grainy picture's. steady_most : spread
        (quartiles) over median that tells the two apart.
    quantizer_most : mean quantizer of H.264, 0 to 51, above which too little of the picture is left
        (ordinary files have 17 to 29, those of messengers into the 30s; a squat read 67 deg for 74
        at 41, and landmarks jumped about at 50).
    cut_least : change of the whole picture, grey levels, of a cut, and `cut_times` the usual.
    tilt_least_deg : a standing person's long axis further than this from the vertical.
    second_least_share, second_least_s : a second person in at least this share of the pictures,
        or for this long.
    alike_least_share : a second person at least this large against the first may be the patient.
    gone_least_s : nobody found, or feet or head outside the picture, for this long is told;
        gone_share_most : nobody found in more than this share of the clip.
    gap_least_s : pictures further apart than this leave a gap.
    edge_share : a landmark this close to the picture's edge, share of its size, is cut off.
    """

    length_change_most: float = 0.45
    shank_change_most: float = 0.19
    hip_least_deg: float = -90.0
    hip_most_deg: float = 200.0
    slip_margin_s: float = SLIP_MARGIN_S
    square_off_deg: float = 20.0
    flicker_deg: float = 8.0
    flicker_apart_s: float = 2.0
    person_least_px: float = 160.0
    rate_least_hz: float = 12.0
    turn_most_deg: float = 14.0
    dark_most: float = 50.0
    sharp_least: float = 0.12
    shake_least: float = 0.5
    noise_least: float = 3.0
    steady_most: float = 0.3
    quantizer_most: float = 39.0
    cut_least: float = 12.0
    cut_times: float = 6.0
    tilt_least_deg: float = 6.0
    second_least_share: float = 0.15
    second_least_s: float = 3.0
    alike_least_share: float = 0.9
    gone_least_s: float = 0.7
    gone_share_most: float = 0.6
    gap_least_s: float = 0.5
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
    track: Track,
    side: Side,
    view: View,
    findings: tuple[Finding, ...] = (),
    settings: QualitySettings = QualitySettings(),
) -> np.ndarray:
    """Samples at which the working leg cannot be trusted, bool (n,).

    In a side view thigh and shank keep their length; where one departs from its usual length
    the landmark has slipped (to the other leg, a chair, a shadow), and so it has where thigh and
    trunk, or thigh and shank, stand as no hip and no knee allows. In other views lengths do
    change, and only missing landmarks count. Stretches that a finding spoils are hidden too.
    """
    shoulder, hip, knee, ankle = (
        track.image_px[:, LANDMARK[side, j]] for j in ("shoulder", "hip", "knee", "ankle")
    )
    hidden: np.ndarray = ~np.isfinite(hip + knee + ankle).all(axis=1)
    for f in findings:
        if f.spoils == "stretch" and f.from_s is not None and f.to_s is not None:
            hidden |= (track.time_s >= f.from_s) & (track.time_s <= f.to_s)
    if view.plane != "sagittal":
        return hidden
    is_square = off_side_deg(view.azimuth_deg) <= settings.square_off_deg
    shank_most = settings.shank_change_most if is_square else settings.length_change_most
    hip_deg = trunk_thigh_deg(shoulder, hip, knee, view.facing_x)
    knee_deg = knee_flexion_deg(hip, knee, ankle, view.facing_x)
    with np.errstate(invalid="ignore"):
        slipped = (hip_deg < settings.hip_least_deg) | (hip_deg > settings.hip_most_deg)
        slipped |= knee_deg < KNEE_LEAST_DEG
    for a, b, most in ((hip, knee, settings.length_change_most), (knee, ankle, shank_most)):
        length = np.linalg.norm(b - a, axis=1)
        known = length[np.isfinite(length)]
        if not len(known):
            continue
        usual = np.percentile(known, 75)
        with np.errstate(invalid="ignore"):
            slipped |= np.abs(length / usual - 1) > most
    hidden |= widened(slipped, round(settings.slip_margin_s * track.grid_hz))
    return hidden


def clip_findings(
    raw: RawTrack,
    track: Track,
    view: View,
    exercise: Exercise,
    settings: QualitySettings = QualitySettings(),
) -> list[Finding]:
    """Findings about the clip: who is in it, what of them, the picture, the camera, the file."""
    return [
        *_person_findings(raw, track, view, exercise, settings),
        *_unsteady_findings(raw, track, view, settings),
        *_picture_findings(raw, settings),
        *_camera_findings(raw, track, view, exercise, settings),
        *_time_findings(raw, track, view, settings),
    ]


def _rows(raw: RawTrack, track: Track | None) -> np.ndarray:
    """The patient's row in each picture, (n,), as the track was made of it."""
    return choose_patient(raw) if track is None or track.rows is None else track.rows


# -- who is in the picture, and what of them


def _person_findings(
    raw: RawTrack, track: Track, view: View, exercise: Exercise, settings: QualitySettings
) -> list[Finding]:
    out: list[Finding] = []
    rows = _rows(raw, track)
    gone = rows < 0
    spans = stretches(gone, raw.time_s, settings.gone_least_s)
    if gone.mean() > settings.gone_share_most:
        out.append(
            Finding(
                code="person_mostly_absent", from_s=float(raw.time_s[0]), to_s=float(raw.time_s[-1])
            )
        )
    for a, b in spans:
        out.append(Finding(code="person_leaves", from_s=a, to_s=b, spoils="stretch"))
    out += _second_person_findings(raw, settings)
    out += _cut_off_findings(raw, rows, settings)
    positions = {exercise.position, *exercise.also_positions}
    lies = positions <= {"supine", "hook_lying", "prone", "side_lying"}
    stands = positions == {"standing"}
    lying = is_lying(track)
    if (lies and not lying) or (stands and lying):
        out.append(
            Finding(
                code="not_this_exercise",
                values=values_of(is_lying=lying),
                from_s=float(raw.time_s[0]),
                to_s=float(raw.time_s[-1]),
                spoils="clip",
            )
        )
    return out


def _unsteady_findings(
    raw: RawTrack, track: Track, view: View, settings: QualitySettings
) -> list[Finding]:
    """Stretches in which the near leg's landmarks jump there and back from picture to picture.

    A bundle that mixes up the two legs does so: the smoothed track looks calm, and is wrong.
    """
    if view.plane != "sagittal" or view.near_side is None or len(raw.time_s) < 3:
        return []
    rows = _rows(raw, track)
    take = (np.arange(len(rows)), np.maximum(rows, 0))
    nearest = np.clip(np.searchsorted(track.time_s, raw.time_s), 0, len(track.time_s) - 1)
    # Of somebody who turns round, the near leg is another one outside the track's own stretch.
    is_here = (rows >= 0) & np.isfinite(track.image_px).any(axis=(1, 2))[nearest]
    points = np.where(is_here[:, None, None], raw.image_px[take], np.nan)
    exchanged = exchanged_spans(points, raw.time_s)
    points = exchange_legs(points, np.flatnonzero(track.is_repaired[nearest]))
    hip, knee, ankle = (points[:, LANDMARK[view.near_side, j]] for j in ("hip", "knee", "ankle"))
    change = np.diff(_turn_deg(hip, knee, ankle))
    with np.errstate(invalid="ignore"):
        back = (change[1:] * change[:-1] < 0) & (
            np.minimum(np.abs(change[1:]), np.abs(change[:-1])) > settings.flicker_deg
        )
    at = raw.time_s[1:-1][back]
    apart = np.flatnonzero(np.diff(at) > settings.flicker_apart_s)
    starts, ends = [0, *(apart + 1)], [*apart, len(at) - 1]
    # One jump alone is dropped as a spike.
    spans = [(at[a], at[b]) for a, b in zip(starts, ends, strict=True) if b > a]
    return [
        Finding(
            code="landmarks_unsteady",
            from_s=max(float(a) - settings.slip_margin_s, float(raw.time_s[0])),
            to_s=min(float(b) + settings.slip_margin_s, float(raw.time_s[-1])),
            spoils="stretch",
        )
        for a, b in _united([*spans, *exchanged], settings.flicker_apart_s)
    ]


def _united(spans: Sequence[tuple[float, float]], apart_s: float) -> list[tuple[float, float]]:
    """The spans in time order, those no further apart than this as one."""
    out: list[tuple[float, float]] = []
    for a, b in sorted(spans):
        if out and a <= out[-1][1] + apart_s:
            out[-1] = (out[-1][0], max(b, out[-1][1]))
        else:
            out.append((a, b))
    return out


def _turn_deg(hip: np.ndarray, knee: np.ndarray, ankle: np.ndarray) -> np.ndarray:
    """Rotation between thigh and shank in the picture without its sign, degrees, (n,)."""
    a, b = knee - hip, ankle - knee
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    turn_deg: np.ndarray = np.degrees(np.arctan2(np.abs(cross), np.sum(a * b, axis=1)))
    return turn_deg


def _second_person_findings(raw: RawTrack, settings: QualitySettings) -> list[Finding]:
    """Other people who are there for a while; one found twice at one place is no other person."""
    people = linked_people(raw)
    if not people:
        return []
    first, n = people[0], len(raw.time_s)
    frame_s = float(np.median(np.diff(raw.time_s)))
    least = min(settings.second_least_share * n, settings.second_least_s / frame_s)
    others = [p for p in people[1:] if p.n_found >= least and not are_at_one_place(raw, first, p)]
    if not others:
        return []
    there = np.any([p.rows >= 0 for p in others], axis=0)
    spans = stretches(there, raw.time_s, 0.0)
    is_larger = any(p.length_px > settings.alike_least_share * first.length_px for p in others)
    looks_on = all(first.moves_share >= MOVES_TIMES * p.moves_share for p in others)
    is_doubtful = is_larger and not looks_on
    return [
        Finding(
            code="second_person",
            values=values_of(
                is_as_large=is_doubtful, is_followed_by_movement=is_larger and looks_on
            ),
            from_s=spans[0][0],
            to_s=spans[-1][1],
            spoils="stretch" if is_doubtful else "nothing",
        )
    ]


def _cut_off_findings(raw: RawTrack, rows: np.ndarray, settings: QualitySettings) -> list[Finding]:
    """Feet or head outside the picture, from the model's own guess of where they are."""
    out = []
    take = (np.arange(len(rows)), np.maximum(rows, 0))
    points = np.where((rows >= 0)[:, None, None], raw.image_px[take], np.nan)
    width, height = raw.clip.width_px, raw.clip.height_px
    with np.errstate(invalid="ignore"):
        outside = (
            (points[..., 1] > height * (1 - settings.edge_share))
            | (points[..., 1] < height * settings.edge_share)
            | (points[..., 0] < width * settings.edge_share)
            | (points[..., 0] > width * (1 - settings.edge_share))
        )
    feet = [LANDMARK[s, j] for s in SIDES for j in ("ankle", "heel", "toe")]
    parts: tuple[tuple[FindingCode, np.ndarray], ...] = (
        ("feet_cut_off", np.any(outside[:, feet], axis=1)),
        ("head_cut_off", outside[:, 0]),
    )
    found = []
    for code, mask in parts:
        spans = stretches(mask, raw.time_s, settings.gone_least_s)
        if not spans:
            continue
        found.append(code)
        out.append(Finding(code=code, from_s=spans[0][0], to_s=spans[-1][1]))
    if len(found) == 2:
        out.append(Finding(code="person_too_near"))
    return out


# -- the picture


def _picture_findings(raw: RawTrack, settings: QualitySettings) -> list[Finding]:
    out = []
    time_s = raw.time_s
    if np.nanmedian(raw.brightness) < settings.dark_most:
        out.append(Finding(code="too_dark", from_s=float(time_s[0]), to_s=float(time_s[-1])))
    quantizer = raw.clip.quantizer
    if quantizer is not None and quantizer > settings.quantizer_most:
        out.append(Finding(code="strongly_compressed", values=values_of(quantizer=quantizer)))
    with np.errstate(all="ignore"):
        edges = raw.sharpness / np.maximum(raw.contrast, 1.0) ** 2
    if np.nanmedian(edges) < settings.sharp_least:
        out.append(Finding(code="blurred", from_s=float(time_s[0]), to_s=float(time_s[-1])))
    border = np.nan_to_num(raw.border_change[1:])
    usual, spread = float(np.median(border)), float(np.subtract(*np.percentile(border, [75, 25])))
    if usual > settings.noise_least and spread < settings.steady_most * usual:
        out.append(Finding(code="noisy", from_s=float(time_s[0]), to_s=float(time_s[-1])))
    if usual > settings.shake_least and spread >= settings.steady_most * usual:
        out.append(Finding(code="camera_moved", from_s=float(time_s[0]), to_s=float(time_s[-1])))
    return out


# -- the camera


def _camera_findings(
    raw: RawTrack, track: Track, view: View, exercise: Exercise, settings: QualitySettings
) -> list[Finding]:
    out: list[Finding] = []
    time_s = raw.time_s
    if view.plane == "unknown":
        out.append(Finding(code="view_unknown", spoils="clip"))
    elif view.plane not in {v.plane for v in exercise.views}:
        out.append(
            Finding(
                code="wrong_view",
                values=values_of(plane=view.plane),
                from_s=float(time_s[0]),
                to_s=float(time_s[-1]),
            )
        )
    if np.isfinite(view.person_height_px) and view.person_height_px < settings.person_least_px:
        out.append(Finding(code="person_too_far", from_s=float(time_s[0]), to_s=float(time_s[-1])))
    tilt = camera_tilt_deg(track, view, exercise)
    if abs(tilt) > settings.tilt_least_deg:
        out.append(
            Finding(
                code="camera_tilted",
                values=values_of(tilt_deg=float(round(tilt))),
                from_s=float(time_s[0]),
                to_s=float(time_s[-1]),
            )
        )
    return out


def camera_tilt_deg(track: Track, view: View, exercise: Exercise) -> float:
    """Sideways tilt that the camera may have, degrees: the standing person's lean in the picture.

    Beyond `tilt_least_deg` it is told as the camera's; a smaller one may be the person's own, and
    is doubt about what is up and down all the same. 0 where nobody stands upright.
    """
    # Back on a wall with the feet before it, or one foot on a step: never upright on two feet.
    on_one_leg = exercise.working_leg == "stance" and view.plane == "sagittal"
    leans = "wall" in exercise.figure.props or exercise.working_leg == "on_step" or on_one_leg
    if exercise.position != "standing" or leans:
        return 0.0
    tilt = standing_tilt_deg(track, view)
    return tilt if np.isfinite(tilt) else 0.0


LEVEL_FEET_SHARE, BESIDE_FEET_SHARE = 0.13, 0.2
"""Feet whose ankles are further apart than this up or down, or seen from the side along the floor,
shares of the height from ankles to shoulders, do not stand side by side (decision 8)."""


def standing_tilt_deg(track: Track, view: View) -> float:
    """Lean of the upright person's long axis in the picture, degrees, NaN when never upright.

    Ankles to shoulders, where the trunk stands over nearly straight legs and both feet stand side
    by side: a person stands upright within a few degrees, so a larger lean is the camera's. Who
    stands on one leg, on a step or astride has no foot in the middle.
    """
    shoulders, hips, ankles = (mid(track, j) for j in ("shoulder", "hip", "ankle"))
    apart = np.subtract(*(track.image_px[:, LANDMARK[s, "ankle"]] for s in SIDES))
    upper, lower = shoulders - hips, hips - ankles
    length = np.linalg.norm(upper, axis=1) + np.linalg.norm(lower, axis=1)
    axis = shoulders - ankles
    tall = np.linalg.norm(axis, axis=1)
    known = np.isfinite(tall) & np.isfinite(length)
    if not known.any():
        return float("nan")
    straight = known & (tall > 0.985 * length) & (tall > np.percentile(tall[known], 60) * 0.98)
    # Whose knees are bent sits, with the hips behind the feet.
    straight &= _legs_are_straight(track)
    # Along the body's own axis and across it: a tilted picture tilts the line of the feet, too.
    along = np.abs(np.sum(apart * axis, axis=1)) / tall
    across = np.abs(apart[:, 0] * axis[:, 1] - apart[:, 1] * axis[:, 0]) / tall
    straight &= along < LEVEL_FEET_SHARE * tall
    if view.plane == "sagittal":
        straight &= across < BESIDE_FEET_SHARE * tall
    if straight.sum() < track.grid_hz / 3:
        return float("nan")
    return float(np.median(np.degrees(np.arctan2(axis[straight, 0], -axis[straight, 1]))))


STRAIGHT_LEG_SHARE = 0.97
"""Hip to ankle over thigh and shank of a leg that stands: the knee is bent by 28 deg at most."""


def _legs_are_straight(track: Track) -> np.ndarray:
    """Where the leg that is straighter is nearly straight, (n,) bool."""
    shares = []
    for side in SIDES:
        hip, knee, ankle = (track.image_px[:, LANDMARK[side, j]] for j in ("hip", "knee", "ankle"))
        along = np.linalg.norm(knee - hip, axis=1) + np.linalg.norm(ankle - knee, axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            shares.append(np.linalg.norm(ankle - hip, axis=1) / along)
    are_straight: np.ndarray = np.fmax(*shares) > STRAIGHT_LEG_SHARE
    return are_straight


# -- time


def _time_findings(
    raw: RawTrack, track: Track, view: View, settings: QualitySettings
) -> list[Finding]:
    out = []
    if raw.clip.rotation_deg:
        out.append(Finding(code="rotated", values=values_of(rotation_deg=raw.clip.rotation_deg)))
    if raw.clip.n_frames_lost:
        out.append(Finding(code="frames_lost", values=values_of(n_frames=raw.clip.n_frames_lost)))
    gap_s = np.diff(raw.time_s)
    for k in np.flatnonzero(gap_s > settings.gap_least_s)[:10]:
        out.append(
            Finding(
                code="frames_missing",
                from_s=float(raw.time_s[k]),
                to_s=float(raw.time_s[k + 1]),
                spoils="stretch",
            )
        )
    rate_hz = raw.clip.frame_rate_hz
    if np.isfinite(rate_hz) and rate_hz < settings.rate_least_hz:
        out.append(
            Finding(
                code="frame_rate_low",
                values=values_of(rate_hz=rate_hz),
                from_s=float(raw.time_s[0]),
                to_s=float(raw.time_s[-1]),
            )
        )
    step_deg = quickest_step_deg(track, view, float(np.median(gap_s)))
    if step_deg > settings.turn_most_deg:
        out.append(Finding(code="too_quick_for_rate", values=values_of(step_deg=step_deg)))
    return out


def quickest_step_deg(track: Track, view: View, frame_s: float) -> float:
    """How far the near thigh turns between two pictures looked at, degrees (95th percentile of
    the moving samples)."""
    side = view.near_side or "left"
    hip, knee = (track.image_px[:, LANDMARK[side, j]] for j in ("hip", "knee"))
    angle_rad = np.arctan2(*(knee - hip).T)
    known = np.isfinite(angle_rad)
    angle_rad[known] = np.unwrap(angle_rad[known])  # one gap would spoil all that follows it
    rate = np.abs(np.degrees(np.gradient(angle_rad))) * track.grid_hz * frame_s
    moving = rate[np.isfinite(rate) & (rate > 1.0)]
    return float(np.percentile(moving, 95)) if len(moving) else 0.0
