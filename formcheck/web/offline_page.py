"""A patient's plan as one page for a phone that has no network: drawings, questions, a recorder.

Everything that the page decides is worked out here, by the clinic's own rule, and goes along as a
table; the sets that it seals are taken in by `formcheck import`.
"""

import base64
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

from formcheck.clinic import Clinic
from formcheck.clinic.database import today
from formcheck.clinic.exchange import LOG_DAYS
from formcheck.clinic.exchange_package import EXCHANGE_SCHEMA, MADE_BY_PHONE, SUFFIX, phone_key
from formcheck.clinic.folder import RECORDING_SUFFIXES
from formcheck.clinic.patients import Patient, current_prescription, find_patient
from formcheck.clinic.safety import Answer, is_over, reasons_of
from formcheck.clinic.sets import MOST_RECORDING_BYTES
from formcheck.clinic.settings import contact_for, questions_for
from formcheck.clinic.today import TodayExercise, TodaySet, recording_plan, todays_list
from formcheck.files.exercises import load_exercise
from formcheck.files.storage import write_atomically
from formcheck.model.errors import UsageError
from formcheck.model.programme import Prescription
from formcheck.model.safety import LEVELS, TAKEN_BACK, PainRule, Questions, Reason, Standing
from formcheck.web.pages import HERE, page_text
from formcheck.web.patient.holds import AFTER, rule_of_line
from formcheck.web.patient.pages import set_words
from formcheck.web.patient.set_page import ANSWER_HOLDS, camera_words, near_side
from formcheck.web.script_words import script_words
from formcheck.words import patient_words
from formcheck.words.figures import camera_svg, exercise_svg
from formcheck.words.languages import gettext, use
from formcheck.words.safety_words import (
    ACTED_WORDS,
    LEVEL_WORDS,
    UNTIL_WORDS,
    emergency_words,
    phone_words,
    standing_title,
    why_words,
)

MOST_PAGE_BYTES = 1_000_000
"""A page that is sent on by hand stays small."""
_SCRIPTS = (
    "words.js",
    "my_voice.js",
    "offline_seal.js",
    "offline_store.js",
    "offline_rule.js",
    "offline_record.js",
    "offline_page.js",
)
_STYLES = ("site.css", "my.css", "offline.css")
_SHARED = re.compile(r"^import [^;]*;\n|^export (?=class |const |function |async )", re.MULTILINE)
"""What joins the scripts where they are files; on the page they stand in one another's sight."""


def write_offline_page(clinic: Clinic, code: str, target: Path) -> None:
    """Writes a patient's page for a phone without a network. Raises UsageError, OutputError."""
    page = offline_page(clinic, code).encode("utf-8")
    if len(page) > MOST_PAGE_BYTES:
        raise UsageError(
            f"the page of {code} would be {len(page) / 1e6:.1f} MB, more than the 1 MB that a page "
            "for a phone may have; shorten the plan"
        )
    with write_atomically(Path(target)) as beside:
        beside.write_bytes(page)


def offline_page(clinic: Clinic, code: str) -> str:
    """The page as a text. Raises UsageError where there is no such patient, or no plan."""
    patient = find_patient(clinic, code)
    if patient is None:
        raise UsageError(f"there is no patient {code}")
    with use(patient.language):
        return _told_page(clinic, patient)


