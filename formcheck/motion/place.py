"""Where the patient does the set: the way to that place, and from it, is no part of the set.

Who films alone starts the camera, walks to the place, it may be lies down, does the set, and walks
back to stop it. Near the camera the body is cut off and large, and a walk bends the knees: neither
belongs to what is counted, nor to what is said of the picture.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import cast

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from formcheck.model.records import Finding, RawTrack, Track
from formcheck.motion.masks import runs
from formcheck.motion.presence import Presence, presence
from formcheck.motion.repetitions import Attempt

Stays = tuple[tuple[float, float], ...]
"""From and to, seconds, of each time that the patient is at the place of the set, in order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceSettings:
    """When a person is at the place and when on the way (decision 91).

    at_place_log, at_place_m, facing_m : apparent size, as a logarithm, hips sideways, and how wide
        the trunk is seen, within these of the place's, are at the place.
    turns_most_s : who has come turns to face as in the set, or lies down all the way, in this time.
    away_log, away_m : beyond these they are away from it, as one is who is neither at the place nor
        seen whole, where those at the place are.
    lying_least_deg, lying_most_m : a trunk further from the vertical than the first, shoulders less
        than the second above the lower ankle, lies.
    upright_most_deg, upright_least_m : where most of the clip is done lying, who is nearer to the
        vertical and higher than these is away.
    laid_deg : who lies down for the set has, this near to how they lie in it.
    stays_least_s : a shorter stay is a walk past the place.
    walks_least_s : who is away between two stays for less has not walked.
    elsewhere_least_s : who stays for so long elsewhere, seen whole, may do a part of the set there.
    arrives_least_s : who comes from away takes at least this long to arrive, or is seen between;
        a joint of two recordings takes no time.
    """

    at_place_log: float = 0.12
    at_place_m: float = 0.5
    facing_m: float = 0.12
    turns_most_s: float = 2.5
    away_log: float = 0.3
    away_m: float = 0.9
    lying_least_deg: float = 45.0
    lying_most_m: float = 0.6
    upright_most_deg: float = 25.0
    upright_least_m: float = 0.8
    laid_deg: float = 5.0
    stays_least_s: float = 1.0
    walks_least_s: float = 2.0
    elsewhere_least_s: float = 2.5
    arrives_least_s: float = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ways:
    """The patient against the place of the set, each (n,): apparent size, NaN where not found; how
    far beside it; whether seen whole in the set's posture; near the place; near and turned as in
    the set; away, and so far away that nobody is there by mistake."""

    time_s: np.ndarray
    size: np.ndarray
    beside_m: np.ndarray
    is_whole: np.ndarray
    is_near: np.ndarray
    is_ready: np.ndarray
    is_away: np.ndarray
    is_far: np.ndarray


def stays_at_place(raw: RawTrack, settings: PlaceSettings = PlaceSettings()) -> Stays:
    """When the patient is at the place of the set.

    All of the clip unless a walk to the place is seen at its beginning, one away at its end, or one
    away and back between.
    """
    ways = _ways(raw.time_s, presence(raw), settings)
    n = len(raw.time_s)
    edges = [0, n - 1]
    if ways is not None:
        spans = [
            (a, b - 1)
            for a, b in runs(~ways.is_away)
            if ways.is_near[a:b].any()
            and raw.time_s[b - 1] - raw.time_s[a] >= settings.stays_least_s
        ]
        edges = _edges(ways, spans, settings) if spans else edges
    is_in_order = all(a < b for a, b in pairwise(edges))
    pairs = zip(edges[::2], edges[1::2], strict=True) if is_in_order else [(0, n - 1)]
    return tuple((float(raw.time_s[a]), float(raw.time_s[b])) for a, b in pairs)


def _edges(ways: _Ways, spans: Sequence[tuple[int, int]], settings: PlaceSettings) -> list[int]:
    """The first and last samples of each stay, of which the spans are what is not away."""
    n = len(ways.time_s)
    first, is_come = _arrival(ways, spans[0][0], settings)
    last, is_gone = _leaving(ways, spans[-1][1], settings)
    is_come &= _is_way(ways, slice(0, first), settings)
    is_gone &= _is_way(ways, slice(last + 1, n), settings)
    between = []
    for (_, b), (a, _) in pairwise(spans):
        (left, is_left), (back, is_back) = _leaving(ways, b, settings), _arrival(ways, a, settings)
        is_long = ways.time_s[a] - ways.time_s[b] >= settings.walks_least_s
        if is_long and is_left and is_back and _is_way(ways, slice(left + 1, back), settings):
            between += [left, back]
    return [first if is_come else 0, *between, last if is_gone else n - 1]


