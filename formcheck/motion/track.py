"""Landmark clean-up: from one row per frame looked at to an even, smooth, honest track.

Order: choose the patient among the people found, gate by visibility, exchange swapped legs
back, drop spikes, fill short gaps, resample to an even grid, low-pass without lag.
Missing stays missing: NaN, never zero.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from formcheck.model.anatomy import LANDMARK, N_LANDMARKS, SIDES
from formcheck.model.records import Clip, RawTrack, Track
from formcheck.motion.camera import lies, trunk_from_vertical_deg
from formcheck.motion.masks import runs
from formcheck.motion.people import choose_patient
from formcheck.motion.swapped_legs import (
    body_size,
    exchange_legs,
    repair_swapped_legs,
    shown_side,
    told_by_feet,
)

TRACK_CODE_VERSION = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackSettings:
    """Defaults of the clean-up.

    visibility_least : below it a landmark is missing (chosen on sample clips, decision 3).
    upright_most_deg : a trunk nearer the vertical than this stands or sits (common practice).
    lying_visibility_least, steady_share : of a person who lies, knee, ankle and foot of the leg
        that is seen better are there down to this visibility, where thigh and shank keep their
        lengths within this share (decision 3).
    gap_most_s : longer gaps are not filled (common practice: a quarter of a second is a small
        part of a rehabilitation repetition).
    grid_hz : rate of the even grid.
    cut_off_hz : low-pass cut-off; Winter 2009 gives 3 to 6 Hz for gait markers (from memory),
        and slower exercise lies below it. Lowered to 0.4 of the frame rate where that is less.
    filter_order : order of one pass; two passes make a fourth-order zero-lag filter.
    spike_deviations : a sample further from its running median than this many robust standard
        deviations, and than `spike_least_share` of body size, is dropped.
    """

    visibility_least: float = 0.2
    lying_visibility_least: float = 0.01
    steady_share: float = 0.15
    upright_most_deg: float = 30.0
    gap_most_s: float = 0.25
    grid_hz: float = 30.0
    cut_off_hz: float = 6.0
    filter_order: int = 2
    spike_deviations: float = 5.0
    spike_least_share: float = 0.04


def low_pass_design_hz(cut_off_hz: float, rate_hz: float, n_passes: int = 2) -> float:
    """Design frequency (Hz) of a Butterworth filter whose n passes are 3 dB down at `cut_off_hz`.

    Winter's correction C = (2^(1/n) - 1)^(1/4) for a second-order filter passed n times,
    applied to the pre-warped analogue frequency tan(pi f / fs), where it belongs (Selling 2018,
    citing Winter 2009 p. 69 and Robertson 2014 p. 288), not to f itself.

    Raises ValueError unless 0 < cut_off_hz < rate_hz / 2.
    """
    if not 0 < cut_off_hz < rate_hz / 2:
        raise ValueError(f"cut-off {cut_off_hz} Hz is not between 0 and half of {rate_hz} Hz")
    correction = (2 ** (1 / n_passes) - 1) ** 0.25
    warped = np.tan(np.pi * cut_off_hz / rate_hz) / correction
    return float(np.arctan(warped) * rate_hz / np.pi)


def low_pass(values: np.ndarray, rate_hz: float, cut_off_hz: float, order: int = 2) -> np.ndarray:
    """The values without what is faster than the cut-off, with no lag.

    values : (n, ...) evenly sampled along the first axis; each unbroken run is filtered by
        itself, NaN stays NaN. Runs too short to filter (under four samples) stay as they are.
    """
    from scipy.signal import butter, sosfiltfilt

    sos = butter(order, low_pass_design_hz(cut_off_hz, rate_hz), fs=rate_hz, output="sos")
    flat = np.asarray(values, dtype=float).reshape(len(values), -1)
    out = flat.copy()
    for columns, start, stop in _runs_by_pattern(np.isfinite(flat)):
        n = stop - start
        if n < 4:
            continue
        pad = min(int(rate_hz), n - 1)
        for some in _few(columns):
            out[start:stop, some] = sosfiltfilt(sos, flat[start:stop, some], axis=0, padlen=pad)
    return out.reshape(np.shape(values))


def _few(columns: np.ndarray) -> list[np.ndarray]:
    """The columns, a few at a time: work on all at once takes many times the track's memory."""
    return np.split(columns, range(8, len(columns), 8))


