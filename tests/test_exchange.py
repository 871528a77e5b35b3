import hashlib
import json
import zipfile
from pathlib import Path

import pytest
from clinic_cases import VIDEO_HEAD, new_patient, new_set, prescription_text

from formcheck.clinic import answers, exchange, open_clinic, uploads
from formcheck.clinic.database import today
from formcheck.clinic.exchange_package import EXCHANGE_SCHEMA, _seal
from formcheck.clinic.patients import (
    add_patient,
    current_prescription,
    find_patient,
    list_patients,
    save_prescription,
)
from formcheck.clinic.reviews import review_sets
from formcheck.clinic.sets import find_set, sets_of
from formcheck.model.errors import FileError
from formcheck.model.safety import PainRule


@pytest.fixture
def home(tmp_path):
    """The data folder on the patient's own computer."""
    made = open_clinic(tmp_path / "home")
    yield made
    made.close()


@pytest.fixture
def shared(clinic, home, tmp_path):
    """The clinic's plan, taken in at home: both sides know the patient."""
    patient = new_patient(clinic)
    plan = tmp_path / "plan.formcheck"
    exchange.pack_plan(clinic, patient.code, plan)
    received = exchange.import_package(home, plan)
    assert (received.kind, received.patient) == ("plan", "KN-204")
    return find_patient(home, "KN-204")


def _packed_set(home, patient, target, **about):
    version = current_prescription(home, patient.id)
    stored = new_set(home, patient, prescription_id=version.id, **about)
    answers.add_answer(home, patient.id, "before", set_id=stored.id, pain=2, exercise="squat")
    answers.add_answer(
        home,
        patient.id,
        "after",
        set_id=stored.id,
        pain=1,
        pain_during=4,
        effort=5,
        rule=PainRule(limit=3, origin="plan"),
    )
    exchange.pack_set(home, stored.uid, target)
    return stored


def test_a_set_travels_whole_and_is_measured_anew(clinic, home, shared, tmp_path):
    target = tmp_path / "set.formcheck"
    answers.add_answer(home, shared.id, "before", symptoms=("giving_way",), pain=7)
    answers.tick(
        home,
        shared.id,
        exercise="wall_sit",
        side="both",
        set_number=1,
        kind="not done",
        reason="pain",
    )
    stored = _packed_set(home, shared, target, support="chair", load_kg=2.0)
    received = exchange.import_package(clinic, target)
    assert (received.set_uid, received.was_known) == (stored.uid, False)
    there = find_set(clinic, stored.uid)
    assert there.state == "recorded"
    assert (there.origin, there.support, there.load_kg) == ("imported", "chair", 2.0)
    assert there.recording_sha256 == stored.recording_sha256
    here = current_prescription(clinic, find_patient(clinic, "KN-204").id)
    assert there.prescription_id == here.id, "judged by the prescription of its day"
    said = answers.answers_of_set(clinic, there.id)
    assert [(a.pain, a.pain_during, a.effort, a.is_over_limit) for a in said] == [
        (2, None, None, False),
        (1, 4, 5, True),
    ]
    every = answers.answers_of(clinic, there.patient_id)
    assert [a.symptoms for a in every if a.symptoms] == [("giving_way",)]
    assert [t.reason for t in answers.ticks_of(clinic, there.patient_id)] == ["pain"]


def test_taking_the_same_file_in_twice_changes_nothing(clinic, home, shared, tmp_path):
    target = tmp_path / "set.formcheck"
    answers.add_answer(home, shared.id, "before", symptoms=("fall",))
    _packed_set(home, shared, target)
    exchange.import_package(clinic, target)
    again = exchange.import_package(clinic, target)
    assert again.was_known
    other = tmp_path / "other.formcheck"
    _packed_set(home, shared, other)
    exchange.import_package(clinic, other)
    patient = find_patient(clinic, "KN-204")
    assert len(sets_of(clinic, patient.id)) == 2
    assert sum(bool(a.symptoms) for a in answers.answers_of(clinic, patient.id)) == 1


