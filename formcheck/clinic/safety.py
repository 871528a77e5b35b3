"""One rule for who may exercise, who must call, who needs help, and which set is to be looked at.

Pure: what is known comes in, a level with its reasons and how long it holds goes out. Every page,
list, note and summary that says it asks here; none has a rule of its own.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from formcheck.model.programme import PrescribedExercise, Prescription
from formcheck.model.safety import (
    LEVELS,
    TAKEN_BACK,
    Acted,
    Level,
    PainRule,
    QuestionGroup,
    Questions,
    Reason,
    SetReason,
    Standing,
)

Moment = Literal["today", "before", "after", "next day", "stopped", "acted"]
MOMENTS: tuple[Moment, ...] = ("today", "before", "after", "next day", "stopped", "acted")
"""The questions of the day, before and after a set, on the next day; "It hurts, stop"; and what
the patient did about an answer."""
Compared = Literal["less", "same", "more"]

PRACTICE_PAIN_LIMIT = 5
"""Pain over this counts where no limit was chosen and there was no surgery (pain-monitoring
model for long-standing pain: up to 5 of 10 is tolerated; Silbernagel 2007, Am J Sports Med
35:897). After surgery no number stands in for one that was chosen."""
SEVERE_PAIN = 7
"""Pain from here on is severe (common practice on a scale of 0 to 10): after surgery, where no
limit was chosen, the patient is told to call."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a patient said or did at one moment; None where not asked or not answered.

    `asked` : the ids of the questions that were asked; `symptoms` those answered with yes.
    `pain_limit`, `pain_origin` : the rule for pain that held then; an empty origin: not known.
    `level` : what the patient was told to do. `at_s`, `repetition` : of "It hurts, stop", from
    the start of the recording; None before it.
    """

    id: int
    set_id: int | None
    day: str
    at: str
    moment: Moment
    pain: int | None = None
    pain_during: int | None = None
    effort: int | None = None
    symptoms: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()
    pain_change: Compared | None = None
    stiffness_change: Compared | None = None
    swelling_change: Compared | None = None
    exercise: str = ""
    side: str = ""
    set_number: int | None = None
    pain_limit: int | None = None
    pain_origin: Literal["", "plan", "practice", "none"] = ""
    is_over_limit: bool = False
    level: Level = "start"
    set_uid: str | None = None
    at_s: float | None = None
    repetition: int | None = None
    acted: Acted | None = None
    seen_by: str | None = None
    seen_at: str | None = None

    @property
    def most_pain(self) -> int | None:
        return max((p for p in (self.pain, self.pain_during) if p is not None), default=None)


# -- pain


def pain_rule(prescription: Prescription | None, lines: Sequence[PrescribedExercise]) -> PainRule:
    """The rule for pain with these lines of a prescription: the strictest limit among them."""
    limits = [line.pain_limit for line in lines if line.pain_limit is not None]
    if limits:
        return PainRule(limit=min(limits), origin="plan")
    if prescription is not None and prescription.surgery_on is not None:
        return PainRule(limit=None, origin="none")
    return PainRule(limit=PRACTICE_PAIN_LIMIT, origin="practice")


def is_over(pain: int | None, rule: PainRule) -> bool:
    """Whether pain asks for a call: over the limit, or severe where none was chosen."""
    if pain is None:
        return False
    return pain >= SEVERE_PAIN if rule.limit is None else pain > rule.limit


# -- one answer


def reasons_of(answer: Answer, questions: Questions) -> tuple[Reason, ...]:
    """What an answer asks for, the most pressing first; empty when it asks for nothing."""
    out = [*_symptoms(answer, questions), *_pain(answer)]
    if answer.moment == "stopped":
        out.append(
            _reason(answer, "stopped", "leave_out", at_s=answer.at_s, repetition=answer.repetition)
        )
    if answer.acted == "told_to_wait":
        out.append(_reason(answer, "told_to_wait", "call"))
    if answer.moment == "next day":
        for what, change in (("pain", answer.pain_change), ("swelling", answer.swelling_change)):
            if change == "more":
                out.append(_reason(answer, "more_next_day", "visit", what=what))
    return tuple(sorted(out, key=lambda r: -LEVELS.index(r.level)))


def level_of(answer: Answer, questions: Questions) -> Level:
    """What an answer asks the patient to do."""
    return max((r.level for r in reasons_of(answer, questions)), key=LEVELS.index, default="start")


def _reason(answer: Answer, code, level: Level, **values) -> Reason:
    return Reason(code=code, level=level, day=answer.day, exercise=answer.exercise, **values)


def _symptoms(answer: Answer, questions: Questions) -> Iterable[Reason]:
    known = questions.by_id
    for name in answer.symptoms:
        # A question that the clinic no longer asks: a yes to it was a reason to call, at least.
        level = known[name].answer if name in known else max(answer.level, "call", key=LEVELS.index)
        yield _reason(answer, "symptom", level, what=name)


def _pain(answer: Answer) -> Iterable[Reason]:
    pain = answer.most_pain
    if pain is None:
        return
    if answer.is_over_limit:
        code = "severe_pain" if answer.pain_origin == "none" else "pain_over_limit"
        yield _reason(answer, code, "call", pain=pain, limit=answer.pain_limit)
    elif answer.pain_origin == "none" and pain > 0:
        yield _reason(answer, "pain_without_limit", "visit", pain=pain)


# -- where a patient stands


def in_order(said: Iterable[Answer]) -> list[Answer]:
    """Answers in the order in which they were given."""
    return sorted(said, key=lambda a: (a.at, a.id))


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownSet:
    """A measured set that nobody of the clinic has looked at yet: why it is to be looked at."""

    day: str
    exercise: str
    attention: tuple[SetReason, ...]


def standing(
    said: Iterable[Answer], day: str, questions: Questions, unseen: Iterable[KnownSet] = ()
) -> Standing:
    """Where a patient stands on a day, from everything that was said so far, and from the sets
    that nobody has looked at.

    Urgent answers, and symptoms that ask for a call, hold until the patient has said what was
    done about them, on whatever day: later questions answered with "none" do not end them. Pain
    over the limit holds for its day. What was ticked without meaning to ends by saying so; a stop
    and a clinic's word to wait do not. After "It hurts, stop" nothing starts until the patient has
    said how it is; that exercise is left out for the day. A limit of the movement that was passed
    is for the next visit, until somebody has looked at the set.
    """
    held: list[Reason] = []
    of_day: list[Reason] = []
    left_out: dict[str, Reason] = {}
    stop: Answer | None = None
    for a in in_order(said):
        if a.acted == "may_go_on":
            held, of_day, left_out, stop = [], [], {}, None
            continue
        if a.acted == "not_meant":
            held, of_day = _without_taken_back(held), _without_taken_back(of_day)
            continue
        if a.acted == "told_to_wait":
            held, of_day = [], []
        if a.moment == "after":
            stop = None
        if a.moment == "stopped":
            stop = a if a.day == day else None
        for r in reasons_of(a, questions):
            if r.code in ("symptom", "told_to_wait") and r.level in ("call", "urgent"):
                held.append(r)
            elif a.day == day and r.code == "stopped":
                left_out[a.exercise] = r
            elif a.day == day:
                of_day.append(r)
    if stop is not None:
        of_day.append(_reason(stop, "stop_not_told", "leave_out", at_s=stop.at_s))
    of_day += [
        Reason(code="limit_passed", level="visit", day=s.day, exercise=s.exercise)
        for s in unseen
        if "limit_passed" in s.attention
    ]
    found = _each_once([*held, *of_day, *left_out.values()])
    level = max((r.level for r in found), key=LEVELS.index, default="start")
    return Standing(
        level=level,
        reasons=tuple(found),
        until=_until(level, held, stop),
        left_out=frozenset(left_out),
        unasked_stop=stop.id if stop else None,
    )


def _without_taken_back(found: Sequence[Reason]) -> list[Reason]:
    return [r for r in found if r.code not in TAKEN_BACK]


def _each_once(found: Sequence[Reason]) -> list[Reason]:
    """Reasons by weight, the newest of those that say the same."""
    newest = {(r.code, r.what, r.exercise if r.code == "stopped" else ""): r for r in found}
    return sorted(newest.values(), key=lambda r: -LEVELS.index(r.level))


def _until(level: Level, held: Sequence[Reason], stop: Answer | None):
    if held:
        return "told"
    if level in ("start", "visit"):
        return ""
    # Pain over the limit asks for a call whether or not a stop was spoken of.
    return "asked" if stop is not None and level != "call" else "day over"


def to_ask_today(
    said: Iterable[Answer], day: str, questions: Questions
) -> tuple[QuestionGroup, ...]:
    """The groups of the day's questions that were not asked yet today."""
    asked = {name for a in said if a.day == day and a.moment == "today" for name in a.asked}
    return tuple(g for g in questions.asked("day") if not asked.issuperset(g.questions))


