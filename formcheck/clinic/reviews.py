"""What a clinician does with a measured set: corrections, comments, the review that ends it."""

import contextlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

from formcheck.clinic.database import Clinic, add, change, now, one, rows, today
from formcheck.clinic.patients import checked_initials
from formcheck.clinic.sets import Outcome, SetMean, StoredSet, find_set, keep_outcome, stored_report
from formcheck.files.report_file import read_report_json, report_from_mapping, report_mapping
from formcheck.files.storage import write_text
from formcheck.model.errors import UsageError
from formcheck.model.records import Report, outcome_of_code
from formcheck.report.corrections import (
    CorrectedReport,
    Correction,
    check_correction,
    corrected,
    counts,
    set_means,
)
from formcheck.words.first_line import set_sentence

MOVED_NAME = "moved.json"
"""The report of a set measured within limits that a clinician moved, beside report.json."""
_BODY = ("start_s", "end_s", "measure", "check_kind", "outcome", "at_s", "words")


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptCorrection:
    """A correction as it is kept; withdrawn ones are kept too."""

    id: int
    correction: Correction
    withdrawn_by: str | None
    withdrawn_at: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """That a set was reviewed, or opened again and why."""

    kind: Literal["reviewed", "opened again"]
    initials: str
    day: str
    at: str
    reason: str


def corrections_of(clinic: Clinic, set_id: int) -> tuple[KeptCorrection, ...]:
    """Everything that was changed or said of a set, in its order, withdrawn things included."""
    with clinic.read() as c:
        found = rows(c, "SELECT * FROM corrections WHERE set_id = :s ORDER BY id", s=set_id)
    return tuple(
        KeptCorrection(
            id=r["id"],
            correction=Correction(
                kind=r["kind"],
                repetition=r["repetition"],
                reason=r["reason"],
                made_by=r["made_by"],
                made_at=r["made_at"],
                **_body_of_today(json.loads(r["body"])),
            ),
            withdrawn_by=r["withdrawn_by"],
            withdrawn_at=r["withdrawn_at"],
        )
        for r in found
    )


def _body_of_today(body: dict[str, Any]) -> dict[str, Any]:
    """A correction's body with its outcome by the code of today."""
    if not body.get("outcome"):
        return body
    return {**body, "outcome": outcome_of_code(body["check_kind"], body["outcome"])}


def in_force(kept: Sequence[KeptCorrection]) -> tuple[Correction, ...]:
    """The corrections that were not withdrawn."""
    return tuple(k.correction for k in kept if k.withdrawn_at is None)


def reviews_of(clinic: Clinic, set_id: int) -> tuple[Review, ...]:
    """The reviews of a set, the first one first."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT kind, initials, day, at, reason FROM reviews
                           WHERE set_id = :s ORDER BY id""",
            s=set_id,
        )
    return tuple(Review(**r) for r in found)


def found_report(clinic: Clinic, stored: StoredSet, *, with_limits: bool = True) -> Report | None:
    """The report of a set as found; with the repetitions measured anew whose limits were moved,
    when `with_limits`."""
    report = stored_report(clinic, stored.uid)
    if report is None or not with_limits:
        return report
    folder = clinic.folder.result(stored.uid)
    path = folder / MOVED_NAME
    if path.exists():
        moved = json.loads(path.read_text(encoding="utf-8"))
        # Measured within limits that are no more in force, or not yet: the report stands.
        limits = [list(m) for m in moved_limits(clinic, stored.id)]
        if moved["of"] == report.created_at and moved.get("limits", limits) == limits:
            again = moved["report"]
            if "schema" not in again:  # of version 1.0, of which only what differs was kept
                again = {**read_report_json(folder / "report.json"), **again}
            measured = report_from_mapping(again, str(path))
            return replace(
                report,
                repetitions=measured.repetitions,
                whole=measured.whole,
                exercise_words=measured.exercise_words,
            )
    return report


def moved_limits(clinic: Clinic, set_id: int) -> tuple[tuple[int, float, float], ...]:
    """(repetition, start, end) of the limits in force that a person moved; seconds."""
    moved = {
        c.repetition: (c.repetition, c.start_s, c.end_s)
        for c in in_force(corrections_of(clinic, set_id))
        if c.kind == "limits"
    }
    return tuple(moved.values())


def keep_moved(
    clinic: Clinic, uid: str, of: Report, moved: Report, limits: Sequence[tuple[int, float, float]]
) -> None:
    """Keeps the report of repetitions measured within moved limits beside the one found."""
    body = {"of": of.created_at, "limits": limits, "report": report_mapping(moved)}
    write_text(clinic.folder.result(uid) / MOVED_NAME, json.dumps(body))


def corrected_report(clinic: Clinic, stored: StoredSet) -> CorrectedReport | None:
    """The report of a set with the corrections in force laid over it, or None."""
    report = found_report(clinic, stored)
    if report is None:
        return None
    return corrected(report, in_force(corrections_of(clinic, stored.id)))


def between_days(clinic: Clinic, uid: str) -> dict[str, tuple[float, float]]:
    """{measure: (own, shared)} variances that count between days, as the analysis left them."""
    path = clinic.folder.result(uid) / "between_days.json"
    with contextlib.suppress(OSError, ValueError, TypeError):
        found = json.loads(path.read_text(encoding="utf-8"))
        return {key: (float(own), float(shared)) for key, (own, shared) in found.items()}
    return {}


