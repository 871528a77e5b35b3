"""Legs under each other's names: told by depth, visibility and the least change, and by the feet.

One foot bears the weight while the other one moves, so that of two feet the one that stood stays.
Where both are, within a step's time, where the other one was, the names have changed and not the
feet (only a jump in which the feet cross would do the same, and no exercise has one).
"""

from itertools import pairwise

import numpy as np

from formcheck.model.anatomy import LANDMARK, LEG, MIRROR
from formcheck.motion.masks import runs

TURNED_LEAST_S = 2.0
"""A trunk that shows its other side for this long has turned round; label swaps of the whole body
are shorter (0.2 to 1.5 s is what is repaired)."""

SIDE_LEAST_SHARE = 0.5
"""A shoulder line with more than this share of its length in depth shows one side (half way
between the front and 60 deg off it: common practice)."""

EXCHANGE_S = 0.4
"""Within this time both feet stand in each other's place: the model glides from one reading to
the other in up to 0.3 s, and no foot is lifted, moved and set down sooner (common practice)."""

APART_LEAST_SHARE = 0.06
"""Feet nearer to each other than this share of the body's size in the picture are not told apart
(as far as an ankle's landmark strays)."""

EXCHANGED_MOST = 0.4
"""From the other foot's old place both together are at most this share as far as from their own
(one foot that passes the other one is as far from either)."""

BOTH_LEAST_SHARE = 0.6
"""Each foot has gone at least this share of the distance between them."""

BACK_MOST_S = 1.0
"""Names that change and change back within this time were wrong in between (0.3 to 1 s on random
clips; of longer stretches either may be the wrong one)."""

OTHERWISE_MOST_SHARE = 1 / 3
"""Names are set right where less than this share of the clip is to be named otherwise; where the
feet exchange so often that either reading may be true they stay as they are."""


