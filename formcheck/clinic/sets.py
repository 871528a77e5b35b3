"""Recorded sets: what each shows, where its recording is, and how far it has come."""

import contextlib
import hashlib
import json
import os
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from formcheck.clinic.database import Clinic, add, change, now, one, rows
from formcheck.clinic.folder import RECORDING_SUFFIXES
from formcheck.clinic.safety import SetFacts, set_reasons
from formcheck.files.storage import output_error, sync_folder
from formcheck.model.errors import UsageError
from formcheck.model.records import Report
from formcheck.model.safety import SetReason

State = Literal["recorded", "analysing", "measured", "reviewed", "not measured"]
STATE_WORDS: dict[str, str] = {
    "recorded": "waiting to be measured",
    "analysing": "being measured",
    "measured": "measured, to be reviewed",
    "reviewed": "reviewed",
    "not measured": "could not be measured",
}
MOST_RECORDING_BYTES = 600_000_000
"""About ten minutes of a phone's 1080p video; chosen as common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AboutSet:
    """What is known of a set before anything is measured."""

    exercise: str
    side: Literal["left", "right", "both"]
    day: str
    set_number: int = 1
    prescription_id: int | None = None
    is_mirrored: bool = False
    origin: Literal["recorded", "dropped in", "imported"] = "dropped in"
    support: str = ""
    load_kg: float | None = None
    before_answer: int | None = None
    """The patient's answer that was given before this set."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredSet:
    """A set as the clinic keeps it. The n_ counts are those after corrections."""

    id: int
    uid: str
    patient_id: int
    patient_code: str
    prescription_id: int | None
    exercise: str
    side: str
    set_number: int
    day: str
    received_at: str
    recording: str
    recording_bytes: int
    recording_sha256: str
    is_mirrored: bool
    origin: str
    support: str
    load_kg: float | None
    state: State
    reason: str
    n_repetitions: int
    n_complete: int
    n_not_met: int
    n_open: int
    n_passed: int
    n_doubtful: int
    dose_prescribed: int | None
    dose_done: int
    summary: str
    has_overlay: bool
    seen_on: str | None
    n_limit_unseen: int
    n_remarked: int
    attention: tuple[SetReason, ...]
    """Why it is to be looked at; empty where nothing in it asks for that."""

    @property
    def is_final(self) -> bool:
        return self.state == "reviewed"

    @property
    def is_measured(self) -> bool:
        """Whether it was measured; one that could not be stays so when it was reviewed."""
        return self.state in ("measured", "reviewed") and not self.reason


@dataclass(frozen=True, slots=True, kw_only=True)
class SetMean:
    """A measure over a set: mean of its kept complete repetitions with its 95 % interval.

    `between_standard` is its standard uncertainty for comparing days; None where not known.
    """

    key: str
    value: float
    low: float
    high: float
    n: int
    between_standard: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a measured set comes to, for lists."""

    n_repetitions: int
    n_complete: int
    n_not_met: int
    n_open: int
    n_passed: int
    n_doubtful: int
    dose_prescribed: int | None
    dose_done: int
    summary: str
    n_limit_unseen: int = 0
    n_remarked: int = 0
    means: tuple["SetMean", ...] = ()

    @property
    def attention(self) -> tuple[SetReason, ...]:
        """Why the set is to be looked at."""
        return set_reasons(SetFacts(**{name: getattr(self, name) for name in SetFacts.__slots__}))


_SELECT = """SELECT s.*, p.code AS patient_code FROM sets s
             JOIN patients p ON p.id = s.patient_id """


def stored_set(row: Mapping[str, Any]) -> StoredSet:
    """A row of the table as a record."""
    values = {name: row[name] for name in StoredSet.__slots__}
    for name in ("is_mirrored", "has_overlay"):
        values[name] = bool(values[name])
    kept = values["attention"]
    values["attention"] = ("not_counted",) if kept is None else tuple(kept.split())
    return StoredSet(**values)


def new_uid() -> str:
    """A name of our own for a set and its files."""
    return secrets.token_hex(16)


def checked_suffix(name: str) -> str:
    """The kind of video that a file's name says. Raises UsageError for any other file."""
    suffix = Path(name).suffix.lower()
    if suffix not in RECORDING_SUFFIXES:
        raise UsageError(f"this is no video file we can read; use {', '.join(RECORDING_SUFFIXES)}")
    return suffix


