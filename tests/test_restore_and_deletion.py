"""Backups, restores and deletions: broken off anywhere, the clinic is the earlier or the later."""

import zipfile
from datetime import UTC, datetime, timedelta

import pytest
from clinic_cases import damage_database, new_patient, new_set

from formcheck.clinic import backup, deletion, open_clinic, restoring, retention, uploads
from formcheck.clinic.patients import find_patient, list_patients
from formcheck.clinic.sets import find_set
from formcheck.model.errors import BusyError, FileError, OutputError, UsageError


def codes(root) -> list[str]:
    opened = open_clinic(root)
    try:
        return [p.code for p in list_patients(opened)]
    finally:
        opened.close()


# -- a backup


def test_a_damaged_database_is_not_backed_up_and_the_earlier_backup_stays(clinic, tmp_path):
    new_patient(clinic)
    target = tmp_path / "clinic.zip"
    backup.backup(clinic, target)
    good = target.read_bytes()
    clinic.engine.dispose()
    damage_database(clinic.folder.database)
    with pytest.raises(FileError, match="damaged"):
        backup.backup(clinic, target)
    assert target.read_bytes() == good
    assert list(clinic.folder.root.glob(".backup-*")) == []


def test_a_backup_whose_database_is_damaged_is_not_called_whole(clinic, tmp_path):
    """Its checksums are those of the damaged file."""
    import hashlib
    import json

    new_patient(clinic)
    target = tmp_path / "clinic.zip"
    backup.backup(clinic, target)
    with zipfile.ZipFile(target) as archive:
        entries = {name: archive.read(name) for name in archive.namelist()}
    copy = tmp_path / "copy.db"
    copy.write_bytes(entries["clinic.db"])
    damage_database(copy)
    entries["clinic.db"] = copy.read_bytes()
    manifest = json.loads(entries["manifest.json"])
    for entry in manifest["files"]:
        entry["sha256"] = hashlib.sha256(entries[entry["name"]]).hexdigest()
    entries["manifest.json"] = json.dumps(manifest).encode()
    with zipfile.ZipFile(target, "w") as archive:
        for name, content in entries.items():
            archive.writestr(name, content)
    with pytest.raises(FileError, match="its database is damaged"):
        backup.check_backup(target)


@pytest.mark.parametrize("damage", ["changed", "gone"])
def test_a_good_backup_is_not_replaced_by_one_with_a_damaged_recording(clinic, tmp_path, damage):
    stored = new_set(clinic, new_patient(clinic))
    target = tmp_path / "clinic.zip"
    backup.backup(clinic, target)
    good = target.read_bytes()
    path = clinic.folder.recording(stored.recording)
    path.write_bytes(path.read_bytes()[:-1]) if damage == "changed" else path.unlink()
    with pytest.raises(FileError, match="missing or damaged"):
        backup.backup(clinic, target)
    assert target.read_bytes() == good
    backup.backup(clinic, tmp_path / "another.zip")  # what there is can still be kept


class Killed(BaseException):
    """Nothing after it is done, as after a kill."""


def _kill_at(monkeypatch, module: str, name: str, n: int = 1):
    count = 0
    kept = getattr(__import__(module, fromlist=["x"]), name)

    def call(*args, **named):
        nonlocal count
        count += 1
        if count >= n:
            raise Killed
        return kept(*args, **named)

    monkeypatch.setattr(f"{module}.{name}", call)


def test_what_a_killed_backup_left_goes_at_the_next_start(clinic, tmp_path, monkeypatch):
    new_patient(clinic)
    target = tmp_path / "clinic.zip"
    scratch = clinic.folder.root / ".backup-killed"
    scratch.mkdir()
    (scratch / "clinic.db").write_bytes(b"a copy of the patients")
    (scratch / "lock").write_bytes(str(target).encode())
    beside = tmp_path / ".clinic.0123abcd.part.zip"
    beside.write_bytes(b"half a backup")
    assert backup.remove_backup_leftovers(clinic.folder) == 1
    assert not scratch.exists()
    assert not beside.exists()


def test_a_backup_that_is_being_made_is_not_cleaned_up(clinic, tmp_path):
    with backup._scratch(clinic.folder, tmp_path / "clinic.zip") as scratch:
        assert backup.remove_backup_leftovers(clinic.folder) == 0
        assert scratch.exists()
    assert not scratch.exists()


# -- a restore