def _arrival(ways: _Ways, edge: int, settings: PlaceSettings) -> tuple[int, bool]:
    """(the sample in which who is no longer away from `edge` on is at the place; whether they came
    as a body does, and the clip does not begin there)."""
    near = edge + int(np.argmax(ways.is_near[edge:]))
    by_s = ways.time_s[near] + settings.turns_most_s
    ready = np.flatnonzero(ways.is_ready[edge:] & (ways.time_s[edge:] <= by_s))
    there = edge + int(ready[0]) if len(ready) else near
    return there, edge > 0 and _is_step(ways, edge - 1, edge, there, settings)


def _leaving(ways: _Ways, edge: int, settings: PlaceSettings) -> tuple[int, bool]:
    """As `_arrival`, of the last sample in which who is away after `edge` is at the place."""
    n = len(ways.time_s)
    backwards = replace(
        ways,
        **{
            name: getattr(ways, name)[::-1]
            for name in ("size", "beside_m", "is_whole", "is_near", "is_ready", "is_away", "is_far")
        },
        time_s=-ways.time_s[::-1],
    )
    there, is_walk = _arrival(backwards, n - 1 - edge, settings)
    return n - 1 - there, is_walk


def _is_step(ways: _Ways, away: int, edge: int, there: int, settings: PlaceSettings) -> bool:
    """Whether a body gets from `away` to the place, where a joint of recordings leaps."""
    if ways.time_s[there] - ways.time_s[edge] >= settings.arrives_least_s:
        return True
    step_log = abs(ways.size[edge] - ways.size[away])
    step_m = abs(ways.beside_m[edge] - ways.beside_m[away])
    is_small = step_log < settings.away_log - settings.at_place_log
    return bool(is_small and step_m < settings.away_m - settings.at_place_m)


def _is_way(ways: _Ways, part: slice, settings: PlaceSettings) -> bool:
    """Whether the patient is far away in a part of the clip, and does not keep a place there, seen
    whole: it may be a part of the set, done elsewhere or turned another way."""
    if not ways.is_far[part].any():
        return False
    apart_s = float(np.median(np.diff(ways.time_s)))
    width = max(int(settings.elsewhere_least_s / apart_s), 2)
    size, beside_m, is_whole = ways.size[part], ways.beside_m[part], ways.is_whole[part]
    if len(size) < width:
        return True
    sizes, places, wholes = (sliding_window_view(x, width) for x in (size, beside_m, is_whole))
    is_one_size = np.ptp(sizes, axis=1) <= settings.at_place_log
    is_one_place = np.ptp(places, axis=1) <= settings.at_place_m
    return not bool((is_one_size & is_one_place & wholes.all(axis=1)).any())


def _ways(time_s: np.ndarray, seen: Presence, settings: PlaceSettings) -> _Ways | None:
    """The patient against the place where they, seen whole, are most often; None if nowhere."""
    if seen.is_whole.sum() < 3:
        return None
    size = seen.size - _most_common(seen.size[seen.is_whole], settings.at_place_log)
    is_there = seen.is_whole & (np.abs(size) <= settings.at_place_log)
    beside_m = seen.beside_m(float(np.median(seen.hips_px[is_there])))
    is_near = (np.abs(size) <= settings.at_place_log) & (np.abs(beside_m) <= settings.at_place_m)
    is_up = _is_up(seen, is_near, settings)
    is_whole = seen.is_whole & ~is_up
    is_near &= ~is_up
    is_far = (np.abs(size) > settings.away_log) | (np.abs(beside_m) > settings.away_m) | is_up
    found = np.flatnonzero(seen.is_found)
    is_far[: found[0]] = is_far[found[-1] + 1 :] = True
    is_away = is_far.copy()
    if 2 * np.count_nonzero(is_near & is_whole) > is_near.sum():
        # Else the picture's edge cuts off a part at the place, too.
        is_away |= seen.is_found & ~is_near & ~is_whole
        is_near &= is_whole
    if not is_near.any():  # on two sides of the picture, and never between
        return None
    width_m = seen.width_m - np.median(seen.width_m[is_near])
    is_ready = is_near & (np.abs(width_m) <= settings.facing_m)
    if is_up.any() and is_ready.any():  # and down, as far as in the lower quarter of the set
        lower_deg = np.percentile(seen.lean_deg[is_ready], 25) - settings.laid_deg
        is_ready &= seen.lean_deg >= lower_deg
    return _Ways(
        time_s=time_s,
        size=size,
        beside_m=beside_m,
        is_whole=is_whole,
        is_near=is_near,
        is_ready=is_ready,
        is_away=is_away,
        is_far=is_far,
    )


