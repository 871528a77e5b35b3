"""A clinic for tests: patients with a prescription, sets that were measured, without a model."""

import json
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

from formcheck.clinic import Clinic, jobs, open_clinic
from formcheck.clinic.database import today
from formcheck.clinic.patients import Patient, add_patient, save_prescription
from formcheck.clinic.reviews import between_days, corrected_report, outcome_of
from formcheck.clinic.sets import AboutSet, StoredSet, add_set, find_set, new_uid
from formcheck.files.exercises import load_exercise

SAMPLES = Path(__file__).resolve().parent.parent / "sample_clips"
VIDEO_HEAD = b"\x00\x00\x00\x18ftypmp42" + bytes(16)
"""The beginning of an MP4 file: enough where nobody looks at the pictures."""


def prescription_text(code: str = "KN-204") -> str:
    return (SAMPLES / "prescription.toml").read_text(encoding="utf-8").replace("KN-204", code)


def new_clinic(folder: Path) -> Clinic:
    return open_clinic(folder / "data")


def new_patient(clinic: Clinic, code: str = "KN-204", *, with_plan: bool = True) -> Patient:
    patient = add_patient(clinic, code)
    if with_plan:
        save_prescription(clinic, patient, prescription_text(code), "M.T.")
    return patient


def day_before(days: int) -> str:
    return (today() - timedelta(days=days)).isoformat()


def new_set(
    clinic: Clinic,
    patient: Patient,
    *,
    day: str | None = None,
    exercise: str = "squat",
    side: str = "left",
    content: bytes | None = None,
    clip: Path | None = None,
    **about,
) -> StoredSet:
    """A set that waits to be measured; its recording is a clip, or bytes that only look so."""
    path = clinic.folder.uploads / f"{new_uid()}.mp4.part"
    if clip is not None:
        shutil.copyfile(clip, path)
    else:
        path.write_bytes(content or VIDEO_HEAD + path.name.encode())
    made = AboutSet(exercise=exercise, side=side, day=day or today().isoformat(), **about)
    return add_set(clinic, patient.id, made, path)


def measured_set(
    clinic: Clinic,
    patient: Patient,
    results: Path,
    *,
    with_video: bool = False,
    outcomes: dict[str, str] | None = None,
    added_deg: float = 0.0,
    dose: int | None = 2,
    remark: str | None = None,
    **about,
) -> StoredSet:
    """A set whose results are a copy of a finished result folder of two repetitions.

    outcomes : what every check of a kind says, for instance {"limit": "passed"}. added_deg : put
    on to every angle, so that sets differ. dose : the repetitions prescribed, None without a
    prescription. remark : what is remarked on in every repetition; else nothing is.
    """
    stored = new_set(clinic, patient, **about)
    folder = clinic.folder.result(stored.uid)
    shutil.copytree(results, folder)
    if not with_video:
        (folder / "annotated.mp4").unlink(missing_ok=True)
    report = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    report["set"]["dose"]["prescribed"] = dose
    numbers = [r["number"] for r in report["repetitions"]]
    seen = {"code": remark, "side": "left", "repetitions": numbers, "rests_on": None, "mean": None}
    report["set"]["facts"]["observed"] = [seen] if remark else []
    if remark:
        texts = {x.code: x.text for x in load_exercise("squat").look_for}
        report["exercise_words"]["remarks"][remark] = texts[remark]
    for r in report["repetitions"]:
        r["findings"] = [{"code": remark, "at_s": r["turn_s"]}] if remark else []
        for key, m in r["measures"].items():
            if key.endswith("_deg") and "value" in m:
                m.update({name: m[name] + added_deg for name in ("value", "low", "high")})
        for check in r["checks"]:
            check["outcome"] = (outcomes or {"target": "reached", "limit": "kept"})[check["kind"]]
    (folder / "report.json").write_text(json.dumps(report), encoding="utf-8")
    job = jobs.claim(clinic, "test")
    assert job.uid == stored.uid
    outcome = outcome_of(corrected_report(clinic, stored), between_days(clinic, stored.uid))
    assert jobs.end_measured(clinic, job, "test", outcome)
    drawing = jobs.claim(clinic, "test")
    jobs.end_drawn(clinic, drawing, "test", "" if with_video else "not drawn")
    return find_set(clinic, stored.uid)


def clinic_results(results: Path, into: Path) -> Path:
    """A result folder as the clinic keeps it: with the trace and what counts between days."""
    from formcheck.clinic.work import between_days_mapping, trace_mapping
    from formcheck.run.rerun import reassess

    folder = into / "results"
    shutil.copytree(results, folder)
    analysis = reassess(folder)
    (folder / "trace.json").write_text(json.dumps(trace_mapping(analysis)))
    (folder / "between_days.json").write_text(json.dumps(between_days_mapping(analysis)))
    return folder


def damage_database(path) -> None:
    """Overwrites the middle of a table, as a failing disk does."""
    raw = sqlite3.connect(path)
    raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    (page,) = raw.execute(
        "SELECT rootpage FROM sqlite_schema WHERE name = 'prescriptions'"
    ).fetchone()
    (size,) = raw.execute("PRAGMA page_size").fetchone()
    raw.close()
    with path.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xa5" * size)


class Work:
    """What SQLite was made to do: statements, and thousands of its own instructions."""

    n_statements = 0
    n_thousands = 0


@contextmanager
def counted_work(clinic) -> Iterator[Work]:
    """Counts what the database does meanwhile; unlike its time, the same on every machine."""
    from sqlalchemy import event

    work = Work()

    def statement(*_args) -> None:
        work.n_statements += 1

    def thousand() -> int:
        work.n_thousands += 1
        return 0

    def taken(connection, *_args) -> None:
        connection.set_progress_handler(thousand, 1000)

    def given_back(connection, *_args) -> None:
        connection.set_progress_handler(None, 0)

    listeners = (
        (clinic.engine, "before_cursor_execute", statement),
        (clinic.engine, "checkout", taken),
        (clinic.engine, "checkin", given_back),
    )
    for listener in listeners:
        event.listen(*listener)
    try:
        yield work
    finally:
        for listener in listeners:
            event.remove(*listener)