def test_the_clinics_file_brings_plan_comments_and_what_was_seen(clinic, home, shared, tmp_path):
    from formcheck.clinic.database import add, change, now

    target = tmp_path / "set.formcheck"
    stored = _packed_set(home, shared, target)
    exchange.import_package(clinic, target)
    there = find_set(clinic, stored.uid)
    with clinic.write() as c:
        change(c, "UPDATE sets SET state = 'measured' WHERE id = :i", i=there.id)
        add(
            c,
            "corrections",
            set_id=there.id,
            kind="comment",
            reason="",
            made_by="M.T.",
            made_at=now(),
            body=json.dumps({"at_s": 3.5, "words": "slower on the way down"}),
        )
    review_sets(clinic, [stored.uid], "M.T.")
    patient = find_patient(clinic, "KN-204")
    text = prescription_text().replace("repetitions = 6", "repetitions = 8", 1)
    save_prescription(clinic, patient, text, "M.T.")
    back = tmp_path / "plan2.formcheck"
    exchange.pack_plan(clinic, "KN-204", back)
    received = exchange.import_package(home, back)
    assert received.n_comments == 1
    assert current_prescription(home, shared.id).record().exercises[0].repetitions == 8
    assert find_set(home, stored.uid).seen_on is not None
    (comment,) = exchange.comments_received(home, shared.id)
    assert (comment.at_s, comment.words) == (3.5, "slower on the way down")
    assert exchange.import_package(home, back).was_known
    assert len(exchange.comments_received(home, shared.id)) == 1
    # Taken back by the clinician, it goes from the patient's computer with the next file.
    with clinic.write() as c:
        change(c, "UPDATE corrections SET withdrawn_by = 'M.T.', withdrawn_at = :at", at=now())
    exchange.pack_plan(clinic, "KN-204", back)
    exchange.import_package(home, back)
    assert exchange.comments_received(home, shared.id) == ()


def test_a_set_of_a_patient_who_is_not_here_is_refused(clinic, home, tmp_path):
    patient = new_patient(home, "KN-777")
    target = tmp_path / "set.formcheck"
    _packed_set(home, patient, target)
    with pytest.raises(FileError, match="not in this clinic"):
        exchange.import_package(clinic, target)
    new_patient(clinic, "KN-777")
    with pytest.raises(FileError, match="comes from elsewhere"):
        exchange.import_package(clinic, target)
    assert sets_of(clinic, find_patient(clinic, "KN-777").id) == ()
    assert list(clinic.folder.uploads.iterdir()) == []


def test_a_plan_with_another_key_is_refused_where_the_patient_is_known(home, shared, tmp_path):
    other = open_clinic(tmp_path / "other")
    new_patient(other, "KN-204")
    plan = tmp_path / "foreign.formcheck"
    exchange.pack_plan(other, "KN-204", plan)
    other.close()
    with pytest.raises(FileError, match="comes from elsewhere"):
        exchange.import_package(home, plan)


# -- tampered, foreign and hostile files


