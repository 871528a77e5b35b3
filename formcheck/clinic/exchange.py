"""Exchange files: a recorded set from the patient to the clinic, and the clinic's file back.

A set is measured again by whoever takes it in, so that every figure a clinician sees comes from
the clinic's own program. With a set goes what was said and ticked off lately without one.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Literal

from formcheck.clinic import Clinic
from formcheck.clinic.answers import (
    REASONS,
    SYMPTOMS,
    URGENT,
    Answer,
    add_answer,
    answers_of,
    answers_of_set,
    tick,
    ticks_of,
)
from formcheck.clinic.database import add, change, now, one, rows, today
from formcheck.clinic.exchange_package import Opened, foreign, open_package, plan_of, write_package
from formcheck.clinic.folder import UID
from formcheck.clinic.patients import (
    Patient,
    add_patient,
    checked_code,
    checked_prescription,
    current_prescription,
    find_patient,
    patient_by_id,
    prescription_by_id,
    prescriptions_of,
    save_prescription,
)
from formcheck.clinic.reviews import corrections_of, in_force
from formcheck.clinic.sets import AboutSet, StoredSet, add_set, find_set, mark_set_seen, sets_of
from formcheck.files.exercise_files import exercise_ids
from formcheck.model.errors import UsageError

LOG_DAYS = 60
"""How far back the log goes that travels with a set (common practice: two review periods)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """What a file brought: of which patient, which sets, or that it had come before."""

    kind: Literal["set", "plan"]
    patient: str
    set_uid: str | None
    was_known: bool
    n_comments: int = 0


def pack_set(clinic: Clinic, uid: str, target: Path) -> None:
    """Writes a recorded set with its answers as one file. Raises UsageError, OutputError."""
    stored = find_set(clinic, uid)
    if stored is None:
        raise UsageError(f"there is no set {uid}")
    patient = patient_by_id(clinic, stored.patient_id)
    version = prescription_by_id(clinic, stored.prescription_id) if stored.prescription_id else None
    about = {
        "uid": stored.uid,
        "exercise": stored.exercise,
        "side": stored.side,
        "set_number": stored.set_number,
        "day": stored.day,
        "is_mirrored": stored.is_mirrored,
        "origin": stored.origin,
        "support": stored.support,
        "load_kg": stored.load_kg,
        "prescription_sha256": version.sha256 if version else None,
        "answers": [_answer_mapping(a) for a in answers_of_set(clinic, stored.id)],
        "log": _log(clinic, stored.patient_id),
    }
    recording = clinic.folder.recording(stored.recording)
    write_package(
        target,
        "set",
        patient,
        {"set.json": json.dumps(about, ensure_ascii=False).encode()},
        {f"recording{recording.suffix}": recording},
    )


def pack_plan(clinic: Clinic, code: str, target: Path) -> None:
    """Writes the clinic's file for a patient: the prescription, comments, and what was seen."""
    patient = find_patient(clinic, code)
    if patient is None:
        raise UsageError(f"there is no patient {code}")
    version = current_prescription(clinic, patient.id)
    if version is None:
        raise UsageError(f"{code} has no prescription yet; write one first")
    seen = []
    for s in sets_of(clinic, patient.id):
        comments = [
            {"at_s": c.at_s, "words": c.words, "day": c.made_at[:10]}
            for c in in_force(corrections_of(clinic, s.id))
            if c.kind == "comment"
        ]
        if s.seen_on or comments:
            seen.append({"uid": s.uid, "seen_on": s.seen_on, "comments": comments})
    plan = {"saved_by": version.saved_by, "sets": seen, "exchange_key": patient.exchange_key}
    write_package(
        target,
        "plan",
        patient,
        {
            "plan.json": json.dumps(plan, ensure_ascii=False).encode(),
            "prescription.toml": version.text.encode(),
        },
        {},
    )


def _log(clinic: Clinic, patient_id: int) -> dict:
    """What was said without a set (a set left out for a symptom), and what was ticked off."""
    since = (today() - timedelta(days=LOG_DAYS)).isoformat()
    return {
        "answers": [
            _answer_mapping(a)
            for a in answers_of(clinic, patient_id)
            if a.set_id is None and a.day >= since
        ],
        "ticks": [
            {
                "day": t.day,
                "exercise": t.exercise,
                "side": t.side,
                "set_number": t.set_number,
                "kind": t.kind,
                "reason": t.reason,
            }
            for t in ticks_of(clinic, patient_id)
            if t.day >= since
        ],
    }


