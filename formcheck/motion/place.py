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

from formcheck.model.anatomy import LANDMARK, SIDES
from formcheck.model.codes import values_of
from formcheck.model.records import Finding, RawTrack, Track
from formcheck.motion.camera import trunk_from_vertical_deg
from formcheck.motion.masks import runs
from formcheck.motion.people import choose_patient
from formcheck.motion.repetitions import Attempt

_BODY = [LANDMARK[s, j] for j in ("shoulder", "hip", "knee", "ankle") for s in SIDES]
_HIPS = [LANDMARK[s, "hip"] for s in SIDES]
_TRUNK = {s: [LANDMARK[s, j] for j in ("shoulder", "hip")] for s in SIDES}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceSettings:
    """When a person is at the place and when on the way (decision 91).

    at_place_log, at_place_m, facing_m : apparent size, as a logarithm, hips sideways, and how wide
        the trunk is seen, within these of the place's, are at the place. Who has come turns there.
    away_log, away_m : beyond these they are away from it, as one is who is neither at the place nor
        seen whole.
    lying_least_deg, upright_most_deg : a trunk further from the vertical than the first lies; where
        most of the clip is done lying, who is nearer to it than the second is away.
    laid_deg : who lies down for the set has, this near to how they lie in it.
    stays_least_s : a shorter stay is a walk past the place.
    walks_least_s : who is away between two stays for less has not walked.
    elsewhere_least_s : who stays for so long elsewhere, seen whole, may do a part of the set there.
    arrives_least_s : who comes from away takes at least this long to arrive, or is seen between;
        a joint of two recordings takes no time.
    smooth_s : width of the running median of size, place and width.
    """

    at_place_log: float = 0.12
    at_place_m: float = 0.5
    facing_m: float = 0.12
    away_log: float = 0.3
    away_m: float = 0.9
    lying_least_deg: float = 45.0
    upright_most_deg: float = 25.0
    laid_deg: float = 5.0
    stays_least_s: float = 1.0
    walks_least_s: float = 2.0
    elsewhere_least_s: float = 2.5
    arrives_least_s: float = 0.1
    smooth_s: float = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """How the patient is seen, each (n,), NaN where not found.

    size : logarithm of the pixels for a metre; hips_m : hips sideways; width_m : how far the left
    of the trunk is seen to the right of its right, metres; lean_deg : of the trunk; moved_m : how
    far the joints are from where they were in the picture before, on average, not smoothed.
    is_whole : from the shoulders to the ankles inside the picture, and lying where the set is done
    so, bool; is_up : upright though the set is done lying.
    """

    size: np.ndarray
    hips_m: np.ndarray
    width_m: np.ndarray
    lean_deg: np.ndarray
    moved_m: np.ndarray
    is_whole: np.ndarray
    is_up: np.ndarray

    @property
    def is_found(self) -> np.ndarray:
        return np.asarray(np.isfinite(self.size))


Stays = tuple[tuple[float, float], ...]
"""From and to, seconds, of each time that the patient is at the place of the set, in order."""


def stays_at_place(raw: RawTrack, settings: PlaceSettings = PlaceSettings()) -> Stays:
    """When the patient is at the place of the set.

    All of the clip unless a walk to the place is seen at its beginning, one away at its end, or one
    away and back between.
    """
    whole = ((float(raw.time_s[0]), float(raw.time_s[-1])),)
    seen = seen_in(raw, settings)
    if seen.is_whole.sum() < 3:
        return whole
    seen = _from_place(seen, settings)
    is_at, is_away = _at_and_away(seen, settings)
    time_s = raw.time_s
    spans = [
        (a, b - 1)
        for a, b in runs(~is_away)
        if is_at[a:b].any() and time_s[b - 1] - time_s[a] >= settings.stays_least_s
    ]
    if not spans:
        return whole

    def arrival(a: int) -> tuple[int, bool]:
        """(when they are there after sample a, whether they came on foot)."""
        at = a + int(np.argmax(is_at[a:]))
        return at, _is_walk(time_s, seen, a - 1, a, at, settings)

    def leaving(b: int) -> tuple[int, bool]:
        at = b - int(np.argmax(is_at[b::-1]))
        return at, _is_walk(time_s, seen, b + 1, b, at, settings)

    def stays_elsewhere(a: int, b: int) -> bool:
        return _stays_elsewhere(time_s, seen, slice(a, b), settings)

    (first, is_come), (last, is_gone) = arrival(spans[0][0]), leaving(spans[-1][1])
    n = len(time_s)
    edges = [first if is_come and not stays_elsewhere(0, spans[0][0]) else 0]
    for (_, b), (a, _) in pairwise(spans):
        (left, is_left), (back, is_back) = leaving(b), arrival(a)
        is_long = time_s[a] - time_s[b] >= settings.walks_least_s
        if is_long and is_left and is_back and not stays_elsewhere(b + 1, a):
            edges += [left, back]
    edges.append(last if is_gone and not stays_elsewhere(spans[-1][1] + 1, n) else n - 1)
    if any(a >= b for a, b in pairwise(edges)):
        return whole
    return tuple(
        (float(time_s[a]), float(time_s[b])) for a, b in zip(*[iter(edges)] * 2, strict=True)
    )


