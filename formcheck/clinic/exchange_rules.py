"""What a set or a plan from elsewhere may say: what the pages themselves would have taken."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from formcheck.clinic.answers import REASONS
from formcheck.clinic.days import day_fault, moment_fault
from formcheck.clinic.exchange_package import Opened, foreign
from formcheck.clinic.folder import UID
from formcheck.clinic.safety import MOMENTS
from formcheck.files.exercise_files import exercise_ids
from formcheck.files.strict_json import read_json
from formcheck.model.safety import LEVELS

SCALES = ("pain", "pain_during", "effort", "pain_limit")
COMPARED = ("pain_change", "stiffness_change", "swelling_change")
_QUESTION = re.compile(r"[a-z][a-z0-9_]{0,39}")
"""A question is known by its id alone: the file's clinic may ask others than we do."""


def set_of(opened: Opened, source: Path):
    """(what the set is, its answers, the log, its name, its prescription's checksum), checked."""
    try:
        v = read_json(opened.contents["set.json"])
        uid, sha256, answers, log = v["uid"], v["prescription_sha256"], v["answers"], v["log"]
        load = v["load_kg"]
        about = {
            "exercise": v["exercise"],
            "side": v["side"],
            "set_number": int(v["set_number"]),
            "day": v["day"],
            "origin": "imported",
            "is_mirrored": v["is_mirrored"] is True,
            "support": str(v["support"])[:200],
            "load_kg": None if load is None else float(load),
        }
        good = (
            isinstance(uid, str)
            and UID.fullmatch(uid)
            and v["exercise"] in exercise_ids()
            and v["side"] in ("left", "right", "both")
            and 1 <= about["set_number"] <= 20
            and (load is None or 0 <= about["load_kg"] <= 500)
            and (sha256 is None or isinstance(sha256, str))
            and len(answers) <= 10
            and len(log["answers"]) <= 2000
            and len(log["ticks"]) + len(log.get("taken_back", ())) <= 10_000
            and all(_is_answer(a) for a in [*answers, *log["answers"]])
            and all(_is_tick(t, exercise_ids()) for t in ticks_of(log))
        )
        days = [v["day"], *(of["day"] for of in (*answers, *log["answers"], *ticks_of(log)))]
        moments = [of["at"] for of in (*answers, *log["answers"])]
        moments += [t["at"] for t in ticks_of(log) if "at" in t]
    except (ValueError, KeyError, TypeError) as error:
        raise foreign(source, "its set cannot be read") from error
    if not good:
        raise foreign(source, "its set cannot be read")
    for fault in (*map(day_fault, days), *map(moment_fault, moments)):
        if fault:
            raise foreign(
                source, "its set cannot be read: a day or time in it %(fault)s", fault=fault
            )
    return about, answers, log, uid, sha256


def ticks_of(log: Mapping[str, Any]) -> list:
    """The words on sets in a log, those that take another back included."""
    return [*log["ticks"], *log.get("taken_back", ())]


def _is_answer(v: object) -> bool:
    """Whether an answer of a file is one that our pages could have asked for."""
    return (
        isinstance(v, dict)
        and v.get("moment") in MOMENTS
        and "day" in v
        and "at" in v
        and (v.get("exercise") == "" or v.get("exercise") in exercise_ids())
        and all(v.get(n) is None or (type(v[n]) is int and 0 <= v[n] <= 10) for n in SCALES)
        and all(v.get(n) in (None, "less", "same", "more") for n in COMPARED)
        and all(_are_questions(v.get(n, [])) for n in ("symptoms", "asked"))
        and "symptoms" in v
        and v.get("side", "") in ("", "left", "right", "both")
        and v.get("pain_origin", "") in ("", "plan", "practice", "none")
        and v.get("level", "start") in LEVELS
        and v.get("acted") in (None, "may_go_on", "told_to_wait", "not_yet", "not_meant")
        and all(_is_between(v.get(n), 0, 1000) for n in ("set_number", "repetition"))
        and _is_between(v.get("at_s"), 0, 100_000, kinds=(int, float))
        and (v.get("set_uid") is None or UID.fullmatch(str(v["set_uid"])) is not None)
    )


def _are_questions(ids: object) -> bool:
    return (
        isinstance(ids, list)
        and len(ids) <= 60
        and all(isinstance(i, str) and _QUESTION.fullmatch(i) for i in ids)
    )


def _is_between(value: object, least: float, most: float, kinds: tuple = (int,)) -> bool:
    return value is None or (type(value) in kinds and least <= value <= most)


def _is_tick(v: object, ids) -> bool:
    return (
        isinstance(v, dict)
        and "day" in v
        and v.get("exercise") in ids
        and v.get("side") in ("left", "right", "both")
        and type(v.get("set_number")) is int
        and 1 <= v["set_number"] <= 20
        and v.get("kind") in ("done", "not done", "taken back")
        and (v.get("reason") in REASONS) == (v["kind"] == "not done")
        and _is_between(v.get("load_kg"), 0, 500, kinds=(int, float))
        and all(_is_between(v.get(n), 0, 10) for n in ("effort", "pain"))
        and isinstance(by := v.get("paper_by", ""), str)
        and len(by) <= 8  # as checked_initials takes them
    )


def seen_of(entry: Mapping[str, Any]) -> tuple[str, str | None, list[tuple]]:
    """(set, day on which it was seen, comments as (second, words, day)) of a line of a plan.

    Raises ValueError, KeyError or TypeError when it is none of ours.
    """
    uid, seen_on, comments = entry["uid"], entry["seen_on"], entry["comments"]
    made = [(c["at_s"], c["words"], c["day"]) for c in comments]
    days = [day for _, _, day in made] + ([seen_on] if seen_on is not None else [])
    good = (
        isinstance(uid, str)
        and UID.fullmatch(uid)
        and len(made) <= 200
        and all(isinstance(w, str) and len(w) <= 2000 for _, w, _ in made)
        and all(
            s is None or (isinstance(s, int | float) and not isinstance(s, bool) and 0 <= s < 1e6)
            for s, _, _ in made
        )
    )
    if not good or any(map(day_fault, days)):
        raise ValueError("no line of a plan")
    return uid, seen_on, made
