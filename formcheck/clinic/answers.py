"""What a patient says and does: answers, stops, what was done about them, and sets ticked off."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Literal

from formcheck.clinic.database import Clinic, add, change, now, one, rows, today
from formcheck.clinic.patients import checked_initials
from formcheck.clinic.safety import (
    MOMENTS,
    PRACTICE_PAIN_LIMIT,
    Answer,
    Compared,
    KnownSet,
    Moment,
    is_over,
    level_of,
    standing,
)
from formcheck.clinic.settings import questions_for, questions_of_each
from formcheck.model.errors import UsageError
from formcheck.model.safety import Acted, PainRule, Standing
from formcheck.words.languages import gettext, marked

REASONS: dict[str, str] = {
    "pain": marked("pain"),
    "swelling": marked("swelling"),
    "no_time": marked("no time"),
    "unsure": marked("unsure"),
}
"""Why a set was not done, in the patient's choice."""

PRACTICE = PainRule(limit=PRACTICE_PAIN_LIMIT, origin="practice")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A set done without the camera, or not done with a reason. Silence is neither."""

    day: str
    exercise: str
    side: str
    set_number: int
    kind: Literal["done", "not done"]
    reason: str
    load_kg: float | None = None
    """As it was used; None where nobody said."""
    paper_by: str = ""
    """Who entered it from the patient's page on paper; empty where the patient ticked it here."""
    effort: int | None = None
    pain: int | None = None
    """As written on the paper, 0 to 10, of the exercise on that day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TickWord:
    """One word on a set of a day, at a moment (UTC); "taken back" undoes the one before."""

    at: str
    day: str
    exercise: str
    side: str
    set_number: int
    kind: Literal["done", "not done", "taken back"]
    reason: str
    load_kg: float | None = None
    paper_by: str = ""
    effort: int | None = None
    pain: int | None = None


MOST_LOAD_KG = 500.0


def _scale(value: int | None, what: str) -> int | None:
    if value is not None and (isinstance(value, bool) or value not in range(11)):
        raise UsageError(f"{what}: choose a whole number from 0 to 10")
    return value


def add_answer(
    clinic: Clinic,
    patient_id: int,
    moment: Moment,
    *,
    set_id: int | None = None,
    day: str | None = None,
    exercise: str = "",
    side: str = "",
    set_number: int | None = None,
    pain: int | None = None,
    pain_during: int | None = None,
    effort: int | None = None,
    symptoms: tuple[str, ...] = (),
    asked: tuple[str, ...] = (),
    pain_change: Compared | None = None,
    stiffness_change: Compared | None = None,
    swelling_change: Compared | None = None,
    rule: PainRule = PRACTICE,
    set_uid: str | None = None,
    at_s: float | None = None,
    repetition: int | None = None,
    acted: Acted | None = None,
    at: str | None = None,
) -> int:
    """The row id of the kept answer.

    rule : the rule for pain of the prescription. set_uid : the recording that a stop belongs to,
    while it is not a set yet. at : the moment in UTC at which it was given; else now, and newer
    than any before, even where the clock was set back since. Raises UsageError for an answer that
    was not offered.
    """
    if moment not in MOMENTS:
        raise UsageError(f"there is no moment {moment!r}")
    for name in (pain_change, stiffness_change, swelling_change):
        if name not in (None, "less", "same", "more"):
            raise UsageError("choose less, same or more")
    questions = questions_for(clinic, patient_id)
    unknown = [s for s in symptoms if s not in questions.by_id]
    if unknown:
        raise UsageError(f"there is no question {unknown[0]!r}")
    answer = Answer(
        id=0,
        set_id=set_id,
        day=day or today().isoformat(),
        at=at or "",
        moment=moment,
        pain=_scale(pain, "pain"),
        pain_during=_scale(pain_during, "pain"),
        effort=_scale(effort, "effort"),
        symptoms=tuple(dict.fromkeys(symptoms)),
        asked=tuple(dict.fromkeys((*asked, *symptoms))),
        pain_change=pain_change,
        stiffness_change=stiffness_change,
        swelling_change=swelling_change,
        exercise=exercise,
        side=side,
        set_number=set_number,
        pain_limit=rule.limit,
        pain_origin=rule.origin,
        set_uid=set_uid,
        at_s=at_s,
        repetition=repetition,
        acted=acted,
    )
    answer = replace(answer, is_over_limit=is_over(answer.most_pain, rule))
    answer = replace(answer, level=level_of(answer, questions))
    with clinic.write() as c:
        if not at:
            row = one(c, "SELECT max(at) AS at FROM answers WHERE patient_id = :p", p=patient_id)
            newest = row["at"] or ""
            answer = replace(answer, at=now() if newest <= now() else _just_after(newest))
        return keep_answer(c, patient_id, answer)


def keep_answer(connection, patient_id: int, answer: Answer) -> int:
    """The row id of an answer written as it is."""
    values = {name: getattr(answer, name) for name in Answer.__slots__ if name != "id"}
    values |= {name: " ".join(values[name]) for name in ("symptoms", "asked")}
    values["is_over_limit"] = int(answer.is_over_limit)
    return add(connection, "answers", patient_id=patient_id, **values)


def answer_of_row(row: Mapping[str, Any]) -> Answer:
    """A row of the table as a record."""
    values = {name: row[name] for name in Answer.__slots__}
    values |= {name: tuple(row[name].split()) for name in ("symptoms", "asked")}
    values["is_over_limit"] = bool(row["is_over_limit"])
    return Answer(**values)


def standing_of(clinic: Clinic, patient_id: int, day: str | None = None) -> Standing:
    """Where a patient stands on a day (today), from what was said and what nobody looked at."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT day, exercise, attention FROM sets
                  WHERE patient_id = :p AND state = 'measured' ORDER BY day, id""",
            p=patient_id,
        )
    unseen = [_known_set(row) for row in found]
    return standing(
        answers_of(clinic, patient_id),
        day or today().isoformat(),
        questions_for(clinic, patient_id),
        unseen,
    )


ASKS = "(a.level != 'start' OR a.moment IN ('stopped', 'acted'))"
"""Answers that may ask for something, in SQL; what each asks for, the rule says."""


def standings(clinic: Clinic, day: str) -> dict[int, Standing]:
    """{patient id: where the patient stands on a day}, as `standing_of`, of all who said anything
    that asks for something or who have a set with a limit passed; three queries for all.

    Whoever is not in it may exercise. Answers that ask for nothing are read only where they can
    end a stop of this day: those after a set.
    """
    with clinic.read() as c:
        said = rows(
            c,
            f"""SELECT a.* FROM answers a
                   WHERE {ASKS} OR (a.moment = 'after' AND a.patient_id IN
                     (SELECT patient_id FROM answers WHERE moment = 'stopped' AND day = :day))""",
            day=day,
        )
        unseen = rows(
            c,
            """SELECT patient_id, day, exercise, attention FROM sets
                  WHERE state = 'measured' AND attention LIKE '%limit_passed%'""",
        )
    usual, others = questions_of_each(clinic)
    answers: dict[int, list[Answer]] = {}
    for row in said:
        answers.setdefault(row["patient_id"], []).append(answer_of_row(row))
    sets: dict[int, list[KnownSet]] = {}
    for row in unseen:
        sets.setdefault(row["patient_id"], []).append(_known_set(row))
    return {
        p: standing(answers.get(p, ()), day, others.get(p, usual), sets.get(p, ()))
        for p in answers.keys() | sets.keys()
    }


def _known_set(row: Mapping[str, Any]) -> KnownSet:
    return KnownSet(
        day=row["day"],
        exercise=row["exercise"],
        attention=tuple((row["attention"] or "not_counted").split()),
    )


def answers_of(clinic: Clinic, patient_id: int) -> tuple[Answer, ...]:
    """Every answer of a patient, the oldest first."""
    with clinic.read() as c:
        found = rows(
            c, """SELECT * FROM answers WHERE patient_id = :p ORDER BY day, at, id""", p=patient_id
        )
    return tuple(answer_of_row(row) for row in found)


def answers_of_set(clinic: Clinic, set_id: int) -> tuple[Answer, ...]:
    """The answers that belong to a set, the oldest first."""
    with clinic.read() as c:
        found = rows(c, "SELECT * FROM answers WHERE set_id = :s ORDER BY at, id", s=set_id)
    return tuple(answer_of_row(row) for row in found)


def mark_seen(clinic: Clinic, answer_id: int, by: str) -> None:
    """Keeps that a clinician has seen an answer."""
    with clinic.write() as c:
        if not one(c, "SELECT 1 FROM answers WHERE id = :id", id=answer_id):
            raise UsageError("that answer is not there any more")
        change(
            c,
            "UPDATE answers SET seen_by = :by, seen_at = :at WHERE id = :id AND seen_at IS NULL",
            by=checked_initials(by),
            at=now(),
            id=answer_id,
        )


def tick(
    clinic: Clinic,
    patient_id: int,
    *,
    exercise: str,
    side: str,
    set_number: int,
    kind: Literal["done", "not done"],
    reason: str = "",
    load_kg: float | None = None,
    day: str | None = None,
    paper_by: str = "",
    effort: int | None = None,
    pain: int | None = None,
) -> None:
    """Keeps that a set was done without the camera, or not done and why; a later word replaces
    an earlier one of the same day, and both stay in the history. load_kg : as it was used.
    paper_by, effort, pain : of what was written on paper."""
    if load_kg is not None and not 0 <= load_kg <= MOST_LOAD_KG:
        raise UsageError(f"the weight is from 0 to {MOST_LOAD_KG:g} kg")
    if kind == "not done" and reason not in REASONS:
        raise UsageError(gettext("choose why the set was not done"))
    if kind not in ("done", "not done"):
        raise UsageError("a set is done or not done")
    keep_word(
        clinic,
        patient_id,
        TickWord(
            at="",
            day=day or today().isoformat(),
            exercise=exercise,
            side=side,
            set_number=set_number,
            kind=kind,
            reason=reason if kind == "not done" else "",
            load_kg=load_kg if kind == "done" else None,
            paper_by=paper_by,
            effort=_scale(effort, "effort"),
            pain=_scale(pain, "pain"),
        ),
    )


def untick(
    clinic: Clinic,
    patient_id: int,
    *,
    exercise: str,
    side: str,
    set_number: int,
    day: str,
    paper_by: str = "",
) -> None:
    """Takes a tick back."""
    word = TickWord(
        at="",
        day=day,
        exercise=exercise,
        side=side,
        set_number=set_number,
        kind="taken back",
        reason="",
        paper_by=paper_by,
    )
    keep_word(clinic, patient_id, word)


_OF_SET = """patient_id = :p AND day = :day AND exercise = :exercise AND side = :side
             AND set_number = :set_number"""


def keep_word(clinic: Clinic, patient_id: int, word: TickWord) -> bool:
    """Keeps a word on a set of a day in the history; whether it was new.

    The newest word stands, in whatever order words arrive. A word without a time is said now:
    it is newer than any before, even where the clock was set back since.
    """
    values = {name: getattr(word, name) for name in TickWord.__slots__} | {"p": patient_id}
    with clinic.write() as c:
        newest = one(c, f"SELECT max(at) AS at FROM tick_history WHERE {_OF_SET}", **values)["at"]
        if not word.at:
            values["at"] = max(now(), _just_after(newest)) if newest else now()
        is_new = change(
            c,
            """INSERT OR IGNORE INTO tick_history
                  (patient_id, day, at, exercise, side, set_number, kind, reason, load_kg,
                   paper_by, effort, pain)
                  VALUES (:p, :day, :at, :exercise, :side, :set_number, :kind, :reason,
                          :load_kg, :paper_by, :effort, :pain)""",
            **values,
        )
        if newest is not None and values["at"] <= newest:
            return bool(is_new)
        if word.kind == "taken back":
            change(c, f"DELETE FROM ticks WHERE {_OF_SET}", **values)
        else:
            change(
                c,
                """INSERT INTO ticks
                      (patient_id, day, at, exercise, side, set_number, kind, reason, load_kg,
                       paper_by, effort, pain)
                      VALUES (:p, :day, :at, :exercise, :side, :set_number, :kind, :reason,
                              :load_kg, :paper_by, :effort, :pain)
                      ON CONFLICT (patient_id, day, exercise, side, set_number)
                      DO UPDATE SET kind = :kind, reason = :reason, at = :at,
                                    load_kg = :load_kg, paper_by = :paper_by,
                                    effort = :effort, pain = :pain""",
                **values,
            )
    return bool(is_new)


def _just_after(at: str) -> str:
    return (datetime.fromisoformat(at) + timedelta(seconds=1)).isoformat(timespec="seconds")


def tick_words_of(clinic: Clinic, patient_id: int, since: str) -> tuple[TickWord, ...]:
    """Every word on a patient's sets from a day on, those that no longer stand included, in the
    order in which they were said."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT at, day, exercise, side, set_number, kind, reason, load_kg, paper_by, effort,
                  pain FROM tick_history
                  WHERE patient_id = :p AND day >= :since ORDER BY at, id""",
            p=patient_id,
            since=since,
        )
    return tuple(TickWord(**row) for row in found)


def ticks_of(clinic: Clinic, patient_id: int, day: str | None = None) -> tuple[Tick, ...]:
    """The ticks of a patient (of one day), the oldest first."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT day, exercise, side, set_number, kind, reason, load_kg, paper_by, effort, pain
                  FROM ticks
                  WHERE patient_id = :p AND (:day IS NULL OR day = :day) ORDER BY day, id""",
            p=patient_id,
            day=day,
        )
    return tuple(Tick(**row) for row in found)


Stated = tuple[str, int | None, int | None]
"""Day, pain and effort."""


def stated(said: Iterable[Answer], ticks: Iterable[Tick]) -> list[Stated]:
    """(day, pain, effort), each 0 to 10 or None, of every answer and of what stands on paper."""
    found = [(a.day, a.most_pain, a.effort) for a in said]
    return found + [(t.day, t.pain, t.effort) for t in ticks]