@pytest.fixture
def saved(clinic, tmp_path):
    """A backup with KN-204; in the folder there is now KN-311 instead."""
    new_patient(clinic)
    target = tmp_path / "clinic.zip"
    backup.backup(clinic, target)
    deletion.delete_patient(clinic, "KN-204", by="M.T.", reason="left")
    new_patient(clinic, "KN-311")
    clinic.close()
    return target


@pytest.mark.parametrize(
    ("step", "n", "found"),
    [
        ("unpacked", 1, "KN-311"),
        ("first rename", 1, "KN-204"),
        ("second rename", 2, "KN-204"),
        ("last step", 1, "KN-204"),
    ],
)
def test_a_restore_killed_at_any_step_is_undone_or_finished_by_the_next_start(
    clinic, saved, tmp_path, monkeypatch, capsys, step, n, found
):
    root = clinic.folder.root
    with monkeypatch.context() as patched:
        # A process that was killed does nothing more: not its tidying up either.
        patched.setattr("formcheck.clinic.backup.remove_folder", lambda _path: None)
        if "rename" in step:
            _kill_at(patched, "os", "rename", n)
        else:
            name = {"unpacked": "make_ready", "last step": "end"}[step]
            module = "backup" if step == "unpacked" else "restoring"
            _kill_at(patched, f"formcheck.clinic.{module}", name)
        with pytest.raises(Killed):
            backup.restore(saved, root, is_replacing=True)
    assert codes(root) == [found]
    told = capsys.readouterr().err
    assert ("finished" if found == "KN-204" else "undone") in told
    assert list(tmp_path.glob("*.restoring-*")) == []
    assert not list(tmp_path.glob(".*.restoring.lock"))
    if found == "KN-204":
        (kept,) = restoring.earlier_folders(root)
        assert codes(kept) == ["KN-311"]
    assert codes(root) == [found], "and once more"


def test_a_restore_that_cannot_be_moved_leaves_the_folder_in_its_place(
    clinic, saved, tmp_path, monkeypatch
):
    import os

    kept, n = os.rename, 0

    def fail(*args):
        nonlocal n
        n += 1
        if n == 2:
            raise PermissionError(13, "Permission denied")
        return kept(*args)

    monkeypatch.setattr("os.rename", fail)
    with pytest.raises(OutputError):
        backup.restore(saved, clinic.folder.root, is_replacing=True)
    assert codes(clinic.folder.root) == ["KN-311"]
    assert restoring.earlier_folders(clinic.folder.root) == []


def test_a_restore_that_cannot_even_be_moved_back_is_finished_by_the_next_start(
    clinic, saved, tmp_path, monkeypatch
):
    """A disk that takes nothing more after the folder in use was put aside."""
    import os

    real, n = os.rename, 0

    def fail(*args):
        nonlocal n
        n += 1
        if n >= 2:
            raise OSError(28, "No space left on device")
        return real(*args)

    root = clinic.folder.root
    with monkeypatch.context() as patched:
        patched.setattr("os.rename", fail)
        with pytest.raises(OutputError, match=r"start formcheck again.*before-restore"):
            backup.restore(saved, root, is_replacing=True)
    assert not root.exists()
    assert codes(root) == ["KN-204"]
    (kept,) = restoring.earlier_folders(root)
    assert codes(kept) == ["KN-311"]
    assert list(tmp_path.glob("*.restoring-*")) == []


def test_a_folder_being_restored_is_not_opened(clinic, saved):
    root = clinic.folder.root
    with restoring.alone(root):
        restoring.beside(root, "0123abcd").mkdir()
        with pytest.raises(BusyError, match="being brought back"):
            open_clinic(root)
    assert codes(root) == ["KN-311"]


def test_recordings_without_their_database_are_not_taken_for_strays(clinic):
    stored = new_set(clinic, new_patient(clinic))
    clinic.close()
    for ending in ("", "-wal", "-shm"):
        clinic.folder.database.with_name(f"clinic.db{ending}").unlink(missing_ok=True)
    with pytest.raises(FileError, match=r"database \(clinic.db\) is gone"):
        open_clinic(clinic.folder.root)
    assert clinic.folder.recording(stored.recording).exists()


# -- what was deleted is nowhere


def _bytes_below(folder) -> bytes:
    return b"\n".join(p.read_bytes() for p in folder.rglob("*") if p.is_file())