def _entries(path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {n: archive.read(n) for n in archive.namelist()}


def _write(path, entries, compression=zipfile.ZIP_STORED):
    with zipfile.ZipFile(path, "w", compression) as archive:
        for name, content in entries.items():
            archive.writestr(name, content)
    return path


def _resealed(entries: dict[str, bytes], key: str, **changes) -> dict[str, bytes]:
    """The same file made to fit again by someone who has the key: manifest, checksums, seal."""
    manifest = json.loads(entries["manifest.json"]) | changes
    if "files" not in changes:
        manifest["files"] = [
            {"name": n, "bytes": len(b), "sha256": hashlib.sha256(b).hexdigest()}
            for n, b in entries.items()
            if n != "manifest.json"
        ]
    manifest["seal"] = _seal(manifest, key)
    return {**entries, "manifest.json": json.dumps(manifest).encode()}


@pytest.fixture
def packed(clinic, home, shared, tmp_path):
    target = tmp_path / "set.formcheck"
    _packed_set(home, shared, target)
    return target


def _refused(clinic, path, words):
    before = [p.code for p in list_patients(clinic)]
    with pytest.raises(FileError, match=words):
        exchange.import_package(clinic, path)
    assert [p.code for p in list_patients(clinic)] == before
    assert sets_of(clinic, find_patient(clinic, "KN-204").id) == ()
    assert list(clinic.folder.uploads.iterdir()) == []


@pytest.mark.parametrize("name", ["set.json", "recording.mp4"])
def test_a_changed_content_is_refused(clinic, packed, name):
    entries = _entries(packed)
    entries[name] = entries[name].replace(b"squat", b"lunge") + b" "
    _refused(clinic, _write(packed, entries), "changed after it was packed")


def test_a_changed_content_with_its_checksum_made_to_fit_is_refused(clinic, packed):
    entries = _entries(packed)
    entries["set.json"] = entries["set.json"].replace(b'"pain": 2', b'"pain": 0')
    _refused(clinic, _write(packed, _resealed(entries, "0" * 64)), "comes from elsewhere")


def test_every_single_changed_byte_is_noticed(clinic, packed):
    import random

    content = packed.read_bytes()
    chosen = random.Random(5)
    entries = _entries(packed)
    for _ in range(60):
        at = chosen.randrange(len(content))
        changed = bytearray(content)
        changed[at] ^= 1 << chosen.randrange(8)
        packed.write_bytes(changed)
        try:
            received = exchange.import_package(clinic, packed)
        except FileError:
            continue
        # A byte that carries nothing (a date in a zip header) may differ: the content may not.
        assert _entries(packed) == entries
        from formcheck.clinic.deletion import delete_set

        delete_set(clinic, received.set_uid, by="test", reason="again")


@pytest.mark.parametrize(
    "name",
    [
        "../evil.mp4",
        "..\\evil.mp4",
        "/etc/passwd",
        "recording.mp4/../../x",
        "C:\\x",
        "extra.txt",
        "recordings/x.mp4",
    ],
)
def test_a_name_that_leads_elsewhere_is_refused(clinic, packed, name, tmp_path):
    entries = {**_entries(packed), name: b"evil"}
    key = find_patient(clinic, "KN-204").exchange_key
    _refused(clinic, _write(packed, _resealed(entries, key)), "no exchange file of ours holds")
    assert not (tmp_path / "evil.mp4").exists()


def test_a_zip_bomb_is_refused_by_what_it_says_of_itself(clinic, packed):
    entries = {**_entries(packed), "recording.mp4": VIDEO_HEAD + bytes(80_000_000)}
    key = find_patient(clinic, "KN-204").exchange_key
    path = _write(packed, _resealed(entries, key), zipfile.ZIP_DEFLATED)
    assert path.stat().st_size < 200_000
    _refused(clinic, path, "packed too tightly")


def test_a_zip_bomb_that_lies_about_its_size_is_cut_off_when_read(clinic, packed, monkeypatch):
    entries = {**_entries(packed), "recording.mp4": VIDEO_HEAD + bytes(3_000_000)}
    key = find_patient(clinic, "KN-204").exchange_key
    path = _write(packed, _resealed(entries, key), zipfile.ZIP_DEFLATED)
    content = bytearray(path.read_bytes())
    real = (len(VIDEO_HEAD) + 3_000_000).to_bytes(4, "little")
    at = content.rfind(real)
    while at >= 0:
        content[at : at + 4] = (1000).to_bytes(4, "little")
        at = content.rfind(real)
    path.write_bytes(content)
    _refused(clinic, path, "damaged|changed|far too large|tightly")


def test_what_is_read_counts_and_not_what_is_declared(clinic, packed, monkeypatch):
    from formcheck.clinic import exchange_package

    monkeypatch.setitem(exchange_package._LIMITS, "recording.mp4", 40)
    _refused(clinic, packed, "far too large")


def test_files_that_are_no_exchange_files_are_refused(clinic, shared, tmp_path):
    for n, content in enumerate((b"", b"PK\x03\x04", b"<html>", VIDEO_HEAD, bytes(1000))):
        path = tmp_path / f"{n}.formcheck"
        path.write_bytes(content)
        _refused(clinic, path, "no exchange file|damaged")
    _refused(clinic, _write(tmp_path / "a.zip", {"set.json": b"{}"}), "no exchange file")
    _refused(clinic, tmp_path / "not there.zip", "there is no such file; check the path")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"schema": "formcheck.exchange/9.0"}, "formcheck.exchange/9.0"),
        ({"schema": "formcheck.backup/1.0"}, "backup"),
        ({"kind": "virus"}, "no exchange file"),
        ({"id": "../../x"}, "no exchange file"),
        ({"patient": 7}, "no exchange file"),
        ({"patient": "KN-311"}, "not in this clinic"),
        ({"files": []}, "does not hold what it says"),
        ({"kind": "plan"}, "does not hold what such a file holds"),
    ],
)
def test_a_manifest_that_is_not_ours_is_refused(clinic, packed, changes, words):
    key = find_patient(clinic, "KN-204").exchange_key
    _refused(clinic, _write(packed, _resealed(_entries(packed), key, **changes)), words)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("uid", "../x"),
        ("exercise", "<b>"),
        ("side", "middle"),
        ("day", "x"),
        ("set_number", 0),
        ("load_kg", "heavy"),
        ("answers", [{"moment": "before", "pain": 99}]),
        ("answers", "x"),
        ("log", {"answers": [], "ticks": [{"day": "2025-01-01", "kind": "done"}]}),
        ("log", None),
    ],
)
def test_a_set_that_no_page_of_ours_could_have_made_is_refused(clinic, packed, name, value):
    entries = _entries(packed)
    entries["set.json"] = json.dumps({**json.loads(entries["set.json"]), name: value}).encode()
    key = find_patient(clinic, "KN-204").exchange_key
    _refused(clinic, _write(packed, _resealed(entries, key)), "its set cannot be read")


