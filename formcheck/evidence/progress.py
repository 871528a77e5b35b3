"""Change over sessions against measurement error, and criteria put as facts to the clinician.

A change counts as larger than error only beyond the smallest detectable change: from the
clinic's own test-retest recordings where there are any, else the larger of a published one and
the two intervals of the two days. Criteria never advise: each is a list of
facts that hold, do not hold, or cannot be told from what was entered.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from formcheck.evidence.agreement import NORMAL_95
from formcheck.model.measures import MEASURES
from formcheck.model.records import Part

Verdict = Literal["larger_than_error", "within_error", "not_enough_information"]

_MUNRO = (
    "largest smallest detectable difference of 2-D FPPA between days (Munro 2012: single-leg squat "
    "and landings of 20 healthy people; none is published for two legs)"
)
PUBLISHED_SMALLEST_CHANGE = {"fppa_at_turn_deg": (8.93, _MUNRO), "fppa_peak_deg": (8.93, _MUNRO)}
"""Measure -> (smallest detectable change in its unit, source), where nothing of the clinic's own
is there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionValue:
    """One measure of one session: the set's mean.

    day : days from any common start (date.toordinal()). between_standard : its standard
    uncertainty for comparing days (`between_days_standard`); NaN unknown.
    """

    day: int
    value: float
    between_standard: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How a measure changed between two sessions, later minus earlier.

    smallest : the change that error alone passes 1 time in 20, NaN where it is not known.
    basis : where `smallest` comes from, in words.
    """

    key: str
    first_day: int
    last_day: int
    value: float
    smallest: float
    basis: str
    verdict: Verdict


def between_days_standard(parts: Iterable[Part], n: int = 1) -> float:
    """Standard uncertainty of a set's mean for comparing days.

    parts : those of one repetition of the set. n : how many repetitions the mean is of; own
    parts shrink with it, shared ones do not. Nothing is taken as the same on every day: clothes,
    light and the camera's place differ, and only a clinic's own test-retest recordings can tell
    how much of the landmark offset stays.
    """
    kept = list(parts)
    own = sum(p.standard**2 for p in kept if p.kind == "own") / max(n, 1)
    shared = sum(p.standard**2 for p in kept if p.kind == "shared")
    return math.sqrt(own + shared)


def smallest_change(
    key: str, first: SessionValue, last: SessionValue, mdc95: float | None = None
) -> tuple[float, str]:
    """(smallest detectable change, where it comes from in words); NaN where nothing tells.

    mdc95 : of this measure from the clinic's own test-retest recordings, if it has any.
    """
    if mdc95 is not None and math.isfinite(mdc95):
        return mdc95, "smallest detectable change of this clinic's own test-retest recordings"
    both = NORMAL_95 * math.hypot(first.between_standard, last.between_standard)
    both = both if math.isfinite(both) else 0.0
    published, source = PUBLISHED_SMALLEST_CHANGE.get(key, (0.0, ""))
    # Published cameras stood where they should: what these days' cameras add is not in it.
    if published and published >= both:
        return published, source
    if both:
        wider = f"; they are wider than the {source}" if published else ""
        return both, f"the two intervals, as no test-retest recordings are there{wider}"
    return float("nan"), "no error is known for this measure"


def change_between(
    key: str, first: SessionValue, last: SessionValue, mdc95: float | None = None
) -> Change:
    """The change of a measure from one session to a later one, against measurement error.

    Raises KeyError for a measure outside the vocabulary.
    """
    if key not in MEASURES:
        raise KeyError(key)
    smallest, basis = smallest_change(key, first, last, mdc95)
    value = last.value - first.value
    if not (math.isfinite(value) and math.isfinite(smallest)):
        verdict: Verdict = "not_enough_information"
    else:
        verdict = "larger_than_error" if abs(value) > smallest else "within_error"
    return Change(
        key=key,
        first_day=first.day,
        last_day=last.day,
        value=value,
        smallest=smallest,
        basis=basis,
        verdict=verdict,
    )


# Criteria


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionFacts:
    """What is known of one day's session; None where nobody said.

    pain : largest stated before, during, after or as the worst in the 24 hours after, 0 to 10.
    is_worse_next_morning : more pain, stiffness or swelling than usual. are_targets_met : every
    filmed set's targets met and limits kept, or accepted by the clinician. is_as_asked_now : what
    was asked for then is what is asked for now; a step up is not earned on the step below it.
    """

    day: int
    n_done: int | None = None
    n_prescribed: int | None = None
    pain: int | None = None
    is_worse_next_morning: bool | None = None
    has_new_swelling: bool | None = None
    has_giving_way: bool | None = None
    effort: int | None = None
    are_targets_met: bool | None = None
    is_as_asked_now: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class CriteriaSettings:
    """Defaults of the criteria; a clinician may change each.

    Bands of pain: pain-monitoring model (Silbernagel 2007; up to 2 safe, 2 to 5 acceptable, over
    5 to stop, settled by the next morning, no rise from week to week), as commonly used. Three
    sessions and full dose: common practice. Effort: no published limit was found, so that it is
    asked about only where a clinician sets one.
    """

    progress_sessions: int = 3
    progress_pain_most: int = 2
    progress_effort_most: int | None = None
    hold_pain_most: int = 5
    weekly_rise_least: float = 1.0
    source: str = (
        "pain-monitoring model (Silbernagel 2007) in its common bands; the rest is common practice"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One thing that a criterion asks for: whether it holds (None: not told), and in words."""

    name: str
    holds: bool | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """A criterion with its facts; for the clinician's eyes, who decides."""

    name: Literal["progress", "hold", "ease"]
    outcome: Literal["fulfilled", "not_fulfilled", "not_enough_information"]
    facts: tuple[Fact, ...]
    source: str