def _runs_by_pattern(present: np.ndarray) -> Iterator[tuple[np.ndarray, int, int]]:
    """(columns, start, stop) of unbroken runs, columns with the same gaps taken together."""
    patterns, which = np.unique(present, axis=1, return_inverse=True)
    for k in range(patterns.shape[1]):
        columns = np.flatnonzero(which.reshape(-1) == k)
        for start, stop in runs(patterns[:, k]):
            yield columns, start, stop


def _is_outside(image_px: np.ndarray, width_px: int, height_px: int) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return (
            (image_px[..., 0] < 0)
            | (image_px[..., 0] > width_px)
            | (image_px[..., 1] < 0)
            | (image_px[..., 1] > height_px)
        )


def _drop_spikes(image_px: np.ndarray, settings: TrackSettings) -> np.ndarray:
    """Which samples jump away from their neighbours and back, bool of shape (n, 33)."""
    from scipy.ndimage import median_filter

    filled = np.where(np.isfinite(image_px), image_px, 0)
    middle = median_filter(filled, size=(5, 1, 1), mode="nearest")
    distance = np.hypot(*np.moveaxis(image_px - middle, -1, 0))
    distance = np.nan_to_num(distance)
    usual = np.zeros(image_px.shape[1])
    for k in range(image_px.shape[1]):
        # Samples on the median tell nothing of how far the others usually lie from it.
        away = distance[distance[:, k] > 0, k]
        usual[k] = 1.4826 * np.median(away) if len(away) else 0.0
    least = settings.spike_least_share * body_size(image_px)
    limit = np.maximum(settings.spike_deviations * usual, least)
    is_spike: np.ndarray = distance > limit
    return is_spike


def faint_but_steady(image_px: np.ndarray, seen: np.ndarray, settings: TrackSettings) -> np.ndarray:
    """Which landmarks of a lying person's better seen leg are there though seen little, (n, 33).

    The model knows few people who lie: it finds their near leg where it is and doubts it.
    """
    out = np.zeros(seen.shape, bool)
    is_found = np.isfinite(image_px[..., 0]).any(axis=1)
    if not lies(image_px):
        return out
    legs = {s: [LANDMARK[s, j] for j in ("knee", "ankle", "heel", "toe")] for s in SIDES}
    leg = max(SIDES, key=lambda s: float(np.median(seen[is_found][:, legs[s][:2]])))
    hip, knee, ankle = (image_px[:, LANDMARK[leg, j]] for j in ("hip", "knee", "ankle"))
    is_there = (seen[:, legs[leg][:2]] >= settings.lying_visibility_least).all(axis=1)
    is_there &= trunk_from_vertical_deg(image_px) > settings.upright_most_deg
    for a, b in ((hip, knee), (knee, ankle)):
        length = np.linalg.norm(b - a, axis=1)
        if not is_there.any():
            return out
        usual = float(np.median(length[is_there]))
        is_there &= np.abs(length - usual) <= settings.steady_share * usual
    out[np.flatnonzero(is_there)[:, None], legs[leg]] = True
    out &= (seen >= settings.lying_visibility_least) & np.isfinite(image_px[..., 0])
    return out


def clean(raw: RawTrack, settings: TrackSettings = TrackSettings()) -> Track:
    """The patient's landmarks on an even grid, repaired, gap-filled and low-passed.

    Raises ValueError when fewer than two frames were looked at.
    """
    n = len(raw.time_s)
    if n < 2:
        raise ValueError("a track needs at least two frames")
    rows = choose_patient(raw)
    take = (np.arange(n), np.maximum(rows, 0))
    image = np.where((rows >= 0)[:, None, None], raw.image_px[take], np.nan).astype(float)
    world = np.where((rows >= 0)[:, None, None], raw.world_m[take], np.nan).astype(float)
    seen = np.where((rows >= 0)[:, None], raw.visibility[take], 0.0).astype(float)

    with np.errstate(all="ignore"):
        import warnings

        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # all-NaN stretches are expected
            shown = shown_side(world, raw.time_s)
            is_swapped = repair_swapped_legs(image, world, seen, shown)
            is_swapped = told_by_feet(image, is_swapped, raw.time_s)
            image, world, seen = (exchange_legs(v, is_swapped) for v in (image, world, seen))
            is_missing = (seen < settings.visibility_least) | ~np.isfinite(image[..., 0])
            is_missing &= ~faint_but_steady(image, seen, settings)
            # The model guesses joints beyond the picture's edge; nobody saw them.
            is_missing |= _is_outside(image, raw.clip.width_px, raw.clip.height_px)
            is_missing |= _drop_spikes(image, settings)
    image[is_missing] = np.nan
    world[is_missing] = np.nan

    grid = np.arange(raw.time_s[0], raw.time_s[-1] + 1e-9, 1 / settings.grid_hz)
    values = np.concatenate([image, world], axis=2)
    on_grid, is_filled = _resample(raw.time_s, values, grid, settings.gap_most_s)
    cut_off_hz = cut_off_in_force_hz(raw.time_s, settings)
    smooth = low_pass(on_grid, settings.grid_hz, cut_off_hz, settings.filter_order)
    nearest = np.clip(np.searchsorted(raw.time_s, grid - 1e-9), 0, n - 1)
    return Track(
        time_s=grid,
        grid_hz=settings.grid_hz,
        image_px=smooth[..., :2],
        world_m=smooth[..., 2:],
        visibility=np.stack(
            [np.interp(grid, raw.time_s, seen[:, k]) for k in range(N_LANDMARKS)], axis=1
        ),
        is_filled=is_filled,
        is_repaired=is_swapped[nearest],
        rows=rows,
        noise_px=landmark_noise_px(image),
    )


