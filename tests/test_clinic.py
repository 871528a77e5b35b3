import json
import math
import os
import sqlite3
import stat
import sys
import threading
import time
import zipfile
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from clinic_cases import (
    VIDEO_HEAD,
    counted_work,
    day_before,
    measured_set,
    new_clinic,
    new_patient,
    new_set,
    prescription_text,
)

from formcheck.clinic import (
    answers,
    backup,
    deletion,
    findings,
    jobs,
    open_clinic,
    reviews,
    uploads,
    work,
)
from formcheck.clinic.database import change, is_sound, one, rows, schema_version, today
from formcheck.clinic.folder import data_folder, serving
from formcheck.clinic.follow_up import (
    change_of,
    series_of,
    session_facts,
    session_facts_by_exercise,
    trend_of,
)
from formcheck.clinic.migrations import MIGRATIONS
from formcheck.clinic.note import note_text
from formcheck.clinic.patients import (
    add_patient,
    current_prescription,
    find_patient,
    list_patients,
    prescriptions_of,
    save_prescription,
    set_silent_days,
)
from formcheck.clinic.plan_kept import plan_kept
from formcheck.clinic.reviews import (
    add_correction,
    corrected_report,
    corrections_of,
    open_again,
    review_sets,
    reviews_of,
    withdraw_correction,
)
from formcheck.clinic.sets import AboutSet, find_set, means_of, sets_of
from formcheck.clinic.today import DayDone
from formcheck.clinic.worklist import next_to_review, work_list
from formcheck.model.errors import BusyError, FileError, FormcheckError, NoRoomError, UsageError
from formcheck.model.safety import PainRule
from formcheck.report.corrections import Correction
from formcheck.web.clinician.set_beside import neighbours, starts_of
from formcheck.words.wording import dose_done

# -- folder and schema


@pytest.mark.skipif(sys.platform == "win32", reason="permissions of another kind")
def test_the_data_folder_is_for_its_owner_only(clinic):
    patient = new_patient(clinic)
    stored = new_set(clinic, patient)
    for path in (clinic.folder.root, clinic.folder.recordings, clinic.folder.results):
        assert stat.S_IMODE(path.stat().st_mode) == 0o700, path
    for path in clinic.folder.root.glob("clinic.db*"):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path
    assert stat.S_IMODE(clinic.folder.recording(stored.recording).stat().st_mode) == 0o600


def test_a_name_that_is_not_ours_never_becomes_a_path(clinic):
    for name in ("../clinic.db", "a.mp4", "0" * 32 + ".exe", "0" * 32, "", "0" * 32 + ".mp4/x"):
        with pytest.raises(ValueError, match="name"):
            clinic.folder.recording(name)
    for uid in ("..", "0" * 31, "G" * 32, "0" * 32 + "/.."):
        with pytest.raises(ValueError, match="name"):
            clinic.folder.result(uid)


def test_the_database_keeps_references_whole_and_writes_ahead(clinic):
    with clinic.read() as c:
        assert one(c, "PRAGMA foreign_keys")["foreign_keys"] == 1
        assert one(c, "PRAGMA journal_mode")["journal_mode"] == "wal"
        assert one(c, "PRAGMA synchronous")["synchronous"] == 2
    assert schema_version(clinic.engine) == len(MIGRATIONS)


def test_a_step_of_the_schema_is_taken_once_and_keeps_the_data(tmp_path):
    clinic = new_clinic(tmp_path)
    new_patient(clinic)
    clinic.close()
    further = (*MIGRATIONS, ("a further column", "ALTER TABLE patients ADD COLUMN note TEXT"))
    for _ in range(2):
        clinic = open_clinic(tmp_path / "data", steps=further)
        with clinic.read() as c:
            row = one(c, "SELECT code, note FROM patients")
        clinic.close()
        assert (row["code"], row["note"]) == ("KN-204", None)
    before = tmp_path / "data" / f"clinic.before-{len(further)}.db"
    assert is_sound(before)


def test_a_step_that_fails_changes_nothing(tmp_path):
    clinic = new_clinic(tmp_path)
    new_patient(clinic)
    clinic.close()
    broken = (*MIGRATIONS, ("broken", "ALTER TABLE patients ADD COLUMN a TEXT; SELECT nonsense"))
    with pytest.raises(Exception, match="nonsense"):
        open_clinic(tmp_path / "data", steps=broken)
    clinic = open_clinic(tmp_path / "data")
    assert schema_version(clinic.engine) == len(MIGRATIONS)
    assert find_patient(clinic, "KN-204") is not None
    with clinic.read() as c:
        assert "a" not in one(c, "SELECT * FROM patients")
    clinic.close()


def test_a_database_of_a_newer_program_is_refused(tmp_path):
    clinic = open_clinic(tmp_path / "data", steps=(*MIGRATIONS, ("more", "SELECT 1")))
    clinic.close()
    with pytest.raises(FileError, match="newer formcheck"):
        open_clinic(tmp_path / "data")


def test_a_damaged_database_is_told_as_one(tmp_path):
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "clinic.db").write_bytes(b"no database" * 500)
    with pytest.raises(FileError, match="damaged"):
        open_clinic(tmp_path / "data")


def test_only_one_server_may_have_a_data_folder(clinic):
    with serving(clinic.folder):
        with pytest.raises(BusyError, match="already serving"):
            with serving(clinic.folder):
                pass
    with serving(clinic.folder):
        pass


def test_a_write_that_fails_leaves_nothing_of_itself(clinic):
    patient = new_patient(clinic)
    with pytest.raises(RuntimeError):
        with clinic.write() as c:
            change(c, "UPDATE patients SET silent_days = 99 WHERE id = :i", i=patient.id)
            raise RuntimeError
    assert find_patient(clinic, "KN-204").silent_days == 7


# -- patients and prescriptions


@pytest.mark.parametrize("code", ["", "Maria", "1961-04-02", "a b", "../x", "x" * 33, "<b>1"])
def test_a_code_that_tells_of_the_person_or_is_none_is_refused(clinic, code):
    with pytest.raises(UsageError):
        add_patient(clinic, code)


def test_a_code_is_taken_once_whatever_its_case(clinic):
    new_patient(clinic, "KN-204")
    with pytest.raises(UsageError, match="already"):
        add_patient(clinic, "kn-204")


def test_every_version_of_a_prescription_is_kept(clinic):
    patient = new_patient(clinic)
    text = prescription_text()
    same = save_prescription(clinic, patient, text, "M.T.")
    assert same.version == 1
    save_prescription(clinic, patient, text.replace("repetitions = 6", "repetitions = 8"), "A.B.")
    versions = prescriptions_of(clinic, patient.id)
    assert [(v.version, v.saved_by) for v in versions] == [(2, "A.B."), (1, "M.T.")]
    assert versions[0].record().exercises[0].repetitions == 8
    assert versions[1].record().exercises[0].repetitions == 6


def test_a_faulty_prescription_is_refused_with_all_its_faults(clinic):
    patient = new_patient(clinic, with_plan=False)
    text = prescription_text().replace("sets = 3", 'sets = "many"', 1).replace("once a day", "x")
    text = text.replace("pain_limit = 3", "pain_limit = 30", 1)
    with pytest.raises(FileError) as caught:
        save_prescription(clinic, patient, text, "M.T.")
    assert len(caught.value.faults) >= 2
    assert current_prescription(clinic, patient.id) is None


def test_a_prescription_without_an_exercise_is_refused(clinic):
    patient = new_patient(clinic, with_plan=False)
    head = prescription_text().split("[[exercises]]")[0]
    with pytest.raises(FileError, match="exercises: none was chosen"):
        save_prescription(clinic, patient, head, "M.T.")
    assert current_prescription(clinic, patient.id) is None