ONE_AT_A_TIME = "Change one variable at a time."


def criteria(
    sessions: Sequence[SessionFacts], settings: CriteriaSettings | None = None
) -> tuple[Criterion, Criterion, Criterion]:
    """(progress, hold, ease) from the sessions so far, in any order."""
    chosen = settings or CriteriaSettings()
    days = sorted(sessions, key=lambda s: s.day)
    return _progress(days, chosen), _hold(days, chosen), _ease(days, chosen)


def standing(found: Sequence[Criterion]) -> Literal["progress", "hold", "ease"]:
    """Which of the three the facts fulfil: hold, unless they say otherwise; ease before progress.

    What is not told never fulfils a criterion. Holding is the default whatever its own facts say.
    """
    outcomes = {c.name: c.outcome for c in found}
    for name in ("ease", "progress"):
        if outcomes.get(name) == "fulfilled":
            return name
    return "hold"


def _all(values: Iterable[bool | None]) -> bool | None:
    known = list(values)
    if any(v is False for v in known):
        return False
    return None if not known or any(v is None for v in known) else True


def _any(values: Iterable[bool | None]) -> bool | None:
    known = list(values)
    if any(v is True for v in known):
        return True
    return None if not known or any(v is None for v in known) else False


def _no(value: bool | None) -> bool | None:
    return None if value is None else not value


def _made(name, joined: bool | None, facts, settings) -> Criterion:
    outcome = (
        "not_enough_information" if joined is None else ("fulfilled" if joined else "not_fulfilled")
    )
    return Criterion(name=name, outcome=outcome, facts=tuple(facts), source=settings.source)


def _is_full(s: SessionFacts) -> bool | None:
    if s.n_done is None or not s.n_prescribed:
        return None
    return s.n_done >= s.n_prescribed


def _at_most(value: int | None, most: int) -> bool | None:
    return None if value is None else value <= most


def _effort(last: Sequence[SessionFacts], most: int | None) -> list[tuple[str, list[bool | None]]]:
    """What a clinician's own limit of effort asks for; nothing where there is none."""
    if most is None:
        return []
    return [(f"effort at most {most}", [_at_most(s.effort, most) for s in last])]


def _count(values: Sequence[bool | None]) -> str:
    unknown = sum(v is None for v in values)
    told = f"{sum(v is True for v in values)} of {len(values)}"
    return told + (f", {unknown} not told" if unknown else "")


