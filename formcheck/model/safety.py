"""Who may exercise, who must call, who needs help: the questions, the levels, the reasons."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import MaxLen, MinLen

QUESTIONS_SCHEMA = "formcheck.questions/1.0"

Level = Literal["start", "visit", "leave_out", "call", "urgent"]
"""What an answer asks for: nothing; to be told at the next visit; this exercise left out today;
no set today and a call to the clinic; urgent medical help."""
LEVELS: tuple[Level, ...] = ("start", "visit", "leave_out", "call", "urgent")

Acted = Literal["may_go_on", "told_to_wait", "not_yet", "not_meant"]
"""What the patient did about an answer that asked for a call or for help."""

Short = Annotated[str, MinLen(1), MaxLen(160)]
Name = Annotated[str, MinLen(1), MaxLen(40)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One thing that a patient may say yes to, and what it asks for."""

    id: Name
    words: Short
    answer: Literal["urgent", "call", "visit"]
    source: Short


@dataclass(frozen=True, slots=True, kw_only=True)
class QuestionGroup:
    """Questions that stand on one page: once a day before the first set, or after each set."""

    id: Name
    legend: Short
    asked: Literal["day", "set"]
    questions: Annotated[tuple[Name, ...], MinLen(1), MaxLen(8)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Questions:
    """The questions of a clinic, as its file holds them."""

    schema: Short
    groups: Annotated[tuple[QuestionGroup, ...], MinLen(1), MaxLen(8)]
    questions: Annotated[tuple[Question, ...], MinLen(1), MaxLen(40)]

    @property
    def by_id(self) -> Mapping[str, Question]:
        return {q.id: q for q in self.questions}

    def asked(self, when: Literal["day", "set"]) -> tuple[QuestionGroup, ...]:
        """The groups that are asked once a day, or after a set."""
        return tuple(g for g in self.groups if g.asked == when)


@dataclass(frozen=True, slots=True, kw_only=True)
class PainRule:
    """How much pain is allowed: a number of 0 to 10 and where it comes from.

    `plan`: chosen for this patient. `practice`: no limit chosen, and no surgery. `none`: no limit
    chosen after surgery; no number stands in for it.
    """

    limit: int | None
    origin: Literal["plan", "practice", "none"]


ReasonCode = Literal[
    "symptom",
    "pain_over_limit",
    "severe_pain",
    "pain_without_limit",
    "more_next_day",
    "limit_passed",
    "stopped",
    "stop_not_told",
    "told_to_wait",
]
TAKEN_BACK: tuple[ReasonCode, ...] = (
    "symptom",
    "pain_over_limit",
    "severe_pain",
    "pain_without_limit",
)
"""What "I did not mean to answer that" takes back: a tick or a number, and neither a stop nor the
clinic's own word to wait."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why: a code with its values. `what` is a question's id, or what was more (`pain`,
    `swelling`); `at_s` and `repetition` are those of a stop, None where it came before the set."""

    code: ReasonCode
    level: Level
    day: str
    what: str = ""
    exercise: str = ""
    pain: int | None = None
    limit: int | None = None
    at_s: float | None = None
    repetition: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where a patient stands today, and for how long it holds.

    `until` : `told` (until the patient has said what was done about it), `asked` (until the
    patient has said how it is after a stop), `day over`, or empty.
    `left_out` : exercises that are left out today, all else being well.
    """

    level: Level
    reasons: tuple[Reason, ...] = ()
    until: Literal["", "told", "asked", "day over"] = ""
    left_out: frozenset[str] = frozenset()
    unasked_stop: int | None = None
    """The answer id of a stop after which nothing was asked yet."""

    @property
    def is_held(self) -> bool:
        """Whether no set of any exercise may start."""
        return self.level in ("call", "urgent") or self.until == "asked"

    @property
    def may_be_taken_back(self) -> bool:
        """Whether what decides is an answer that may have been given without meaning to."""
        return any(r.code in TAKEN_BACK for r in self.reasons if r.level == self.level)

    def may_start(self, exercise: str) -> bool:
        return not self.is_held and exercise not in self.left_out

    def level_for(self, exercise: str) -> Level:
        """The level as it concerns one exercise."""
        if self.level == "leave_out" and not self.is_held and exercise not in self.left_out:
            return "start"
        return self.level


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """How to reach the clinic, and the local emergency number; empty where not entered."""

    phone: str = ""
    hours: str = ""
    emergency: str = ""


SetReason = Literal[
    "limit_passed",
    "limit_possibly_passed",
    "limit_unseen",
    "target_not_reached",
    "target_open",
    "dose_short",
    "dose_over",
    "remark",
    "no_prescription",
    "not_counted",
]
"""Why a clinician is to look at a measured set; `not_counted`: measured before these were kept."""
