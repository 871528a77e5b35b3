"""Where the heads are, at every moment of a clip, so that faces can be hidden.

The landmarks come at a lower rate than the pictures and have gaps. A head is followed through
both: between two sightings it is interpolated, past the last one it is held, and the longer
nobody has seen it the larger the hidden circle gets. Too much hidden is better than a face shown.
"""

from dataclasses import dataclass

import numpy as np

from formcheck.model.anatomy import FACE, LANDMARK, SIDES
from formcheck.model.records import RawTrack

# In shares of stature: trunk .288 and shoulder width .259 (Drillis & Contini 1966 in Winter).
# The head's centre lies about .11 above the shoulders; .095 covers it with hair and chin
# (common practice).
_TRUNK, _SHOULDERS = 0.288, 0.259
_HEAD_ABOVE, _HEAD_RADIUS = 0.11, 0.095


@dataclass(frozen=True, slots=True, kw_only=True)
class FaceSettings:
    """How heads are followed; all chosen to hide rather too much (common practice).

    margin : factor on the estimated radius of a head
    growth_per_s, most_growth : share by which the circle grows with each second since the
        nearest sighting, and the most it grows
    hold_s : how long a head is held after its last and before its first sighting while other
        people are seen; while nobody is seen it is held throughout
    brief_n, brief_hold_s : a head seen in so few pictures is mostly a slip of the model, which
        put a head on a knee, say; it is held only for this long
    bridge_s : longest gap over which two sightings may be the same head
    speed : fastest movement of a head, in its radii a second (about 2 m/s)
    """

    margin: float = 1.15
    growth_per_s: float = 1.5
    most_growth: float = 2.0
    hold_s: float = 2.0
    brief_n: int = 3
    brief_hold_s: float = 0.3
    bridge_s: float = 5.0
    speed: float = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """One head over time: sightings, and the stretch in which it is hidden.

    time_s, x_px, y_px, radius_px : (n,)
    """

    time_s: np.ndarray
    x_px: np.ndarray
    y_px: np.ndarray
    radius_px: np.ndarray
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Heads:
    """All heads of a clip."""

    heads: tuple[Head, ...]
    settings: FaceSettings = FaceSettings()

    def at(self, time_s: float) -> list[tuple[float, float, float]]:
        """Circles to hide at a moment: (x, y, radius), pixels."""
        s, circles = self.settings, []
        for head in self.heads:
            if head.from_s <= time_s <= head.to_s:
                x, y, r = (
                    float(np.interp(time_s, head.time_s, series))
                    for series in (head.x_px, head.y_px, head.radius_px)
                )
                i = int(np.searchsorted(head.time_s, time_s))
                nearest = head.time_s[max(i - 1, 0) : i + 1]
                unseen_s = float(np.min(np.abs(nearest - time_s)))
                growth = min(s.growth_per_s * unseen_s, s.most_growth)
                circles.append((x, y, r * (1 + growth)))
        return circles


def _center(image_px: np.ndarray, rows: tuple[int, ...]) -> np.ndarray:
    """Mean of some landmarks, NaN where any is missing."""
    return image_px[..., list(rows), :].mean(axis=-2)


def head_circles(image_px: np.ndarray) -> np.ndarray:
    """A circle about each person's head per frame: (n, p, 3) x, y, radius in pixels.

    Size comes from the trunk, the shoulders and the face itself, whichever says most (a trunk
    seen end-on says little). Where the face's landmarks are missing, or lie nowhere near the
    shoulders, the head is put on top of the trunk's axis, with a larger circle. NaN where
    neither face nor trunk was found.
    """
    image_px = np.asarray(image_px, float)
    shoulder = _center(image_px, tuple(LANDMARK[s, "shoulder"] for s in SIDES))
    hip = _center(image_px, tuple(LANDMARK[s, "hip"] for s in SIDES))
    face = _center(image_px, FACE)

    def length(vector):
        return np.sqrt((vector**2).sum(-1))

    across = image_px[..., LANDMARK["left", "shoulder"], :]
    across = length(across - image_px[..., LANDMARK["right", "shoulder"], :])
    trunk = length(shoulder - hip)
    spread = length(image_px[..., list(FACE), :] - face[..., None, :]).max(-1)
    stature = np.fmax(trunk / _TRUNK, across / _SHOULDERS)
    radius = np.fmax(stature * _HEAD_RADIUS, 1.4 * spread)

    with np.errstate(invalid="ignore", divide="ignore"):
        up = (shoulder - hip) / np.where(trunk > 0, trunk, np.nan)[..., None]
    guess = shoulder + up * (stature * _HEAD_ABOVE)[..., None]
    # Face landmarks more than two neck lengths from the shoulders belong to something else.
    is_off = ~np.isfinite(face[..., 0]) | (length(face - shoulder) > 3 * _HEAD_ABOVE * stature)
    is_guessed = is_off & np.isfinite(guess[..., 0])
    center = np.where(is_guessed[..., None], guess, face)
    radius = np.where(is_guessed, 1.5 * stature * _HEAD_RADIUS, radius)
    circles = np.concatenate([center, radius[..., None]], axis=-1)
    circles[~np.isfinite(circles).all(-1) | (circles[..., 2] <= 0)] = np.nan
    return circles