def shown_side(world_m: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """+1 where the trunk shows the side that it shows at first, -1 where it has turned round, (n,).

    world_m : (n, 33, 3), time_s : (n,). From the shoulders' depth, steadily so for a while; all
    +1 where only one side or neither is ever shown.
    """
    n = len(time_s)
    across = world_m[:, LANDMARK["left", "shoulder"]] - world_m[:, LANDMARK["right", "shoulder"]]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = across[:, 2] / np.linalg.norm(across, axis=1)
        side = np.where(np.abs(share) > SIDE_LEAST_SHARE, np.sign(share), 0.0)
    steady = np.zeros(n)
    for sign in (1.0, -1.0):
        # A blink or a frame told wrongly does not end a stretch; the other side does.
        for a, b in runs(side != -sign):
            at = np.flatnonzero(side[a:b] == sign) + a
            if not len(at) or time_s[at[-1]] - time_s[at[0]] < TURNED_LEAST_S:
                continue
            if len(at) >= (at[-1] - at[0] + 1) / 2:
                steady[at[0] : at[-1] + 1] = sign
    known = np.flatnonzero(steady)
    if not len(known):
        return np.ones(n)
    # Between two stretches it changes half way.
    between = np.interp(np.arange(n), known, steady[known])
    shown: np.ndarray = np.where(between < 0, -1.0, 1.0) * steady[known[0]]
    return shown


def repair_swapped_legs(
    image_px: np.ndarray,
    world_m: np.ndarray,
    visibility: np.ndarray,
    shown: np.ndarray | float = 1.0,
) -> np.ndarray:
    """Which samples carry the legs under each other's names, bool of shape (n,).

    image_px : (n, 33, 2), world_m : (n, 33, 3), visibility : (n, 33); NaN where missing.
    shown : (n,) as from `shown_side`; who turns round has the other leg in front from then on.

    Two readings of every sample, as named and exchanged, are joined into the path of least
    change (Viterbi). A reading is dearer where its legs lie the other way round in depth, or
    differ in visibility the other way round, than they do through most of the clip. Where both
    readings cost the same the names stay.
    """
    legs = [[LANDMARK[s, j] for j in LEG] for s in ("left", "right")]
    n = len(image_px)
    if n < 3:
        return np.zeros(n, bool)
    size = body_size(image_px)
    features = np.concatenate(
        [image_px / size, 0.25 * visibility[..., None], 0.5 * world_m[..., 2:]], axis=2
    )
    both = np.stack([features[:, legs[0]], features[:, legs[1]]], axis=1)  # n, leg, joint, 4
    swapped = both[:, ::-1]
    depth = np.nanmean(world_m[:, legs[0], 2] - world_m[:, legs[1], 2], axis=1)
    seen = np.nanmean(visibility[:, legs[0]] - visibility[:, legs[1]], axis=1)
    order = _share_of_usual(depth * shown) + _share_of_usual(seen * shown)
    lean = np.clip(np.nan_to_num(order), -1, 1)

    def step(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        # A far leg jitters in depth, so no one joint may outweigh the rest.
        moved: np.ndarray = np.nansum(np.minimum(np.abs(a - b), 0.15), axis=(1, 2, 3))
        return moved

    stay = step(both[1:], both[:-1]) + 0.0
    turn = step(swapped[1:], both[:-1])
    cost = np.zeros((n, 2))
    back = np.zeros((n, 2), np.int8)
    emission = np.stack([0.15 * np.maximum(-lean, 0), 0.15 * np.maximum(lean, 0) + 0.02], axis=1)
    cost[0] = emission[0]
    for i in range(1, n):
        move = np.array([[stay[i - 1], turn[i - 1]], [turn[i - 1], stay[i - 1]]])
        total = cost[i - 1][:, None] + move
        back[i] = np.argmin(total, axis=0)
        cost[i] = total[back[i], [0, 1]] + emission[i]
    state = int(np.argmin(cost[-1]))
    states = np.zeros(n, np.int8)
    for i in range(n - 1, -1, -1):
        states[i] = state
        state = int(back[i, state])
    return states.astype(bool)


def _share_of_usual(difference: np.ndarray) -> np.ndarray:
    """The difference between the legs over its usual size and sign in the clip, (n,)."""
    usual = np.nanmedian(difference) if np.any(np.isfinite(difference)) else np.nan
    spread = np.nanmedian(np.abs(difference - usual)) if np.isfinite(usual) else np.nan
    if not np.isfinite(usual) or abs(usual) < 2 * spread or abs(usual) < 1e-6:
        return np.zeros_like(difference)
    share: np.ndarray = np.nan_to_num(difference / abs(usual)) * np.sign(usual) * 0.5
    return share


def exchange_legs(values: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """A copy of (n, 33, ...) with left and right legs exchanged in the given rows."""
    out = np.array(values)
    legs = [LANDMARK[s, j] for j in LEG for s in ("left", "right")]
    own, others = np.array(legs), np.array([MIRROR[k] for k in legs])
    out[np.ix_(rows, own)] = np.asarray(values)[np.ix_(rows, others)]
    return out


def body_size(image_px: np.ndarray) -> float:
    """Median diagonal of the person in pixels: the unit of unitless signals."""
    if not np.any(np.isfinite(image_px)):
        return 1.0
    seen = image_px[np.isfinite(image_px).any(axis=(1, 2))]
    extent = np.nanmax(seen, axis=1) - np.nanmin(seen, axis=1)
    return max(float(np.nanmedian(np.hypot(extent[:, 0], extent[:, 1]))), 1.0)


def exchanged_at(image_px: np.ndarray, time_s: np.ndarray) -> list[int]:
    """Samples from which on the feet have each other's names, or have their own again.

    image_px : (n, 33, 2), NaN where missing; time_s : (n,).
    """
    feet = image_px[:, [LANDMARK[s, "ankle"] for s in ("left", "right")]] / body_size(image_px)
    after = np.searchsorted(time_s, time_s + EXCHANGE_S - 1e-6)
    first = np.flatnonzero(after < len(time_s))
    a, b = feet[first], feet[after[first]]
    gone = np.linalg.norm(b - a, axis=2)
    crossed = np.linalg.norm(b[:, ::-1] - a, axis=2)
    apart = np.minimum(*(np.linalg.norm(f[:, 0] - f[:, 1], axis=1) for f in (a, b)))
    with np.errstate(invalid="ignore"):
        is_exchanged = (
            (apart > APART_LEAST_SHARE)
            & (crossed.sum(axis=1) < EXCHANGED_MOST * gone.sum(axis=1))
            & (gone.min(axis=1) > BOTH_LEAST_SHARE * apart)
        )
    moments = []
    for k in first[is_exchanged]:
        between = feet[k : after[k] + 1]
        own = np.linalg.norm(between - feet[k], axis=2).sum(axis=1)
        others = np.linalg.norm(between - feet[k, ::-1], axis=2).sum(axis=1)
        nearer = np.flatnonzero(others < own)  # NaN is neither
        moments.append(int(k + nearer[0]))
    # One change lies in several of these windows.
    out: list[list[int]] = []
    for m in sorted(moments):
        if out and time_s[m] - time_s[out[-1][-1]] < EXCHANGE_S / 2:
            out[-1].append(m)
        else:
            out.append([m])
    return [int(np.median(group)) for group in out]


def exchanged_spans(image_px: np.ndarray, time_s: np.ndarray) -> list[tuple[float, float]]:
    """From one exchange of the legs' names to the next, where they change back soon.

    They are set right again, but a model that takes one leg for the other glides between them.
    """
    at = time_s[exchanged_at(image_px, time_s)]
    return [(float(a), float(b)) for a, b in pairwise(at) if b - a <= BACK_MOST_S]


def otherwise_named(image_px: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """Which samples carry the legs under each other's names, bool (n,), by what the feet do.

    image_px : (n, 33, 2), NaN where missing; time_s : (n,).
    The feet tell when names change, not which are right: those are that the clip begins with.
    """
    out = np.zeros(len(time_s), bool)
    at = exchanged_at(image_px, time_s)
    pairs = list(zip(at[::2], at[1::2], strict=False))
    lengths_s = [time_s[b] - time_s[a] for a, b in pairs]
    is_plain = len(at) % 2 == 0 and max(lengths_s, default=0.0) <= BACK_MOST_S
    if not is_plain or sum(lengths_s) > OTHERWISE_MOST_SHARE * (time_s[-1] - time_s[0]):
        pairs = _alone(at, time_s)
    for a, b in pairs:
        out[a:b] = True
    return out


def _alone(at: list[int], time_s: np.ndarray) -> list[tuple[int, int]]:
    """Pairs of changes within BACK_MOST_S with no other one as near before or after."""
    gaps_s = [np.inf, *np.diff(time_s[at]), np.inf]
    return [
        (a, b)
        for k, (a, b) in enumerate(pairwise(at))
        if gaps_s[k + 1] <= BACK_MOST_S and min(gaps_s[k], gaps_s[k + 2]) > BACK_MOST_S
    ]


def told_by_feet(image_px: np.ndarray, is_swapped: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """The samples with legs under each other's names, (n,) bool, after the feet were asked.

    image_px : (n, 33, 2) as the model named it; is_swapped : (n,) as told by depth, visibility and
    the least change. A stretch of it goes where setting it right would make the feet exchange
    places that did not before; what the feet tell beside it is added.
    """
    before = exchanged_at(image_px, time_s)
    after = exchanged_at(exchange_legs(image_px, is_swapped), time_s)
    out = is_swapped.copy()
    for a, b in runs(is_swapped):
        edges = [k for k in (a, b) if 0 < k < len(time_s)]
        if any(_is_near(k, after, time_s) and not _is_near(k, before, time_s) for k in edges):
            out[a:b] = False
    named = exchange_legs(image_px, out)
    both: np.ndarray = out ^ otherwise_named(named, time_s)
    return both


def _is_near(at: int, moments: list[int], time_s: np.ndarray) -> bool:
    return any(abs(time_s[at] - time_s[m]) <= EXCHANGE_S / 2 for m in moments)
