import hashlib
import json
import zipfile
from pathlib import Path

import pytest
from clinic_cases import VIDEO_HEAD, new_clinic, new_patient, new_set, prescription_text

from formcheck.clinic import answers, exchange, open_clinic
from formcheck.clinic.exchange_package import EXCHANGE_SCHEMA, _seal
from formcheck.clinic.patients import (
    current_prescription,
    find_patient,
    list_patients,
    save_prescription,
)
from formcheck.clinic.reviews import review_sets
from formcheck.clinic.sets import find_set, sets_of
from formcheck.model.errors import FileError


@pytest.fixture
def clinic(tmp_path):
    made = new_clinic(tmp_path)
    yield made
    made.close()


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
        home, patient.id, "after", set_id=stored.id, pain=1, pain_during=4, effort=5, pain_limit=3
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