def _is_up(seen: Presence, is_near: np.ndarray, settings: PlaceSettings) -> np.ndarray:
    """Where the patient is upright though the set is done lying, bool (n,)."""
    up_m = seen.shoulders_up_m
    is_lying = (seen.lean_deg > settings.lying_least_deg) & (up_m < settings.lying_most_m)
    is_up = (seen.lean_deg < settings.upright_most_deg) & (up_m > settings.upright_least_m)
    is_lying_set = 2 * np.count_nonzero(is_near & is_lying) > np.count_nonzero(is_near)
    return np.asarray(is_up & is_lying_set)


def _most_common(values: np.ndarray, within: float) -> float:
    """The middle of the values that lie closest together: as many as can be within of it."""
    ordered = np.sort(values)
    upto = np.searchsorted(ordered, ordered + 2 * within, side="right")
    first = int(np.argmax(upto - np.arange(len(ordered))))
    return float(np.median(ordered[first : upto[first]]))


def only_at_place(raw: RawTrack, stays: Stays) -> RawTrack:
    """The landmarks of the stays: without the pictures before and after them, and with nobody seen
    between them."""
    is_kept = (raw.time_s >= stays[0][0]) & (raw.time_s <= stays[-1][1])
    is_there = np.any([(raw.time_s >= a) & (raw.time_s <= b) for a, b in stays], axis=0)
    if is_there.all():
        return raw
    is_gone = ~is_there[is_kept]

    def of(values: np.ndarray, unseen: float | None = None) -> np.ndarray:
        out = values[is_kept]
        if unseen is not None:
            out[is_gone] = unseen
        return out

    return replace(
        raw,
        left_out=_left_out(raw.time_s, stays),
        time_s=of(raw.time_s),
        stamp=of(raw.stamp),
        image_px=of(raw.image_px, np.nan),
        world_m=of(raw.world_m, np.nan),
        visibility=of(raw.visibility, np.nan),
        brightness=of(raw.brightness),
        contrast=of(raw.contrast),
        sharpness=of(raw.sharpness),
        change=of(raw.change, 0.0),
        border_change=of(raw.border_change, 0.0),
    )


def _left_out(time_s: np.ndarray, stays: Stays) -> Stays:
    """The times before, between and after the stays, none where a stay begins or ends the clip."""
    edges = [float(time_s[0]), *(t for stay in stays for t in stay), float(time_s[-1])]
    return tuple((a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if a < b)


WAY_S = 1.0
"""What begins or ends this close to a walk belongs to it, if it is cut there, but for a movement
whose far end is kept for so long: the last chair rise, which ends standing."""


def without_ways(
    attempts: Sequence[Attempt], values: np.ndarray, track: Track, left_out: Stays
) -> tuple[Attempt, ...]:
    """The attempts, without one that a walk to the place or from it cuts: it belongs to the walk,
    as sitting down before the first chair rise does, and rising to leave.

    values : (n,) of the driving signal; left_out : as in RawTrack.
    """

    def is_of_walk(a: Attempt) -> bool:
        comes, goes = touches_way(a, values, track, left_out)
        is_kept = (a.turn_to - a.turn_from) / track.grid_hz >= WAY_S
        return (a.is_cut_before and comes) or (a.is_cut_after and goes and not is_kept)

    return tuple(a for a in attempts if not is_of_walk(a))


def touches_way(a: Attempt, values: np.ndarray, track: Track, left_out: Stays) -> tuple[bool, bool]:
    """Whether it begins where a walk to the place ended; whether it ends where one away began."""
    time_s, is_seen = track.time_s, np.isfinite(values)
    start_s, end_s = time_s[a.start], time_s[a.end]
    comes, goes = False, False
    for from_s, to_s in left_out:
        before = is_seen & (time_s > to_s) & (time_s < start_s)
        after = is_seen & (time_s < from_s) & (time_s > end_s)
        comes |= 0 <= start_s - to_s <= WAY_S and not before.any()
        goes |= 0 <= from_s - end_s <= WAY_S and not after.any()
    return bool(comes), bool(goes)


def way_findings(raw: RawTrack, stays: Stays) -> list[Finding]:
    """What was left out at the clip's ends, whose own end is None, and between."""
    ways: list[tuple[float | None, float | None]] = []
    if stays[0][0] > raw.time_s[0]:
        ways.append((None, stays[0][0]))
    ways += [(left[1], back[0]) for left, back in pairwise(stays)]
    if stays[-1][1] < raw.time_s[-1]:
        ways.append((stays[-1][1], None))
    return [Finding(code="way_left_out", from_s=from_s, to_s=to_s) for from_s, to_s in ways]


def without_walks(findings: Sequence[Finding], stays: Stays) -> list[Finding]:
    """The findings, without that nobody is found where the patient walks about between stays."""
    return [
        f
        for f in findings
        if f.code != "person_leaves"
        or not any(
            left[1] <= cast(float, f.from_s) and cast(float, f.to_s) <= back[0]
            for left, back in pairwise(stays)
        )
    ]