def _is_walk(
    time_s: np.ndarray, seen: Seen, beyond: int, edge: int, there: int, settings: PlaceSettings
) -> bool:
    """Whether the patient comes to the place, or goes, as a body does; not at the clip's own end.

    beyond : the sample outside the edge of a stay; there : the one in which they are at the place.
    """
    if not 0 <= beyond < len(time_s):
        return False
    if abs(time_s[edge] - time_s[there]) >= settings.arrives_least_s:
        return True
    step_log = abs(seen.size[edge] - seen.size[beyond])
    step_m = abs(seen.hips_m[edge] - seen.hips_m[beyond])
    is_small = step_log < settings.away_log - settings.at_place_log
    return bool(is_small and step_m < settings.away_m - settings.at_place_m)


def _from_place(seen: Seen, settings: PlaceSettings) -> Seen:
    """Size, hips and width as they differ from where the patient, seen whole, is most often."""
    size = seen.size - _most_common(seen.size[seen.is_whole], settings.at_place_log)
    is_there = seen.is_whole & (np.abs(size) <= settings.at_place_log)
    hips_m = seen.hips_m - np.median(seen.hips_m[is_there])
    is_there &= np.abs(hips_m) <= settings.at_place_m
    width_m = seen.width_m - np.median(seen.width_m[is_there])
    return replace(seen, size=size, hips_m=hips_m, width_m=width_m)


def _at_and_away(seen: Seen, settings: PlaceSettings) -> tuple[np.ndarray, np.ndarray]:
    """(where the patient is at the place, where away from it), bool (n,)."""
    size, hips_m = np.abs(seen.size), np.abs(seen.hips_m)
    is_near = (size <= settings.at_place_log) & (hips_m <= settings.at_place_m)
    is_at = is_near & (np.abs(seen.width_m) <= settings.facing_m)
    if 2 * np.count_nonzero(is_at & seen.is_whole) > is_at.sum():  # else: feet cut off all the time
        is_at &= seen.is_whole
    if seen.is_up.any() and is_at.any():  # and down, as far as in the lower quarter of the set
        is_at &= seen.lean_deg >= np.percentile(seen.lean_deg[is_at], 25) - settings.laid_deg
    is_away = (size > settings.away_log) | (hips_m > settings.away_m) | seen.is_up
    is_away |= seen.is_found & ~is_near & ~seen.is_whole
    found = np.flatnonzero(seen.is_found)
    is_away[: found[0]] = is_away[found[-1] + 1 :] = True
    return is_at, is_away


def _stays_elsewhere(time_s: np.ndarray, seen: Seen, away: slice, settings: PlaceSettings) -> bool:
    """Whether the patient is seen whole and keeps a place, away from that of the set."""
    width = int(settings.elsewhere_least_s / float(np.median(np.diff(time_s))))
    size, hips_m, is_whole = seen.size[away], seen.hips_m[away], seen.is_whole[away]
    if len(size) < width:
        return False
    sizes, hips, wholes = (sliding_window_view(x, width) for x in (size, hips_m, is_whole))
    is_one_size = np.ptp(sizes, axis=1) <= settings.at_place_log
    is_one_place = np.ptp(hips, axis=1) <= settings.at_place_m
    return bool((is_one_size & is_one_place & wholes.all(axis=1)).any())


