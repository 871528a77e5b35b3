"""Exchange files: a recorded set from the patient to the clinic, and the clinic's file back.

A set is measured again by whoever takes it in, so that every figure a clinician sees comes from
the clinic's own program. With a set goes what was said and ticked off lately without one.
"""

import contextlib
import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any, Literal

from formcheck.clinic import Clinic
from formcheck.clinic.answers import (
    TickWord,
    answers_of,
    answers_of_set,
    keep_answer,
    keep_word,
    tick_words_of,
)
from formcheck.clinic.database import change, local_day, now, one, rows, today
from formcheck.clinic.exchange_package import Opened, foreign, open_package, plan_of, write_package
from formcheck.clinic.exchange_rules import seen_of, set_of, ticks_of
from formcheck.clinic.patients import (
    Patient,
    add_patient,
    checked_code,
    checked_initials,
    checked_prescription,
    current_prescription,
    find_patient,
    follow_plan,
    kept_text,
    patient_by_id,
    prescription_by_id,
    prescriptions_of,
    save_prescription,
)
from formcheck.clinic.reviews import corrections_of, in_force
from formcheck.clinic.safety import Answer, level_of
from formcheck.clinic.sets import (
    AboutSet,
    PlacedRecording,
    StoredSet,
    find_set,
    insert_set,
    mark_set_seen,
    place_recording,
    sets_of,
)
from formcheck.clinic.settings import keep_received, questions_for, settings_mapping
from formcheck.clinic.uploads import remove_if_stray
from formcheck.files.locks import open_bytes, take
from formcheck.model.errors import FileError, FormcheckError, UsageError
from formcheck.model.safety import LEVELS

