"""The phases of a repetition: when the body moves to the turn and back, told by its speed."""

from dataclasses import dataclass

import numpy as np

from formcheck.motion.repetitions import Attempt, RepetitionSettings, filled
from formcheck.motion.track import low_pass


@dataclass(frozen=True, slots=True, kw_only=True)
class Phases:
    """When the body moves to the turn and back, grid indices: from and to, and again from and to.

    Between the two it stays at the turn.
    """

    there_from: int
    there_to: int
    back_from: int
    back_to: int


PHASE_SPEED_SHARE = 0.05
"""A movement goes on while it is faster than this share of its fastest (a movement that speeds up
and slows down evenly spends 3 % of its time below it; chosen on sample clips, decision 45)."""
PHASE_CUT_OFF_HZ, CUT_OFF_CYCLES = 3.0, 3.0
"""The signal is smoothed to the first, and to so many cycles in the way there or back: what moves
slowly drowns in the jitter of its landmarks otherwise (decision 45)."""


def find_phases(rising: np.ndarray, attempt: Attempt, grid_hz: float) -> Phases:
    """When the movement to the turn and the one back begin and end, by their speed.

    rising : (n,) the driving signal, rising toward the turn. The 5 and 10 % of range that limit a
    repetition and its turn leave out a third of a movement's time: who lowers for 3 s would read
    2 s, and a pause that was not made.
    """
    # A movement begins a little before 5 % of its range; not before limits that a person set.
    margin = round(2 * grid_hz)
    first = attempt.start if attempt.is_start_moved else max(attempt.start - margin, 0)
    last = attempt.end if attempt.is_end_moved else attempt.end + margin
    piece = np.asarray(rising[first : last + 1], float)
    if np.isfinite(piece).sum() < 4:
        return Phases(
            there_from=attempt.start,
            there_to=attempt.turn_from,
            back_from=attempt.turn_to,
            back_to=attempt.end,
        )
    turn = at_the_turn(rising, attempt)
    start, turn_from, turn_to, end = (k - first for k in (attempt.start, *turn, attempt.end))
    middle = (turn_from + turn_to) // 2
    there = _speed(filled(piece), grid_hz, turn_from - start)
    back = -_speed(filled(piece), grid_hz, end - turn_to)
    there_from, there_to = _moving(there, start, turn_from, (0, middle))
    back_from, back_to = _moving(back, turn_to, end, (middle, len(piece) - 1))
    return Phases(
        there_from=there_from + first,
        there_to=there_to + first,
        back_from=back_from + first,
        back_to=back_to + first,
    )


def _speed(values: np.ndarray, grid_hz: float, n_way: int) -> np.ndarray:
    """The signal's speed, (n,) per sample, smoothed for a way of so many samples."""
    cut_off_hz = min(PHASE_CUT_OFF_HZ, CUT_OFF_CYCLES * grid_hz / max(n_way, 1), 0.2 * grid_hz)
    speed: np.ndarray = np.gradient(low_pass(values, grid_hz, cut_off_hz))
    return speed


JITTER_TIMES = 11.0
"""How much of a way's time its ends are uncertain by, for each share of its range that the signal
jitters by (decision 45: 0.05 to 0.2 s of 4 s on made-up movements, in proportion)."""


def end_standard_s(rising: np.ndarray, attempt: Attempt, grid_hz: float, way_s: float) -> float:
    """Standard uncertainty of a phase of `way_s` from the jitter of its signal, seconds."""
    piece = filled(np.asarray(rising[attempt.start : attempt.end + 1], float))
    smooth = low_pass(piece, grid_hz, min(PHASE_CUT_OFF_HZ, 0.2 * grid_hz))
    return JITTER_TIMES * way_s * float(np.std(piece - smooth)) / attempt.range


def at_the_turn(rising: np.ndarray, attempt: Attempt) -> tuple[int, int]:
    """From where the signal first is as near to its extreme as the turn to where it last is: who
    wavers at the turn, or whose landmarks do, is still there."""
    level = attempt.extreme - RepetitionSettings().turn_share * attempt.range
    with np.errstate(invalid="ignore"):
        near = np.flatnonzero(rising[attempt.start : attempt.end + 1] >= level) + attempt.start
    return (min(attempt.turn_from, *near[:1].tolist()), max(attempt.turn_to, *near[-1:].tolist()))


def _moving(speed: np.ndarray, a: int, b: int, within: tuple[int, int]) -> tuple[int, int]:
    """The stretch about [a, b] in which the speed stays above its share of the fastest there."""
    least = PHASE_SPEED_SHARE * max(float(np.max(speed[a : b + 1])), 0.0)
    while a > within[0] and speed[a - 1] > least:
        a -= 1
    while b < within[1] and speed[b + 1] > least:
        b += 1
    return a, b
