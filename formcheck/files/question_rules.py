"""What a file of questions to patients must hold beyond types."""

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import cache
from importlib.resources import files
from typing import Any

from formcheck.files.file_rules import Fault, did_you_mean, items, tables, word
from formcheck.model.safety import Questions

_ORDER = {"visit": 0, "call": 1, "urgent": 2}


def shipped_questions_text() -> str:
    """The text of the questions that formcheck comes with."""
    return (files("formcheck") / "assets" / "questions.toml").read_text(encoding="utf-8")


@cache
def _shipped() -> tuple[dict[str, Any], dict[str, set[str]]]:
    """({id: question}, {id: when it is asked}) of the shipped file."""
    data = tomllib.loads(shipped_questions_text())
    asked: dict[str, set[str]] = {}
    for group in data["groups"]:
        for name in group["questions"]:
            asked.setdefault(name, set()).add(group["asked"])
    return {q["id"]: q for q in data["questions"]}, asked


def question_faults(data: Mapping[str, Any]) -> tuple[Fault, ...]:
    """Every fault of a file of questions that its types do not show.

    What the shipped file asks stays asked, and what asks for urgent help there goes on to: a
    clinic's own file adds to the red flags and never takes from them.
    """
    return (*_ids(data, "groups"), *_ids(data, "questions"), *_groups(data), *_kept(data))


def with_shipped_signs(own: Questions, shipped: Questions) -> Questions:
    """A clinic's questions with every shipped one that they lack, asked when it is asked there: at
    the end of the clinic's last group of that moment. What asks for urgent help goes on to."""
    of_clinic = own.by_id
    urgent = {q.id for q in shipped.questions if q.answer == "urgent"}
    questions = [replace(q, answer="urgent") if q.id in urgent else q for q in own.questions]
    questions += [q for q in shipped.questions if q.id not in of_clinic]
    groups = list(own.groups)
    for group in shipped.groups:
        asked = {name for g in groups if g.asked == group.asked for name in g.questions}
        missing = tuple(name for name in group.questions if name not in asked)
        places = [n for n, g in enumerate(groups) if g.asked == group.asked]
        if missing and places:
            last = groups[places[-1]]
            groups[places[-1]] = replace(last, questions=(*last.questions, *missing))
        elif missing:
            groups.append(group)
    return replace(own, groups=tuple(groups), questions=tuple(questions))


def _ids(data: Mapping[str, Any], key: str) -> Iterator[Fault]:
    seen: dict[str, int] = {}
    for n, table in tables(data, key):
        name = word(table, "id")
        if not name:
            continue
        if not re.fullmatch(r"[a-z][a-z0-9_]{0,39}", name):
            yield Fault(
                path=(key, n, "id"),
                what=f'"{name}" is no id; use small letters, digits and _, a letter first',
            )
        elif name in seen:
            yield Fault(
                path=(key, n, "id"),
                what=f'"{name}" is there already, in {key}[{seen[name]}]; leave one of them out',
            )
        seen.setdefault(name, n)


def _groups(data: Mapping[str, Any]) -> Iterator[Fault]:
    known = [name for _, q in tables(data, "questions") if (name := word(q, "id"))]
    named: set[str] = set()
    for n, group in tables(data, "groups"):
        for k, name in enumerate(items(group, "questions")):
            if not isinstance(name, str):
                continue
            if name not in known:
                mend = did_you_mean(name, known) or "write it under [[questions]]"
                yield Fault(
                    path=("groups", n, "questions", k),
                    what=f'there is no question "{name}" in this file; {mend}',
                )
            elif name in items(group, "questions")[:k]:
                yield Fault(
                    path=("groups", n, "questions", k),
                    what=f'asks "{name}" twice in one group; leave one out',
                )
            named.add(name)
    for n, question in tables(data, "questions"):
        name = word(question, "id")
        if name and name not in named:
            yield Fault(
                path=("questions", n, "id"),
                what=f'"{name}" is in no group, so it is never asked; name it in a group',
            )


def _kept(data: Mapping[str, Any]) -> Iterator[Fault]:
    shipped, asked = _shipped()
    given = {word(q, "id"): (n, q) for n, q in tables(data, "questions")}
    for name, question in shipped.items():
        if name not in given:
            yield Fault(
                path=("questions",),
                what=f'"{name}" ({question["words"]}) is missing; a warning sign may be reworded, '
                "not left out: copy it from the shipped file",
            )
            continue
        n, own = given[name]
        answer = word(own, "answer")
        if question["answer"] == "urgent" and answer in _ORDER and answer != "urgent":
            yield Fault(
                path=("questions", n, "answer"),
                what=f'"{name}" asks for urgent help; write answer = "urgent"',
            )
        when = {
            word(g, "asked") for _, g in tables(data, "groups") if name in items(g, "questions")
        }
        for moment in sorted(asked[name] - when):
            if when:
                yield Fault(
                    path=("groups",),
                    what=f'"{name}" is in no group with asked = "{moment}"; add it to one',
                )
