"""Who is who among the people found: linked through the clip, and which of them is the patient."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypedDict

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES
from formcheck.model.records import RawTrack

LINK_MOST_SHARE = 0.5
"""From picture to picture a trunk moves by less than this share of the body's extent (common
practice: the next person stands further away)."""
LINK_MOST_S = 2.0
"""Who was not found for longer is not linked by place alone (common practice)."""

SAME_SIZE_MOST = 1.6
"""Stretches of one person differ by less than this factor in body length (common practice: a
bend toward the camera shortens a body by a third)."""
APART_MOST_SHARE = 0.1
"""Stretches apart from each other in more than this share of the shorter one's pictures are two
people."""
SHARED_MOST_SHARE = 0.5
"""So are those that share more than this share of them, wherever they stand."""

PRESENT_LEAST_SHARE = 0.5
"""Who is the patient is asked of people who are there for half as long as the first at least."""
MOVES_LEAST_SHARE = 0.05
"""Joints that move this far about the body's middle, shares of body length, do an exercise (a
person who stands and watches moves them by 0.02; common practice)."""
MOVES_TIMES = 3.0
"""And this many times as far as those of the nearer person, who looks on."""
STAYS_MOST_SHARE = 0.7
"""A patient's feet keep to a place of this extent, shares of body length (a lunge's step; common
practice). Who walks about is not taken for the patient because of it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Person:
    """One person through the clip. rows : (n,) place among the people found in each picture, -1
    where not found. length_px : median body length. moves_share, place_share : how far the
    joints move about the body's middle, and the feet over the floor, shares of body length."""

    rows: np.ndarray
    length_px: float
    moves_share: float
    place_share: float

    @property
    def n_found(self) -> int:
        return int((self.rows >= 0).sum())


def body_lengths_px(image_px: np.ndarray) -> np.ndarray:
    """Trunk, thigh and shank of each person put together in pixels, (n, p); 0 where not found.

    The longer side counts. It changes little with posture: a person on a chair in front is not
    smaller than one who stands behind.
    """
    longest = np.zeros(image_px.shape[:2])
    for side in SIDES:
        chain = [image_px[:, :, LANDMARK[side, j]] for j in ("shoulder", "hip", "knee", "ankle")]
        parts = [np.linalg.norm(b - a, axis=-1) for a, b in zip(chain, chain[1:], strict=False)]
        longest = np.fmax(longest, np.nan_to_num(sum(parts)))
    return longest


def choose_patient(raw: RawTrack) -> np.ndarray:
    """Row of the patient among the people found, per frame, shape (n,); -1 where not found."""
    people = linked_people(raw)
    return people[0].rows if people else np.full(len(raw.time_s), -1)


def linked_people(raw: RawTrack) -> tuple[Person, ...]:
    """The people of the clip, the patient first, the others by presence and nearness.

    The patient has the largest sum of body lengths, present longest and nearest the camera,
    unless that one looks on while another one, who keeps to a place, moves.
    """
    people = [_person(raw, rows) for rows in _joined(raw, _linked(raw))]
    people.sort(key=lambda p: -p.n_found * p.length_px)
    if not people:
        return ()
    first = people[0]
    movers = [
        p
        for p in people[1:]
        if p.n_found >= PRESENT_LEAST_SHARE * first.n_found
        and p.moves_share >= max(MOVES_LEAST_SHARE, MOVES_TIMES * first.moves_share)
        and p.place_share <= STAYS_MOST_SHARE
    ]
    if movers:
        people.remove(movers[0])
        people.insert(0, movers[0])
    return tuple(people)


LEAP_LEAST_SHARE, LEAP_LEAST_PER_S, LEAP_CHANGE_TIMES = 0.18, 2.5, 2.0
"""A trunk that is elsewhere by this share of body length from one picture to the next, at this many
lengths a second, in a picture that changes by this many times what nine in ten do, leapt over a
joint of two recordings (most in 140 clips: 0.15 in a lateral lunge; landmarks that are mistaken
leap further, and the picture does not change)."""
LEAP_WINDOW = 5