def test_a_prescription_of_another_patient_or_with_a_file_is_refused(clinic):
    patient = new_patient(clinic, "KN-311", with_plan=False)
    with pytest.raises(FileError, match="KN-204"):
        save_prescription(clinic, patient, prescription_text("KN-204"), "M.T.")
    text = prescription_text("KN-311").replace(
        'exercise = "squat"', 'exercise = "../../secret.toml"', 1
    )
    with pytest.raises(FileError, match="catalogue"):
        save_prescription(clinic, patient, text, "M.T.")


# -- recordings


async def _pieces(*blocks):
    for block in blocks:
        yield block


def _receive(clinic, upload, n, *blocks):
    import asyncio

    return asyncio.run(uploads.receive_piece(clinic, upload, n, _pieces(*blocks)))


def _begin(clinic, patient):
    about = AboutSet(exercise="squat", side="left", day="2025-03-01")
    return uploads.begin_upload(clinic, patient.id, about, "clip.mp4")


def test_a_recording_in_pieces_is_the_recording(clinic):
    patient = new_patient(clinic)
    upload = _begin(clinic, patient)
    parts = [VIDEO_HEAD + b"one", b"two" * 1000, b"three"]
    for n, part in enumerate(parts):
        upload = _receive(clinic, upload, n, part[:5], part[5:])
    stored = uploads.finish_upload(clinic, upload.uid, patient.id)
    assert clinic.folder.recording(stored.recording).read_bytes() == b"".join(parts)
    assert stored.state == "recorded"
    assert uploads.open_uploads(clinic, patient.id) == ()
    assert uploads.finish_upload(clinic, upload.uid, patient.id) == stored, "asked twice"


def test_a_piece_sent_twice_counts_once_and_one_out_of_order_is_refused(clinic):
    patient = new_patient(clinic)
    upload = _receive(clinic, _begin(clinic, patient), 0, VIDEO_HEAD)
    again = _receive(clinic, upload, 0, VIDEO_HEAD)
    assert (again.n_pieces, again.n_bytes) == (1, len(VIDEO_HEAD))
    with pytest.raises(UsageError, match="piece 1 comes next"):
        _receive(clinic, upload, 2, b"late")


def test_what_a_broken_piece_left_behind_is_cut_off(clinic):
    patient = new_patient(clinic)
    upload = _receive(clinic, _begin(clinic, patient), 0, VIDEO_HEAD)
    with clinic.folder.upload(upload.uid).open("ab") as file:
        file.write(b"half a piece of a killed server")
    upload = _receive(clinic, upload, 1, b"whole")
    stored = uploads.finish_upload(clinic, upload.uid, patient.id)
    assert clinic.folder.recording(stored.recording).read_bytes() == VIDEO_HEAD + b"whole"


def test_a_recording_beyond_the_limit_is_refused_and_the_rest_stays(clinic, monkeypatch):
    monkeypatch.setattr(uploads, "MOST_RECORDING_BYTES", 100)
    patient = new_patient(clinic)
    upload = _receive(clinic, _begin(clinic, patient), 0, VIDEO_HEAD)
    with pytest.raises(uploads.TooLarge):
        _receive(clinic, upload, 1, b"x" * 60, b"x" * 60)
    assert clinic.folder.upload(upload.uid).stat().st_size == len(VIDEO_HEAD)


def test_a_file_that_is_no_video_is_refused(clinic):
    patient = new_patient(clinic)
    with pytest.raises(UsageError, match="no video"):
        uploads.begin_upload(
            clinic, patient.id, AboutSet(exercise="squat", side="left", day="2025-03-01"), "a.exe"
        )
    with pytest.raises(UsageError, match="no video"):
        _receive(clinic, _begin(clinic, patient), 0, b"#!/bin/sh and then some")


def test_an_upload_is_there_for_its_own_patient_only(clinic):
    a, b = new_patient(clinic, "KN-204"), new_patient(clinic, "KN-311")
    upload = _receive(clinic, _begin(clinic, a), 0, VIDEO_HEAD)
    assert uploads.find_upload(clinic, upload.uid, b.id) is None
    with pytest.raises(UsageError):
        uploads.finish_upload(clinic, upload.uid, b.id)


def test_strays_of_a_kill_go_and_what_rows_know_stays(clinic):
    patient = new_patient(clinic)
    stored = new_set(clinic, patient)
    upload = _receive(clinic, _begin(clinic, patient), 0, VIDEO_HEAD)
    stray = clinic.folder.recordings / ("f" * 32 + ".mp4")
    stray.write_bytes(b"left behind")
    (clinic.folder.results / ("e" * 32 + ".new-1")).mkdir()
    assert uploads.remove_strays(clinic) == 2
    assert not stray.exists()
    assert clinic.folder.recording(stored.recording).exists()
    assert clinic.folder.upload(upload.uid).exists()


# -- jobs


def test_a_job_outlives_its_worker_and_is_given_up_after_three_times(clinic):
    stored = new_set(clinic, new_patient(clinic))
    for n in range(1, 4):
        job = jobs.claim(clinic, f"worker {n}")
        assert (job.uid, job.n_attempts) == (stored.uid, n)
        assert find_set(clinic, stored.uid).state == "analysing"
        assert jobs.claim(clinic, "another") is None, "held by one worker only"
        jobs.take_back(clinic, has_died=True)
    gone = find_set(clinic, stored.uid)
    assert gone.state == "not measured"
    assert "several times" in gone.reason
    assert jobs.n_waiting(clinic) == 0


def test_the_end_of_the_server_is_not_the_clips_fault(clinic):
    stored = new_set(clinic, new_patient(clinic))
    for _ in range(6):
        assert jobs.claim(clinic, "worker") is not None
        jobs.take_back(clinic)
    assert find_set(clinic, stored.uid).state == "recorded"


def test_a_worker_whose_job_was_taken_back_can_no_longer_end_it(clinic, results):
    stored = new_set(clinic, new_patient(clinic))
    job = jobs.claim(clinic, "old")
    jobs.take_back(clinic)
    assert not jobs.beat(clinic, job, "old", "pose", 1, 2)
    assert not jobs.end_not_measured(clinic, job, "old", "whatever")
    assert find_set(clinic, stored.uid).state == "recorded"


def test_measuring_comes_before_drawing(clinic, results):
    patient = new_patient(clinic)
    first = new_set(clinic, patient)
    job = jobs.claim(clinic, "w")
    from formcheck.clinic.sets import Outcome

    nothing = Outcome(
        n_repetitions=0,
        n_complete=0,
        n_not_met=0,
        n_open=0,
        n_passed=0,
        n_doubtful=0,
        dose_prescribed=None,
        dose_done=0,
        summary="",
    )
    jobs.end_measured(clinic, job, "w", nothing)
    second = new_set(clinic, patient)
    assert jobs.claim(clinic, "w").uid == second.uid
    drawing = jobs.claim(clinic, "w")
    assert (drawing.uid, drawing.kind) == (first.uid, "draw")


# -- what is said


def test_an_answer_that_was_not_offered_is_refused(clinic):
    patient = new_patient(clinic)
    for wrong in (
        {"pain": 11},
        {"pain": -1},
        {"pain": 3.5},
        {"pain": True},
        {"symptoms": ("<script>",)},
        {"swelling_change": "lots"},
        {"effort": "7"},
    ):
        with pytest.raises(UsageError):
            answers.add_answer(clinic, patient.id, "before", **wrong)
    assert answers.answers_of(clinic, patient.id) == ()


def test_pain_over_the_prescribed_limit_is_marked(clinic):
    patient = new_patient(clinic)
    rule = PainRule(limit=3, origin="plan")
    answers.add_answer(clinic, patient.id, "before", pain=4, rule=rule)
    answers.add_answer(clinic, patient.id, "before", pain=3, rule=rule)
    answers.add_answer(clinic, patient.id, "after", pain=1, pain_during=6)
    assert [a.is_over_limit for a in answers.answers_of(clinic, patient.id)] == [True, False, True]