def seen_in(raw: RawTrack, settings: PlaceSettings) -> Seen:
    """The pose in the picture over the model's pose in metres, as it is turned to the camera: the
    size of a body at its distance, whatever its posture."""
    rows = choose_patient(raw)
    at = (np.arange(len(rows)), np.maximum(rows, 0))
    image = np.where((rows >= 0)[:, None, None], raw.image_px[at], np.nan).astype(float)
    body, metres = image[:, _BODY], raw.world_m[at][:, _BODY, :2].astype(float)
    spread_px, spread_m = (
        np.sqrt(((p - p.mean(axis=1, keepdims=True)) ** 2).sum(axis=(1, 2))) for p in (body, metres)
    )
    rate_hz = 1 / float(np.median(np.diff(raw.time_s)))
    n_smooth = 2 * round(settings.smooth_s * rate_hz / 2) + 1
    with np.errstate(divide="ignore", invalid="ignore"):
        per_metre = spread_px / spread_m
        widths = image[:, _TRUNK["left"], 0] - image[:, _TRUNK["right"], 0]
        size, hips_m, width_m, lean_deg = (
            _running_median(x, n_smooth)
            for x in (
                np.log(per_metre),
                image[:, _HIPS, 0].mean(axis=1) / per_metre,
                widths.mean(axis=1) / per_metre,
                trunk_from_vertical_deg(image),
            )
        )
        moved_px = np.linalg.norm(np.diff(body, axis=0, prepend=body[:1]), axis=2).mean(axis=1)
        picture = np.array([raw.clip.width_px, raw.clip.height_px])
        is_inside = ((body >= 0) & (body <= picture)).all(axis=(1, 2))
        is_up, is_lying = lean_deg < settings.upright_most_deg, lean_deg > settings.lying_least_deg
    is_whole = np.isfinite(size) & is_inside
    is_up &= 2 * np.count_nonzero(is_whole & is_lying) > is_whole.sum()
    return Seen(
        size=size,
        hips_m=hips_m,
        width_m=width_m,
        lean_deg=lean_deg,
        moved_m=moved_px / per_metre,
        is_whole=np.asarray(is_whole & ~is_up),
        is_up=np.asarray(is_up),
    )


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    """The running median of what is known; NaN stays NaN."""
    from scipy.ndimage import median_filter

    out = np.full(len(values), np.nan)
    known = np.isfinite(values)
    out[known] = median_filter(values[known], width, mode="nearest")
    return out


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


def without_ways(
    attempts: Sequence[Attempt], values: np.ndarray, track: Track, left_out: Stays
) -> tuple[Attempt, ...]:
    """The attempts, without one that a walk to the place or from it cuts: it belongs to the walk,
    as sitting down before the first chair rise does.

    values : (n,) of the driving signal; left_out : as in RawTrack.
    """
    return tuple(
        a
        for a in attempts
        if not ((a.is_cut_before or a.is_cut_after) and touches_way(a, values, track, left_out))
    )


def touches_way(a: Attempt, values: np.ndarray, track: Track, left_out: Stays) -> bool:
    """Whether it begins where a walk to the place ended, or ends where one away began."""
    time_s, is_seen = track.time_s, np.isfinite(values)
    for from_s, to_s in left_out:
        before = is_seen & (time_s > to_s) & (time_s < time_s[a.start])
        after = is_seen & (time_s < from_s) & (time_s > time_s[a.end])
        if (time_s[a.start] >= to_s and not before.any()) or (
            time_s[a.end] <= from_s and not after.any()
        ):
            return True
    return False


def way_findings(raw: RawTrack, stays: Stays) -> list[Finding]:
    """What was left out at the clip's ends, and between, if anything was."""
    until = stays[0][0] if stays[0][0] > raw.time_s[0] else None
    after = stays[-1][1] if stays[-1][1] < raw.time_s[-1] else None
    out = [
        Finding(
            code="way_left_out",
            values=values_of(until_s=None, after_s=None),
            from_s=left[1],
            to_s=back[0],
            spoils="stretch",
        )
        for left, back in pairwise(stays)
    ]
    if until is not None or after is not None:
        out.insert(0, Finding(code="way_left_out", values=values_of(until_s=until, after_s=after)))
    return out


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