# -- the work list


NoticeKind = Literal["symptoms", "pains", "stops", "facts"]


def notice_of(answer: Answer, questions: Questions) -> NoticeKind | None:
    """Under what an answer waits for a clinician; None when it holds nothing to look at."""
    codes = {r.code for r in reasons_of(answer, questions) if r.level in ("call", "urgent")}
    if "symptom" in codes:
        return "symptoms"
    if codes & {"pain_over_limit", "severe_pain"}:
        return "pains"
    if answer.moment == "stopped":
        return "stops"
    if answer.moment == "acted" or answer.level != "start":
        return "facts"
    return None


WaitPart = Literal[
    "symptoms",
    "pains",
    "stops",
    "past_limit",
    "not_measured",
    "to_look_at",
    "unremarkable",
    "facts",
    "silent",
    "due",
    "being_measured",
]
"""What waits for a clinician: the four kinds of notices; sets with a limit passed or possibly
passed, not measured, with anything else that `set_reasons` names or with an answer, with nothing;
patients of whom nothing came for long; prescriptions whose review date has come; sets of which
nothing is known yet."""
WAIT_PARTS: tuple[WaitPart, ...] = get_args(WaitPart)
"""The most pressing first."""
SET_REASONS: tuple[SetReason, ...] = get_args(SetReason)
"""Why a set is to be looked at, the most pressing first."""