def test_a_later_tick_of_the_day_replaces_the_earlier_one(clinic):
    patient = new_patient(clinic)
    what = {"exercise": "squat", "side": "both", "set_number": 1, "day": "2025-03-01"}
    answers.tick(clinic, patient.id, kind="done", **what)
    answers.tick(clinic, patient.id, kind="not done", reason="pain", **what)
    (tick,) = answers.ticks_of(clinic, patient.id)
    assert (tick.kind, tick.reason) == ("not done", "pain")
    with pytest.raises(UsageError, match="why"):
        answers.tick(clinic, patient.id, kind="not done", **what)
    answers.untick(clinic, patient.id, **what)
    assert answers.ticks_of(clinic, patient.id) == ()


# -- corrections and review


def _left_out(place=0, **changes):
    values = {"kind": "left out", "repetition": place, "reason": "stumbled", "made_by": "M.T."}
    return Correction(**{**values, **changes})


def test_a_left_out_repetition_counts_nowhere_and_stays_on_record(clinic, results):
    stored = measured_set(clinic, new_patient(clinic), results)
    found = (clinic.folder.result(stored.uid) / "report.json").read_bytes()
    n = stored.n_complete
    add_correction(clinic, stored.uid, _left_out())
    assert find_set(clinic, stored.uid).dose_done == n - 1
    assert corrected_report(clinic, stored).left_out[0].reason == "stumbled"
    assert (clinic.folder.result(stored.uid) / "report.json").read_bytes() == found
    kept = corrections_of(clinic, stored.id)
    withdraw_correction(clinic, stored.uid, kept[0].id, "A.B.")
    assert find_set(clinic, stored.uid).dose_done == n
    (kept,) = corrections_of(clinic, stored.id)
    assert (kept.correction.made_by, kept.withdrawn_by) == ("M.T.", "A.B.")


def test_two_repetitions_left_out_at_once_are_both_counted_out(clinic, results, monkeypatch):
    stored = measured_set(clinic, new_patient(clinic), results)
    n, is_first, plain = stored.dose_done, threading.Event(), reviews.corrected_report

    def slow(*of):
        found = plain(*of)
        if not is_first.is_set():  # the first has read and has not written yet
            is_first.set()
            time.sleep(0.5)
        return found

    monkeypatch.setattr(reviews, "corrected_report", slow)
    ways = [
        threading.Thread(target=add_correction, args=(clinic, stored.uid, _left_out(place)))
        for place in (0, 1)
    ]
    ways[0].start()
    is_first.wait()
    ways[1].start()
    for way in ways:
        way.join()
    assert len(corrections_of(clinic, stored.id)) == 2
    assert find_set(clinic, stored.uid).dose_done == n - 2


def test_a_correction_of_a_reviewed_set_is_not_withdrawn(clinic, results):
    stored = measured_set(clinic, new_patient(clinic), results)
    row = add_correction(clinic, stored.uid, _left_out())
    review_sets(clinic, [stored.uid], "M.T.")
    with pytest.raises(UsageError, match="final"):
        withdraw_correction(clinic, stored.uid, row, "A.B.")
    assert find_set(clinic, stored.uid).dose_done == stored.dose_done - 1


def _moved(stored, clinic, place=0, by_s=0.3):
    r = corrected_report(clinic, stored).report.repetitions[place].repetition
    return Correction(
        kind="limits",
        repetition=place,
        start_s=r.start_s + by_s,
        end_s=r.end_s,
        reason="began late",
        made_by="M.T.",
    )


def _starts(clinic, stored):
    return [r.repetition.start_s for r in corrected_report(clinic, stored).report.repetitions]


def test_limits_that_cannot_be_measured_or_kept_change_nothing(clinic, results, monkeypatch):
    stored = measured_set(clinic, new_patient(clinic), results)
    work.make_correction(clinic, stored.uid, _moved(stored, clinic))
    before, row = _starts(clinic, stored), find_set(clinic, stored.uid)
    second = _moved(stored, clinic, place=1)
    track = clinic.folder.result(stored.uid) / "track.parquet"
    kept = track.read_bytes()
    track.write_bytes(b"not a track")
    with pytest.raises(FormcheckError):
        work.make_correction(clinic, stored.uid, second)
    track.write_bytes(kept)
    # And where the row cannot be written after the repetitions were measured.
    with monkeypatch.context() as m:
        m.setattr(reviews, "keep_outcome", lambda *of: (_ for _ in ()).throw(NoRoomError("full")))
        with pytest.raises(NoRoomError):
            work.make_correction(clinic, stored.uid, second)
    assert [c.correction.repetition for c in corrections_of(clinic, stored.id)] == [0]
    assert _starts(clinic, stored) == before
    reviews.refresh_outcome(clinic, stored.uid)
    assert find_set(clinic, stored.uid) == row


def test_what_is_measured_within_limits_that_are_not_in_force_is_not_shown(clinic, results):
    stored = measured_set(clinic, new_patient(clinic), results)
    found = _starts(clinic, stored)
    row = work.make_correction(clinic, stored.uid, _moved(stored, clinic))
    moved = _starts(clinic, stored)
    assert moved[0] == pytest.approx(found[0] + 0.3, abs=0.05)
    with clinic.write() as c:  # as after a kill between the two
        change(c, "DELETE FROM corrections WHERE id = :i", i=row)
    assert _starts(clinic, stored) == found


def test_a_correction_is_taken_back_though_the_others_cannot_be_measured(clinic, results):
    stored = measured_set(clinic, new_patient(clinic), results)
    found = _starts(clinic, stored)
    first = work.make_correction(clinic, stored.uid, _moved(stored, clinic))
    work.make_correction(clinic, stored.uid, _moved(stored, clinic, place=1))
    comment = work.make_correction(
        clinic, stored.uid, Correction(kind="comment", words="Good pace.", made_by="M.T.")
    )
    (clinic.folder.result(stored.uid) / "track.parquet").write_bytes(b"not a track")
    work.take_back_correction(clinic, stored.uid, comment, "A.B.")  # measures nothing
    with pytest.raises(FormcheckError):
        work.take_back_correction(clinic, stored.uid, first, "A.B.")
    kept = corrections_of(clinic, stored.id)
    assert [bool(c.withdrawn_by) for c in kept] == [True, False, True]
    assert _starts(clinic, stored) == found, "measured within no limits: as they were found"


def test_recordings_of_which_nothing_arrived_lock_nobody_out(clinic):
    patient = new_patient(clinic)
    about = AboutSet(exercise="squat", side="left", day=day_before(0))
    for _ in range(uploads.MOST_OPEN_UPLOADS + 1):
        last = uploads.begin_upload(clinic, patient.id, about, "a.webm")
    with clinic.write() as c:
        change(
            c,
            "UPDATE uploads SET last_at = '2025-01-01T00:00:00+00:00' WHERE uid != :u",
            u=last.uid,
        )
        change(c, "UPDATE uploads SET n_bytes = 9 WHERE uid = :u", u=last.uid)
    uploads.begin_upload(clinic, patient.id, about, "a.webm")
    with clinic.read() as c:
        assert one(c, "SELECT count(*) AS n FROM uploads")["n"] == 2
    with clinic.write() as c:
        change(c, "DELETE FROM uploads")
    for _ in range(uploads.MOST_OPEN_UPLOADS):
        uploads.begin_upload(clinic, patient.id, about, "a.webm")
    with clinic.write() as c:
        change(c, "UPDATE uploads SET n_bytes = 9")
    with pytest.raises(UsageError, match="half-received"):
        uploads.begin_upload(clinic, patient.id, about, "a.webm")