def _sightings(circles: np.ndarray, time_s: np.ndarray, s: FaceSettings) -> list[list[int]]:
    """Sightings of each head, as flat indices into (n, p): nearest first, frame by frame."""
    n, p = circles.shape[:2]
    flat = circles.reshape(n * p, 3)
    followed: list[list[int]] = []
    alive: list[list[int]] = []
    for i in range(n):
        found = [i * p + j for j in range(p) if np.isfinite(flat[i * p + j, 0])]
        alive = [a for a in alive if time_s[i] - time_s[a[-1] // p] <= s.bridge_s]
        pairs = []
        for a in alive:
            x, y, r = flat[a[-1]]
            reach = r * min(1.5 + s.speed * (time_s[i] - time_s[a[-1] // p]), 6.0)
            for k in found:
                distance = np.hypot(flat[k, 0] - x, flat[k, 1] - y)
                if distance <= reach:
                    pairs.append((distance, alive.index(a), k))
        taken, used = set(), set()
        for _, a, k in sorted(pairs):
            if a not in taken and k not in used:
                alive[a].append(k)
                taken.add(a)
                used.add(k)
        for k in found:
            if k not in used:
                alive.append([k])
                followed.append(alive[-1])
    return followed


def _steady_radius(radius: np.ndarray) -> np.ndarray:
    """The largest radius nearby, never far under the usual one: a head does not shrink."""
    wide = np.pad(radius, 3, mode="edge")
    nearby = np.lib.stride_tricks.sliding_window_view(wide, 7).max(-1)
    return np.maximum(nearby, 0.85 * np.median(radius))


def _unseen_stretches(is_seen: np.ndarray, time_s: np.ndarray) -> list[tuple[float, float]]:
    """Stretches in which nobody is seen: from the last sighting of anybody to the next."""
    seen = np.flatnonzero(is_seen)
    if not len(seen):
        return []
    jumps = np.flatnonzero(np.diff(seen) > 1)
    stretches = [(float(time_s[seen[k]]), float(time_s[seen[k + 1]])) for k in jumps]
    stretches.insert(0, (-np.inf, float(time_s[seen[0]])))
    stretches.append((float(time_s[seen[-1]]), np.inf))
    return stretches


def find_heads(raw: RawTrack, settings: FaceSettings = FaceSettings()) -> Heads:
    """The heads of everyone found, followed over the whole clip.

    What it cannot hide: a person whom the pose model never found while others were.
    """
    time_s = np.asarray(raw.time_s, float)
    circles = head_circles(raw.image_px)
    n, p = circles.shape[:2]
    if n == 0 or p == 0:
        return Heads(heads=(), settings=settings)
    unseen = _unseen_stretches(np.isfinite(circles[..., 0]).any(1), time_s)
    flat = circles.reshape(n * p, 3)
    heads = []
    for sightings in _sightings(circles, time_s, settings):
        t = time_s[[k // p for k in sightings]]
        x, y, r = flat[sightings].T
        hold_s = settings.hold_s if len(t) > settings.brief_n else settings.brief_hold_s
        from_s, to_s = float(t[0]) - hold_s, float(t[-1]) + hold_s
        for start, end in unseen:
            if end == t[0]:
                from_s = min(from_s, start)
            if start == t[-1]:
                to_s = max(to_s, end)
        heads.append(
            Head(
                time_s=t,
                x_px=x,
                y_px=y,
                radius_px=_steady_radius(r) * settings.margin,
                from_s=from_s,
                to_s=to_s,
            )
        )
    return Heads(heads=tuple(heads), settings=settings)
