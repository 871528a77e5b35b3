"""Patients, known by a code only, and their prescriptions with every earlier version."""

import hashlib
import json
import re
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

from formcheck.clinic.database import Clinic, add, change, local_day, now, one, rows, today
from formcheck.files.prescription_rules import prescription_faults
from formcheck.files.schema import parse_prescription
from formcheck.files.toml_lines import TomlFault, read_toml
from formcheck.model.errors import FileError, UsageError
from formcheck.model.programme import Prescription
from formcheck.words.languages import DEFAULT, LANGUAGES
from formcheck.words.languages import day as day_in_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Patient:
    """A patient's own row. `exchange_key` proves that a file came from this patient or clinic."""

    id: int
    code: str
    created_at: str
    exchange_key: str
    criteria: str
    silent_days: int
    """Days without anything received after which the work list says so."""
    language: str
    """In which the patient reads; a tag of `languages.LANGUAGES`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PatientLine:
    """A patient in the list of patients."""

    code: str
    n_sets: int
    n_unreviewed: int
    last_day: str | None
    prescription_version: int | None
    review_on: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PrescriptionVersion:
    """One saved version of a prescription, as its file's text."""

    id: int
    patient_id: int
    version: int
    text: str
    sha256: str
    saved_at: str
    saved_by: str
    review_on: str | None

    def record(self) -> Prescription:
        """The prescription as a record."""
        return _record_of(self.text)

    @property
    def begins(self) -> date:
        """The first day on which it can be in force: when it was saved, or from when it holds."""
        return max(self.record().valid_from, local_day(self.saved_at))


@lru_cache(maxsize=256)
def _record_of(text: str) -> Prescription:
    return parse_prescription(text, PRESCRIPTION_NAME, is_kept=True)


PRESCRIPTION_NAME = "prescription"


def checked_code(code: str) -> str:
    """The code, when it may stand for a patient. Raises UsageError."""
    code = code.strip()
    if not code:
        raise UsageError("write a patient code, for instance KN-204")
    faults = prescription_faults({"patient": code}, lambda name: None, ())
    faults = [f for f in faults if f.path == ("patient",)]
    if faults:
        raise UsageError(faults[0].what)
    return code


def checked_initials(initials: str) -> str:
    """Initials as they may stand beside what a clinician did. Raises UsageError."""
    initials = initials.strip()
    if not re.fullmatch(r"\w[\w.\- ]{0,7}", initials):
        raise UsageError("write your initials, up to 8 letters, for instance A.B.")
    return initials


def _patient(row: Mapping[str, Any]) -> Patient:
    return Patient(**{name: row[name] for name in Patient.__slots__})


def checked_language(tag: str) -> str:
    """The tag, when pages can be told in that language. Raises UsageError."""
    if tag not in LANGUAGES:
        raise UsageError(f"choose one of these languages: {', '.join(LANGUAGES.values())}")
    return tag


def add_patient(
    clinic: Clinic, code: str, *, exchange_key: str | None = None, language: str = DEFAULT
) -> Patient:
    """The new patient. Raises UsageError when the code is unfit or taken, or no such language."""
    code, language = checked_code(code), checked_language(language)
    with clinic.write() as c:
        if one(c, "SELECT 1 FROM patients WHERE code = :code COLLATE NOCASE", code=code):
            raise UsageError(f"there is a patient {code} already")
        add(
            c,
            "patients",
            code=code,
            created_at=now(),
            exchange_key=exchange_key or secrets.token_hex(32),
            language=language,
        )
        return _patient(one(c, "SELECT * FROM patients WHERE code = :code", code=code))


def find_patient(clinic: Clinic, code: str) -> Patient | None:
    """The patient of a code, or None."""
    with clinic.read() as c:
        row = one(c, "SELECT * FROM patients WHERE code = :code", code=code)
    return _patient(row) if row else None


def patient_by_id(clinic: Clinic, patient_id: int) -> Patient | None:
    """The patient of a row id, or None when deleted."""
    with clinic.read() as c:
        row = one(c, "SELECT * FROM patients WHERE id = :id", id=patient_id)
    return _patient(row) if row else None