def test_an_overruled_outcome_keeps_what_was_found(clinic, results):
    stored = measured_set(
        clinic, new_patient(clinic), results, outcomes={"target": "not_reached", "limit": "kept"}
    )
    assert stored.n_not_met == stored.n_repetitions
    for place in range(stored.n_repetitions):
        add_correction(
            clinic,
            stored.uid,
            Correction(
                kind="outcome",
                repetition=place,
                measure="knee_flexion_peak_deg",
                check_kind="target",
                outcome="reached",
                reason="seen deep enough",
                made_by="M.T.",
            ),
        )
    assert find_set(clinic, stored.uid).n_not_met == 0
    found = corrected_report(clinic, stored)
    overruled = found.overruled[0][0]
    assert found.report.repetitions[0].checks[0].outcome == "reached"
    assert (overruled.found, overruled.by) == ("not_reached", "M.T.")


def test_moved_limits_are_measured_anew_and_the_others_stay_as_found(clinic, results):
    from formcheck.clinic.work import measure_within_limits

    stored = measured_set(clinic, new_patient(clinic), results)
    before = corrected_report(clinic, stored).report.repetitions
    r = before[0].repetition
    start, end = r.start_s + 0.3, r.end_s - 0.3
    add_correction(
        clinic,
        stored.uid,
        Correction(
            kind="limits",
            repetition=0,
            start_s=start,
            end_s=end,
            reason="began late",
            made_by="M.T.",
        ),
    )
    measure_within_limits(clinic, stored.uid)
    after = corrected_report(clinic, stored).report.repetitions
    assert after[0].repetition.start_s == pytest.approx(start, abs=0.05)
    assert after[0].repetition.end_s == pytest.approx(end, abs=0.05)
    was, now_is = (
        next(m.value for m in of[0].measures if m.key == "lowering_s") for of in (before, after)
    )
    assert now_is < was
    assert after[1].repetition.start_s == before[1].repetition.start_s
    kept = corrections_of(clinic, stored.id)
    withdraw_correction(clinic, stored.uid, kept[0].id, "M.T.")
    measure_within_limits(clinic, stored.uid)
    assert corrected_report(clinic, stored).report.repetitions == before


@pytest.mark.parametrize(
    ("correction", "words"),
    [
        (_left_out(99), "not in this set"),
        (_left_out(reason=" "), "write why"),
        (_left_out(made_by="a whole name here"), "initials"),
        (Correction(kind="comment", words="", made_by="M.T."), "write the comment"),
        (Correction(kind="comment", words="x", at_s=1e6, made_by="M.T."), "not in this clip"),
        (
            Correction(kind="limits", repetition=0, start_s=5, end_s=2, reason="x", made_by="M.T."),
            "before the end",
        ),
        (
            Correction(kind="limits", repetition=0, start_s=0, end_s=8, reason="x", made_by="M.T."),
            "overlap",
        ),
        (
            Correction(
                kind="outcome",
                repetition=0,
                measure="nothing",
                check_kind="target",
                outcome="reached",
                reason="x",
                made_by="M.T.",
            ),
            "nothing was judged",
        ),
        (
            Correction(
                kind="outcome",
                repetition=0,
                measure="knee_flexion_peak_deg",
                check_kind="target",
                outcome="great",
                reason="x",
                made_by="M.T.",
            ),
            "choose",
        ),
    ],
)
def test_a_correction_that_does_not_fit_is_refused(clinic, results, correction, words):
    stored = measured_set(clinic, new_patient(clinic), results)
    with pytest.raises(UsageError, match=words):
        add_correction(clinic, stored.uid, correction)
    assert corrections_of(clinic, stored.id) == ()


def test_a_reviewed_set_is_final_until_it_is_opened_again_with_a_reason(clinic, results):
    stored = measured_set(clinic, new_patient(clinic), results)
    assert review_sets(clinic, [stored.uid], "M.T.") == 1
    assert find_set(clinic, stored.uid).is_final
    assert review_sets(clinic, [stored.uid], "M.T.") == 0
    with pytest.raises(UsageError, match="final"):
        add_correction(clinic, stored.uid, _left_out())
    with pytest.raises(UsageError, match="why"):
        open_again(clinic, stored.uid, "A.B.", "")
    open_again(clinic, stored.uid, "A.B.", "wrong side")
    add_correction(clinic, stored.uid, _left_out())
    assert [r.kind for r in reviews_of(clinic, stored.id)] == ["reviewed", "opened again"]


# -- the work list, follow-up, note


def test_the_work_list_puts_each_set_in_one_place(clinic, results):
    patient = new_patient(clinic)
    good = measured_set(clinic, patient, results)
    past = measured_set(clinic, patient, results, outcomes={"target": "reached", "limit": "passed"})
    short = measured_set(
        clinic, patient, results, outcomes={"target": "not_reached", "limit": "kept"}
    )
    said = measured_set(clinic, patient, results)
    answers.add_answer(clinic, patient.id, "after", set_id=said.id, pain_during=8)
    failed = new_set(clinic, patient)
    jobs.end_not_measured(clinic, jobs.claim(clinic, "w"), "w", "feet cut off")
    waiting = new_set(clinic, patient)
    work = work_list(clinic, today())
    places = {
        part: [e.stored.uid for _, e in work.of(part)]
        for part in ("past_limit", "not_measured", "to_look_at", "unremarkable", "being_measured")
    }
    assert places == {
        "past_limit": [past.uid],
        "not_measured": [failed.uid],
        "to_look_at": [short.uid, said.uid],
        "unremarkable": [good.uid],
        "being_measured": [waiting.uid],
    }
    assert [e.answer.pain_during for _, e in work.of("pains")] == [8]


def test_the_next_set_is_this_patients_then_the_gravest_of_another(clinic, results):
    one_patient, other = new_patient(clinic), new_patient(clinic, "KN-117")
    here = measured_set(clinic, one_patient, results, day=day_before(3))
    calm = measured_set(clinic, other, results, day=day_before(9))
    past = measured_set(
        clinic, other, results, day=day_before(1), outcomes={"target": "reached", "limit": "passed"}
    )
    same = measured_set(clinic, one_patient, results, day=day_before(1))
    assert next_to_review(clinic, here, today()).uid == same.uid
    review_sets(clinic, [here.uid, same.uid], "M.T.")
    assert next_to_review(clinic, find_set(clinic, same.uid), today()).uid == past.uid
    review_sets(clinic, [past.uid], "M.T.")
    assert next_to_review(clinic, find_set(clinic, past.uid), today()).uid == calm.uid
    review_sets(clinic, [calm.uid], "M.T.")
    assert next_to_review(clinic, find_set(clinic, calm.uid), today()) is None


def test_beside_a_set_stand_the_last_session_and_the_other_leg_of_the_day(clinic, results):
    patient = new_patient(clinic)
    last = measured_set(clinic, patient, results, day=day_before(7), side="left")
    older = measured_set(clinic, patient, results, day=day_before(14), side="left")
    right = measured_set(clinic, patient, results, day=day_before(0), side="right")
    here = measured_set(clinic, patient, results, day=day_before(0), side="left")
    found = neighbours(clinic, here)
    assert (found.earlier.uid, found.other_leg.uid) == (last.uid, right.uid)
    assert [b.uid for b in found.beside] == [right.uid, last.uid, older.uid]
    assert len(starts_of(clinic, here)) == here.n_repetitions


def test_a_worse_next_day_waits_on_the_work_list_until_it_is_seen(clinic):
    patient = new_patient(clinic)
    for pain, swelling in (("same", "less"), ("more", "same"), ("same", "more")):
        answers.add_answer(
            clinic,
            patient.id,
            "next day",
            pain_change=pain,
            stiffness_change="more",
            swelling_change=swelling,
        )
    found = [e for _, e in work_list(clinic, today()).of("facts")]
    assert [(a.answer.pain_change, a.answer.swelling_change) for a in found] == [
        ("same", "more"),
        ("more", "same"),
    ]
    answers.mark_seen(clinic, found[0].answer.id, "M.T.")
    assert work_list(clinic, today()).counts["facts"] == 1


