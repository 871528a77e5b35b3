"""Rest and movement, and repetitions.

First rest and movement from a unitless signal (needed before the camera is known), then, from
the driving signal, attempts: from where it leaves its rest level to where it regains it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES
from formcheck.model.records import Track
from formcheck.motion.masks import runs
from formcheck.motion.track import low_pass

BLINK_S = 0.5
"""Landmarks may be missing for this long in an attempt, and in what is held, without ending it
(common practice; sample clips, decision 6)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionSettings:
    """Definitions and guards of the repetition finder.

    edge_share : start and end, where the signal leaves and regains rest (definition).
    turn_share : the turn's stretch, within this share of range of the extreme (definition).
    plateau_band_deg : plateau hold, within this of the plateau's level (definition).
    same_place_share : an attempt ends where it began, hips within this share of leg length
        sideways; a walk does not (chosen on sample clips, decision 6).
    still_per_s : body sizes per second below which the person rests (decision 6).
    rest_least_s, same_posture_share : a still stretch of this length is a posture; two are the
        same when their joints lie, on average, within this share of the body's reach from the
        hips (decision 6).
    merge_share : two peaks with a dip between them shallower than this share of the smaller
        rise are one attempt with a pause (decision 6).
    cut_share : an edge of the clip this far above rest, in shares of range, cuts an attempt.
    fastest_s : no attempt is shorter (common practice: exercise repetitions take seconds).
    alike_share : in a set of at least two attempts a movement of this share of their usual range
        is one too, down to half of the least range (common practice: equal repetitions about the
        least range are all counted or none).
    steady_share, kept_share : where a movement may be too small to be seen, equal ones under the
        least range are attempts when what lies between them differs by at most the first share
        of the smallest, and each is beyond half of its range for the second share of its time
        away from rest: 0.71 for one that turns at once, nearly all for a held one (decision 4).
    """

    edge_share: float = 0.05
    turn_share: float = 0.10
    plateau_band_deg: float = 5.0
    plateau_band_share: float = 0.10
    same_place_share: float = 0.45
    still_per_s: float = 0.06
    rest_least_s: float = 0.3
    same_posture_share: float = 0.1
    merge_share: float = 0.5
    cut_share: float = 0.25
    fastest_s: float = 0.4
    alike_share: float = 0.6
    steady_share: float = 0.25
    kept_share: float = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One attempt on the grid; indices are inclusive. `rest_*` and `extreme` in signal units,
    rising toward the extreme. `is_complete` is False where the clip cuts it, before or after."""

    start: int
    turn_from: int
    turn_to: int
    end: int
    rest_before: float
    rest_after: float
    extreme: float
    is_complete: bool
    is_cut_before: bool = False
    is_cut_after: bool = False
    is_start_moved: bool = False
    is_end_moved: bool = False
    """Whether a person moved its start, and its end."""

    @property
    def turn(self) -> int:
        return (self.turn_from + self.turn_to) // 2

    @property
    def range(self) -> float:
        return self.extreme - min(self.rest_before, self.rest_after)

    @property
    def rise(self) -> float:
        """From the higher of its rests, of which the least range is asked."""
        return self.extreme - max(self.rest_before, self.rest_after)


def overlap(a: Attempt, b: Attempt) -> bool:
    """Whether the two have a sample in common."""
    return b.start <= a.end and a.start <= b.end


def find_still(track: Track, settings: RepetitionSettings = RepetitionSettings()) -> np.ndarray:
    """Where the person rests, bool (n,), from the speed of trunk and legs in body sizes.

    Unitless, so it needs neither camera nor exercise. Missing samples are not rest.
    """
    joints = [LANDMARK[s, j] for j in ("shoulder", "hip", "knee", "ankle") for s in SIDES]
    points = track.image_px[:, joints]
    known = points[np.isfinite(points).all(axis=2).any(axis=1)]
    if len(known) < 2:
        return np.zeros(len(track.time_s), bool)
    extent = _nan(np.nanmax, known, 1) - _nan(np.nanmin, known, 1)
    size = float(np.nanmedian(np.hypot(extent[:, 0], extent[:, 1])))
    slow = low_pass(points, track.grid_hz, 2.0)
    speed = np.linalg.norm(np.gradient(slow, axis=0), axis=2) * track.grid_hz / max(size, 1.0)
    count = np.isfinite(speed).sum(axis=1)
    total = np.where(np.isfinite(speed), speed, 0).sum(axis=1)
    mean_speed = np.where(count >= 3, total / np.maximum(count, 1), np.inf)
    return mean_speed < settings.still_per_s


def find_rest(
    track: Track, is_still: np.ndarray, settings: RepetitionSettings = RepetitionSettings()
) -> np.ndarray:
    """Where the person rests in the posture they keep coming back to, bool (n,).

    is_still : bool (n,), as from `find_still`. A hold at the turn is still too, in a posture of
    its own and, it may be, with the pelvis turned. Between turns the person comes back to the
    same rest, so that posture has the most still stretches. All of `is_still` where no stretch
    lasts long enough to be compared.
    """
    joints = [LANDMARK[s, j] for j in ("shoulder", "hip", "knee", "ankle") for s in SIDES]
    hips = [LANDMARK[s, "hip"] for s in SIDES]
    least = settings.rest_least_s * track.grid_hz
    stretches = [(a, b) for a, b in runs(is_still) if b - a >= least]
    if not stretches:
        return is_still
    points = track.image_px[:, joints] - track.image_px[:, hips].mean(axis=1, keepdims=True)
    postures = np.stack([_nan(np.nanmedian, points[a:b], 0) for a, b in stretches])
    size = float(np.nanmax(np.linalg.norm(postures, axis=2), initial=1.0))
    apart = np.linalg.norm(postures[:, None] - postures[None], axis=3) / size
    is_same = _nan(np.nanmean, apart, 2) <= settings.same_posture_share
    lasts = np.array([b - a for a, b in stretches])
    best = max(range(len(stretches)), key=lambda k: (is_same[k].sum(), lasts[is_same[k]].sum()))
    out = np.zeros_like(is_still)
    for (a, b), same in zip(stretches, is_same[best], strict=True):
        out[a:b] = same
    return out


def _nan(function: Callable[..., np.ndarray], values: np.ndarray, axis: int) -> np.ndarray:
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # rows with nothing seen
        return function(values, axis=axis)


def find_attempts(
    values: np.ndarray,
    grid_hz: float,
    least_range: float,
    *,
    hip_x_share: np.ndarray | None = None,
    is_hold: bool = False,
    is_faint: bool = False,
    off_floor: float | None = None,
    settings: RepetitionSettings = RepetitionSettings(),
) -> tuple[Attempt, ...]:
    """Attempts of an exercise in its driving signal, in time order.

    values : (n,) evenly sampled, rising from rest toward the turn; NaN where not measured.
    least_range : smaller movements are no attempt, same unit as `values`.
    is_faint : the movement may be too small to be seen: where small ones are neither alike nor
        mostly held they are landmarks that stray, and none, and so is one that is smaller than
        the others and not held. Equal ones that stand clear of their
        rests are attempts down to half of least_range, where no two reach that.
    off_floor : a dip that stays this far above the lowest rest, or a third of the rise if that is
        less, ends no attempt (the free foot of a one-leg stance, which lasts until it touches).
        None leaves it to `merge_share`.
    hip_x_share : (n,) where the hips stand sideways, leg lengths; attempts that end elsewhere
        than they began (walking) are left out. None skips that guard.

    Notes: an attempt may pause or falter on the way; it is one as long as the dip is shallower
    than `merge_share` of the rise. A gap longer than `BLINK_S` ends the stretch: an
    attempt is not joined across it here.
    """

    def of_range(least: float) -> list[Attempt]:
        out: list[Attempt] = []
        for start, stop in runs(_bridge(np.isfinite(values), int(BLINK_S * grid_hz))):
            if stop - start < max(4, int(settings.fastest_s * grid_hz)):
                continue
            piece = filled(values[start:stop])
            for a in _attempts_in(piece, grid_hz, least, is_hold, off_floor, settings):
                out.append(_shift(a, start))
        return out

    found = of_range(least_range)
    if is_faint and _are_astray(values, found, least_range, settings):
        found = []
    if len(found) >= 2 and (is_faint or not is_hold):
        alike = settings.alike_share * float(np.median([a.range for a in found]))
        if max(alike, least_range / 2) < least_range:
            found = of_range(max(alike, least_range / 2))
        if is_faint:
            found = [
                a
                for a in found
                if (a.rise >= least_range and a.range >= alike) or _is_kept(values, a, settings)
            ]
    if len(found) < 2 and is_faint:
        fainter = of_range(least_range / 2)
        is_clear = _are_clear(fainter, settings) and all(
            _is_kept(values, a, settings) for a in fainter
        )
        found = fainter if is_clear else found
    found = _without_rests(values, found)
    if hip_x_share is not None:
        found = [a for a in found if ends_where_it_began(a, hip_x_share, settings)]
    return tuple(found)


def _are_clear(attempts: Sequence[Attempt], settings: RepetitionSettings) -> bool:
    """Whether two or more movements are alike, and their rests too: not by an unsteady landmark."""
    if len(attempts) < 2:
        return False
    ranges = [a.range for a in attempts]
    rests = [rest for a in attempts for rest in (a.rest_before, a.rest_after)]
    are_alike = min(ranges) >= settings.alike_share * max(ranges)
    return are_alike and max(rests) - min(rests) <= settings.steady_share * min(ranges)


AWAY_LEAST_SHARE = 0.2
"""Under this share of its range a faint movement may as well be drift at rest (decision 4)."""


def _is_kept(values: np.ndarray, a: Attempt, settings: RepetitionSettings) -> bool:
    """Whether a movement is held rather than a drift there and back; values : (n,) rising."""
    risen = (values[a.start : a.end + 1] - min(a.rest_before, a.rest_after)) / a.range
    away = risen[risen >= AWAY_LEAST_SHARE]
    return bool(np.mean(away >= 0.5) >= settings.kept_share)


FAINT_TIMES = 3.0
"""Movements that are usually larger than this many times the least range are no landmarks that
stray at rest (decision 4)."""


def _are_astray(
    values: np.ndarray,
    attempts: Sequence[Attempt],
    least_range: float,
    settings: RepetitionSettings,
) -> bool:
    """Whether small movements are neither alike nor mostly held, as landmarks that stray are."""
    if not attempts or np.median([a.range for a in attempts]) > FAINT_TIMES * least_range:
        return False
    n_kept = sum(_is_kept(values, a, settings) for a in attempts)
    return not _are_clear(attempts, settings) and 2 * n_kept < len(attempts)


REST_RISE_SHARE, REST_ABOVE_SHARE = 0.4, 0.05
"""What rises by less than the first share of a set's usual rise, to no more than the second above
where the person rests, is the rest between two dips (decision 6)."""


def _without_rests(values: np.ndarray, attempts: Sequence[Attempt]) -> list[Attempt]:
    """The attempts, without rests that look like one because the signal dips before and after."""
    if len(attempts) < 3:
        return list(attempts)
    usual = float(np.median([a.rise for a in attempts]))
    is_rest = np.isfinite(values)
    for a in attempts:
        is_rest[a.start : a.end + 1] = False
    if not is_rest.any():
        return list(attempts)
    most = float(np.median(values[is_rest])) + REST_ABOVE_SHARE * usual
    return [a for a in attempts if a.rise >= REST_RISE_SHARE * usual or a.extreme > most]


def move_limits(
    attempts: Sequence[Attempt],
    values: np.ndarray,
    time_s: np.ndarray,
    moved: tuple[tuple[int, float, float], ...],
    settings: RepetitionSettings = RepetitionSettings(),
) -> tuple[Attempt, ...]:
    """The attempts with the limits of some of them moved by a person, their turns found anew.

    values : (n,) rising toward the turn; time_s : (n,) of the grid. moved : (place among the
    attempts, start_s, end_s); the ends are taken to the nearest samples. Where nothing was
    measured between the new ends the turn is their middle.
    """
    out = list(attempts)
    for place, start_s, end_s in moved:
        if not 0 <= place < len(out):
            continue
        a = out[place]
        start, end = (int(np.argmin(np.abs(time_s - t))) for t in (start_s, end_s))
        end = max(end, min(start + 1, len(values) - 1))
        piece = np.asarray(values[start : end + 1], float)
        if np.isfinite(piece).any():
            extreme, rest = float(np.nanmax(piece)), min(a.rest_before, a.rest_after)
            level = extreme - settings.turn_share * max(extreme - rest, 0.0)
            at = start + int(np.nanargmax(piece))
            turn_from, turn_to = _near_extreme(
                np.nan_to_num(values, nan=-np.inf), start, end, level, at
            )
        else:
            extreme, turn_from = a.extreme, (start + end) // 2
            turn_to = turn_from
        out[place] = replace(
            a,
            start=start,
            turn_from=turn_from,
            turn_to=turn_to,
            end=end,
            extreme=extreme,
            is_start_moved=start != a.start,
            is_end_moved=end != a.end,
        )
    return tuple(out)


def _bridge(mask: np.ndarray, most: int) -> np.ndarray:
    """The mask with gaps of at most `most` samples closed, so that a blink ends no attempt."""
    out = mask.copy()
    for a, b in runs(~mask):
        if a > 0 and b < len(mask) and b - a <= most:
            out[a:b] = True
    return out


def filled(values: np.ndarray) -> np.ndarray:
    """The values, (n,), with a straight line over what is missing."""
    known = np.isfinite(values)
    at = np.arange(len(values))
    out: np.ndarray = np.interp(at, at[known], values[known])
    return out


def _shift(a: Attempt, by: int) -> Attempt:
    return replace(
        a, start=a.start + by, turn_from=a.turn_from + by, turn_to=a.turn_to + by, end=a.end + by
    )


def _attempts_in(
    x: np.ndarray,
    grid_hz: float,
    least_range: float,
    is_hold: bool,
    off_floor: float | None,
    settings: RepetitionSettings,
) -> list[Attempt]:
    from scipy.signal import find_peaks

    # Detection on a slower copy: a tremor is no turn. Limits are then read from the signal.
    slow = low_pass(x, grid_hz, min(2.0, 0.2 * grid_hz)) if len(x) > 8 else x
    low = float(np.min(slow))
    padded = np.concatenate(([low - 1e-6], slow, [low - 1e-6]))
    peaks, _ = find_peaks(padded, prominence=0.8 * least_range, plateau_size=1)
    peaks = [int(np.clip(p - 1, 0, len(x) - 1)) for p in peaks]
    if not peaks:
        return []
    kept = _merge_falters(slow, peaks, settings.merge_share, is_hold, off_floor)
    valleys = [0, *(a + int(np.argmin(slow[a : b + 1])) for a, b in pairwise(kept)), len(x) - 1]
    between = list(pairwise(valleys))
    rests = [
        (_rest_level(x, a, peak), _rest_level(x, peak, b))
        for (a, b), peak in zip(between, kept, strict=True)
    ]
    found = [
        _attempt_between(x, k, between[k], rests, grid_hz, least_range, settings)
        for k in range(len(kept))
    ]
    return _without_standing_at_edges(x, [a for a in found if a is not None], grid_hz)


def _attempt_between(
    x: np.ndarray,
    k: int,
    valleys: tuple[int, int],
    rests: list[tuple[float, float]],
    grid_hz: float,
    least_range: float,
    settings: RepetitionSettings,
) -> Attempt | None:
    """The attempt about one turn; None where it is too small or too short for one.

    valleys : the samples between which it lies; rests : the level before and after each turn of
    the stretch, of which this is number k.
    """
    (a, b), (before, after) = valleys, rests[k]
    extreme = float(np.max(x[a : b + 1]))
    usual_rest = float(np.median(rests))
    rest = min(usual_rest, before, after) if len(rests) > 1 else min(before, after)
    full = extreme - rest
    is_first, is_last = k == 0, k == len(rests) - 1
    is_cut_before = is_first and _is_cut(x, 0, 1, before, rest, full, grid_hz, settings)
    is_cut_after = is_last and _is_cut(x, b, -1, after, rest, full, grid_hz, settings)
    is_cut = is_cut_before or is_cut_after
    # Where the clip cuts an attempt its own rest on that side was never seen.
    lowest_rest = float(np.min(rests))
    if is_cut_before:
        before = max(lowest_rest, rest)
    if is_cut_after:
        after = max(lowest_rest, rest)
    smaller, larger = extreme - max(before, after), extreme - min(before, after)
    if smaller < least_range and (larger < least_range or not is_cut):
        return None
    at = a + int(np.argmax(x[a : b + 1]))
    start = _leaves(x, a, at, before + settings.edge_share * (extreme - before))
    end = _regains(x, at, b, after + settings.edge_share * (extreme - after))
    turn_from, turn_to = _near_extreme(
        x, start, end, extreme - settings.turn_share * (extreme - min(before, after)), at
    )
    if (end - start) / grid_hz < settings.fastest_s:
        return None
    return Attempt(
        start=start,
        turn_from=turn_from,
        turn_to=turn_to,
        end=end,
        rest_before=before,
        rest_after=after,
        extreme=extreme,
        is_complete=not is_cut,
        is_cut_before=is_cut_before,
        is_cut_after=is_cut_after,
    )


def _without_standing_at_edges(
    x: np.ndarray, attempts: list[Attempt], grid_hz: float
) -> list[Attempt]:
    """The attempts, without a cut one at either end of the signal that only stands there."""
    whole = [a.range for a in attempts if a.is_complete]
    if not whole:
        return attempts
    usual = float(np.median(whole))
    at_edges = {0: (0, 1), len(attempts) - 1: (len(x) - 1, -1)}
    return [
        a
        for k, a in enumerate(attempts)
        if a.is_complete
        or k not in at_edges
        or not _stands_at_edge(x, a, *at_edges[k], usual, grid_hz)
    ]


def _stands_at_edge(
    x: np.ndarray, a: Attempt, edge: int, step: int, usual: float, grid_hz: float
) -> bool:
    """Whether a cut attempt is only standing between the lowest and the usual turn.

    On a step the heel drops below where the foot stood flat before the first raise, so that
    standing there is neither rest nor turn: a level stretch, well short of a usual attempt.
    """
    if a.range >= 0.5 * usual:
        return False
    is_level = _stays_at_edge(x, edge, step, 0.1 * usual) >= 0.5 * grid_hz
    return is_level and a.extreme - x[edge] <= 0.1 * usual


def _stays_at_edge(x: np.ndarray, edge: int, step: int, within: float) -> int:
    """For how many samples the signal keeps the level that it has at the clip's edge."""
    from_edge = x[edge::step] if step > 0 else x[: edge + 1][::step]
    away = np.flatnonzero(np.abs(from_edge - from_edge[0]) > within)
    return int(away[0]) if len(away) else len(from_edge)