def list_patients(clinic: Clinic) -> tuple[PatientLine, ...]:
    """Every patient by code."""
    with clinic.read() as c:
        found = rows(
            c,
            """
            SELECT p.code, count(s.id) AS n_sets, max(s.day) AS last_day,
                   coalesce(sum(s.state IN ('measured', 'not measured')), 0) AS n_unreviewed,
                   (SELECT max(version) FROM prescriptions r WHERE r.patient_id = p.id)
                       AS prescription_version,
                   (SELECT review_on FROM prescriptions r WHERE r.patient_id = p.id
                    ORDER BY version DESC LIMIT 1) AS review_on
            FROM patients p LEFT JOIN sets s ON s.patient_id = p.id
            GROUP BY p.id ORDER BY p.code COLLATE NOCASE""",
        )
    return tuple(PatientLine(**row) for row in found)


def set_silent_days(clinic: Clinic, patient_id: int, days: int) -> None:
    """Keeps after how many silent days the patient comes to the work list."""
    if not 1 <= days <= 365:
        raise UsageError("write a number of days from 1 to 365")
    with clinic.write() as c:
        change(c, "UPDATE patients SET silent_days = :d WHERE id = :id", d=days, id=patient_id)


def set_language(clinic: Clinic, patient_id: int, tag: str) -> None:
    """Keeps in which language the patient reads. Raises UsageError."""
    tag = checked_language(tag)
    with clinic.write() as c:
        change(c, "UPDATE patients SET language = :t WHERE id = :id", t=tag, id=patient_id)


def follow_plan(clinic: Clinic, patient_id: int, tag: object) -> None:
    """The language that a plan of the clinic names: it is taken where the clinic has changed it
    since the plan before, so that a patient's own choice outlasts the next plan. A plan of an
    earlier version names none; one that this version does not have changes nothing."""
    if not isinstance(tag, str) or tag not in LANGUAGES:
        return
    with clinic.write() as c:
        change(
            c,
            """UPDATE patients SET language = :t, language_of_plan = :t
               WHERE id = :id AND language_of_plan != :t""",
            t=tag,
            id=patient_id,
        )


def save_criteria(clinic: Clinic, patient_id: int, criteria: Mapping[str, Any]) -> None:
    """Keeps the criteria that were changed for this patient; the rest stay at their defaults."""
    with clinic.write() as c:
        change(
            c,
            "UPDATE patients SET criteria = :j WHERE id = :id",
            j=json.dumps(dict(criteria), sort_keys=True),
            id=patient_id,
        )


# -- prescriptions


def checked_prescription(text: str, code: str) -> Prescription:
    """The prescription that a text holds for a patient, by the rules of the files.

    Raises FileError with every fault. Exercise files beside the prescription are refused here:
    a page has no folder to look beside.
    """
    try:
        lines = read_toml(text)[0].get("exercises", [])
    except TomlFault:
        lines = []
    for n, line in enumerate(lines if isinstance(lines, list) else []):
        name = line.get("exercise") if isinstance(line, dict) else None
        if isinstance(name, str) and (name.endswith(".toml") or "/" in name or "\\" in name):
            fault = (
                f"{PRESCRIPTION_NAME}: exercises[{n}].exercise: names a file; in the clinic's "
                "pages use an exercise of the catalogue"
            )
            raise FileError(fault, (fault,))
    record = parse_prescription(text, PRESCRIPTION_NAME)
    if record.patient != code:
        fault = f"{PRESCRIPTION_NAME}: patient: is {record.patient}, and these pages are of {code}"
        raise FileError(fault, (fault,))
    if not record.exercises:
        fault = f"{PRESCRIPTION_NAME}: exercises: none was chosen; add at least one"
        raise FileError(fault, (fault,))
    return record


class ChangedMeanwhile(UsageError):
    """Somebody else has saved a version since this one was begun."""


def kept_text(text: str) -> str:
    """A prescription's text as it is kept: the same lines, whoever wrote them."""
    return text.replace("\r\n", "\n").strip("\n") + "\n"