def test_a_recording_that_is_no_video_is_refused(clinic, packed):
    from formcheck.model.errors import UsageError

    entries = {**_entries(packed), "recording.mp4": b"#!/bin/sh\nrm -r everything\n"}
    key = find_patient(clinic, "KN-204").exchange_key
    path = _write(packed, _resealed(entries, key))
    with pytest.raises(UsageError, match="no video"):
        exchange.import_package(clinic, path)
    assert sets_of(clinic, find_patient(clinic, "KN-204").id) == ()
    assert list(clinic.folder.uploads.iterdir()) == []


def test_the_commands_pack_and_import_do_the_same(run_formcheck, clinic, home, shared, tmp_path):
    stored = new_set(home, shared)
    target = tmp_path / "one.formcheck"
    done = run_formcheck("pack", stored.uid[:8], target, "--data", home.folder.root)
    assert done.returncode == 0, done.stderr
    done = run_formcheck("import", target, "--data", clinic.folder.root)
    assert done.returncode == 0, done.stderr
    assert "KN-204" in done.stdout
    assert find_set(clinic, stored.uid) is not None
    assert json.loads(_entries(target)["manifest.json"])["schema"] == EXCHANGE_SCHEMA
    (tmp_path / "bad.formcheck").write_bytes(b"nothing")
    done = run_formcheck("import", tmp_path / "bad.formcheck", "--data", clinic.folder.root)
    assert done.returncode == 4
    inside = clinic.folder.database
    done = run_formcheck("pack", "KN-204", inside, "--data", clinic.folder.root)
    assert done.returncode == 2
    assert "inside the data folder" in done.stderr
    done = run_formcheck("pack", "nobody", "--data", clinic.folder.root)
    assert done.returncode == 2


def test_a_code_that_is_the_beginning_of_anothers_set_packs_neither(
    run_formcheck, home, shared, tmp_path
):
    from formcheck.clinic.database import change

    with home.write() as c:
        change(c, "UPDATE patients SET code = '2041' WHERE id = :i", i=shared.id)
    other = add_patient(home, "KN-205")
    stored = new_set(home, other)
    with home.write() as c:
        change(c, "UPDATE sets SET uid = :u WHERE id = :i", u="2041" + stored.uid[4:], i=stored.id)
    target = tmp_path / "for_2041.formcheck"
    done = run_formcheck("pack", "2041", target, "--data", home.folder.root)
    assert (done.returncode, "a patient's code" in done.stderr) == (2, True)
    assert not target.exists()


# -- nothing said is lost


class _Killed(BaseException):
    """Nothing after it is done, as after a kill."""


def _killed_at(monkeypatch, clinic, source, n: int) -> bool:
    """Takes a file in, killed before the n-th statement that writes; False when there is none."""
    from sqlalchemy import event

    count = 0

    def kill(_connection, _cursor, statement, *_rest):
        nonlocal count
        count += statement.lstrip().startswith(("INSERT", "UPDATE", "DELETE"))
        if count == n:
            raise _Killed

    event.listen(clinic.engine, "before_cursor_execute", kill)
    try:
        exchange.import_package(clinic, source)
    except _Killed:
        return True
    finally:
        event.remove(clinic.engine, "before_cursor_execute", kill)
    return False


def _said(clinic) -> tuple:
    patient = find_patient(clinic, "KN-204")
    return (
        len(sets_of(clinic, patient.id)),
        {(a.moment, a.pain, a.set_id is None) for a in answers.answers_of(clinic, patient.id)},
        [(t.kind, t.reason) for t in answers.ticks_of(clinic, patient.id)],
    )