def test_silence_and_due_reviews_come_to_the_list(clinic, monkeypatch):
    patient = new_patient(clinic)
    assert [code for code, _ in work_list(clinic, today()).of("due")] == ["KN-204"]
    later = today() + timedelta(days=7)
    assert [code for code, _ in work_list(clinic, later).of("silent")] == ["KN-204"]
    set_silent_days(clinic, patient.id, 30)
    assert work_list(clinic, later).of("silent") == ()
    set_silent_days(clinic, patient.id, 7)
    # A plan saved in the morning of a place whose day begins before that of Greenwich.
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    time.tzset()
    try:
        with clinic.write() as c:
            change(c, "UPDATE prescriptions SET saved_at = '2025-06-09T20:30:00+00:00'")
        assert work_list(clinic, date(2025, 6, 16)).of("silent") == ()
        assert [code for code, _ in work_list(clinic, date(2025, 6, 17)).of("silent")] == ["KN-204"]
    finally:
        monkeypatch.undo()
        time.tzset()
    set_silent_days(clinic, patient.id, 30)
    answers.add_answer(clinic, patient.id, "before", symptoms=("giving_way",))
    ((_, entry),) = work_list(clinic, later).of("symptoms")
    answers.mark_seen(clinic, entry.answer.id, "M.T.")
    assert work_list(clinic, later).of("symptoms") == ()


def test_a_change_is_told_from_noise_and_a_failed_set_is_a_gap(clinic, results):
    patient = new_patient(clinic)
    for days, added in ((20, 0.0), (10, 0.5), (0, 30.0)):
        measured_set(clinic, patient, results, day=day_before(days), added_deg=added)
    new_set(clinic, patient, day=day_before(5))
    jobs.end_not_measured(clinic, jobs.claim(clinic, "w"), "w", "too dark")
    points = series_of(clinic, patient.id, "squat", "left")["knee_flexion_peak_deg"]
    assert len(points) == 3
    small = change_of("knee_flexion_peak_deg", points[0], points[1])
    large = change_of("knee_flexion_peak_deg", points[0], points[2])
    assert (small.verdict, large.verdict) == ("within_error", "larger_than_error")
    assert large.value == pytest.approx(30, abs=1e-6)


def test_the_clinics_own_test_retest_figures_say_what_a_change_is(clinic, results):
    patient = new_patient(clinic)
    for days, added in ((10, 0.0), (0, 6.0)):
        measured_set(clinic, patient, results, day=day_before(days), added_deg=added)
    key = "knee_flexion_peak_deg"

    def change():
        points = series_of(clinic, patient.id, "squat", "left")[key]
        return change_of(key, points[0], points[1])

    assert change().verdict == "within_error"
    entry = {"exercise": "squat", "measure": key, "repeatability": {"mdc95": 4.0}}
    (clinic.folder.root / "reliability.json").write_text(
        json.dumps({"schema": "formcheck.reliability/1.0", "measures": [entry]})
    )
    assert change().verdict == "larger_than_error"
    assert change().smallest == 4.0
    assert "own test-retest" in change().basis


def test_a_day_is_put_as_facts_and_what_nobody_said_is_unknown(clinic, results):
    patient = new_patient(clinic)
    record = current_prescription(clinic, patient.id).record()
    day = day_before(3)
    measured_set(clinic, patient, results, day=day)
    (facts,) = session_facts(clinic, patient.id)
    assert facts.n_prescribed == 3 * 6 + 2 + 2 * 2 * 3 * 10, "all that was due, both rounds of it"
    (facts,) = session_facts_by_exercise(clinic, patient.id, record)["squat"]
    assert facts.n_prescribed == 18
    assert facts.n_done is None, "two sets are neither filmed nor ticked off"
    assert (facts.pain, facts.is_worse_next_morning, facts.has_new_swelling) == (None, None, None)
    for number in (2, 3):
        answers.tick(
            clinic,
            patient.id,
            exercise="squat",
            side="both",
            set_number=number,
            kind="done",
            day=day,
        )
    answers.add_answer(
        clinic,
        patient.id,
        "today",
        day=day,
        pain=2,
        symptoms=("new_swelling",),
        asked=("new_swelling", "giving_way"),
    )
    answers.add_answer(clinic, patient.id, "next day", day=day_before(2), swelling_change="more")
    (facts,) = session_facts_by_exercise(clinic, patient.id, record)["squat"]
    assert facts.n_done == 14, "two of six repetitions in the filmed set, both others full"
    assert facts.pain == 2
    assert (facts.is_worse_next_morning, facts.has_new_swelling) == (True, True)
    assert facts.has_giving_way is False


def test_each_exercise_has_its_own_facts_of_a_day(clinic, results):
    """The squat hurt, the wall sit did not; the morning after is of both."""
    patient = new_patient(clinic)
    record = current_prescription(clinic, patient.id).record()
    day = day_before(3)
    measured_set(clinic, patient, results, day=day)
    for number in (2, 3):
        answers.tick(
            clinic,
            patient.id,
            exercise="squat",
            side="both",
            set_number=number,
            kind="done",
            day=day,
        )
    about = {"day": day, "side": "both", "set_number": 1}
    answers.add_answer(
        clinic, patient.id, "after", pain_during=6, effort=8, exercise="squat", **about
    )
    answers.add_answer(clinic, patient.id, "after", pain=1, effort=3, exercise="wall_sit", **about)
    answers.add_answer(clinic, patient.id, "next day", day=day_before(2), swelling_change="more")
    found = session_facts_by_exercise(clinic, patient.id, record)
    assert list(found) == ["squat", "wall_sit", "straight_leg_raise"]
    (squat,), (wall_sit,) = found["squat"], found["wall_sit"]
    assert (squat.pain, squat.effort) == (6, 8)
    assert (wall_sit.pain, wall_sit.effort) == (1, 3)
    assert squat.n_prescribed == 18, "its own dose, not the whole programme's"
    assert squat.n_done == 14
    assert wall_sit.n_done is None
    assert squat.is_worse_next_morning is wall_sit.is_worse_next_morning is True
    assert found["straight_leg_raise"] == (), "nothing is known of what nobody began"


def test_a_line_goes_through_all_sets_of_a_side(clinic, results):
    patient = new_patient(clinic)
    for n, added in enumerate((0.0, 3.0, 5.0, 9.0)):
        measured_set(clinic, patient, results, day=day_before(28 - 7 * n), added_deg=added)
    key = "knee_flexion_peak_deg"
    points = series_of(clinic, patient.id, "squat", "left")[key]
    assert trend_of(key, points[:2]) is None
    found = trend_of(key, points)
    # Least squares through 0, 3, 5, 9 at 0 to 3 weeks, by hand: 14.5 / 5.
    assert (found.n, found.weeks) == (4, pytest.approx(3))
    assert found.per_week == pytest.approx(2.9, abs=0.05)
    assert found.verdict == "within_error", "two days' cameras differ by more than that"


@pytest.mark.parametrize("outcome", ["borderline", "not_visible"])
def test_a_target_too_close_to_call_or_not_seen_is_not_met_until_a_clinician_says_so(
    clinic, results, outcome
):
    patient = new_patient(clinic)
    stored = measured_set(clinic, patient, results, outcomes={"target": outcome, "limit": "kept"})
    assert (stored.n_not_met, stored.n_open) == (0, 2)
    (facts,) = session_facts(clinic, patient.id)
    assert facts.are_targets_met is None
    for place in (0, 1):
        add_correction(
            clinic,
            stored.uid,
            Correction(
                kind="outcome",
                repetition=place,
                measure="knee_flexion_peak_deg",
                check_kind="target",
                outcome="reached",
                reason="seen in the video",
                made_by="M.T.",
            ),
        )
    (facts,) = session_facts(clinic, patient.id)
    assert facts.are_targets_met is True


