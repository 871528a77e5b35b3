"""Deleting a set or a patient: the recording and everything derived goes; that it went stays."""

import contextlib
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from formcheck.clinic.database import Clinic, add, change, now, one, rows
from formcheck.clinic.folder import remove_folder
from formcheck.model.errors import UsageError


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
    """Deletes a set, its recording, results, answers and corrections. Raises UsageError."""
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
        change(c, "DELETE FROM sets WHERE id = :id", id=row["id"])
        _record(
            c, "set", row["code"], f"{row['exercise']}, {row['side']}, {row['day']}", 1, by, reason
        )
    _remove_files(clinic, [(uid, row["recording"])])


def delete_patient(clinic: Clinic, code: str, *, by: str, reason: str) -> None:
    """Deletes a patient with every set, answer, prescription and finding. Raises UsageError."""
    _need(by, reason)
    with clinic.write() as c:
        patient = one(c, "SELECT id FROM patients WHERE code = :c", c=code)
        if patient is None:
            raise UsageError(f"there is no patient {code}")
        files = [
            (r["uid"], r["recording"])
            for r in rows(
                c, "SELECT uid, recording FROM sets WHERE patient_id = :p", p=patient["id"]
            )
        ]
        uploads = [
            r["uid"]
            for r in rows(c, "SELECT uid FROM uploads WHERE patient_id = :p", p=patient["id"])
        ]
        change(c, "DELETE FROM patients WHERE id = :p", p=patient["id"])
        _record(c, "patient", code, "everything of this patient", len(files), by, reason)
    _remove_files(clinic, files, uploads)


def delete_older_sets(clinic: Clinic, days: int) -> int:
    """How many sets were deleted that arrived more than `days` days ago."""
    if days < 1:
        raise UsageError("--retain-days: write 1 or more days")
    before = (datetime.now(UTC) - timedelta(days=days)).isoformat(timespec="seconds")
    with clinic.read() as c:
        found = [r["uid"] for r in rows(c, "SELECT uid FROM sets WHERE received_at < :b", b=before)]
    for uid in found:
        with contextlib.suppress(UsageError):  # deleted by hand meanwhile
            delete_set(clinic, uid, by="retention", reason=f"older than {days} days")
    return len(found)


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


def _record(c, what, code, about, n_sets, by, reason) -> None:
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


def _remove_files(clinic: Clinic, files, uploads=()) -> None:
    # Rows first: a kill in between leaves stray files, which the next start removes.
    for uid, recording in files:
        clinic.folder.recording(recording).unlink(missing_ok=True)
        remove_folder(clinic.folder.result(uid))
    for uid in uploads:
        clinic.folder.upload(uid).unlink(missing_ok=True)
    _truncate_log(clinic)
    for copy in clinic.folder.root.glob("clinic.before-*.db"):
        copy.unlink(missing_ok=True)


def _truncate_log(clinic: Clinic) -> None:
    """What was deleted is not to linger in the write-ahead log."""
    raw = clinic.engine.raw_connection()
    try:
        raw.driver_connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    finally:
        raw.close()
