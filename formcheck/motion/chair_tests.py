"""The two chair tests of a set of stands, and their published cut-offs as facts beside a result.

The cut-offs are averages of people of 60 and over, not of knees, and hold for the test as its
source does it. Nothing is judged by them: a clinician reads them beside the number. A cut-off
for falls is left out: it told fallers from others little better than chance, and its paper was
not read.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from statistics import median

from formcheck.model.records import Repetition, SetMeasure

CHAIR_STAND_S = 30.0
CHAIR_STANDS = 5
STANDS_SHARE = 0.25
"""Who stays near the top for this share of the rise's own time stands: whoever is still rising
when the clip ends has spent at most 0.14 of it there (computed for a raised cosine)."""


def chair_stand_measures(
    repetitions: Sequence[Repetition], keys: Collection[str], clip_s: tuple[float, float]
) -> tuple[SetMeasure, ...]:
    """The two chair tests of a set of stands, where the exercise lists them.

    n_in_30_s : stands within 30 s of the first start; one more than half way up at the end
    counts (CDC STEADI 30-second chair stand). Only where the clip goes on that long.
    time_for_five_s : from the first start to standing at the fifth stand; other protocols stop
    when seated again, so the stop rule is to be said with it.
    clip_s : first and last moment looked at without a jump; what lies elsewhere is left out.

    Notes: a stand counts when its rise was seen, whether or not the clip shows the sitting down.
    A rise that the clip ends in is held against the usual time of a rise, since its height says
    nothing of how far it would have gone.
    """
    first_s, last_s = clip_s
    repetitions = [r for r in repetitions if first_s <= r.start_s < last_s]
    whole = [r for r in repetitions if r.is_complete]
    if not whole:
        return ()
    usual_s = median(map(_rise_s, whole))
    stands = [
        r
        for r in repetitions
        if r.is_complete or (r.start_s > first_s and _rise_s(r) >= usual_s / 2)
    ]
    from_s = stands[0].start_s
    found: list[tuple[str, float]] = []
    if "n_in_30_s" in keys and last_s >= from_s + CHAIR_STAND_S:
        n = sum(_half_way_s(r, usual_s) <= from_s + CHAIR_STAND_S for r in stands)
        found.append(("n_in_30_s", float(n)))
    if len(stands) >= CHAIR_STANDS and "time_for_five_s" in keys:
        fifth = stands[CHAIR_STANDS - 1]
        if _is_up(fifth):
            found.append(("time_for_five_s", fifth.turn_from_s - from_s))
    return tuple(
        SetMeasure(key=key, mean=value, sd=None, first=value, last=value) for key, value in found
    )


def _rise_s(stand: Repetition) -> float:
    return stand.turn_from_s - stand.start_s


def _is_up(stand: Repetition) -> bool:
    stays_s = stand.turn_to_s - stand.turn_from_s
    return stand.is_complete or stays_s >= STANDS_SHARE * _rise_s(stand)


def _half_way_s(stand: Repetition, usual_s: float) -> float:
    return stand.start_s + (_rise_s(stand) if _is_up(stand) else usual_s) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeCutOff:
    """The published cut-off of an age group, its years inclusive: fewer stands, or more seconds,
    is what the source calls below or worse than average. Men and women are alike where the
    source does not part them."""

    from_years: int
    to_years: int
    men: float
    women: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedCutOffs:
    """What is published of one chair test, of people of 60 and over.

    key : the measure; by_age : in its unit; seat_cm : the height the test is done from, where
    the source fixes one.
    """

    key: str
    by_age: tuple[AgeCutOff, ...]
    source: str
    seat_cm: float | None = None


def _ages(*rows: tuple[int, int, float, float]) -> tuple[AgeCutOff, ...]:
    return tuple(
        AgeCutOff(from_years=low, to_years=high, men=men, women=women)
        for low, high, men, women in rows
    )


PUBLISHED = (
    PublishedCutOffs(
        key="n_in_30_s",
        by_age=_ages(
            (60, 64, 14, 12),
            (65, 69, 12, 11),
            (70, 74, 12, 10),
            (75, 79, 11, 10),
            (80, 84, 10, 9),
            (85, 89, 8, 8),
            (90, 94, 7, 4),
        ),
        source="CDC STEADI, 30-second chair stand (2017), read in a copy",
        seat_cm=43,
    ),
    PublishedCutOffs(
        key="time_for_five_s",
        by_age=_ages((60, 69, 11.4, 11.4), (70, 79, 12.6, 12.6), (80, 89, 14.8, 14.8)),
        source="Bohannon 2006, the abstract: a meta-analysis of 13 papers",
    ),
)


def published(keys: Collection[str]) -> tuple[PublishedCutOffs, ...]:
    """The published cut-offs of the chair tests among the measures `keys`."""
    return tuple(test for test in PUBLISHED if test.key in keys)
