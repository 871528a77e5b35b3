"""Where the patient does the set: the way to that place, and from it, is no part of the set.

Who films alone starts the camera, walks to the place, it may be lies down, does the set, and walks
back to stop it. Near the camera the body is cut off and large, and a walk bends the knees: neither
belongs to what is counted, nor to what is said of the picture.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from formcheck.model.anatomy import LANDMARK, SIDES
from formcheck.model.codes import values_of
from formcheck.model.records import Finding, RawTrack
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


def at_place_s(raw: RawTrack, settings: PlaceSettings = PlaceSettings()) -> tuple[float, float]:
    """(from, to) seconds of the clip in which the patient is at the place of the set.

    The whole clip unless a walk to the place is seen at its beginning, or one away at its end.
    """
    first_s, last_s = float(raw.time_s[0]), float(raw.time_s[-1])
    seen = seen_in(raw, settings)
    if seen.is_whole.sum() < 3:
        return first_s, last_s
    seen = _from_place(seen, settings)
    is_at, is_away = _at_and_away(seen, settings)
    stays = [
        (a, b)
        for a, b in runs(~is_away)
        if is_at[a:b].any() and raw.time_s[b - 1] - raw.time_s[a] >= settings.stays_least_s
    ]
    if not stays:
        return first_s, last_s
    begins, ends = stays[0][0], stays[-1][1] - 1
    arrives = begins + int(np.argmax(is_at[begins:]))
    leaves = ends - int(np.argmax(is_at[ends::-1]))

    def is_walk(away: slice, beyond: int, edge: int, there: int) -> bool:
        """beyond : the sample outside the stay's edge; there : the one in which they are there."""
        if _stays_elsewhere(raw.time_s, seen, away, settings):
            return False
        lasts_s = abs(raw.time_s[edge] - raw.time_s[there])
        return lasts_s >= settings.arrives_least_s or _is_step(seen, beyond, edge, settings)

    is_come = begins > 0 and is_walk(slice(0, begins), begins - 1, begins, arrives)
    is_gone = ends + 1 < len(is_at) and is_walk(slice(ends + 1, None), ends + 1, ends, leaves)
    from_s = float(raw.time_s[arrives]) if is_come else first_s
    to_s = float(raw.time_s[leaves]) if is_gone else last_s
    return (from_s, to_s) if from_s < to_s else (first_s, last_s)


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
    is_at = seen.is_whole & is_near & (np.abs(seen.width_m) <= settings.facing_m)
    if seen.is_up.any() and is_at.any():  # and down, as far as in the lower quarter of the set
        is_at &= seen.lean_deg >= np.percentile(seen.lean_deg[is_at], 25) - settings.laid_deg
    is_away = (size > settings.away_log) | (hips_m > settings.away_m) | seen.is_up
    is_away |= seen.is_found & ~is_near & ~seen.is_whole
    found = np.flatnonzero(seen.is_found)
    is_away[: found[0]] = is_away[found[-1] + 1 :] = True
    return is_at, is_away


def _is_step(seen: Seen, a: int, b: int, settings: PlaceSettings) -> bool:
    """Whether a body gets from one sample to the other, where a joint of recordings leaps."""
    step_log, step_m = abs(seen.size[b] - seen.size[a]), abs(seen.hips_m[b] - seen.hips_m[a])
    is_small = step_log < settings.away_log - settings.at_place_log
    return bool(is_small and step_m < settings.away_m - settings.at_place_m)


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


def only_at_place(raw: RawTrack, from_s: float, to_s: float) -> RawTrack:
    """The landmarks of the pictures between the two times."""
    is_there = (raw.time_s >= from_s) & (raw.time_s <= to_s)
    if is_there.all():
        return raw
    return replace(
        raw,
        left_out=(not is_there[0], not is_there[-1]),
        time_s=raw.time_s[is_there],
        stamp=raw.stamp[is_there],
        image_px=raw.image_px[is_there],
        world_m=raw.world_m[is_there],
        visibility=raw.visibility[is_there],
        brightness=raw.brightness[is_there],
        contrast=raw.contrast[is_there],
        sharpness=raw.sharpness[is_there],
        change=raw.change[is_there],
        border_change=raw.border_change[is_there],
    )


def without_ways(
    attempts: Sequence[Attempt], values: np.ndarray, left_out: tuple[bool, bool]
) -> tuple[Attempt, ...]:
    """The attempts, without one that the walk to the place or from it cuts: it belongs to the walk,
    as sitting down before the first chair rise does.

    values : (n,) of the driving signal; left_out : as in RawTrack.
    """
    return tuple(
        a
        for a in attempts
        if not (touches_way(a, values, left_out) and (a.is_cut_before or a.is_cut_after))
    )


def touches_way(a: Attempt, values: np.ndarray, left_out: tuple[bool, bool]) -> bool:
    """Whether it begins where the walk to the place ended, or ends where the one away began."""
    seen = np.flatnonzero(np.isfinite(values))
    return bool((left_out[0] and a.start <= seen[0]) or (left_out[1] and a.end >= seen[-1]))


def way_findings(raw: RawTrack, from_s: float, to_s: float) -> list[Finding]:
    """What was left out at the clip's ends, if anything was."""
    until = from_s if from_s > raw.time_s[0] else None
    after = to_s if to_s < raw.time_s[-1] else None
    if until is None and after is None:
        return []
    return [Finding(code="way_left_out", values=values_of(until_s=until, after_s=after))]