def cut_off_in_force_hz(time_s: np.ndarray, settings: TrackSettings = TrackSettings()) -> float:
    """The low-pass cut-off for frames at these times, (n,): lowered where they are few."""
    rate_hz = (len(time_s) - 1) / (time_s[-1] - time_s[0])
    return float(min(settings.cut_off_hz, 0.4 * rate_hz))


def only_where(track: Track, keep: np.ndarray) -> Track:
    """The track with everything missing where `keep`, bool (n,), is False."""
    outside = ~keep
    if not outside.any():
        return track
    image, world = track.image_px.copy(), track.world_m.copy()
    image[outside], world[outside] = np.nan, np.nan
    return replace(track, image_px=image, world_m=world)


def landmark_noise_px(image_px: np.ndarray) -> np.ndarray:
    """Standard deviation of each landmark's jitter in pixels, (33,); NaN where never seen.

    From second differences of the samples as the model gave them (a robust estimate: the median
    is little moved by real acceleration). Their deviation is sqrt(6) times that of a sample.
    """
    second = np.diff(image_px, n=2, axis=0)
    spread = np.full(image_px.shape[1], np.nan)
    for k in range(image_px.shape[1]):
        known = second[:, k][np.isfinite(second[:, k]).all(axis=1)]
        if len(known) >= 3:
            spread[k] = 1.4826 * np.median(np.abs(known)) / np.sqrt(6)
    return spread


def _resample(
    time_s: np.ndarray, values: np.ndarray, grid: np.ndarray, gap_most_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """(values on the grid, which of them are filled): shape-preserving cubic, short gaps only."""
    from scipy.interpolate import PchipInterpolator

    n_grid = len(grid)
    out = np.full((n_grid, *values.shape[1:]), np.nan)
    is_filled = np.zeros((n_grid, values.shape[1]), bool)
    frame_s = float(np.median(np.diff(time_s)))
    present = np.isfinite(values).all(axis=2)
    patterns, which = np.unique(present, axis=1, return_inverse=True)
    for k in range(patterns.shape[1]):
        columns = np.flatnonzero(which.reshape(-1) == k)
        at = np.flatnonzero(patterns[:, k])
        if len(at) < 2:
            continue
        known_s = time_s[at]
        before = np.clip(np.searchsorted(known_s, grid, side="right") - 1, 0, len(at) - 2)
        gap_s = known_s[before + 1] - known_s[before]
        inside = (grid >= known_s[0] - 1e-9) & (grid <= known_s[-1] + 1e-9)
        # A gap is only a gap beyond the clip's own frame distance: a slow clip has no gaps.
        usable = inside & (gap_s <= max(gap_most_s, 1.5 * frame_s) + 1e-9)
        exact = (
            np.minimum(np.abs(grid - known_s[before]), np.abs(grid - known_s[before + 1])) < 1e-6
        )
        usable |= inside & exact
        for some in _few(columns):
            curve = PchipInterpolator(known_s, values[np.ix_(at, some)], axis=0)
            out[np.ix_(usable, some)] = curve(grid[usable])
        is_gap = usable & (gap_s > 1.5 * frame_s) & ~exact
        is_filled[:, columns] = is_gap[:, None]
    return out, is_filled


def as_recorded_px(points: np.ndarray, clip: Clip) -> np.ndarray:
    """Points of a cleaned track, (..., 2) pixels, where the picture that was recorded has them.

    The track of a mirrored clip is as a camera would have seen it that does not mirror.
    """
    if not clip.is_mirrored:
        return points
    return np.stack([clip.width_px - points[..., 0], points[..., 1]], axis=-1)
