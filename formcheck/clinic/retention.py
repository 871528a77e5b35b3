"""Deletion by age: it lists what is due, asks, and waits a day.

A clock that jumps ahead makes sets look old, so age alone deletes nothing: a clinician who reads
the list says which sets are to go, a day is left to take that back, and a set is then deleted only
if it is still older than the limit.
"""

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from formcheck.clinic.database import Clinic, change, now, rows
from formcheck.clinic.deletion import delete_set
from formcheck.clinic.patients import checked_initials
from formcheck.model.errors import UsageError

WAIT_H = 24
"""Hours between a clinician's word and the deletion (chosen: a night to think it over)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DueSet:
    """A set older than the limit. `confirmed_by` is empty until a clinician said that it goes."""

    uid: str
    patient_code: str
    exercise: str
    side: str
    day: str
    received_at: str
    days: int
    confirmed_by: str
    confirmed_at: str

    @property
    def goes_at(self) -> str:
        """The moment (UTC) from which on it is deleted; empty while nobody said so."""
        return _later(self.confirmed_at, WAIT_H) if self.confirmed_at else ""


def _later(at: str, hours: float) -> str:
    return (datetime.fromisoformat(at) + timedelta(hours=hours)).isoformat(timespec="seconds")


def list_due(clinic: Clinic, days: int) -> int:
    """How many sets are older than `days` days. The list is made anew: a set that is not, after
    the clock was set right, leaves it, with what was said of it."""
    if days < 1:
        raise UsageError("--retain-days: write 1 or more days")
    before = (datetime.now(UTC) - timedelta(days=days)).isoformat(timespec="seconds")
    with clinic.write() as c:
        change(
            c,
            """DELETE FROM due_deletions WHERE days != :d OR set_id NOT IN
                  (SELECT id FROM sets WHERE received_at < :b)""",
            d=days,
            b=before,
        )
        change(
            c,
            """INSERT OR IGNORE INTO due_deletions (set_id, listed_at, days)
                  SELECT id, :at, :d FROM sets WHERE received_at < :b""",
            at=now(),
            d=days,
            b=before,
        )
    return len(due_sets(clinic))


def due_sets(clinic: Clinic) -> tuple[DueSet, ...]:
    """The sets on the list, the oldest first."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT s.uid, p.code AS patient_code, s.exercise, s.side, s.day, s.received_at,
                      d.days, coalesce(d.confirmed_by, '') AS confirmed_by,
                      coalesce(d.confirmed_at, '') AS confirmed_at
                  FROM due_deletions d JOIN sets s ON s.id = d.set_id
                  JOIN patients p ON p.id = s.patient_id ORDER BY s.received_at, s.id""",
        )
    return tuple(DueSet(**row) for row in found)


def confirm(clinic: Clinic, uids: Sequence[str], by: str) -> int:
    """Keeps that these sets are to go; how many were new. Raises UsageError."""
    if not uids:
        raise UsageError("choose the sets to be deleted")
    return _say(clinic, uids, checked_initials(by), now())


def take_back(clinic: Clinic, uids: Sequence[str]) -> int:
    """Keeps that these sets stay for now; how many were to go."""
    return _say(clinic, uids, None, None)


def _say(clinic: Clinic, uids: Sequence[str], by: str | None, at: str | None) -> int:
    n = 0
    with clinic.write() as c:
        for uid in dict.fromkeys(uids):
            n += change(
                c,
                """UPDATE due_deletions SET confirmed_by = :by, confirmed_at = :at
                      WHERE set_id = (SELECT id FROM sets WHERE uid = :u)
                      AND (confirmed_at IS NULL) = (:at IS NOT NULL)""",
                by=by,
                at=at,
                u=uid,
            )
    return n


def delete_confirmed(clinic: Clinic, days: int) -> int:
    """How many sets were deleted: those a clinician named a day ago that are still too old."""
    list_due(clinic, days)
    found = [d for d in due_sets(clinic) if d.goes_at and d.goes_at <= now()]
    for due in found:
        with contextlib.suppress(UsageError):  # deleted by hand meanwhile
            delete_set(clinic, due.uid, by=due.confirmed_by, reason=f"older than {days} days")
    return len(found)
