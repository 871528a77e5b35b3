"""Where the picture jumps: a cut to another scene, and what only looks like one.

After a cut the camera may stand elsewhere, so one clip is measured in one scene only. Somebody who
passes before the camera, a knock at it, a recording that is held up for a moment change the picture
at once, too: but then the patient is where they were, as large, and turned the same way, in a room
as bright, and what is seen before and after belongs together.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from formcheck.model.codes import values_of
from formcheck.model.records import Finding, RawTrack
from formcheck.motion.findings import QualitySettings
from formcheck.motion.masks import runs
from formcheck.motion.people import LEAP_CHANGE_TIMES, choose_patient, leap_times_s
from formcheck.motion.place import PlaceSettings
from formcheck.motion.presence import Presence, presence

Span = tuple[int, int]
"""Samples from the first up to, not including, the second."""

BESIDE_S = 1.0
"""What is compared lies this close before and after a jump (decision 92)."""
TURNED_MOST_M, BRIGHTER_MOST = 0.06, 6.0
"""In one take the trunk is seen within the first as wide, and the picture within the second, grey
levels, as bright (0.061 and 0.8 in 99 of 100 moments of random clips, 1.7 at most; 0.07 and 11
where a squat from the front was put to one from between)."""
PASSES_MOST_S = 2.5
"""Jumps this close together are one disturbance, at most; what lies longer is a scene."""
STILL_MOST, STILL_LEAST_S, MOVED_LEAST_M = 0.05, 0.25, 0.08
"""Pictures that change by no more grey levels than the first, for the second, after which the
body's joints are elsewhere by the third at once, and the picture with them, are one that was held
up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """What of a clip was taken from one place: stretches of (from, to) seconds, in order, and what
    is to be told of the rest."""

    stretches_s: tuple[tuple[float, float], ...]
    findings: tuple[Finding, ...]

    @property
    def longest_s(self) -> tuple[float, float]:
        """From and to of its longest stretch: over a jump nobody knows how much time is missing."""
        return max(self.stretches_s, key=lambda s: s[1] - s[0])

    def holds(self, time_s: np.ndarray) -> np.ndarray:
        """Which of these moments, (n,) seconds, lie in it, bool."""
        held = [(time_s >= a) & (time_s <= b) for a, b in self.stretches_s]
        return np.asarray(np.any(held, axis=0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Clip:
    """What the parts of a clip are held together by. is_hard : a jump that divides in any case;
    frozen : a picture that was held up; both bool (n,)."""

    raw: RawTrack
    seen: Presence
    is_hard: np.ndarray
    frozen: np.ndarray
    place: PlaceSettings


def longest_take(
    raw: RawTrack,
    settings: QualitySettings = QualitySettings(),
    place: PlaceSettings = PlaceSettings(),
) -> Take:
    """The take in which the patient is seen for longest."""
    rows = choose_patient(raw)
    seen = presence(raw)
    is_shift = _border_jumps(raw, settings)
    frozen = _frozen(raw, seen, is_shift)
    is_leap = np.isin(raw.time_s, leap_times_s(raw, rows))
    is_jump = _picture_jumps(raw, settings) | is_leap
    # A leap before a still background is another recording, or one that was held up.
    is_hard = is_leap & ~is_shift & ~np.r_[False, frozen[:-1]]
    edges = [0, *np.flatnonzero(is_jump).tolist(), len(rows)]
    spans = [(a, b) for a, b in zip(edges, edges[1:], strict=False) if a < b]
    is_seen = (rows >= 0) & ~frozen
    clip = _Clip(raw=raw, seen=seen, is_hard=is_hard, frozen=frozen, place=place)
    kept = _one_take(clip, spans, is_seen)
    pieces = [(a + c, a + d) for a, b in (spans[k] for k in kept) for c, d in runs(~frozen[a:b])]
    first, last = spans[kept[0]][0], spans[kept[-1]][1]
    held_up = [(a, b) for a, b in runs(frozen) if first < b and a < last]
    jumps = [
        (spans[k][1], spans[m][0])
        for k, m in pairwise(kept)
        if not frozen[spans[k][1] - 1 : spans[m][0]].all()
    ]
    return Take(
        stretches_s=tuple((float(raw.time_s[a]), float(raw.time_s[b - 1])) for a, b in pieces),
        findings=(
            *_edited(raw, spans, kept),
            *(_disturbed(raw, a, b, is_frozen=True) for a, b in held_up),
            *(_disturbed(raw, a, b, is_frozen=False) for a, b in jumps),
        ),
    )


def _picture_jumps(raw: RawTrack, settings: QualitySettings) -> np.ndarray:
    """Where the whole picture is another one than the one before, bool (n,)."""
    change = np.nan_to_num(raw.change)
    around = np.maximum(np.roll(change, 1), np.roll(change, -1))
    is_spike = change > 1.5 * np.where(around > settings.cut_least, 0, around)
    least = max(settings.cut_least, settings.cut_times * max(float(np.median(change)), 0.5))
    return np.asarray(is_spike & (change > least))


def _border_jumps(raw: RawTrack, settings: QualitySettings) -> np.ndarray:
    """Where the background, too, is another one, bool (n,)."""
    border = np.nan_to_num(raw.border_change)
    return np.asarray(border > settings.cut_times * max(float(np.median(border)), 0.5))


def _frozen(raw: RawTrack, seen: Presence, is_shift: np.ndarray) -> np.ndarray:
    """Where one picture stands for a while, and then the body alone is elsewhere, bool (n,)."""
    out = np.zeros(len(raw.time_s), bool)
    change = np.nan_to_num(raw.change, nan=0.0)
    is_leap = (seen.moved_m >= MOVED_LEAST_M) & ~is_shift
    is_leap &= change > LEAP_CHANGE_TIMES * np.percentile(change, 90)
    # A picture that is encoded anew changes its border as much as its middle.
    is_leap &= np.nan_to_num(raw.border_change) <= 0.7 * change
    for a, b in runs(change <= STILL_MOST):
        if b < len(out) and is_leap[b] and raw.time_s[b] - raw.time_s[a] >= STILL_LEAST_S:
            out[a:b] = True
    return out


def _one_take(clip: _Clip, spans: Sequence[Span], is_seen: np.ndarray) -> list[int]:
    """The longest span, and those before and after it that go on from the same place."""
    kept = [max(range(len(spans)), key=lambda k: int(is_seen[slice(*spans[k])].sum()))]
    for k in range(kept[0] + 1, len(spans)):
        if _goes_on(clip, spans[kept[-1]], spans[k]):
            kept.append(k)
    for k in range(kept[0] - 1, -1, -1):
        if _goes_on(clip, spans[k], spans[kept[0]]):
            kept.insert(0, k)
    return kept


def _goes_on(clip: _Clip, before: Span, after: Span) -> bool:
    """Whether the patient is at the same place, as large, and turned the same way as before, in a
    picture as bright; who moved on while the picture was held up is at least not elsewhere."""
    seen, time_s = clip.seen, clip.raw.time_s
    last, first = before[1] - 1, after[0]
    if time_s[first] - time_s[last] > PASSES_MOST_S or clip.is_hard[last + 1 : first + 1].any():
        return False
    where: list[np.ndarray] = []
    for (a, b), at_s in ((before, time_s[last]), (after, time_s[first])):
        is_near = np.zeros(len(time_s), bool)
        is_near[a:b] = np.abs(time_s[a:b] - at_s) <= BESIDE_S
        is_near &= seen.is_found
        if is_near.sum() < 3:
            return False
        of = np.stack([seen.size, seen.hips_px, seen.width_m, clip.raw.brightness])
        where.append(np.median(of[:, is_near], axis=1))
    apart = np.abs(where[1] - where[0])
    apart[1] /= np.exp(where[0][0])
    place = clip.place
    moved = (place.at_place_log, place.at_place_m)
    if clip.frozen[last]:
        moved = (place.away_log, place.away_m)
    return bool((apart <= (*moved, TURNED_MOST_M, BRIGHTER_MOST)).all())


def _edited(raw: RawTrack, spans: Sequence[Span], kept: Sequence[int]) -> list[Finding]:
    """That only a part of the clip is measured, if there is another."""
    before, after = kept[0], len(spans) - 1 - kept[-1]
    if not before and not after:
        return []
    from_, to = spans[kept[0]][0], spans[kept[-1]][1]
    first = spans[1 if before else kept[-1] + 1][0]
    last = spans[-1 if after else kept[0]][0]
    return [
        Finding(
            code="edited",
            values=values_of(
                n_jumps=before + after,
                longest_from_s=float(raw.time_s[from_]),
                longest_to_s=float(raw.time_s[to - 1]),
            ),
            from_s=float(raw.time_s[first]),
            to_s=float(raw.time_s[last]),
        )
    ]


def _disturbed(raw: RawTrack, a: int, b: int, *, is_frozen: bool) -> Finding:
    """What is not measured within one take; a == b where only a jump divides it."""
    return Finding(
        code="picture_disturbed",
        values=values_of(is_frozen=is_frozen),
        from_s=float(raw.time_s[max(a - 1, 0)]),
        to_s=float(raw.time_s[min(b, len(raw.time_s) - 1)]),
        spoils="stretch",
    )