def press_of(level: Level, part: WaitPart) -> tuple[int, int]:
    """How pressing a patient is, the smallest first: whoever is told to get help, to call or to
    leave an exercise out comes by that, and else by the most pressing of what waits."""
    must_stop = level in ("leave_out", "call", "urgent")
    return (-LEVELS.index(level) if must_stop else 0, WAIT_PARTS.index(part))


@dataclass(frozen=True, slots=True, kw_only=True)
class SetFacts:
    """What was found in a measured set, corrections counted.

    The n_ are repetitions: with a limit passed, possibly passed or not seen; with a target not
    reached, or within measuring error or not seen; with a remark. A check of the set as a whole
    counts as one.
    `dose_prescribed` is None for a set without a prescription.
    """

    n_passed: int = 0
    n_doubtful: int = 0
    n_limit_unseen: int = 0
    n_not_met: int = 0
    n_open: int = 0
    n_remarked: int = 0
    dose_prescribed: int | None = None
    dose_done: int = 0


def set_reasons(facts: SetFacts) -> tuple[SetReason, ...]:
    """Why a measured set is to be looked at, the most pressing first.

    Empty only where there is nothing: a full dose of a prescription, every limit kept, every
    target reached, no remark. What was said with the set counts beside it.
    """
    prescribed = facts.dose_prescribed
    found: tuple[tuple[SetReason, bool], ...] = (
        ("limit_passed", facts.n_passed > 0),
        ("limit_possibly_passed", facts.n_doubtful > 0),
        ("limit_unseen", facts.n_limit_unseen > 0),
        ("target_not_reached", facts.n_not_met > 0),
        ("target_open", facts.n_open > 0),
        ("dose_short", prescribed is not None and facts.dose_done < prescribed),
        ("dose_over", prescribed is not None and facts.dose_done > prescribed),
        ("remark", facts.n_remarked > 0),
        ("no_prescription", prescribed is None),
    )
    return tuple(code for code, holds in found if holds)
