"""What a clinic sets once: how it is reached, and the questions that its patients are asked.

On a patient's own computer both came with the clinic's file, for that patient.
"""

import re
from functools import lru_cache

from formcheck.clinic.database import Clinic, change, now, one, rows
from formcheck.files.question_rules import shipped_questions_text
from formcheck.files.schema import parse_kept_questions, parse_questions
from formcheck.model.errors import UsageError
from formcheck.model.safety import Contact, Questions

QUESTIONS_NAME = "questions"
_EMPTY = {"phone": "", "hours": "", "emergency": "", "questions": ""}


@lru_cache(maxsize=8)
def _parsed(text: str) -> Questions:
    return parse_kept_questions(text or shipped_questions_text(), QUESTIONS_NAME)


def _row(clinic: Clinic, patient_id: int | None) -> dict[str, str]:
    """The settings that hold: this computer's own, and where they say nothing, those that came
    with the clinic's file for the patient."""
    with clinic.read() as c:
        own = one(c, "SELECT * FROM clinic_settings WHERE patient_id IS NULL") or _EMPTY
        came = one(c, "SELECT * FROM clinic_settings WHERE patient_id = :p", p=patient_id) or _EMPTY
    contact = own if own["phone"] or own["emergency"] else came
    return {
        **{name: contact[name] for name in ("phone", "hours", "emergency")},
        "questions": own["questions"] or came["questions"],
    }


def contact_for(clinic: Clinic, patient_id: int | None = None) -> Contact:
    """How a patient reaches the clinic; empty where nobody entered it."""
    row = _row(clinic, patient_id)
    return Contact(phone=row["phone"], hours=row["hours"], emergency=row["emergency"])


def questions_for(clinic: Clinic, patient_id: int | None = None) -> Questions:
    """The questions that a patient is asked."""
    return _parsed(_row(clinic, patient_id)["questions"])


def questions_of_each(clinic: Clinic) -> tuple[Questions, dict[int, Questions]]:
    """The questions of the clinic, and {patient id: questions} of those patients for whom others
    hold; one query for all."""
    with clinic.read() as c:
        found = rows(c, "SELECT patient_id, questions FROM clinic_settings")
    own = next((r["questions"] for r in found if r["patient_id"] is None), "")
    came = {r["patient_id"]: r["questions"] for r in found if r["patient_id"] is not None}
    others = {p: _parsed(text) for p, text in came.items() if text and not own}
    return _parsed(own), others


def own_questions_text(clinic: Clinic) -> str:
    """The clinic's own file of questions, or the one that formcheck comes with."""
    return _row(clinic, None)["questions"] or shipped_questions_text()


def has_own_questions(clinic: Clinic) -> bool:
    return bool(_row(clinic, None)["questions"])


def settings_mapping(clinic: Clinic, patient_id: int) -> dict[str, str]:
    """What travels with the clinic's file for a patient."""
    return _row(clinic, patient_id)


def checked_contact(phone: str, hours: str, emergency: str) -> Contact:
    """A contact as it may stand on a page. Raises UsageError."""
    given = {"phone": phone, "hours": hours, "emergency": emergency}
    given = {name: " ".join(text.split()) for name, text in given.items()}
    for name, words, most in (
        ("phone", "the clinic's phone number", 40),
        ("hours", "the hours", 80),
        ("emergency", "the emergency number", 40),
    ):
        if len(given[name]) > most:
            raise UsageError(f"{words}: write up to {most} signs")
    for name, words in (
        ("phone", "the clinic's phone number"),
        ("emergency", "the emergency number"),
    ):
        if given[name] and len(re.findall(r"\d", given[name])) < 2:
            raise UsageError(f"{words}: write a number that can be dialled")
    return Contact(**given)


def keep_contact(clinic: Clinic, contact: Contact) -> None:
    """Keeps this clinic's own contact."""
    with clinic.write() as c:
        _keep(c, None, phone=contact.phone, hours=contact.hours, emergency=contact.emergency)


def keep_questions(clinic: Clinic, text: str) -> None:
    """Keeps the clinic's own questions; an empty text brings the shipped ones back.

    Raises FileError with every fault, each with its line and the mend.
    """
    text = text.replace("\r\n", "\n").strip()
    if text:
        text += "\n"
        parse_questions(text, QUESTIONS_NAME)
        if text == shipped_questions_text():
            text = ""
    with clinic.write() as c:
        _keep(c, None, questions=text)


def keep_received(clinic: Clinic, patient_id: int, values: object) -> None:
    """Keeps what came with the clinic's file for a patient.

    Raises UsageError or FileError for what a clinic's settings cannot hold.
    """
    if not isinstance(values, dict):
        return
    given = {name: str(values.get(name) or "") for name in _EMPTY}
    contact = checked_contact(given["phone"], given["hours"], given["emergency"])
    if given["questions"]:
        _parsed(given["questions"])
    with clinic.write() as c:
        _keep(
            c,
            patient_id,
            phone=contact.phone,
            hours=contact.hours,
            emergency=contact.emergency,
            questions=given["questions"],
        )


def _keep(connection, patient_id: int | None, **values: str) -> None:
    is_there = one(connection, "SELECT 1 FROM clinic_settings WHERE patient_id IS :p", p=patient_id)
    if not is_there:
        change(
            connection,
            "INSERT INTO clinic_settings (patient_id, saved_at) VALUES (:p, :at)",
            p=patient_id,
            at=now(),
        )
    sets = ", ".join(f"{name} = :{name}" for name in values)
    change(
        connection,
        f"UPDATE clinic_settings SET {sets}, saved_at = :at WHERE patient_id IS :p",
        p=patient_id,
        at=now(),
        **values,
    )