def _merge_falters(
    slow: np.ndarray, peaks: list[int], merge_share: float, is_hold: bool, off_floor: float | None
) -> list[int]:
    """Peaks with shallow dips between them taken as one: the highest stands for the attempt."""
    kept = [peaks[0]]
    floor = _rest_level(slow, 0, len(slow) - 1)
    for p in peaks[1:]:
        last = kept[-1]
        dip = float(np.min(slow[last : p + 1]))
        smaller = min(slow[last], slow[p])
        rise = smaller - floor
        is_falter = (smaller - dip) < merge_share * rise * (1.0 if not is_hold else 1.2)
        if off_floor is not None:
            is_falter = dip - floor > min(off_floor, rise / 3)
        if rise > 0 and is_falter:
            kept[-1] = last if slow[last] >= slow[p] else p
        else:
            kept.append(p)
    return kept


def _rest_level(x: np.ndarray, a: int, b: int) -> float:
    """Level of the stretch [a, b] nearest its lowest tenth: the median of what lies near it."""
    piece = x[a : b + 1]
    low = float(np.percentile(piece, 2))
    near = piece[piece <= low + 0.08 * max(float(np.max(piece)) - low, 1e-9)]
    return float(np.median(near))


def _is_cut(
    x: np.ndarray,
    edge: int,
    step: int,
    level: float,
    rest: float,
    full: float,
    grid_hz: float,
    settings: RepetitionSettings,
) -> bool:
    """Whether the clip's edge lies inside the attempt: the signal never regains rest there.

    A level stretch in the lower half is a rest of its own (a foot flat on a step whose heel
    drops below it later), not a cut.
    """
    above = rest + settings.cut_share * full
    if x[edge] <= above or level <= above:
        return False
    is_level = _stays_at_edge(x, edge, step, 0.1 * full) >= 0.5 * grid_hz
    return not (is_level and x[edge] < rest + 0.5 * full)


def _leaves(x: np.ndarray, a: int, peak: int, level: float) -> int:
    below = np.flatnonzero(x[a : peak + 1] <= level)
    return a + int(below[-1]) if len(below) else a


def _regains(x: np.ndarray, peak: int, b: int, level: float) -> int:
    below = np.flatnonzero(x[peak : b + 1] <= level)
    return peak + int(below[0]) if len(below) else b


def _near_extreme(x: np.ndarray, start: int, end: int, level: float, at: int) -> tuple[int, int]:
    """The unbroken stretch about the extreme at `at` in which the signal stays above `level`.

    A bounce at the turn is no part of it: what is read at the turn would be read in its dip.
    """
    for a, b in runs(x[start : end + 1] >= level):
        if a <= at - start < b:
            return start + a, start + b - 1
    return at, at


def ends_where_it_began(a: Attempt, hip_x: np.ndarray, settings: RepetitionSettings) -> bool:
    """Whether the hips are back in their place, (n,) leg lengths, or not all of it was seen."""
    before, after = hip_x[a.start], hip_x[a.end]
    if not np.isfinite(before) or not np.isfinite(after) or not a.is_complete:
        return True
    return bool(abs(after - before) <= settings.same_place_share)