def _answer_mapping(answer: Answer) -> dict:
    kept = (
        "day",
        "at",
        "moment",
        "pain",
        "pain_during",
        "effort",
        "symptoms",
        "pain_change",
        "stiffness_change",
        "swelling_change",
        "exercise",
        "is_over_limit",
    )
    return {name: getattr(answer, name) for name in kept}


def _is_known(clinic: Clinic, package_id: str) -> bool:
    with clinic.read() as c:
        return one(c, "SELECT 1 FROM received WHERE package_id = :i", i=package_id) is not None


def import_package(clinic: Clinic, source: Path, *, expects: str | None = None) -> Received:
    """Takes an exchange file in: a patient's set into the clinic, or the clinic's plan at home.

    Taking the same file in twice changes nothing. expects : the kind that is wanted here.
    Raises FileError; nothing is changed then.
    """
    opened = open_package(clinic, source)
    try:
        kind = opened.manifest["kind"]
        if expects is not None and kind != expects:
            raise foreign(Path(source), f"is a file of kind {kind!r}; here a {expects!r} is needed")
        if kind == "set":
            return _import_set(clinic, opened, Path(source))
        return _import_plan(clinic, opened, Path(source))
    finally:
        if opened.recording is not None:
            opened.recording.unlink(missing_ok=True)


def _import_set(clinic: Clinic, opened: Opened, source: Path) -> Received:
    manifest = opened.manifest
    patient = find_patient(clinic, manifest["patient"])
    about, answers, log, uid, sha256 = _set_of(opened, source)
    if find_set(clinic, uid) is not None:
        return Received(kind="set", patient=patient.code, set_uid=uid, was_known=True)
    match = next((v for v in prescriptions_of(clinic, patient.id) if v.sha256 == sha256), None)
    about = AboutSet(**{**about, "prescription_id": match.id if match else None})
    stored = add_set(clinic, patient.id, about, opened.recording, uid=uid)
    for values in answers:
        _keep_answer(clinic, patient, stored, values)
    _keep_log(clinic, patient, log)
    with clinic.write() as c:
        change(
            c,
            "INSERT OR IGNORE INTO received (package_id, at, kind) VALUES (:i, :at, 'set')",
            i=manifest["id"],
            at=now(),
        )
    return Received(kind="set", patient=patient.code, set_uid=uid, was_known=False)


def _set_of(opened: Opened, source: Path):
    """(what the set is, its answers, the log, its name, its prescription's checksum), checked."""
    try:
        v = json.loads(opened.contents["set.json"])
        uid, sha256, answers, log = v["uid"], v["prescription_sha256"], v["answers"], v["log"]
        load = v["load_kg"]
        about = {
            "exercise": v["exercise"],
            "side": v["side"],
            "set_number": int(v["set_number"]),
            "day": date.fromisoformat(v["day"]).isoformat(),
            "origin": "imported",
            "is_mirrored": v["is_mirrored"] is True,
            "support": str(v["support"])[:200],
            "load_kg": None if load is None else float(load),
        }
        good = (
            isinstance(uid, str)
            and UID.fullmatch(uid)
            and v["exercise"] in exercise_ids()
            and v["side"] in ("left", "right", "both")
            and 1 <= about["set_number"] <= 20
            and (load is None or 0 <= about["load_kg"] <= 500)
            and (sha256 is None or isinstance(sha256, str))
            and len(answers) <= 10
            and len(log["answers"]) <= 2000
            and len(log["ticks"]) <= 10_000
            and all(_is_answer(a) for a in [*answers, *log["answers"]])
            and all(_is_tick(t, exercise_ids()) for t in log["ticks"])
        )
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise foreign(source, "its set cannot be read") from error
    if not good:
        raise foreign(source, "its set cannot be read")
    return about, answers, log, uid, sha256


_SCALES = ("pain", "pain_during", "effort")
_COMPARED = ("pain_change", "stiffness_change", "swelling_change")


def _is_day(text: object) -> bool:
    try:
        return isinstance(text, str) and date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _is_answer(v: object) -> bool:
    """Whether an answer of a file is one that our pages could have asked for."""
    return (
        isinstance(v, dict)
        and v.get("moment") in ("before", "after", "next day")
        and _is_day(v.get("day"))
        and isinstance(v.get("at"), str)
        and len(v["at"]) <= 40
        and isinstance(v.get("exercise"), str)
        and len(v["exercise"]) <= 60
        and all(v.get(n) is None or (type(v[n]) is int and 0 <= v[n] <= 10) for n in _SCALES)
        and all(v.get(n) in (None, "less", "same", "more") for n in _COMPARED)
        and isinstance(v.get("symptoms"), list)
        and all(s in SYMPTOMS or s in URGENT for s in v["symptoms"])
    )