def test_a_deleted_patient_is_in_no_copy_that_formcheck_made(clinic, tmp_path):
    patient = new_patient(clinic)
    new_set(clinic, patient, support="a marked support", content=None)
    target = tmp_path / "clinic.zip"
    backup.backup(clinic, target)
    clinic.close()
    root = clinic.folder.root
    backup.restore(target, root, is_replacing=True)
    left = root / ".backup-killed"
    left.mkdir()
    (left / "clinic.db").write_bytes(b"a marked support")
    target.unlink()
    assert b"a marked support" in _bytes_below(tmp_path)
    opened = open_clinic(root)
    deletion.delete_patient(opened, "KN-204", by="M.T.", reason="asked")
    assert "still in" not in deletion.deletions(opened)[0].about
    opened.close()
    assert b"a marked support" not in _bytes_below(tmp_path)
    (kept,) = restoring.earlier_folders(root)
    assert codes(kept) == []
    assert list((kept / "recordings").iterdir()) == []


def test_where_a_copy_cannot_be_opened_the_record_names_it(clinic, tmp_path):
    new_patient(clinic)
    kept = tmp_path / "data.before-restore-2026"
    kept.mkdir()
    (kept / "clinic.db").write_bytes(b"no database at all" * 1000)
    deletion.delete_patient(clinic, "KN-204", by="M.T.", reason="asked")
    assert "still in data.before-restore-2026" in deletion.deletions(clinic)[0].about


def test_a_set_deleted_while_it_is_measured_leaves_no_result(clinic, monkeypatch, squat_results):
    import shutil

    from formcheck.clinic import jobs, work
    from formcheck.run.rerun import reassess

    stored = new_set(clinic, new_patient(clinic))
    job = jobs.claim(clinic, "test")
    analysis = reassess(squat_results)

    def measured(_clinic, of, *_arguments):
        shutil.copytree(squat_results, clinic.folder.result(of.uid))
        deletion.delete_set(clinic, of.uid, by="M.T.", reason="asked")
        shutil.copytree(squat_results, clinic.folder.result(of.uid))
        return analysis, None

    monkeypatch.setattr(work, "measure_set", measured)
    assert work.do_job(clinic, job, "test", None) is None
    assert list(clinic.folder.results.iterdir()) == []
    assert find_set(clinic, stored.uid) is None


# -- deletion by age


def _clock(monkeypatch, *, days: float) -> None:
    at = datetime.now(UTC) + timedelta(days=days)

    class Clock(datetime):
        @classmethod
        def now(cls, tz=None):
            return at.astimezone(tz)

    monkeypatch.setattr("formcheck.clinic.retention.datetime", Clock)
    monkeypatch.setattr("formcheck.clinic.retention.now", lambda: at.isoformat(timespec="seconds"))


def test_a_jump_of_the_clock_deletes_nothing(clinic, monkeypatch):
    patient = new_patient(clinic)
    sets = [new_set(clinic, patient) for _ in range(5)]
    _clock(monkeypatch, days=5 * 365)
    for _ in range(3):
        assert retention.delete_confirmed(clinic, 365) == 0
    assert len(retention.due_sets(clinic)) == 5, "they are listed, and it is asked"
    retention.confirm(clinic, [sets[0].uid], "M.T.")
    _clock(monkeypatch, days=0)
    assert retention.delete_confirmed(clinic, 365) == 0
    assert retention.due_sets(clinic) == (), "the clock was set right"
    assert all(find_set(clinic, s.uid) for s in sets)


def test_deletion_by_age_waits_a_day_after_a_clinicians_word(clinic, monkeypatch):
    patient = new_patient(clinic)
    old, kept = new_set(clinic, patient), new_set(clinic, patient)
    _clock(monkeypatch, days=400)
    assert retention.list_due(clinic, 365) == 2
    with pytest.raises(UsageError, match="initials"):
        retention.confirm(clinic, [old.uid], "")
    assert retention.confirm(clinic, [old.uid, kept.uid], "M.T.") == 2
    assert retention.take_back(clinic, [kept.uid]) == 1
    _clock(monkeypatch, days=400.9)
    assert retention.delete_confirmed(clinic, 365) == 0
    _clock(monkeypatch, days=401.1)
    assert retention.delete_confirmed(clinic, 365) == 1
    assert find_set(clinic, old.uid) is None
    assert find_set(clinic, kept.uid) is not None
    assert deletion.deletions(clinic)[0].made_by == "M.T."
    with pytest.raises(UsageError, match="1 or more"):
        retention.list_due(clinic, 0)
    assert uploads.remove_strays(clinic) == 0
    assert find_patient(clinic, "KN-204") is not None
