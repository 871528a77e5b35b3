"""Deleting a set or a patient: the recording and everything derived goes; that it went stays."""

import contextlib
from collections.abc import Callable
from dataclasses import dataclass

from formcheck.clinic.answers import answers_of
from formcheck.clinic.backup import remove_backup_leftovers
from formcheck.clinic.database import Clinic, add, change, now, one, open_clinic, rows, today
from formcheck.clinic.folder import remove_folder
from formcheck.clinic.patients import find_patient
from formcheck.clinic.restoring import earlier_folders
from formcheck.clinic.safety import standing
from formcheck.clinic.sets import find_set
from formcheck.clinic.settings import questions_for
from formcheck.clinic.uploads import remove_strays, remove_upload_files
from formcheck.model.errors import FormcheckError, UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class Deletion:
    """The record that something went: what, of which code, when, by whom and why."""

    at: str
    what: str
    patient_code: str
    about: str
    n_sets: int
    made_by: str
    reason: str


def delete_set(clinic: Clinic, uid: str, *, by: str, reason: str) -> None:
    """Deletes a set, its recording, results, answers and corrections, here and in what restores
    have put aside. Where its answers hold the patient back today, they stay, as of no set, until
    the patient is deleted. Raises UsageError."""
    _need(by, reason)
    with clinic.write() as c:
        row = one(
            c,
            """SELECT s.*, p.code FROM sets s JOIN patients p ON p.id = s.patient_id
                        WHERE uid = :u""",
            u=uid,
        )
        if row is None:
            raise UsageError("that set is not there any more")
    about = f"{row['exercise']}, {row['side']}, {row['day']}"
    about += _elsewhere(clinic, lambda other: _remove_set(other, uid))
    with clinic.one_change():
        _remove_set_row(clinic, uid)
        _record(clinic, "set", row["code"], about, 1, by, reason)
    _remove_files(clinic, [(uid, row["recording"])])


def delete_patient(clinic: Clinic, code: str, *, by: str, reason: str) -> None:
    """Deletes a patient with every set, answer, prescription and finding, here and in what
    restores have put aside. Raises UsageError."""
    _need(by, reason)
    patient = find_patient(clinic, code)
    if patient is None:
        raise UsageError(f"there is no patient {code}")
    about = "everything of this patient"
    about += _elsewhere(clinic, lambda other: _remove_patient(other, patient.exchange_key))
    with clinic.one_change():
        found = _remove_patient_rows(clinic, patient.exchange_key)
        _record(clinic, "patient", code, about, len(found.sets), by, reason)
    _remove_files(clinic, found.sets, found.uploads)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Files:
    """What rows that are gone have left: (set, recording) and (upload, suffix)."""

    sets: tuple[tuple[str, str], ...] = ()
    uploads: tuple[tuple[str, str], ...] = ()


def _remove_set_row(clinic: Clinic, uid: str) -> None:
    is_standing_changed = answers_hold(clinic, uid)
    with clinic.write() as c:
        change(c, "DELETE FROM comments_received WHERE set_uid = :u", u=uid)
        if is_standing_changed:
            change(
                c,
                """UPDATE answers SET set_id = NULL
                      WHERE set_id = (SELECT id FROM sets WHERE uid = :u)""",
                u=uid,
            )
        change(c, "DELETE FROM sets WHERE uid = :u", u=uid)


def answers_hold(clinic: Clinic, uid: str) -> bool:
    """Whether a patient would stand otherwise today without the answers of a set: what holds them
    back, and what ended it, was said by them and is not derived from the recording."""
    stored = find_set(clinic, uid)
    if stored is None:
        return False
    said = answers_of(clinic, stored.patient_id)
    others = [a for a in said if a.set_id != stored.id]
    day, questions = today().isoformat(), questions_for(clinic, stored.patient_id)
    return standing(said, day, questions) != standing(others, day, questions)


def _remove_patient_rows(clinic: Clinic, exchange_key: str) -> _Files:
    with clinic.write() as c:
        patient = one(c, "SELECT id FROM patients WHERE exchange_key = :k", k=exchange_key)
        if patient is None:
            return _Files()
        p = patient["id"]
        sets = rows(c, "SELECT uid, recording FROM sets WHERE patient_id = :p", p=p)
        uploads = rows(c, "SELECT uid, suffix FROM uploads WHERE patient_id = :p", p=p)
        change(c, "DELETE FROM patients WHERE id = :p", p=p)
    return _Files(
        sets=tuple((r["uid"], r["recording"]) for r in sets),
        uploads=tuple((r["uid"], r["suffix"]) for r in uploads),
    )


def _remove_set(clinic: Clinic, uid: str) -> None:
    stored = find_set(clinic, uid)
    if stored is not None:
        _remove_set_row(clinic, uid)
        _remove_files(clinic, [(uid, stored.recording)])


def _remove_patient(clinic: Clinic, exchange_key: str) -> None:
    found = _remove_patient_rows(clinic, exchange_key)
    _remove_files(clinic, found.sets, found.uploads)


def _elsewhere(clinic: Clinic, remove: Callable[[Clinic], None]) -> str:
    """Removes in every folder that a restore put aside; in words, where that could not be done.

    Done before the folder in use: a kill in between leaves what can be deleted again.
    """
    failed = []
    for place in earlier_folders(clinic.folder.root):
        try:
            with contextlib.closing(open_clinic(place)) as other:
                remove_strays(other)
                remove(other)
        except (FormcheckError, OSError):
            failed.append(place.name)
    return f"; still in {', '.join(failed)}: remove that folder by hand" if failed else ""


def deletions(clinic: Clinic) -> tuple[Deletion, ...]:
    """What was deleted, the newest first."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT at, what, patient_code, about, n_sets, made_by, reason
                           FROM deletions ORDER BY id DESC""",
        )
    return tuple(Deletion(**r) for r in found)


def _need(by: str, reason: str) -> None:
    if not by.strip():
        raise UsageError("write your initials")
    if not reason.strip():
        raise UsageError("write why it is deleted")


def _record(clinic: Clinic, what, code, about, n_sets, by, reason) -> None:
    with clinic.write() as c:
        add(
            c,
            "deletions",
            at=now(),
            what=what,
            patient_code=code,
            about=about,
            n_sets=n_sets,
            made_by=by.strip()[:20],
            reason=reason.strip()[:300],
        )


def _remove_files(clinic: Clinic, sets, uploads=()) -> None:
    # Rows first: a kill in between leaves stray files, which the next start removes.
    for uid, recording in sets:
        clinic.folder.recording(recording).unlink(missing_ok=True)
        remove_folder(clinic.folder.result(uid))
    for uid, suffix in uploads:
        remove_upload_files(clinic, uid, suffix)
    _truncate_log(clinic)
    for copy in clinic.folder.root.glob("clinic.before-*.db"):
        copy.unlink(missing_ok=True)
    remove_backup_leftovers(clinic.folder)


def _truncate_log(clinic: Clinic) -> None:
    """What was deleted is not to linger in the write-ahead log."""
    raw = clinic.engine.raw_connection()
    try:
        raw.driver_connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    finally:
        raw.close()