def _is_tick(v: object, ids) -> bool:
    return (
        isinstance(v, dict)
        and _is_day(v.get("day"))
        and v.get("exercise") in ids
        and v.get("side") in ("left", "right", "both")
        and type(v.get("set_number")) is int
        and 1 <= v["set_number"] <= 20
        and v.get("kind") in ("done", "not done")
        and (v.get("reason") in REASONS) == (v["kind"] == "not done")
    )


def _keep_answer(
    clinic: Clinic, patient: Patient, stored: StoredSet | None, v: Mapping[str, Any]
) -> None:
    row = add_answer(
        clinic,
        patient.id,
        v["moment"],
        set_id=stored.id if stored else None,
        day=v["day"],
        exercise=v["exercise"],
        symptoms=tuple(v["symptoms"]),
        # Whether pain was over the limit was decided where it was asked.
        pain_limit=-1 if v.get("is_over_limit") is True else 10,
        **{name: v.get(name) for name in (*_SCALES, *_COMPARED)},
    )
    with clinic.write() as c:
        change(c, "UPDATE answers SET at = :at WHERE id = :id", at=v["at"], id=row)


def _keep_log(clinic: Clinic, patient: Patient, log: Mapping[str, Any]) -> None:
    """Keeps what was said without a set, once however often it travels, and the ticks."""
    known = [_answer_mapping(a) for a in answers_of(clinic, patient.id) if a.set_id is None]
    for v in log["answers"]:
        # Two answers may be of one second: only one that is the same in everything is a repeat.
        if {**v, "symptoms": tuple(v["symptoms"])} not in known:
            _keep_answer(clinic, patient, None, v)
    for t in log["ticks"]:
        tick(
            clinic,
            patient.id,
            exercise=t["exercise"],
            side=t["side"],
            set_number=t["set_number"],
            kind=t["kind"],
            reason=t["reason"],
            day=t["day"],
        )


def _import_plan(clinic: Clinic, opened: Opened, source: Path) -> Received:
    manifest = opened.manifest
    plan = plan_of(opened.contents, source)
    try:
        code = checked_code(manifest["patient"])
        text = opened.contents["prescription.toml"].decode("utf-8")
    except (UsageError, UnicodeDecodeError) as error:
        raise foreign(source, "its plan cannot be read") from error
    checked_prescription(text, code)
    was_known = _is_known(clinic, manifest["id"])
    patient = find_patient(clinic, code)
    if patient is None:
        patient = add_patient(clinic, code, exchange_key=plan["exchange_key"])
    n = 0
    if not was_known:
        save_prescription(clinic, patient, text, plan["saved_by"][:8])
        n = _keep_seen(clinic, patient, plan["sets"])
        with clinic.write() as c:
            add(c, "received", package_id=manifest["id"], at=now(), kind="plan")
    return Received(kind="plan", patient=code, set_uid=None, was_known=was_known, n_comments=n)


def _keep_seen(clinic: Clinic, patient: Patient, sets: list) -> int:
    """Keeps on which day the clinic saw each set, and its comments; how many came new."""
    n = 0
    for entry in sets:
        uid = entry.get("uid") if isinstance(entry, dict) else None
        if not isinstance(uid, str) or find_set(clinic, uid, patient_id=patient.id) is None:
            continue
        seen_on = entry.get("seen_on")
        if isinstance(seen_on, str):
            mark_set_seen(clinic, uid, date.fromisoformat(seen_on[:10]).isoformat())
        for comment in list(entry.get("comments") or ())[:200]:
            words = str(comment.get("words", ""))[:2000]
            at_s = comment.get("at_s")
            with clinic.write() as c:
                n += change(
                    c,
                    """INSERT OR IGNORE INTO comments_received
                          (patient_id, set_uid, at_s, words, day) VALUES (:p, :u, :at, :w, :d)""",
                    p=patient.id,
                    u=uid,
                    w=words,
                    d=str(comment.get("day", ""))[:10],
                    at=float(at_s) if isinstance(at_s, int | float) else None,
                )
    return n


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivedComment:
    """A clinician's comment that came back with the clinic's file."""

    set_uid: str
    at_s: float | None
    words: str
    day: str


def comments_received(clinic: Clinic, patient_id: int) -> tuple[ReceivedComment, ...]:
    """The clinic's comments on a patient's sets, as received."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT set_uid, at_s, words, day FROM comments_received
                           WHERE patient_id = :p ORDER BY id""",
            p=patient_id,
        )
    return tuple(ReceivedComment(**r) for r in found)