def looks_like_video(head: bytes) -> bool:
    """Whether the first bytes are those of a container that we take (MP4/MOV, Matroska/WebM,
    AVI)."""
    return (
        head[4:8] in (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip")
        or head[:4] == b"\x1a\x45\xdf\xa3"
        or (head[:4] == b"RIFF" and head[8:12] == b"AVI ")
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedRecording:
    """A recording in its place, on the disk, of which no row knows yet."""

    uid: str
    name: str
    n_bytes: int
    sha256: str


def place_recording(
    clinic: Clinic, recording: Path, *, uid: str | None = None, suffix: str | None = None
) -> PlacedRecording:
    """Moves a file of ours (a finished upload) to where recordings lie, content and names on the
    disk before anything says that it is there.

    Raises UsageError when it is no video or too large.
    """
    uid = uid or new_uid()
    suffix = suffix or checked_suffix(recording.name.removesuffix(".part"))
    n_bytes = recording.stat().st_size
    if n_bytes > MOST_RECORDING_BYTES:
        raise UsageError("the recording is larger than 600 MB; film one set at a time")
    digest = hashlib.sha256()
    with recording.open("rb") as file:
        head = file.read(16)
        if not looks_like_video(head):
            raise UsageError("this file is no video; choose the recording itself")
        digest.update(head)
        for block in iter(lambda: file.read(1 << 20), b""):
            digest.update(block)
        os.fsync(file.fileno())
    target = clinic.folder.recording(uid + suffix)
    try:
        recording.chmod(0o600)
        os.replace(recording, target)
    except OSError as error:
        raise output_error(error, target) from error
    for folder in {target.parent, recording.parent}:
        sync_folder(folder)
    return PlacedRecording(uid=uid, name=target.name, n_bytes=n_bytes, sha256=digest.hexdigest())


def insert_set(clinic: Clinic, patient_id: int, about: AboutSet, placed: PlacedRecording) -> None:
    """Writes the row of a set whose recording is in its place, and asks for its measuring."""
    with clinic.write() as c:
        set_id = add(
            c,
            "sets",
            uid=placed.uid,
            patient_id=patient_id,
            prescription_id=about.prescription_id,
            exercise=about.exercise,
            side=about.side,
            set_number=about.set_number,
            day=about.day,
            received_at=now(),
            recording=placed.name,
            recording_bytes=placed.n_bytes,
            recording_sha256=placed.sha256,
            is_mirrored=int(about.is_mirrored),
            origin=about.origin,
            support=about.support[:200],
            load_kg=about.load_kg,
        )
        if about.before_answer is not None:
            change(
                c,
                """UPDATE answers SET set_id = :s WHERE id = :a AND patient_id = :p
                         AND set_id IS NULL""",
                s=set_id,
                a=about.before_answer,
                p=patient_id,
            )
        # What was said while it was being recorded belongs to it.
        change(
            c,
            """UPDATE answers SET set_id = :s WHERE set_uid = :u AND patient_id = :p
                     AND set_id IS NULL""",
            s=set_id,
            u=placed.uid,
            p=patient_id,
        )
        add(c, "jobs", set_id=set_id, kind="measure", made_at=now())
        change(c, "DELETE FROM uploads WHERE uid = :u", u=placed.uid)


def add_set(
    clinic: Clinic,
    patient_id: int,
    about: AboutSet,
    recording: Path,
    *,
    uid: str | None = None,
    suffix: str | None = None,
) -> StoredSet:
    """The new set, its recording moved into the clinic and its measuring asked for.

    `recording` is a file of ours on the same disk (a finished upload). When the row cannot be
    written the file stays where recordings lie: whoever knows of it brings it back, and one that
    nobody knows goes at the next start.

    Raises UsageError when it is no video or too large.
    """
    placed = place_recording(clinic, recording, uid=uid, suffix=suffix)
    insert_set(clinic, patient_id, about, placed)
    return find_set(clinic, placed.uid)


def find_set(clinic: Clinic, uid: str, *, patient_id: int | None = None) -> StoredSet | None:
    """The set of a name, of this patient where one is given; None when there is none."""
    with clinic.read() as c:
        row = one(
            c,
            _SELECT + "WHERE s.uid = :u AND (:p IS NULL OR s.patient_id = :p)",
            u=uid,
            p=patient_id,
        )
    return stored_set(row) if row else None


def set_by_id(clinic: Clinic, set_id: int) -> StoredSet | None:
    """The set of a row id, or None when deleted."""
    with clinic.read() as c:
        row = one(c, _SELECT + "WHERE s.id = :id", id=set_id)
    return stored_set(row) if row else None


def set_load(clinic: Clinic, set_id: int, load_kg: float) -> None:
    """Keeps the load with which a set was done. Raises UsageError for one that cannot be."""
    if not 0 <= load_kg <= 500:
        raise UsageError("the weight is from 0 to 500 kg")
    with clinic.write() as c:
        change(c, "UPDATE sets SET load_kg = :kg WHERE id = :id", kg=load_kg, id=set_id)


def find_set_by_start(clinic: Clinic, start: str) -> StoredSet | None:
    """The one set whose name begins so (four signs at least), or None."""
    if len(start) < 4 or not all(c in "0123456789abcdef" for c in start):
        return None
    with clinic.read() as c:
        found = rows(c, _SELECT + "WHERE s.uid LIKE :u || '%' LIMIT 2", u=start)
    return stored_set(found[0]) if len(found) == 1 else None


def sets_of(
    clinic: Clinic, patient_id: int, *, limit: int = -1, day: str | None = None
) -> tuple[StoredSet, ...]:
    """The sets of a patient, the newest first."""
    with clinic.read() as c:
        found = rows(
            c,
            _SELECT
            + """WHERE s.patient_id = :p AND (:day IS NULL OR s.day = :day)
                            ORDER BY s.day DESC, s.id DESC LIMIT :n""",
            p=patient_id,
            n=limit,
            day=day,
        )
    return tuple(stored_set(row) for row in found)


def means_of(clinic: Clinic, patient_id: int) -> dict[int, dict[str, SetMean]]:
    """{set id: {measure: its mean}} of a patient's sets."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT m.* FROM set_measures m JOIN sets s ON s.id = m.set_id
                           WHERE s.patient_id = :p""",
            p=patient_id,
        )
    out: dict[int, dict[str, SetMean]] = {}
    for row in found:
        mean = SetMean(**{name: row[name] for name in SetMean.__slots__})
        out.setdefault(row["set_id"], {})[mean.key] = mean
    return out


def keep_outcome(connection, set_id: int, outcome: Outcome) -> None:
    """Writes what a set comes to into its row."""
    change(
        connection,
        """UPDATE sets SET n_repetitions = :n, n_complete = :nc, n_not_met = :nn, n_open = :no,
           n_passed = :np, n_doubtful = :nd, n_limit_unseen = :nl, n_remarked = :nr,
           dose_prescribed = :dp, dose_done = :dd, summary = :s, attention = :a
           WHERE id = :id""",
        n=outcome.n_repetitions,
        nc=outcome.n_complete,
        nn=outcome.n_not_met,
        no=outcome.n_open,
        np=outcome.n_passed,
        nd=outcome.n_doubtful,
        nl=outcome.n_limit_unseen,
        nr=outcome.n_remarked,
        a=" ".join(outcome.attention),
        dp=outcome.dose_prescribed,
        dd=outcome.dose_done,
        s=outcome.summary,
        id=set_id,
    )
    change(connection, "DELETE FROM set_measures WHERE set_id = :id", id=set_id)
    for m in outcome.means:
        add(
            connection,
            "set_measures",
            set_id=set_id,
            key=m.key,
            value=m.value,
            low=m.low,
            high=m.high,
            n=m.n,
            between_standard=m.between_standard,
        )


def mark_set_seen(clinic: Clinic, uid: str, day: str) -> None:
    """Keeps the day on which the clinic saw a set, as the clinic's file told it."""
    with clinic.write() as c:
        change(c, "UPDATE sets SET seen_on = coalesce(seen_on, :d) WHERE uid = :u", d=day, u=uid)


def stored_report(clinic: Clinic, uid: str) -> Report | None:
    """The report of a set as it was found, or None when there is none."""
    from formcheck.files.report_file import read_report

    path = clinic.folder.result(uid) / "report.json"
    if not path.exists():
        return None
    return read_report(path)


def stored_trace(clinic: Clinic, uid: str) -> dict | None:
    """The driving signal of a set over time, for the page's chart, or None."""
    path = clinic.folder.result(uid) / "trace.json"
    with contextlib.suppress(OSError, ValueError):
        return json.loads(path.read_text(encoding="utf-8"))
    return None