LOG_DAYS = 60
"""How far back the log goes that travels with a set (common practice: two review periods)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """What a file brought: of which patient, which sets, or that it had come before."""

    kind: Literal["set", "plan"]
    patient: str
    set_uid: str | None
    was_known: bool
    is_older: bool = False
    """A plan packed before the one that is here, which stands."""
    n_comments: int = 0

    @property
    def outcome(self) -> Literal["imported", "twice", "older"]:
        return "twice" if self.was_known else "older" if self.is_older else "imported"

    def words(self) -> str:
        """What came of it, in one line, for a terminal."""
        if self.was_known:
            told = "this file had been taken in before; nothing was changed"
        elif self.kind == "set":
            told = f"set {self.set_uid} taken in; `formcheck serve` measures it"
        elif self.is_older:
            told = (
                "this plan is older than the one here, which stands; "
                f"{self.n_comments} new comments"
            )
        else:
            told = f"plan taken in, {self.n_comments} new comments"
        return f"{self.patient}: {told}"


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
        made = corrections_of(clinic, s.id)
        comments = [
            {"at_s": c.at_s, "words": c.words, "day": local_day(c.made_at).isoformat()}
            for c in in_force(made)
            if c.kind == "comment"
        ]
        # A set whose comments were all withdrawn goes along as one without.
        if s.seen_on or any(k.correction.kind == "comment" for k in made):
            seen.append({"uid": s.uid, "seen_on": s.seen_on, "comments": comments})
    plan = {
        "saved_by": version.saved_by,
        "sets": seen,
        "exchange_key": patient.exchange_key,
        "settings": settings_mapping(clinic, patient.id),
        "language": patient.language,
    }
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
            asdict(t)
            for t in tick_words_of(clinic, patient_id, since)
            # Programs of version 0.1 know no word that takes another back.
            if t.kind != "taken back"
        ],
        "taken_back": [
            asdict(t) for t in tick_words_of(clinic, patient_id, since) if t.kind == "taken back"
        ],
    }


_TRAVELS = tuple(
    name for name in Answer.__slots__ if name not in ("id", "set_id", "seen_by", "seen_at")
)


def _answer_mapping(answer: Answer) -> dict:
    return {name: getattr(answer, name) for name in _TRAVELS}


def _answer_from(v: Mapping[str, Any]) -> Answer:
    """An answer of a file as a record; a file of an earlier version lacks some of it."""
    given = {name: v[name] for name in _TRAVELS if v.get(name) is not None}
    symptoms, asked = v["symptoms"], v.get("asked", ())
    given["symptoms"] = tuple(dict.fromkeys(symptoms))
    given["asked"] = tuple(dict.fromkeys((*asked, *symptoms)))
    # Whether pain was over the limit was decided where it was asked.
    given["is_over_limit"] = v.get("is_over_limit") is True
    return Answer(id=0, set_id=None, **given)


def _as_said(answer: Answer) -> Answer:
    """What is the same however often an answer travels."""
    return replace(answer, id=0, set_id=None, level="start", seen_by=None, seen_at=None)


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
            raise foreign(
                Path(source),
                "is a file of kind '%(kind)s'; here a '%(wanted)s' is needed",
                kind=kind,
                wanted=expects,
            )
        if kind == "set":
            return _import_set(clinic, opened, Path(source))
        return _import_plan(clinic, opened, Path(source))
    finally:
        if opened.recording is not None:
            opened.recording.unlink(missing_ok=True)


def _import_set(clinic: Clinic, opened: Opened, source: Path) -> Received:
    manifest = opened.manifest
    patient = find_patient(clinic, manifest["patient"])
    about, answers, log, uid, sha256 = set_of(opened, source)
    known = find_set(clinic, uid)
    if known is not None and known.patient_id != patient.id:
        raise foreign(source, "names a set of another patient; do not use it")
    match = next((v for v in prescriptions_of(clinic, patient.id) if v.sha256 == sha256), None)
    about = AboutSet(**{**about, "prescription_id": match.id if match else None})
    with contextlib.ExitStack() as stack:
        placed = None
        if known is None:
            placed = _placed(clinic, opened.recording, uid, stack)
        with clinic.one_change():
            if placed is not None:
                insert_set(clinic, patient.id, about, placed)
            stored = find_set(clinic, uid)
            n_new = _keep_answers(clinic, patient, stored, answers)
            n_new += _keep_log(clinic, patient, log, manifest["made_at"])
            _keep_received(clinic, patient, manifest)
    return Received(
        kind="set", patient=patient.code, set_uid=uid, was_known=known is not None and not n_new
    )


def _placed(
    clinic: Clinic, recording: Path, uid: str, stack: contextlib.ExitStack
) -> PlacedRecording:
    """The recording in its place, held until its row is written; gone if that fails."""
    handle = open_bytes(recording, os.O_RDWR)
    if os.name == "nt":  # where an open file cannot be moved
        os.close(handle)
    else:
        take(handle)
    try:
        placed = place_recording(clinic, recording, uid=uid)
    except BaseException:
        _let_go(handle)
        raise

    def settle() -> None:
        _let_go(handle)
        with contextlib.suppress(FormcheckError, OSError):
            remove_if_stray(clinic, clinic.folder.recording(placed.name))

    stack.callback(settle)
    return placed


def _let_go(handle: int) -> None:
    if os.name != "nt":
        os.close(handle)


def _keep_received(clinic: Clinic, patient: Patient, manifest: Mapping[str, Any]) -> None:
    with clinic.write() as c:
        change(
            c,
            """INSERT OR IGNORE INTO received (package_id, at, kind, made_at, patient_id)
                  VALUES (:i, :at, :kind, :made, :p)""",
            i=manifest["id"],
            at=now(),
            kind=manifest["kind"],
            made=manifest["made_at"],
            p=patient.id,
        )


def _keep_answer(clinic: Clinic, patient: Patient, set_id: int | None, said: Answer) -> None:
    found = level_of(said, questions_for(clinic, patient.id))
    # What the patient was told where it was asked stands, unless we would say more.
    level = max(found, said.level, key=LEVELS.index)
    with clinic.write() as c:
        keep_answer(c, patient.id, replace(said, set_id=set_id, level=level))


def _keep_answers(clinic: Clinic, patient: Patient, stored: StoredSet | None, answers) -> int:
    """Keeps what was said, of a set or without one, once however often it travels; how many were
    new."""
    known = {}
    for a in answers_of(clinic, patient.id):
        known.setdefault(_as_said(a), a)
    n = 0
    for v in answers:
        # Two answers may be of one second: only one that is the same in everything is a repeat. One
        # of a set may have come with the log of another before or after, as of no set.
        said = _answer_from(v)
        same = known.get(_as_said(said))
        if same is None:
            _keep_answer(clinic, patient, stored.id if stored else None, said)
            n += 1
        elif stored is not None and same.set_id is None:
            with clinic.write() as c:
                change(c, "UPDATE answers SET set_id = :s WHERE id = :id", s=stored.id, id=same.id)
    return n


def _keep_log(clinic: Clinic, patient: Patient, log: Mapping[str, Any], made_at: str) -> int:
    """Keeps what was said without a set, and the words on sets: the newest one stands, whichever
    file comes first. How many were new."""
    n = _keep_answers(clinic, patient, None, log["answers"])
    for t in ticks_of(log):
        # A file of version 0.1 does not say when a word was said: by its own time at the latest.
        values = {n: t[n] for n in TickWord.__slots__ if n in t and n not in ("at", "load_kg")}
        load = t.get("load_kg")
        word = TickWord(
            **values, at=t.get("at", made_at), load_kg=None if load is None else float(load)
        )
        n += keep_word(clinic, patient.id, word)
    return n


def _import_plan(clinic: Clinic, opened: Opened, source: Path) -> Received:
    manifest = opened.manifest
    plan = plan_of(opened.contents, source)
    try:
        code = checked_code(manifest["patient"])
        text = opened.contents["prescription.toml"].decode("utf-8")
        checked_initials(plan["saved_by"])
        seen = [seen_of(entry) for entry in plan["sets"]]
    except (UsageError, ValueError, KeyError, TypeError) as error:
        raise foreign(source, "its plan cannot be read") from error
    checked_prescription(text, code)
    was_known = _is_known(clinic, manifest["id"])
    n, is_older = 0, False
    with clinic.one_change():
        patient = find_patient(clinic, code)
        if patient is None:
            patient = add_patient(clinic, code, exchange_key=plan["exchange_key"])
        is_older = was_known
        if not was_known:
            is_older = _is_older(clinic, patient, text, manifest["made_at"])
            if not is_older:
                save_prescription(clinic, patient, text, plan["saved_by"])
                follow_plan(clinic, patient.id, plan.get("language"))
                try:
                    keep_received(clinic, patient.id, plan.get("settings"))
                except (FileError, UsageError) as error:
                    raise foreign(source, "its clinic's settings cannot be read") from error
            n = _keep_seen(clinic, patient, seen, is_newest=not (was_known or is_older))
            _keep_received(clinic, patient, manifest)
    return Received(
        kind="plan",
        patient=code,
        set_uid=None,
        was_known=was_known,
        is_older=is_older,
        n_comments=n,
    )


def _is_older(clinic: Clinic, patient: Patient, text: str, made_at: str) -> bool:
    """Whether a plan, packed then, comes before the one that is here.

    Where the plan here was taken in, the one that was packed last stands. Where it was written
    here, a file that was packed before, or that holds an earlier version, is one of our own that
    was opened again.
    """
    versions = prescriptions_of(clinic, patient.id)
    if not versions:
        return False
    with clinic.read() as c:
        newest = one(
            c,
            """SELECT max(made_at) AS made_at, max(at) AS at FROM received
                         WHERE patient_id = :p AND kind = 'plan'""",
            p=patient.id,
        )
    current = versions[0]
    if newest["at"] and newest["at"] >= current.saved_at:
        return bool(made_at < newest["made_at"])
    return made_at < current.saved_at or kept_text(text) in [v.text for v in versions[1:]]


def _keep_seen(clinic: Clinic, patient: Patient, seen, *, is_newest: bool) -> int:
    """Keeps on which day the clinic saw each set, and its comments; how many came new.

    is_newest : no newer file came before this one, so that a comment which it does not hold was
    withdrawn.
    """
    n = 0
    for uid, seen_on, comments in seen:
        if find_set(clinic, uid, patient_id=patient.id) is None:
            continue
        if seen_on is not None:
            mark_set_seen(clinic, uid, seen_on)
        if is_newest:
            _leave_withdrawn_out(clinic, uid, {(at_s, words) for at_s, words, _ in comments})
        for at_s, words, day in comments:
            with clinic.write() as c:
                n += change(
                    c,
                    # NULL is never equal to NULL, so the table's own rule does not see a repeat.
                    """INSERT INTO comments_received (patient_id, set_uid, at_s, words, day)
                          SELECT :p, :u, :at, :w, :d WHERE NOT EXISTS (
                              SELECT 1 FROM comments_received
                              WHERE set_uid = :u AND words = :w AND at_s IS :at)""",
                    p=patient.id,
                    u=uid,
                    w=words,
                    d=day,
                    at=None if at_s is None else float(at_s),
                )
    return n


def _leave_withdrawn_out(clinic: Clinic, uid: str, kept: set[tuple[float | None, str]]) -> None:
    with clinic.write() as c:
        for row in rows(
            c, "SELECT id, at_s, words FROM comments_received WHERE set_uid = :u", u=uid
        ):
            if (row["at_s"], row["words"]) not in kept:
                change(c, "DELETE FROM comments_received WHERE id = :i", i=row["id"])


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