def outcome_of(found: CorrectedReport, between: Mapping[str, tuple[float, float]] = {}) -> Outcome:
    """What a corrected report comes to, for lists. between : see `between_days`."""
    whole, n = found.report.whole, counts(found)
    means = tuple(
        SetMean(
            key=mean.key,
            value=mean.value,
            low=mean.low,
            high=mean.high,
            n=k,
            between_standard=math.sqrt(between[mean.key][0] / k + between[mean.key][1])
            if mean.key in between
            else None,
        )
        for mean, k in set_means(found)
    )
    return Outcome(
        n_repetitions=whole.n_repetitions,
        n_complete=whole.n_complete,
        n_not_met=n.n_not_met,
        n_open=n.n_open,
        n_passed=n.n_passed,
        n_doubtful=n.n_doubtful,
        n_limit_unseen=n.n_limit_unseen,
        n_remarked=n.n_remarked,
        dose_prescribed=whole.dose_prescribed,
        dose_done=whole.dose_done,
        summary=set_sentence(found.report, "clinician"),
        means=means,
    )


def _open_set(clinic: Clinic, uid: str) -> StoredSet:
    stored = find_set(clinic, uid)
    if stored is None:
        raise UsageError("that set is not there any more")
    if stored.is_final:
        raise UsageError("this set was reviewed and is final; open it again first")
    return stored


def refresh_outcome(clinic: Clinic, uid: str) -> None:
    """Brings the row of a set up to its corrections, none of which is made meanwhile."""
    with clinic.one_change():
        stored = find_set(clinic, uid)
        found = corrected_report(clinic, stored) if stored else None
        if stored is not None and found is not None:
            with clinic.write() as c:
                keep_outcome(c, stored.id, outcome_of(found, between_days(clinic, uid)))


def add_correction(clinic: Clinic, uid: str, correction: Correction) -> int:
    """The row id of the kept correction.

    Raises UsageError when it does not fit the set, or when the set is final.
    """
    with clinic.one_change():
        stored = _open_set(clinic, uid)
        report = found_report(clinic, stored)
        if report is None:
            raise UsageError("this set has not been measured; there is nothing to correct")
        check_correction(correction, report)
        made = replace(correction, made_by=checked_initials(correction.made_by), made_at=now())
        body = {k: v for k, v in asdict(made).items() if k in _BODY}
        with clinic.write() as c:
            row = add(
                c,
                "corrections",
                set_id=stored.id,
                kind=made.kind,
                repetition=made.repetition,
                body=json.dumps(body),
                reason=made.reason.strip(),
                made_by=made.made_by,
                made_at=made.made_at,
            )
        refresh_outcome(clinic, uid)
    return row


def withdraw_correction(clinic: Clinic, uid: str, correction_id: int, by: str) -> None:
    """Takes a correction out of force; that it was made stays."""
    with clinic.one_change():
        stored = _open_set(clinic, uid)
        with clinic.write() as c:
            n = change(
                c,
                """UPDATE corrections SET withdrawn_by = :by, withdrawn_at = :at
                      WHERE id = :id AND set_id = :s AND withdrawn_at IS NULL""",
                by=checked_initials(by),
                at=now(),
                id=correction_id,
                s=stored.id,
            )
        if not n:
            raise UsageError("that correction is not in force")
        refresh_outcome(clinic, uid)


def review_sets(clinic: Clinic, uids: Sequence[str], initials: str) -> int:
    """How many sets were made final. A set still being measured is left alone.

    Raises UsageError when the initials are unfit.
    """
    initials = checked_initials(initials)
    n = 0
    with clinic.write() as c:
        for uid in dict.fromkeys(uids):
            row = one(
                c,
                """SELECT id FROM sets WHERE uid = :u
                            AND state IN ('measured', 'not measured')""",
                u=uid,
            )
            if row is None:
                continue
            add(
                c,
                "reviews",
                set_id=row["id"],
                kind="reviewed",
                initials=initials,
                day=today().isoformat(),
                at=now(),
            )
            change(
                c,
                """UPDATE sets SET state = 'reviewed', seen_on = coalesce(seen_on, :d)
                         WHERE id = :id""",
                d=today().isoformat(),
                id=row["id"],
            )
            n += 1
    return n


def open_again(clinic: Clinic, uid: str, initials: str, reason: str) -> None:
    """Makes a reviewed set open to corrections; the earlier review stays on record."""
    initials = checked_initials(initials)
    if not reason.strip():
        raise UsageError("write why the set is opened again")
    with clinic.write() as c:
        row = one(c, "SELECT id, reason FROM sets WHERE uid = :u AND state = 'reviewed'", u=uid)
        if row is None:
            raise UsageError("only a reviewed set can be opened again")
        add(
            c,
            "reviews",
            set_id=row["id"],
            kind="opened again",
            initials=initials,
            day=today().isoformat(),
            at=now(),
            reason=reason.strip()[:500],
        )
        state = "not measured" if row["reason"] else "measured"
        change(c, "UPDATE sets SET state = :s WHERE id = :id", s=state, id=row["id"])