def _progress(days: Sequence[SessionFacts], settings: CriteriaSettings) -> Criterion:
    wanted = settings.progress_sessions
    by_day: dict[int, list[SessionFacts]] = {}
    for s in days:
        if s.is_as_asked_now:
            by_day.setdefault(s.day, []).append(s)
    last = [s for day in sorted(by_day)[-wanted:] for s in by_day[day]]
    n_days = len({s.day for s in last})
    asked = (
        ("full dose", [_is_full(s) for s in last]),
        (
            f"pain 0 to {settings.progress_pain_most}",
            [_at_most(s.pain, settings.progress_pain_most) for s in last],
        ),
        ("settled by next morning", [_no(s.is_worse_next_morning) for s in last]),
        (
            "no new swelling or giving way",
            [_no(_any((s.has_new_swelling, s.has_giving_way))) for s in last],
        ),
        *_effort(last, settings.progress_effort_most),
        ("targets met and limits kept, or accepted", [s.are_targets_met for s in last]),
    )
    facts = [
        Fact(
            name="sessions on different days",
            # Days that are still to come are not a failure.
            holds=True if n_days >= wanted else None,
            text=f"{n_days} of {wanted}",
        ),
        *(Fact(name=name, holds=_all(values), text=_count(values)) for name, values in asked),
    ]
    return _made("progress", _all(f.holds for f in facts), facts, settings)


def _hold(days: Sequence[SessionFacts], settings: CriteriaSettings) -> Criterion:
    last = days[-1] if days else SessionFacts(day=0)
    low, high = settings.progress_pain_most + 1, settings.hold_pain_most
    inside = None if last.pain is None else low <= last.pain <= high
    facts = (
        Fact(
            name=f"pain {low} to {high} in the last session",
            holds=inside,
            text="not told" if last.pain is None else f"pain {last.pain}",
        ),
        Fact(
            name="settled by next morning",
            holds=_no(_last_told_morning(days)),
            text=_told(_no(_last_told_morning(days))),
        ),
    )
    return _made("hold", _all(f.holds for f in facts), facts, settings)


def _told(value: bool | None) -> str:
    return "not told" if value is None else "yes" if value else "no"


def _ease(days: Sequence[SessionFacts], settings: CriteriaSettings) -> Criterion:
    last = days[-1] if days else SessionFacts(day=0)
    strong = None if last.pain is None else last.pain > settings.hold_pain_most
    rise, rise_text = _weekly_rise(days, settings.weekly_rise_least)
    facts = (
        Fact(
            name=f"pain {settings.hold_pain_most + 1} or more in the last session",
            holds=strong,
            text="not told" if last.pain is None else f"pain {last.pain}",
        ),
        Fact(
            name="worse next morning",
            holds=_last_told_morning(days),
            text=_told(_last_told_morning(days)),
        ),
        Fact(name="new swelling", holds=last.has_new_swelling, text=_told(last.has_new_swelling)),
        Fact(name="giving way", holds=last.has_giving_way, text=_told(last.has_giving_way)),
        Fact(name="pain rises from week to week", holds=rise, text=rise_text),
    )
    return _made("ease", _any(f.holds for f in facts), facts, settings)


def _last_told_morning(days: Sequence[SessionFacts]) -> bool | None:
    """Whether it was worse on the last morning after that was told of: that of today's session is
    still to come, and does not end what yesterday's was."""
    told = [s.is_worse_next_morning for s in days if s.is_worse_next_morning is not None]
    return told[-1] if told else None


def _weekly_rise(days: Sequence[SessionFacts], least: float) -> tuple[bool | None, str]:
    """Whether mean pain of the last seven days exceeds that of the seven before."""
    if not days:
        return None, "not told"
    end = days[-1].day

    def mean(first: int, last: int) -> float:
        told = [s.pain for s in days if first <= s.day <= last and s.pain is not None]
        return float(np.mean(told)) if told else float("nan")

    now, before = mean(end - 6, end), mean(end - 13, end - 7)
    if not (math.isfinite(now) and math.isfinite(before)):
        return None, "no pain told in one of the last two weeks"
    return now - before >= least, f"{before:.1f} the week before, {now:.1f} this week"