def leap_times_s(raw: RawTrack, rows: np.ndarray) -> list[float]:
    """Seconds at which the patient is elsewhere at once, and stays there.

    rows : (n,) of the patient among the people found. Two recordings of one person in one room,
    put together, change the picture little.
    """
    at = np.flatnonzero(rows >= 0)
    if len(at) <= 2 * LEAP_WINDOW:
        return []
    centre = _centres_px(raw)[at, rows[at]].astype(float)
    length_px = float(np.median(body_lengths_px(raw.image_px)[at, rows[at]]))
    time_s, change = raw.time_s[at], np.nan_to_num(raw.change[at])
    moved = np.hypot(*np.diff(centre, axis=0).T) / max(length_px, 1.0)
    apart_s = np.diff(time_s)
    least_change = LEAP_CHANGE_TIMES * float(np.percentile(change, 90))
    out = []
    for k in np.flatnonzero(moved > LEAP_LEAST_SHARE):
        before = np.median(centre[max(k + 1 - LEAP_WINDOW, 0) : k + 1], axis=0)
        after = np.median(centre[k + 1 : k + 1 + LEAP_WINDOW], axis=0)
        stays = np.hypot(*(after - before)) > LEAP_LEAST_SHARE * length_px
        is_quick = moved[k] > LEAP_LEAST_PER_S * apart_s[k]
        if stays and is_quick and change[k + 1] > least_change:
            out.append(float(time_s[k + 1]))
    return out


ONE_PLACE_SHARE = 0.25
"""Two finds whose trunks lie nearer than this share of body length are one person found twice."""


def are_at_one_place(raw: RawTrack, a: Person, b: Person) -> bool:
    """Whether two linked people, where both are found, stand in one place."""
    both = np.flatnonzero((a.rows >= 0) & (b.rows >= 0))
    if not len(both):
        return False
    centre = _centres_px(raw)
    apart = centre[both, a.rows[both]] - centre[both, b.rows[both]]
    return float(np.median(np.hypot(*apart.T))) < ONE_PLACE_SHARE * a.length_px


class _Chain(TypedDict):
    """A person as far as linked: where the trunk was last, pixels, (2,), when, and the rows."""

    at: np.ndarray
    time_s: float
    rows: np.ndarray


def _linked(raw: RawTrack) -> list[np.ndarray]:
    """People linked from frame to frame by nearness of the trunk: their rows, each (n,)."""
    n, p = raw.image_px.shape[:2]
    centre = _centres_px(raw)
    # A person who was not found is all NaN, which nanmax would warn of.
    top = np.where(np.isfinite(raw.image_px), raw.image_px, -np.inf).max(axis=2)
    low = np.where(np.isfinite(raw.image_px), raw.image_px, np.inf).min(axis=2)
    extent = np.where(np.isfinite(top), top, 0) - np.where(np.isfinite(low), low, 0)
    size = np.hypot(extent[..., 0], extent[..., 1])
    if p == 1:
        return [np.where(np.isfinite(centre[:, 0, 0]), 0, -1)]
    chains: list[_Chain] = []
    for i in range(n):
        free = [q for q in range(p) if np.isfinite(centre[i, q, 0])]
        pairs = sorted(
            (float(np.hypot(*(centre[i, q] - c["at"]))), k, q)
            for k, c in enumerate(chains)
            for q in free
            if raw.time_s[i] - c["time_s"] < LINK_MOST_S
        )
        used: set[int] = set()
        for distance, k, q in pairs:
            if k in used or q not in free or distance > LINK_MOST_SHARE * max(size[i, q], 1.0):
                continue
            chains[k]["rows"][i] = q
            chains[k]["at"], chains[k]["time_s"] = centre[i, q], raw.time_s[i]
            used.add(k)
            free.remove(q)
        for q in free:
            rows = np.full(n, -1)
            rows[i] = q
            chains.append({"at": centre[i, q], "time_s": raw.time_s[i], "rows": rows})
    return [c["rows"] for c in chains]


def _centres_px(raw: RawTrack) -> np.ndarray:
    """Middle of each person's trunk, (n, p, 2); NaN where not found."""
    trunk = [LANDMARK[s, j] for j in ("shoulder", "hip") for s in SIDES]
    centre: np.ndarray = raw.image_px[:, :, trunk].mean(axis=2)
    return centre