def test_a_set_killed_while_taken_in_is_there_with_its_answers_or_not_at_all(
    clinic, home, shared, tmp_path, monkeypatch
):
    answers.tick(home, shared.id, exercise="squat", side="left", set_number=2, kind="done")
    answers.add_answer(home, shared.id, "before", pain=9, symptoms=("breathless",))
    target = tmp_path / "set.formcheck"
    _packed_set(home, shared, target)
    nothing, n = _said(clinic), 1
    while _killed_at(monkeypatch, clinic, target, n):
        assert _said(clinic) == nothing, f"killed before write {n}"
        uploads.remove_strays(clinic)  # as the next start does
        assert list(clinic.folder.recordings.iterdir()) == []
        n += 1
    assert n > 6
    assert _said(clinic) == (
        1,
        {("before", 9, True), ("before", 2, False), ("after", 1, False)},
        [("done", "")],
    )
    assert exchange.import_package(clinic, target).was_known


def test_taking_in_again_completes_what_an_earlier_version_left_half_done(
    clinic, home, shared, tmp_path
):
    target = tmp_path / "set.formcheck"
    _packed_set(home, shared, target)
    exchange.import_package(clinic, target)
    with clinic.write() as c:
        c.exec_driver_sql("DELETE FROM answers")
    assert not exchange.import_package(clinic, target).was_known
    assert _said(clinic)[1] == {("before", 2, False), ("after", 1, False)}
    assert exchange.import_package(clinic, target).was_known


def test_a_plan_killed_while_taken_in_is_there_whole_or_not_at_all(
    clinic, home, tmp_path, monkeypatch
):
    plan = tmp_path / "plan.formcheck"
    new_patient(clinic)
    exchange.pack_plan(clinic, "KN-204", plan)
    n = 1
    while _killed_at(monkeypatch, home, plan, n):
        assert list_patients(home) == ()
        n += 1
    assert n > 3
    assert list_patients(home)[0].prescription_version == 1


def _squat(kind, reason=""):
    return {
        "exercise": "squat",
        "side": "left",
        "set_number": 1,
        "kind": kind,
        "reason": reason,
        "day": today().isoformat(),
    }


def test_the_newer_word_on_a_set_stands_whichever_file_comes_first(clinic, home, shared, tmp_path):
    older, newer = tmp_path / "older.formcheck", tmp_path / "newer.formcheck"
    stored = _packed_set(home, shared, older)
    answers.tick(home, shared.id, **_squat("done"))
    exchange.pack_set(home, stored.uid, older)
    answers.tick(home, shared.id, **_squat("not done", "pain"))
    exchange.pack_set(home, stored.uid, newer)
    for source in (newer, older):
        exchange.import_package(clinic, source)
    patient = find_patient(clinic, "KN-204")
    assert [t.reason for t in answers.ticks_of(clinic, patient.id)] == ["pain"]
    words = answers.tick_words_of(clinic, patient.id, "2026-01-01")
    assert [w.kind for w in words] == ["done", "not done"], "both are kept"


def test_a_word_taken_back_is_not_brought_back_by_an_older_file(clinic, home, shared, tmp_path):
    older, newer = tmp_path / "older.formcheck", tmp_path / "newer.formcheck"
    answers.tick(home, shared.id, **_squat("done"))
    stored = _packed_set(home, shared, older)
    at = {k: v for k, v in _squat("").items() if k not in ("kind", "reason")}
    answers.untick(home, shared.id, **at)
    exchange.pack_set(home, stored.uid, newer)
    for source in (newer, older):
        exchange.import_package(clinic, source)
    assert answers.ticks_of(clinic, find_patient(clinic, "KN-204").id) == ()


def test_a_word_said_after_the_clock_was_set_back_still_stands(home, shared, monkeypatch):
    answers.tick(home, shared.id, **_squat("done"))
    monkeypatch.setattr(answers, "now", lambda: "2020-01-01T00:00:00+00:00")
    answers.tick(home, shared.id, **_squat("not done", "swelling"))
    assert [t.reason for t in answers.ticks_of(home, shared.id)] == ["swelling"]


def test_an_older_plan_does_not_take_the_place_of_a_newer_one(
    clinic, home, shared, tmp_path, monkeypatch
):
    newer = tmp_path / "newer.formcheck"
    older = tmp_path / "older.formcheck"
    monkeypatch.setattr(
        "formcheck.clinic.exchange_package.now", lambda: "2026-03-01T10:00:00+00:00"
    )
    exchange.pack_plan(clinic, "KN-204", older)
    text = prescription_text().replace("kneel", "kneel down")
    save_prescription(clinic, find_patient(clinic, "KN-204"), text, "M.T.")
    monkeypatch.undo()
    exchange.pack_plan(clinic, "KN-204", newer)
    exchange.import_package(home, newer)
    received = exchange.import_package(home, older)
    assert received.is_older
    assert current_prescription(home, shared.id).text == text