def _told_page(clinic: Clinic, patient: Patient) -> str:
    version = current_prescription(clinic, patient.id)
    if version is None:
        raise UsageError(f"{patient.code} has no prescription yet; write one first")
    prescription = version.record()
    exercises = [load_exercise(line.exercise) for line in prescription.exercises]
    listed = todays_list(prescription, exercises, (), ())
    questions = questions_for(clinic, patient.id)
    contact = contact_for(clinic, patient.id)
    cards = [_card(prescription, of, s) for of in listed for s in _first_of_each(of)]
    facts = {
        "schema": EXCHANGE_SCHEMA,
        "madeBy": MADE_BY_PHONE,
        "suffix": SUFFIX,
        "patient": patient.code,
        "key": phone_key(patient.exchange_key),
        "prescription": version.sha256,
        "mostBytes": MOST_RECORDING_BYTES,
        "suffixes": RECORDING_SUFFIXES,
        "logDays": LOG_DAYS,
        "holdsMs": ANSWER_HOLDS.total_seconds() * 1000,
        "sets": [_set_facts(prescription, of, s) for of in listed for s in of.sets],
        "dayGroups": [_group(g) for g in questions.asked("day")],
        "setGroups": [_group(g) for g in questions.asked("set")],
        "after": [name for name, *_ in AFTER],
        **rule_facts(prescription, questions),
    }
    texts = {name: (HERE / "static" / name).read_text("utf-8") for name in (*_SCRIPTS, *_STYLES)}
    script = "\n".join(_SHARED.sub("", texts[name]) for name in _SCRIPTS)
    theme = (HERE.parent / "assets" / "theme.css").read_text("utf-8")
    style = "\n".join([theme, *(texts[name] for name in _STYLES)])
    return page_text(
        "offline_page.html.j2",
        policy="; ".join(
            (
                "default-src 'none'",
                f"script-src {_hash(script)}",
                f"style-src {_hash(style)}",
                "media-src blob:",
                "base-uri 'none'",
                "form-action 'none'",
            )
        ),
        script=script,
        words=script_words("offline_page.js"),
        style=style,
        facts=json.dumps(facts),
        code=patient.code,
        listed=[(of, patient_words.dose_words(of.line, of.exercise)) for of in listed],
        cards=cards,
        card_of=_card_id,
        set_words=set_words,
        groups_of_day=questions.asked("day"),
        groups_of_set=questions.asked("set"),
        questions=questions.by_id,
        asked=AFTER,
        acted=ACTED_WORDS,
        made_on=today(),
        version=version,
        prescription=prescription,
        clinic_phone=phone_words(contact),
        emergency_phone=emergency_words(contact),
        token="",
        role="patient",
        path="",
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def _group(g) -> dict[str, Any]:
    return {"id": g.id, "questions": g.questions}


def _first_of_each(of: TodayExercise) -> list[TodaySet]:
    """The first set of each side from each place of the camera: what a card is drawn for."""
    return list({_card_id(of, s): s for s in reversed(of.sets)}.values())[::-1]


def _card_id(of: TodayExercise, s: TodaySet) -> str:
    return f"card-{s.exercise}-{s.side}-{s.view or of.exercise.figure.plane}"


def _card(prescription: Prescription, of: TodayExercise, s: TodaySet) -> dict[str, Any]:
    plane = s.view or of.exercise.figure.plane
    near, name = near_side(prescription, s), _card_id(of, s)
    return {
        "id": name,
        "of": of,
        "s": s,
        "figure": exercise_svg(
            of.exercise, plane, name=f"{name}-figure", line=of.line, near=near, columns=2
        ),
        "camera": camera_svg(of.exercise, plane, name=f"{name}-camera", near=near),
        "camera_words": camera_words(near, plane),
        "dose": patient_words.dose_words(of.line, of.exercise),
        "targets": [patient_words.bound_words(b) for b in of.line.targets],
        "limits": [patient_words.limit_words(b) for b in of.line.limits],
        "set_up": patient_words.set_up_words(of.exercise),
        "cautions": patient_words.cautions(of.exercise),
    }


def _set_facts(prescription: Prescription, of: TodayExercise, s: TodaySet) -> dict[str, Any]:
    plan = recording_plan(of.line, of.exercise)
    rule = rule_of_line(prescription, s.exercise, s.side)
    return {
        "exercise": s.exercise,
        "side": s.side,
        "number": s.number,
        "name": f"{gettext(of.exercise.name)}, {set_words(s)}",
        "card": _card_id(of, s),
        "repetitions": of.line.repetitions,
        "holdS": plan.hold_s,
        "limitS": plan.limit_s,
        "restS": of.line.rest_s,
        "support": of.line.support_allowed,
        "plannedKg": of.line.load_kg,
        "painLimit": rule.limit,
        "painOrigin": rule.origin,
    }


# -- the rule, as a table


def rule_facts(prescription: Prescription, questions: Questions) -> dict[str, Any]:
    """What the one rule says of every answer that the page can get: level, code, words."""
    rules = [rule_of_line(prescription, e.exercise, "both") for e in prescription.exercises]
    rules += [
        rule_of_line(prescription, e.exercise, side)
        for e in prescription.exercises
        for side in e.sides
    ]
    said = Answer(id=0, set_id=None, day="", at="", moment="today")
    stopped = replace(said, moment="stopped")
    return {
        "levels": LEVELS,
        "takenBack": TAKEN_BACK,
        "symptoms": {
            q.id: _told(reasons_of(replace(said, symptoms=(q.id,)), questions)[0], questions)
            for q in questions.questions
        },
        "pains": {
            f"{rule.origin} {'null' if rule.limit is None else rule.limit}": [
                _of_pain(pain, rule, questions) for pain in range(11)
            ]
            for rule in rules
        },
        "over": {
            f"{rule.origin} {'null' if rule.limit is None else rule.limit}": [
                is_over(pain, rule) for pain in range(11)
            ]
            for rule in rules
        },
        "stopped": {
            "before": _told(reasons_of(stopped, questions)[0], questions),
            "during": _told(reasons_of(replace(stopped, at_s=0.0), questions)[0], questions),
        },
        "toldToWait": _told(
            reasons_of(replace(said, moment="acted", acted="told_to_wait"), questions)[0], questions
        ),
        "stopNotTold": _told(Reason(code="stop_not_told", level="leave_out", day=""), questions),
        "titles": {
            **{level: gettext(words) for level, words in LEVEL_WORDS.items()},
            "asked": standing_title(Standing(level="leave_out", until="asked")),
            "told_to_wait": standing_title(
                Standing(level="call", reasons=(Reason(code="told_to_wait", level="call", day=""),))
            ),
        },
        "untilWords": {until: gettext(words) for until, words in UNTIL_WORDS.items()},
    }


def _of_pain(pain: int, rule: PainRule, questions: Questions) -> dict[str, str] | None:
    answer = Answer(
        id=0,
        set_id=None,
        day="",
        at="",
        moment="before",
        pain=pain,
        pain_limit=rule.limit,
        pain_origin=rule.origin,
        is_over_limit=is_over(pain, rule),
    )
    found = reasons_of(answer, questions)
    return _told(found[0], questions) if found else None


def _told(reason: Reason, questions: Questions) -> dict[str, str]:
    return {"code": reason.code, "level": reason.level, "why": why_words([reason], questions)}