def test_the_note_tells_dose_measures_change_pain_and_review(clinic, results):
    patient = new_patient(clinic)
    measured_set(clinic, patient, results, day=day_before(14))
    stored = measured_set(clinic, patient, results, added_deg=20.0, load_kg=4.0)
    answers.add_answer(
        clinic, patient.id, "after", set_id=stored.id, pain=1, pain_during=2, effort=5
    )
    add_correction(clinic, stored.uid, _left_out())
    review_sets(clinic, [stored.uid], "M.T.")
    note = note_text(clinic, find_set(clinic, stored.uid))
    for words in (
        "squat, left",
        "4 kg",
        "support not stated",
        "from the side",
        "Largest knee flexion",
        "95 % interval",
        "° since ",
        "MDC95",
        "during 2",
        "Effort (0 to 10): 5",
        "1 repetition left out",
        "Reviewed by M.T.",
        "not an electronic signature",
    ):
        assert words in note, (words, note)
    assert "limit" not in note
    judged = replace(find_set(clinic, stored.uid), n_passed=3, n_doubtful=1, n_not_met=2)
    told = "Past a limit in 3; possibly past a limit in 1; target not reached in 2."
    assert told in note_text(clinic, judged)
    remarked = measured_set(clinic, patient, results, remark="heel_lifts")
    assert "Observations: heels lifted off the floor" in note_text(clinic, remarked)


def test_findings_scores_and_goals_are_kept_or_refused(clinic):
    patient = new_patient(clinic)
    findings.add_finding(
        clinic,
        patient.id,
        day="2025-03-01",
        kind="passive_flexion",
        side="left",
        value=128.0,
        words="",
        by="M.T.",
    )
    findings.add_score(
        clinic,
        patient.id,
        day="2025-03-01",
        name="Knee score",
        value=62,
        direction="higher is better",
        least_change=8,
        by="M.T.",
    )
    findings.add_goal(
        clinic, patient.id, words="stairs", set_on="2025-03-01", due_on=None, by="M.T."
    )
    goal = findings.goals_of(clinic, patient.id)[0]
    findings.reach_goal(clinic, patient.id, goal.id, "2025-04-01")
    assert findings.findings_of(clinic, patient.id)[0].value == 128
    assert findings.scores_of(clinic, patient.id)[0].least_change == 8
    assert findings.goals_of(clinic, patient.id)[0].reached_on == "2025-04-01"
    ahead = {"day": (today() + timedelta(days=1)).isoformat()}
    for wrong in (
        {"kind": "colour"},
        {"value": 400.0},
        {"side": "middle"},
        {"day": "yesterday"},
        ahead,
    ):
        values = {
            "day": "2025-03-01",
            "kind": "passive_flexion",
            "side": "left",
            "value": 1.0,
            "words": "",
            "by": "M.T.",
        }
        with pytest.raises(UsageError):
            findings.add_finding(clinic, patient.id, **{**values, **wrong})


@pytest.mark.parametrize("entry", ["finding", "score", "goal"])
def test_an_entry_that_was_withdrawn_counts_no_more_and_stays_on_record(clinic, entry):
    patient, by, day = new_patient(clinic), "M.T.", "2025-03-01"
    findings.add_finding(
        clinic,
        patient.id,
        day=day,
        kind="passive_flexion",
        side="left",
        value=28.0,
        words="",
        by=by,
    )
    findings.add_score(
        clinic,
        patient.id,
        day=day,
        name="Knee score",
        value=62,
        direction="higher is better",
        least_change=None,
        by=by,
    )
    findings.add_goal(clinic, patient.id, words="stairs", set_on=day, due_on=None, by=by)
    of = {"finding": findings.findings_of, "score": findings.scores_of, "goal": findings.goals_of}
    (kept,) = of[entry](clinic, patient.id)
    other = add_patient(clinic, "KN-999")
    for wrong in (
        {"patient_id": other.id},
        {"entry_id": kept.id + 1},
        {"by": ""},
        {"why": " "},
        {"why": "x" * 201},
    ):
        values = {"patient_id": patient.id, "entry_id": kept.id, "by": "A.B.", "why": "typing slip"}
        with pytest.raises(UsageError):
            findings.withdraw(clinic, entry=entry, **{**values, **wrong})
    assert of[entry](clinic, patient.id) == (kept,)
    findings.withdraw(clinic, patient.id, entry, kept.id, by="A.B.", why="typing slip")
    assert of[entry](clinic, patient.id) == ()
    (withdrawn,) = of[entry](clinic, patient.id, with_withdrawn=True)
    assert (withdrawn.withdrawal.by, withdrawn.withdrawal.why) == ("A.B.", "typing slip")
    assert replace(withdrawn, withdrawal=None) == kept
    assert all(of[name](clinic, patient.id) for name in of if name != entry)
    with pytest.raises(UsageError, match="not in force"):
        findings.withdraw(clinic, patient.id, entry, kept.id, by="A.B.", why="again")


def test_a_withdrawn_goal_cannot_be_reached(clinic):
    patient = new_patient(clinic)
    findings.add_goal(
        clinic, patient.id, words="stairs", set_on="2025-03-01", due_on=None, by="M.T."
    )
    (goal,) = findings.goals_of(clinic, patient.id)
    findings.withdraw(clinic, patient.id, "goal", goal.id, by="M.T.", why="another patient's")
    findings.reach_goal(clinic, patient.id, goal.id, "2025-04-01")
    (kept,) = findings.goals_of(clinic, patient.id, with_withdrawn=True)
    assert kept.reached_on is None


def _entered(clinic, patient, *entries):
    for kind, side, value, words in entries:
        findings.add_finding(
            clinic,
            patient.id,
            day="2025-03-01",
            kind=kind,
            side=side,
            value=value,
            words=words,
            by="M.T.",
        )
    return findings.findings_of(clinic, patient.id)


@pytest.mark.parametrize(
    ("kind", "left", "right", "involved", "side", "percent"),
    [
        # The index as commonly defined: involved over uninvolved times 100 (Noyes 1991 for hops).
        ("extensor_strength_nm", 120.0, 150.0, "left", "left", 80.0),
        ("single_hop_cm", 150.0, 120.0, "left", "left", 125.0),
        # Of a time the uninvolved over the involved: 2.5 s against 2.0 s.
        ("timed_hop_s", 2.5, 2.0, "left", "left", 80.0),
        # Nobody said which side is involved: worse over better, never above 100.
        ("single_hop_cm", 150.0, 120.0, None, "right", 80.0),
        ("timed_hop_s", 2.5, 2.0, "both", "left", 80.0),
    ],
)
def test_the_limb_symmetry_index_is_the_trades(clinic, kind, left, right, involved, side, percent):
    entered = _entered(
        clinic, new_patient(clinic), (kind, "left", left, ""), (kind, "right", right, "")
    )
    (found,) = findings.symmetry_of_findings(entered, involved)
    assert (found.kind, found.side, found.percent) == (kind, side, pytest.approx(percent))
    assert found.is_involved == (involved == "left")


def test_an_index_of_two_methods_is_told_to_be_one(clinic):
    kind = "extensor_strength_nm"
    entered = _entered(
        clinic,
        new_patient(clinic),
        (kind, "left", 100.0, "isokinetic, 60 per s"),
        (kind, "right", 200.0, "isometric, 90 deg"),
    )
    (found,) = findings.symmetry_of_findings(entered, "left")
    assert not found.is_same_method
    same = tuple(replace(f, words="isometric, 90 deg") for f in entered)
    assert findings.symmetry_of_findings(same, "left")[0].is_same_method