def _joined(raw: RawTrack, chains: list[np.ndarray]) -> list[np.ndarray]:
    """The chains, those that are stretches of one person put together.

    One person found twice in a picture breaks the chain: from then on the second find is the
    one that is linked. Such stretches follow each other at one place, at one size; two people
    are in the picture together.
    """
    lengths = body_lengths_px(raw.image_px)
    centre = _centres_px(raw)
    at = np.arange(len(raw.time_s))

    def length_of(rows: np.ndarray) -> float:
        return float(np.median(lengths[at[rows >= 0], rows[rows >= 0]]))

    left = sorted((c for c in chains if (c >= 0).any()), key=lambda c: -(c >= 0).sum())
    out: list[np.ndarray] = []
    while left:
        rows, left = left[0].copy(), left[1:]
        has_grown = True
        while has_grown:
            has_grown = False
            for k, other in enumerate(left):
                if _is_the_same(rows, other, raw.time_s, centre, length_of):
                    rows = np.where(rows >= 0, rows, other)
                    del left[k]
                    has_grown = True
                    break
        out.append(rows)
    return out


def _is_the_same(
    rows: np.ndarray,
    other: np.ndarray,
    time_s: np.ndarray,
    centre: np.ndarray,
    length_of: Callable[[np.ndarray], float],
) -> bool:
    length_px = length_of(rows)
    ratio = length_px / max(length_of(other), 1e-9)
    if not 1 / SAME_SIZE_MOST < ratio < SAME_SIZE_MOST:
        return False
    n_other = int((other >= 0).sum())
    shared = np.flatnonzero((rows >= 0) & (other >= 0))
    gap_px = np.hypot(*(centre[shared, rows[shared]] - centre[shared, other[shared]]).T)
    n_apart = int((gap_px > LINK_MOST_SHARE * length_px).sum())
    if n_apart > APART_MOST_SHARE * n_other or len(shared) > SHARED_MOST_SHARE * n_other:
        return False
    # The nearest pictures in time of the one and the other.
    own, others = np.flatnonzero(rows >= 0), np.flatnonzero((other >= 0) & (rows < 0))
    if not len(others):
        return False
    ends = others[[0, -1]]
    nearest = own[np.argmin(np.abs(own[:, None] - ends[None]), axis=0)]
    k = int(np.argmin(np.abs(time_s[nearest] - time_s[ends])))
    a, b = int(nearest[k]), int(ends[k])
    apart_px = float(np.hypot(*(centre[a, rows[a]] - centre[b, other[b]])))
    apart_s = abs(float(time_s[a] - time_s[b]))
    return apart_s < LINK_MOST_S and apart_px <= LINK_MOST_SHARE * length_px


def _person(raw: RawTrack, rows: np.ndarray) -> Person:
    at = np.flatnonzero(rows >= 0)
    joints = [LANDMARK[s, j] for j in ("shoulder", "hip", "knee", "ankle") for s in SIDES]
    points = raw.image_px[at, rows[at]][:, joints].astype(float)
    points = points[np.isfinite(points).all(axis=(1, 2))]
    length = body_lengths_px(raw.image_px)[at, rows[at]]
    length_px = float(np.median(length)) if len(length) else 0.0
    if len(points) < 2 or length_px <= 0:
        return Person(rows=rows, length_px=length_px, moves_share=0.0, place_share=0.0)

    def spread_px(paths: np.ndarray) -> np.ndarray:
        # How far most of the time is spent apart, (joints,).
        low, high = np.percentile(paths, [5, 95], axis=0)
        spread: np.ndarray = np.hypot(*np.moveaxis(high - low, -1, 0))
        return spread

    feet = points[:, [joints.index(LANDMARK[s, "ankle"]) for s in SIDES]].mean(axis=1)
    about = points - points.mean(axis=1, keepdims=True)
    return Person(
        rows=rows,
        length_px=length_px,
        moves_share=float(np.mean(spread_px(about))) / length_px,
        place_share=float(spread_px(feet)) / length_px,
    )
