"""How a number is read off a series: at the turn, at rest, at its largest, or not at all."""

import numpy as np

from formcheck.model.codes import RefusalCode
from formcheck.motion.circumstances import Setting
from formcheck.motion.masks import runs

HIDDEN: RefusalCode = "leg_hidden"


def stretch(s: Setting, values: np.ndarray) -> np.ndarray:
    piece = np.array(values[s.attempt.start : s.attempt.end + 1], float)
    piece[s.is_hidden[s.attempt.start : s.attempt.end + 1]] = np.nan
    return piece


def seen_enough(s: Setting, piece: np.ndarray) -> bool:
    return bool(len(piece)) and np.isfinite(piece).mean() >= s.settings.seen_least_share


def largest_at(s: Setting, piece: np.ndarray) -> int | None:
    """Where a stretch of a series is largest; None where too little was seen to tell.

    What is missing may hide something larger: a movement that enters the gap or leaves it with a
    speed turns a quarter of speed times gap beyond its edge, if it turns evenly.
    """
    if not seen_enough(s, piece):
        return None
    at = int(np.nanargmax(piece))
    span = float(piece[at] - np.nanmin(piece))
    most = piece[at] + s.settings.unseen_most_share * span
    known = np.flatnonzero(np.isfinite(piece))
    for a, b in runs(~np.isfinite(piece)):
        if b - a <= max(1, round(s.frame_s * s.series.grid_hz)):
            continue
        for beside in (known[known < a][::-1], known[known >= b]):
            if len(beside) < 2:
                continue
            # A sample or two between this gap and another one tell no speed by themselves.
            edge, away = beside[0], next((k for k in beside if abs(k - beside[0]) >= 2), beside[-1])
            speed = (piece[edge] - piece[away]) / abs(edge - away)
            if speed > 0 and piece[edge] + (b - a) / 4 * speed > most:
                return None
    return at


def rests_beside(s: Setting, values: np.ndarray) -> list[tuple[int, float]]:
    """(index, level) of the rests just before and just after a repetition, where they are seen.

    A repetition begins and ends a twentieth of its range off its rest (a definition); what is
    most at rest, a knee's flexion on a chair, has that twentieth there. None beside a limit that
    a person moved, which may lie anywhere, nor where the clip cuts.
    """
    n, a = round(s.settings.rest_window_s * s.series.grid_hz), s.attempt
    seen = np.where(s.is_hidden, np.nan, values)
    before = range(max(a.start - n, s.previous_end or 0), a.start + 2)
    last = len(values) if s.next_start is None else s.next_start + 1
    after = range(max(a.end - 1, 0), max(min(a.end + n + 1, last), a.end))
    rests = []
    for window, is_unknown in (
        (before, a.is_cut_before or a.is_start_moved),
        (after, a.is_cut_after or a.is_end_moved),
    ):
        piece = seen[window.start : window.stop]
        if is_unknown or not np.isfinite(piece).any():
            continue
        level = float(np.nanmedian(piece))
        rests.append((window.start + int(np.nanargmin(np.abs(piece - level))), level))
    return rests


END_SEEN_S = 0.1
"""A repetition begins where it leaves its rest: this long after its start, and before its end, it
is still near it (common practice)."""


def is_rest_seen(s: Setting, values: np.ndarray) -> bool:
    """Whether a repetition's rest is seen before or after it, or at its very start or end, unless
    the clip cuts it there. (Within limits that a person moved what is there is read.)"""
    a, piece, n = s.attempt, stretch(s, values), max(1, round(END_SEEN_S * s.series.grid_hz))
    ends = ((piece[:n], a.is_cut_before), (piece[-n:], a.is_cut_after))
    is_end_seen = any(np.isfinite(end).any() and not is_cut for end, is_cut in ends)
    return is_end_seen or bool(rests_beside(s, values))


def largest_with_rests(
    s: Setting, values: np.ndarray, *, is_at_rest: bool
) -> tuple[int, float] | None:
    """(index, value) of the largest of a series in a repetition and at the rests beside it; None
    where too little was seen to tell.

    is_at_rest : the exercise goes from where the series is largest, which then has to be seen.
    """
    piece = stretch(s, values)
    at = largest_at(s, piece)
    if at is None or (is_at_rest and not is_rest_seen(s, values)):
        return None
    return max(
        ((s.attempt.start + at, float(piece[at])), *rests_beside(s, values)),
        key=lambda place: place[1],
    )


def at_turn(s: Setting, values: np.ndarray) -> float:
    half = max(1, round(s.settings.turn_window_s / 2 * s.series.grid_hz))
    a, b = max(s.attempt.turn - half, 0), s.attempt.turn + half + 1
    piece = np.where(s.is_hidden[a:b], np.nan, values[a:b])
    known = piece[np.isfinite(piece)]
    return float(known.mean()) if len(known) >= (b - a) / 2 else float("nan")


STARTS_MOVING_SHARE = 0.1
"""A repetition that begins this share of its range above the rest after it may have begun earlier:
then the rest before it has to be seen for three times as long (common practice: twice what a start
and an end are off their rest)."""


def at_rest_before(s: Setting, values: np.ndarray) -> float:
    """Median at rest just before the repetition, after the one before; where that is not seen, as
    when the clip begins within the movement, just after it; where neither is, at its very start.
    NaN where that is cut off too."""
    a, n = s.attempt, round(s.settings.rest_window_s * s.series.grid_hz)
    seen = np.where(s.is_hidden, np.nan, values)
    starts_off = a.rest_before - a.rest_after > STARTS_MOVING_SHARE * a.range
    least = END_SEEN_S * s.series.grid_hz
    before = range(max(a.start - n, s.previous_end or 0), a.start)
    end = len(values) if s.next_start is None else s.next_start + 1
    after = range(a.end, a.end if a.is_cut_after else min(a.end + n + 1, end))
    n_before = 0 if a.is_cut_before else np.isfinite(seen[before.start : before.stop]).sum()
    if n_before >= (3 * least if starts_off else least):
        return float(np.nanmedian(seen[before.start : a.start + 2]))
    if np.isfinite(seen[after.start : after.stop]).sum() >= least:
        return float(np.nanmedian(seen[after.start : after.stop]))
    at_start = seen[before.start : a.start + 2]
    is_known = not a.is_cut_before and np.isfinite(at_start).any()
    return float(np.nanmedian(at_start)) if is_known else float("nan")


def at_standing(s: Setting, values: np.ndarray) -> float:
    """Median while the person rests between the attempts; just before this one if never."""
    known = values[s.standing & ~s.is_hidden & np.isfinite(values)]
    return (
        float(np.median(known)) if len(known) >= s.series.grid_hz / 3 else at_rest_before(s, values)
    )


def moment_s(s: Setting, index: int) -> float:
    return float(s.series.time_s[index])