def test_force_is_never_set_against_torque_nor_one_day_against_another(clinic):
    entered = _entered(
        clinic,
        new_patient(clinic),
        ("extensor_strength_kg", "left", 30.0, "handheld, 60 deg"),
        ("extensor_strength_nm", "right", 140.0, ""),
        ("passive_flexion", "left", 120.0, ""),
        ("passive_flexion", "right", 140.0, ""),
    )
    assert findings.symmetry_of_findings(entered, "left") == ()
    later = replace(entered[0], id=99, day="2025-03-08", side="right")
    assert findings.symmetry_of_findings((*entered, later), "left") == ()


@pytest.mark.parametrize(
    "wrong",
    [
        ("effusion_stroke_test", "left", None, "large"),
        ("effusion", "left", 2.0, ""),
        ("extensor_strength_kg", "left", 3000.0, ""),
        ("extensor_strength_kg", "both", 30.0, ""),
        ("extensor_strength_kg", "left", None, "strong"),
        ("step_down_errors", "left", 2.5, ""),
        ("step_down_errors", "left", math.inf, ""),
        ("step_down_errors", "left", math.nan, ""),
        ("timed_hop_s", "left", 0.0, ""),
    ],
)
def test_a_finding_that_cannot_be_right_is_refused(clinic, wrong):
    patient = new_patient(clinic)
    with pytest.raises(UsageError):
        _entered(clinic, patient, wrong)
    assert findings.findings_of(clinic, patient.id) == ()


# -- deletion, retention, backup


def test_a_deleted_set_is_gone_with_everything_and_that_it_went_is_kept(clinic, results):
    patient = new_patient(clinic)
    stored = measured_set(clinic, patient, results)
    answers.add_answer(clinic, patient.id, "after", set_id=stored.id, pain=1)
    add_correction(clinic, stored.uid, _left_out(reason="very particular words"))
    deletion.delete_set(clinic, stored.uid, by="M.T.", reason="asked for")
    assert find_set(clinic, stored.uid) is None
    assert not clinic.folder.recording(stored.recording).exists()
    assert not clinic.folder.result(stored.uid).exists()
    with clinic.read() as c:
        for table in ("answers", "corrections", "set_measures", "jobs"):
            assert rows(c, f"SELECT * FROM {table}") == [], table
    (record,) = deletion.deletions(clinic)
    assert (record.what, record.patient_code, record.reason) == ("set", "KN-204", "asked for")
    on_disk = b"".join(p.read_bytes() for p in clinic.folder.root.glob("clinic.db*"))
    assert b"very particular words" not in on_disk


def test_a_deleted_patient_takes_everything_along_and_no_one_else(clinic, results):
    gone, stays = new_patient(clinic, "KN-204"), new_patient(clinic, "KN-311")
    for patient in (gone, stays):
        measured_set(clinic, patient, results)
    deletion.delete_patient(clinic, "KN-204", by="M.T.", reason="moved away")
    assert [p.code for p in list_patients(clinic)] == ["KN-311"]
    assert len(sets_of(clinic, stays.id)) == 1
    assert len(list(clinic.folder.recordings.iterdir())) == 1
    with pytest.raises(UsageError, match="why"):
        deletion.delete_patient(clinic, "KN-311", by="M.T.", reason="")


def test_a_backup_brings_everything_back(clinic, results, tmp_path):
    patient = new_patient(clinic)
    stored = measured_set(clinic, patient, results)
    add_correction(clinic, stored.uid, _left_out())
    review_sets(clinic, [stored.uid], "M.T.")
    target = tmp_path / "clinic.zip"
    content = backup.backup(clinic, target)
    assert content.n_files > 5
    backup.restore(target, tmp_path / "new")
    other = open_clinic(tmp_path / "new")
    back = find_set(other, stored.uid)
    assert back == find_set(clinic, stored.uid)
    assert corrected_report(other, back) == corrected_report(clinic, back)
    recording = other.folder.recording(back.recording)
    assert recording.read_bytes() == clinic.folder.recording(stored.recording).read_bytes()
    assert stat.S_IMODE(recording.stat().st_mode) == 0o600
    other.close()


def test_a_restore_over_data_must_be_said_and_keeps_what_was_there(clinic, tmp_path):
    new_patient(clinic)
    target = tmp_path / "clinic.zip"
    backup.backup(clinic, target)
    add_patient(clinic, "KN-999")
    clinic.close()
    root = clinic.folder.root
    with pytest.raises(UsageError, match="--replace"):
        backup.restore(target, root)
    backup.restore(target, root, is_replacing=True)
    again = open_clinic(root)
    assert [p.code for p in list_patients(again)] == ["KN-204"]
    again.close()
    (kept,) = root.parent.glob("data.before-restore-*")
    assert (kept / "clinic.db").exists()


def test_a_restore_never_touches_a_folder_with_other_files(clinic, tmp_path):
    target = tmp_path / "clinic.zip"
    backup.backup(clinic, target)
    for name in ("letter.txt", "recordings/film.mp4", ".hidden"):
        folder = tmp_path / name.replace("/", "_")
        (folder / name).parent.mkdir(parents=True)
        (folder / name).write_text("kept")
        for is_replacing in (False, True):
            with pytest.raises(UsageError, match="no clinic's data"):
                backup.restore(target, folder, is_replacing=is_replacing)
        assert [p for p in folder.rglob("*") if p.is_file()] == [folder / name]
    unused = tmp_path / "unused"
    data_folder(unused)
    (unused / "serving.lock").touch()
    backup.restore(target, unused)
    assert (unused / "clinic.db").exists()


def test_a_backup_never_takes_the_place_of_the_data_that_it_keeps(clinic, tmp_path):
    before = clinic.folder.database.read_bytes()
    for target in (clinic.folder.database, clinic.folder.root / "b.zip"):
        with pytest.raises(UsageError, match="inside the data folder"):
            backup.backup(clinic, target)
    assert clinic.folder.database.read_bytes() == before
    assert not (clinic.folder.root / "b.zip").exists()