def save_prescription(
    clinic: Clinic, patient: Patient, text: str, by: str, *, based_on: int | None = None
) -> PrescriptionVersion:
    """The prescription as a further version; the earlier ones stay. Raises FileError.

    An unchanged text makes no new version. based_on : the version that was changed, 0 for none;
    raises ChangedMeanwhile when there is a later one by now.
    """
    text = kept_text(text)
    record = checked_prescription(text, patient.code)
    digest = hashlib.sha256(text.encode()).hexdigest()
    with clinic.write() as c:
        last = one(
            c,
            """SELECT * FROM prescriptions WHERE patient_id = :p
                         ORDER BY version DESC LIMIT 1""",
            p=patient.id,
        )
        if last and last["sha256"] == digest:
            return _version(last)
        if based_on is not None and last and last["version"] != based_on:
            raise ChangedMeanwhile(
                f"{last['saved_by']} saved version {last['version']} while you were writing; "
                "nothing of it and nothing of yours is lost: compare the two, then save again"
            )
        add(
            c,
            "prescriptions",
            patient_id=patient.id,
            version=(last["version"] if last else 0) + 1,
            text=text,
            sha256=digest,
            saved_at=now(),
            saved_by=checked_initials(by),
            review_on=record.review_on.isoformat() if record.review_on else None,
        )
        return _version(
            one(
                c,
                """SELECT * FROM prescriptions WHERE patient_id = :p
                                  ORDER BY version DESC LIMIT 1""",
                p=patient.id,
            )
        )


def _version(row: Mapping[str, Any]) -> PrescriptionVersion:
    return PrescriptionVersion(**{name: row[name] for name in PrescriptionVersion.__slots__})


def prescriptions_of(clinic: Clinic, patient_id: int) -> tuple[PrescriptionVersion, ...]:
    """Every version, the newest first."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT * FROM prescriptions WHERE patient_id = :p
                           ORDER BY version DESC""",
            p=patient_id,
        )
    return tuple(_version(row) for row in found)


def newest_prescription(clinic: Clinic, patient_id: int) -> PrescriptionVersion | None:
    """The version that was saved last, in force or from a later day on, or None."""
    found = prescriptions_of(clinic, patient_id)
    return found[0] if found else None


def current_prescription(
    clinic: Clinic, patient_id: int, day: date | None = None
) -> PrescriptionVersion | None:
    """The version in force on a day (today), or None where there is none at all."""
    return in_force_on(prescriptions_of(clinic, patient_id), day or today())


def course_of(
    versions: Sequence[PrescriptionVersion], day: date
) -> tuple[tuple[date, PrescriptionVersion], ...]:
    """(from when, version) of a day and of what is to come after it as things stand; versions :
    the newest first."""
    days = sorted({day, *(v.begins for v in versions if v.begins > day)})
    found = [(d, v) for d in days if (v := in_force_on(versions, d)) is not None]
    return tuple(of for n, of in enumerate(found) if n == 0 or of[1] is not found[n - 1][1])


def coming_words(clinic: Clinic, patient_id: int) -> str:
    """A sentence about a version that is in force only later; empty where there is none."""
    course = course_of(prescriptions_of(clinic, patient_id), today())
    if len(course) < 2:
        return ""
    begins, version = course[1]
    return (
        f"This file holds version {course[0][1].version} of the prescription, in force now; "
        f"version {version.version} begins on {day_in_words(begins)}: make it again then."
    )


def in_force_on(versions: Sequence[PrescriptionVersion], day: date) -> PrescriptionVersion | None:
    """Of versions, the newest first, the newest that had begun by a day; before any had, the one
    that begins first. A version that begins later leaves the one before it in force until then."""
    begun = (v for v in versions if v.begins <= day)
    return next(begun, None) or min(versions, key=lambda v: v.begins, default=None)


def prescription_by_id(clinic: Clinic, prescription_id: int) -> PrescriptionVersion | None:
    """A version by its row id, or None."""
    with clinic.read() as c:
        row = one(c, "SELECT * FROM prescriptions WHERE id = :id", id=prescription_id)
    return _version(row) if row else None