# -- what no page of ours could have said


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("at", "not a time", "no moment"),
        ("at", "2026-03-01T10:00:00", "no moment"),
        ("at", "9999-12-31T23:59:59+00:00", "set the clock"),
        ("day", "9999-12-31", "set the clock"),
        ("day", "0001-01-01", "set the clock"),
        ("day", None, "no day"),
        ("exercise", "\ud800", "cannot be read"),
        ("exercise", "no exercise of ours", "cannot be read"),
        ("pain", True, "cannot be read"),
        ("pain", 3.5, "cannot be read"),
        ("symptoms", [["breathless"]], "cannot be read"),
    ],
)
@pytest.mark.parametrize("is_of_set", [True, False])
def test_an_answer_that_no_page_could_have_taken_is_refused(
    clinic, packed, name, value, words, is_of_set
):
    entries = _entries(packed)
    about = json.loads(entries["set.json"])
    said = {**about["answers"][0], name: value}
    if is_of_set:
        about["answers"][0] = said
    else:
        about["log"]["answers"] = [said]
    entries["set.json"] = json.dumps(about).encode()
    key = find_patient(clinic, "KN-204").exchange_key
    _refused(clinic, _write(packed, _resealed(entries, key)), words)


@pytest.mark.parametrize("body", [b"[" * 90_000, b'{"load_kg": NaN}', b'{"load_kg": 1e999}'])
def test_a_set_in_json_that_is_none_of_ours_is_refused(clinic, packed, body):
    entries = {**_entries(packed), "set.json": body}
    key = find_patient(clinic, "KN-204").exchange_key
    _refused(clinic, _write(packed, _resealed(entries, key)), "cannot be read")


def test_the_name_of_another_patients_set_is_refused(clinic, packed):
    other = new_set(clinic, new_patient(clinic, "KN-311"))
    entries = _entries(packed)
    about = {**json.loads(entries["set.json"]), "uid": other.uid}
    entries["set.json"] = json.dumps(about).encode()
    key = find_patient(clinic, "KN-204").exchange_key
    _refused(clinic, _write(packed, _resealed(entries, key)), "another patient")
    assert find_set(clinic, other.uid) == other


@pytest.mark.parametrize(
    "line",
    [
        "x",
        {"uid": "0" * 32, "seen_on": "not a day", "comments": []},
        {"uid": "0" * 32, "seen_on": "9999-01-01", "comments": []},
        {"uid": "0" * 32, "seen_on": None, "comments": ["x"]},
        {
            "uid": "0" * 32,
            "seen_on": None,
            "comments": [{"at_s": "1", "words": "x", "day": "2026-01-01"}],
        },
    ],
)
def test_a_plan_with_a_line_that_is_none_of_ours_is_refused_whole(
    clinic, home, shared, tmp_path, line
):
    path = tmp_path / "plan.formcheck"
    exchange.pack_plan(clinic, "KN-204", path)
    entries = _entries(path)
    plan = {**json.loads(entries["plan.json"]), "sets": [line]}
    entries["plan.json"] = json.dumps(plan).encode()
    with pytest.raises(FileError, match="cannot be read"):
        exchange.import_package(home, _write(path, _resealed(entries, shared.exchange_key)))
    assert len(list_patients(home)) == 1


# -- what earlier versions wrote

FROZEN = Path(__file__).parent / "frozen"


def test_files_of_every_released_version_are_taken_in(home, tmp_path):
    plan, recorded = FROZEN / "plan-1.0.formcheck", FROZEN / "set-1.0.formcheck"
    assert exchange.import_package(home, plan).kind == "plan"
    patient = find_patient(home, "KN-204")
    assert 'patient = "KN-204"' in current_prescription(home, patient.id).text
    # Whoever has the plan has the key that the set is sealed with.
    received = exchange.import_package(home, recorded)
    stored = find_set(home, received.set_uid)
    assert (stored.exercise, stored.day, stored.load_kg) == ("squat", "2026-03-02", 2.0)
    assert home.folder.recording(stored.recording).read_bytes().startswith(VIDEO_HEAD)
    said = answers.answers_of_set(home, stored.id)
    assert [(a.pain, a.pain_during, a.effort) for a in said] == [(2, None, None), (1, 4, 5)]