def test_a_damaged_or_foreign_backup_is_refused_and_changes_nothing(clinic, tmp_path):
    new_set(clinic, new_patient(clinic))
    target = tmp_path / "clinic.zip"
    backup.backup(clinic, target)
    content = bytearray(target.read_bytes())
    content[len(content) // 3] ^= 0xFF
    (tmp_path / "bad.zip").write_bytes(content)
    with zipfile.ZipFile(tmp_path / "evil.zip", "w") as archive:
        files = [{"name": n, "bytes": 1, "sha256": "0" * 64} for n in ("clinic.db", "../evil")]
        manifest = {"schema": backup.BACKUP_SCHEMA, "made_at": "x", "files": files}
        archive.writestr("manifest.json", json.dumps(manifest))
        archive.writestr("../evil", b"x")
    (tmp_path / "text.zip").write_bytes(b"no zip")
    for name in ("bad.zip", "evil.zip", "text.zip"):
        with pytest.raises(FileError):
            backup.restore(tmp_path / name, tmp_path / "target")
    assert not (tmp_path / "evil").exists()
    assert not (tmp_path / "target" / "clinic.db").exists()
    assert [p.name for p in tmp_path.glob("target.*")] == []


def test_a_backup_is_possible_while_it_is_served(clinic, tmp_path):
    new_set(clinic, new_patient(clinic))
    with serving(clinic.folder), clinic.write() as c:
        change(c, "UPDATE patients SET silent_days = 8")
        # Another connection reads the last state that was written whole.
        assert backup.backup(clinic, tmp_path / "b.zip").n_files >= 2
    with zipfile.ZipFile(tmp_path / "b.zip") as archive:
        (tmp_path / "copy.db").write_bytes(archive.read("clinic.db"))
    with sqlite3.connect(tmp_path / "copy.db") as copy:
        assert copy.execute("SELECT silent_days FROM patients").fetchone() == (7,)
    copy.close()


# -- how much work


def test_the_work_list_of_ten_thousand_sets_asks_as_often_as_that_of_none(clinic):
    new_patient(clinic)
    with counted_work(clinic) as few:
        work_list(clinic, today())
    for n in range(50):
        new_patient(clinic, f"KN-{n:03}")
    with clinic.write() as c:
        ids = [r["id"] for r in rows(c, "SELECT id FROM patients")]
        for n in range(10_000):
            change(
                c,
                """INSERT INTO sets (uid, patient_id, exercise, side, day, received_at,
                      recording, recording_bytes, recording_sha256, origin, state, n_not_met,
                      n_passed, dose_prescribed, dose_done, attention)
                      VALUES (:u, :p, 'squat', 'left', :d, '2025-01-01T00:00:00+00:00', 'x', 1, 'x',
                      'recorded', :s, :nn, :np, 10, 10, :a)""",
                u=f"{n:032x}",
                p=ids[n % 50],
                d=day_before(n % 300),
                nn=n % 3 == 0,
                np=n % 7 == 0,
                s=("measured", "reviewed", "not measured", "recorded")[n % 4],
                a=("limit_passed", "target_not_reached", "")[n % 3],
            )
            change(
                c,
                """INSERT INTO answers (patient_id, set_id, day, at, moment, pain)
                         VALUES (:p, :s, :d, 'x', 'after', 2)""",
                p=ids[n % 50],
                s=n + 1,
                d=day_before(n % 300),
            )
    with counted_work(clinic) as counted:
        work = work_list(clinic, today())
    assert sum(work.counts[p] for p in ("past_limit", "to_look_at", "unremarkable")) == 2500
    assert counted.n_statements == few.n_statements
    assert counted.n_thousands < 1500


def test_a_path_of_the_data_folder_can_be_named_on_the_command_line(run_formcheck, tmp_path):
    open_clinic(tmp_path / "d").close()
    done = run_formcheck("backup", tmp_path / "b.zip", "--data", tmp_path / "d")
    assert done.returncode == 0, done.stderr
    assert "read back and whole" in done.stdout
    again = run_formcheck("restore", tmp_path / "b.zip", "--data", tmp_path / "d")
    assert again.returncode == 2
    assert "--replace" in again.stderr
    assert os.listdir(tmp_path / "d")


def test_a_wrong_data_folder_is_told_and_not_made(run_formcheck, tmp_path):
    for command in (("backup", "b.zip"), ("pack", "KN-204", "p.zip")):
        done = run_formcheck(*command, "--data", "typing-slip", cwd=tmp_path)
        assert done.returncode == 2
        assert "holds no clinic's data" in done.stderr
    assert list(tmp_path.iterdir()) == []


# -- what earlier versions left

FROZEN = Path(__file__).parent / "frozen"


def test_a_database_of_every_released_schema_is_opened_with_all_that_is_in_it(tmp_path):
    made = new_clinic(tmp_path)
    path = made.folder.database
    made.close()
    for ending in ("", "-wal", "-shm"):
        path.with_name(path.name + ending).unlink(missing_ok=True)
    raw = sqlite3.connect(path)
    raw.executescript((FROZEN / "clinic-1.sql").read_text("utf-8") + "PRAGMA user_version = 1;")
    raw.execute("INSERT INTO set_measures SELECT id, 'lowering_s', 2.0, 0.25, 4, NULL FROM sets")
    raw.commit()
    raw.close()
    clinic = open_clinic(tmp_path / "data")
    try:
        assert schema_version(clinic.engine) == len(MIGRATIONS)
        patient = find_patient(clinic, "KN-204")
        plan = current_prescription(clinic, patient.id)
        assert plan.version == 1
        assert 'patient = "KN-204"' in plan.text
        (stored,) = sets_of(clinic, patient.id)
        assert (stored.exercise, stored.day, stored.support) == ("squat", "2026-03-02", "chair")
        said = answers.answers_of_set(clinic, stored.id)
        assert [(a.moment, a.pain, a.effort) for a in said] == [
            ("before", 2, None),
            ("after", 1, 5),
        ]
        assert [t.reason for t in answers.ticks_of(clinic, patient.id)] == ["pain"]
        mean = means_of(clinic, patient.id)[stored.id]["lowering_s"]
        assert (mean.value, mean.low, mean.high, mean.n) == (2.0, 1.75, 2.25, 4)
        assert corrections_of(clinic, stored.id)[0].correction.words == "Good pace."
        assert [r.initials for r in reviews_of(clinic, stored.id)] == ["M.T."]
        assert findings.findings_of(clinic, patient.id)[0].value == 12.0
        assert findings.scores_of(clinic, patient.id)[0].name == "Knee score"
        assert findings.goals_of(clinic, patient.id)[0].words == "Walk the dog for half an hour"
        assert jobs.claim(clinic, "test").uid == stored.uid
    finally:
        clinic.close()


def test_done_of_planned_is_counted_by_the_days_of_the_plan(clinic):
    """Three weeks of "3 times a week" are nine days; one done too many is told as well."""
    patient = new_patient(clinic)
    record = current_prescription(clinic, patient.id).record()
    monday = date(2025, 3, 3)
    lines = tuple(
        replace(line, frequency=words)
        for line, words in zip(
            record.exercises, ("3 times a week", "Mon, Wed, Fri", "every other day"), strict=True
        )
    )
    record = replace(record, valid_from=monday, exercises=lines)
    done = [
        DayDone(exercise=e, side="both", day=monday + timedelta(days=n))
        for e, days in (("squat", range(10)), ("wall_sit", (0, 2)), ("straight_leg_raise", ()))
        for n in days
    ]
    kept = plan_kept(record, done, (), (), monday + timedelta(days=21))
    assert [(k.n_done, k.n_planned) for k in kept] == [(10, 9), (2, 9), (0, 11)]
    weeks = [[(done, planned) for _, done, planned in k.weeks] for k in kept]
    assert weeks[:2] == [[(7, 3), (3, 3), (0, 3)], [(2, 3), (0, 3), (0, 3)]]


def test_effort_is_of_the_line_whose_set_it_was_said_of_or_written_to(clinic):
    """A form after a filmed set names no side: the set does. Paper carries effort by itself."""
    patient = new_patient(clinic)
    record = current_prescription(clinic, patient.id).record()
    raise_ = record.exercises[2]
    lines = tuple(replace(raise_, sides=(side,)) for side in ("left", "right"))
    record = replace(record, valid_from=date(2025, 3, 3), exercises=lines)
    for day, side, effort in (("2025-03-03", "left", 4), ("2025-03-06", "right", 7)):
        made = new_set(clinic, patient, exercise=raise_.exercise, side=side, day=day)
        answers.add_answer(
            clinic,
            patient.id,
            "after",
            set_id=made.id,
            exercise=raise_.exercise,
            day=day,
            effort=effort,
        )
    answers.tick(
        clinic,
        patient.id,
        exercise=raise_.exercise,
        side="left",
        set_number=1,
        kind="done",
        day="2025-03-05",
        paper_by="M.T.",
        effort=5,
    )
    # Of another exercise: of no line here.
    answers.add_answer(clinic, patient.id, "after", exercise="squat", day="2025-03-05", effort=9)
    kept = plan_kept(
        record,
        (),
        sets_of(clinic, patient.id),
        answers.ticks_of(clinic, patient.id),
        date(2025, 3, 10),
        answers.answers_of(clinic, patient.id),
    )
    assert [k.efforts for k in kept] == [(4, 5), (7,)]


@pytest.mark.parametrize(
    ("done", "words"),
    [
        (4, "4 of 6 repetitions"),
        (6, "6 of 6 repetitions"),
        (8, "8 repetitions, 2 more than the 6 prescribed"),
    ],
)
def test_more_than_the_dose_is_told_as_plainly_as_less(done, words):
    assert dose_done(done, 6) == words
    assert dose_done(1, 1, "hold") == "1 of 1 hold"
