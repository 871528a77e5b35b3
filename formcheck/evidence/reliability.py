"""Test-retest: how far two sessions of the same patient lie apart when nothing has changed.

Result folders (report.json) of separate days, the camera set up anew each time, are grouped by
patient, exercise and leg. The outcome is kept as reliability.json, from which a later change is
told from error.
"""

import csv
import datetime
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from formcheck.evidence.agreement import (
    Agreement,
    Icc,
    Repeatability,
    icc,
    limits_of_agreement,
    repeatability,
)
from formcheck.evidence.reliability_file import RELIABILITY_SCHEMA
from formcheck.files.report_file import read_report
from formcheck.model.errors import FileError, UsageError
from formcheck.model.measures import MEASURES

SESSIONS_FILE = "sessions.csv"
COLUMNS = ("folder", "patient", "session", "day")


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One measured set: whose, when, and the mean of each measure over complete repetitions."""

    patient: str
    session: str
    day: datetime.date
    exercise: str
    side: str
    means: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureReliability:
    """Reliability of one measure of one exercise.

    subjects : "patient side", one a row of `values`; values : sessions in the order of days.
    Where there are fewer than two subjects with two sessions, icc, repeatability and agreement
    are None. agreement : second session minus first.
    """

    exercise: str
    measure: str
    subjects: tuple[str, ...]
    values: tuple[tuple[float, ...], ...]
    n_left_out: int
    icc: Icc | None
    repeatability: Repeatability | None
    agreement: Agreement | None

    @property
    def n_sessions(self) -> int:
        return len(self.values[0]) if self.values else 0


def read_sessions(folder: Path, sessions_file: Path | None = None) -> tuple[Session, ...]:
    """The sessions that a table names: folder (below FOLDER), patient, session, day (ISO date).

    sessions_file : FOLDER/sessions.csv when not given.

    Raises
    ------
    UsageError
        No such folder.
    FileError
        The table or a report is missing or at fault; `faults` lists all, each with its line.
    """
    if not folder.is_dir():
        raise UsageError(f"{folder}: no such folder; give the folder that holds the results")
    path = sessions_file or folder / SESSIONS_FILE
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = list(csv.DictReader(file))
            columns = rows[0].keys() if rows else ()
    except OSError as error:
        raise FileError(
            f"{path}: cannot be read ({error.strerror}); write a table with the columns "
            f"{', '.join(COLUMNS)}"
        ) from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise FileError(f"{path}: is not a CSV table ({error}); write it anew") from error
    missing = [c for c in COLUMNS if c not in columns]
    if missing:
        raise FileError(
            f"{path}: needs a header line with {', '.join(COLUMNS)}, and a line for each session"
        )
    faults: list[str] = []
    sessions = []
    seen: dict[tuple, int] = {}
    read: dict[Path, int] = {}
    for number, row in enumerate(rows, start=2):
        place = f"{path.name}:{number}"
        session = _session(folder, row, place, faults)
        if session is None:
            continue
        results = (folder / row["folder"].strip()).resolve()
        if results in read:
            # The same results agree with themselves: the error would come out as nothing.
            faults.append(f"{place}: the same result folder as line {read[results]}")
            continue
        read[results] = number
        key = (session.patient, session.exercise, session.side, session.day)
        if key in seen:
            faults.append(
                f"{place}: the same patient, exercise, leg and day as line {seen[key]}; "
                "test-retest needs separate days"
            )
            continue
        seen[key] = number
        sessions.append(session)
    if faults:
        more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
        raise FileError(f"{path}: {faults[0]}{more}; mend it and run again", tuple(faults))
    return tuple(sessions)


def _session(folder: Path, row: Mapping, place: str, faults: list[str]) -> Session | None:
    text = {c: (row.get(c) or "").strip() for c in COLUMNS}
    empty = [c for c in COLUMNS if not text[c]]
    if empty:
        faults.append(f"{place}: {', '.join(empty)}: empty; fill it in")
        return None
    try:
        day = datetime.date.fromisoformat(text["day"])
    except ValueError:
        faults.append(f"{place}: day: {text['day']!r} is no date; write it like 2025-11-24")
        return None
    try:
        report = read_report(folder / text["folder"] / "report.json")
    except FileError as error:
        faults.append(f"{place}: folder: {error}")
        return None
    return Session(
        patient=text["patient"],
        session=text["session"],
        day=day,
        exercise=report.exercise,
        side=report.side,
        means=tuple((m.key, m.mean) for m in report.whole.measures if math.isfinite(m.mean)),
    )


def reliability(sessions: Sequence[Session]) -> tuple[MeasureReliability, ...]:
    """Reliability of every measure of every exercise, in the order of the vocabulary.

    The legs of one patient count as two subjects. All subjects need the same number of sessions:
    the number that the most of them reach (at least 2), each subject's first ones in time.
    """
    out = []
    for exercise in dict.fromkeys(s.exercise for s in sessions):
        of_exercise = [s for s in sessions if s.exercise == exercise]
        keys = {key for s in of_exercise for key, _ in s.means}
        out += [_of_measure(exercise, key, of_exercise) for key in MEASURES if key in keys]
    return tuple(out)


def _of_measure(exercise: str, key: str, sessions: Sequence[Session]) -> MeasureReliability:
    by_subject: dict[str, list[float]] = {}
    for s in sorted(sessions, key=lambda s: s.day):
        value = dict(s.means).get(key)
        if value is not None and math.isfinite(value):
            by_subject.setdefault(f"{s.patient} {s.side}", []).append(value)
    n_sessions = _best_number([len(v) for v in by_subject.values()])
    kept = {k: tuple(v[:n_sessions]) for k, v in by_subject.items() if len(v) >= n_sessions}
    table = np.array(list(kept.values()), float)
    is_enough = len(kept) >= 2
    return MeasureReliability(
        exercise=exercise,
        measure=key,
        subjects=tuple(kept),
        values=tuple(kept.values()),
        n_left_out=len(by_subject) - len(kept),
        icc=icc(table, "2,1") if is_enough else None,
        repeatability=repeatability(table) if is_enough else None,
        agreement=limits_of_agreement(table[:, 1], table[:, 0]) if is_enough else None,
    )


def _best_number(counts: Sequence[int]) -> int:
    """The number of sessions (2 or more) that makes the largest table; the smaller one on a tie."""
    candidates = sorted({c for c in counts if c >= 2})
    return max(candidates, key=lambda k: (k * sum(c >= k for c in counts), -k), default=2)


# The file


def _plain(value):
    if isinstance(value, float):
        return round(value, 6) + 0.0 if math.isfinite(value) else None
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    return value


def reliability_json(found: Sequence[MeasureReliability], created_at: str = "") -> str:
    """The text of reliability.json."""
    mapping = {
        "schema": RELIABILITY_SCHEMA,
        "created_at": created_at,
        "measures": [
            {**_plain(asdict(m)), "n_subjects": len(m.subjects), "n_sessions": m.n_sessions}
            for m in found
        ],
    }
    return json.dumps(mapping, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
