"""Which plan a day is held against, what is not known of it, and what holds a patient back."""

import json
import zipfile
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from clinic_cases import (
    day_before,
    measured_set,
    new_clinic,
    new_patient,
    new_set,
    prescription_text,
)

from formcheck.clinic import deletion, exchange, fhir, jobs
from formcheck.clinic.answers import add_answer, answers_of, standing_of, standings, tick, ticks_of
from formcheck.clinic.backup import backup, restore
from formcheck.clinic.database import change, today
from formcheck.clinic.exchange import _keep_answers
from formcheck.clinic.follow_up import own_reliability, session_facts, session_facts_by_exercise
from formcheck.clinic.note import note_text
from formcheck.clinic.paper import monday_of, paper_week
from formcheck.clinic.patients import (
    add_patient,
    coming_words,
    course_of,
    current_prescription,
    newest_prescription,
    prescriptions_of,
    save_prescription,
)
from formcheck.clinic.plan_kept import dose_of_day, history_of, plan_kept
from formcheck.clinic.reviews import open_again, outcome_of, review_sets
from formcheck.clinic.sets import find_set, stored_report
from formcheck.clinic.tables import sets_csv
from formcheck.clinic.today import DayDone, todays_list
from formcheck.files.exercises import load_exercise
from formcheck.report.corrections import corrected
from formcheck.web.clinician.lists import set_facts
from formcheck.web.offline_page import offline_page
from formcheck.web.uploads import about_from
from formcheck.words.languages import day as day_in_words


def plan(code, *lines, begins="2025-03-03"):
    """A plan of (exercise, repetitions, more) lines of one set each."""
    head = f"""schema = "formcheck.prescription/1.1"
patient = "{code}"
involved_side = "left"
prescribed_by = "M.T."
valid_from = {begins}
"""
    return head + "".join(
        f'[[exercises]]\nexercise = "{name}"\nsets = 1\nrepetitions = {n}\n{more}\n'
        for name, n, more in lines
    )


def saved_earlier(clinic, version, days):
    with clinic.write() as c:
        change(
            c,
            "UPDATE prescriptions SET saved_at = :at WHERE id = :id",
            at=f"{day_before(days)}T12:00:00+00:00",
            id=version.id,
        )


# -- which plan


def test_a_plan_that_begins_later_leaves_the_one_before_it_in_force(clinic):
    # Before: nothing was due until then.
    patient = new_patient(clinic)
    first = current_prescription(clinic, patient.id)
    begins = today() + timedelta(days=3)
    text = prescription_text().replace("valid_from = 2025-03-03", f"valid_from = {begins}")
    text = text.replace("review_on = 2025-03-17", f"review_on = {begins + timedelta(days=14)}")
    second = save_prescription(clinic, patient, text, "M.T.")
    assert newest_prescription(clinic, patient.id).id == second.id
    assert current_prescription(clinic, patient.id).id == first.id
    assert current_prescription(clinic, patient.id, begins).id == second.id
    record = current_prescription(clinic, patient.id).record()
    exercises = [load_exercise(line.exercise) for line in record.exercises]
    assert any(of.is_due for of in todays_list(record, exercises, (), (), day=today()))


def test_a_first_plan_that_begins_later_is_the_plan(clinic):
    patient = add_patient(clinic, "KN-301")
    begins = today() + timedelta(days=3)
    made = save_prescription(
        clinic, patient, plan("KN-301", ("squat", 3, ""), begins=begins), "M.T."
    )
    assert current_prescription(clinic, patient.id).id == made.id


def test_a_clip_of_an_earlier_day_is_held_against_the_plan_of_that_day(clinic):
    patient = new_patient(clinic)
    first = current_prescription(clinic, patient.id)
    saved_earlier(clinic, first, 20)
    second = save_prescription(
        clinic, patient, prescription_text().replace("at_most = 90", "at_most = 95"), "M.T."
    )
    said = {"exercise": "squat", "side": "both"}
    found = {
        days: about_from({**said, "day": day_before(days)}, patient, clinic, is_recorded=False)
        for days in (10, 0, 40)
    }
    assert {days: a.prescription_id for days, a in found.items()} == {
        10: first.id,
        0: second.id,
        40: first.id,  # before any plan: the one that began first
    }


def test_what_was_done_is_held_against_the_plan_of_its_day(clinic, results):
    # Before: easing the plan made three short days full ones, and raising it made full ones short.
    patient = add_patient(clinic, "KN-302")
    first = save_prescription(clinic, patient, plan("KN-302", ("squat", 4, "")), "M.T.")
    saved_earlier(clinic, first, 20)
    for days in (3, 2, 1):
        measured_set(clinic, patient, results, day=day_before(days), side="both", dose=4)
    eased = save_prescription(clinic, patient, plan("KN-302", ("squat", 2, "")), "M.T.")
    facts = session_facts_by_exercise(clinic, patient.id, eased.record())["squat"]
    assert [(f.n_done, f.n_prescribed) for f in facts] == [(2, 4)] * 3
    assert [(f.n_done, f.n_prescribed) for f in session_facts(clinic, patient.id)] == [(2, 4)] * 3


def test_a_line_of_another_side_is_not_begun_by_the_first(clinic):
    text = plan(
        "KN-303",
        ("straight_leg_raise", 10, 'sides = ["left"]\nfrequency = "once a day"'),
        ("straight_leg_raise", 10, 'sides = ["right"]\nfrequency = "Monday"'),
    )
    patient = add_patient(clinic, "KN-303")
    record = save_prescription(clinic, patient, text, "M.T.").record()
    about = {"exercise": "straight_leg_raise", "set_number": 1, "kind": "done"}
    tuesday = date(2025, 3, 11)
    tick(clinic, patient.id, side="left", day=tuesday.isoformat(), **about)
    exercises = [load_exercise(e.exercise) for e in record.exercises]

    def dose(day):
        ticks = ticks_of(clinic, patient.id, day.isoformat())
        return dose_of_day(record, exercises, (), ticks, day, history_of(clinic, patient.id))

    assert dose(tuesday) == (10, 10)
    tick(clinic, patient.id, side="left", day="2025-03-10", **about)
    assert dose(date(2025, 3, 10)) == (None, 20), "on Monday both are due, and one was not told"


def test_every_other_day_done_without_a_gap_misses_no_day_of_any_week(clinic):
    line = ("squat", 10, 'frequency = "every other day"')
    patient = add_patient(clinic, "KN-304")
    record = save_prescription(clinic, patient, plan("KN-304", line), "M.T.").record()
    monday = date(2025, 3, 3)
    days = [monday + timedelta(days=2 * n) for n in range(14)]
    history = [DayDone(exercise="squat", side="both", day=day) for day in days]
    (kept,) = plan_kept(record, history, (), (), monday + timedelta(days=28))
    assert [(done, planned) for _, done, planned in kept.weeks] == [(4, 4), (3, 3)] * 2


# -- what is not known


def test_a_set_that_could_not_be_measured_is_no_set_of_no_repetitions(clinic, results):
    # Before: once it was reviewed it had "0 of 10 done" and all its targets met.
    patient = new_patient(clinic)
    measured = measured_set(clinic, patient, results, day=day_before(5))
    stored = new_set(clinic, patient, side="both", day=day_before(1))
    report = replace(stored_report(clinic, measured.uid), is_usable=False, repetitions=())
    job = jobs.claim(clinic, "w")
    outcome = replace(outcome_of(corrected(report, ())), dose_prescribed=10, dose_done=0)
    jobs.end_not_measured(clinic, job, "w", "The feet are cut off.", outcome)
    clinic.folder.result(stored.uid).mkdir()
    for name in ("report.json", "request.json"):
        source = clinic.folder.result(measured.uid) / name
        (clinic.folder.result(stored.uid) / name).write_bytes(source.read_bytes())

    def facts():
        found = session_facts(clinic, patient.id)[-1]
        n_observed = len(fhir.patient_bundle(clinic, patient.code)["entry"])
        row = sets_csv(clinic, patient.id).splitlines()[-1].split(",")
        return found.n_done, found.are_targets_met, n_observed, row[8:10]

    before = facts()
    assert before == (None, None, 1, ["", ""])
    review_sets(clinic, [stored.uid], "M.T.")
    again = find_set(clinic, stored.uid)
    assert (again.state, again.is_measured) == ("reviewed", False)
    assert set_facts(again) == "could not be measured: The feet are cut off."
    assert facts() == before
    note = note_text(clinic, again)
    assert "Could not be measured: The feet are cut off." in note
    assert "repetitions done" not in note
    open_again(clinic, stored.uid, "M.T.", "look again")
    assert find_set(clinic, stored.uid).state == "not measured"
    assert facts() == before


@pytest.mark.parametrize(
    ("limit", "are_met"),
    [("kept", True), ("passed", False), ("possibly_passed", None), ("not_visible", None)],
)
def test_a_limit_that_was_passed_is_no_ground_to_progress(clinic, results, limit, are_met):
    # Before: "criteria for progressing fulfilled" with a limit passed in every repetition.
    patient = new_patient(clinic)
    measured_set(clinic, patient, results, outcomes={"target": "reached", "limit": limit})
    (facts,) = session_facts(clinic, patient.id)
    assert facts.are_targets_met is are_met


# -- what holds a patient back


def utc(hours):
    return (datetime.now(UTC) + timedelta(hours=hours)).isoformat(timespec="seconds")


def test_what_is_said_now_is_the_newest_word_though_the_clock_was_set_back(clinic):
    # Before: chest pain said now was cleared by a word given while the clock was three hours fast.
    one, other = new_patient(clinic), new_patient(clinic, "KN-205")
    pain = {"symptoms": ("chest_pain",), "asked": ("chest_pain",)}
    add_answer(clinic, one.id, "acted", acted="may_go_on", at=utc(3))
    add_answer(clinic, one.id, "today", **pain)
    assert standing_of(clinic, one.id).level == "urgent"
    assert standings(clinic, today().isoformat())[one.id].level == "urgent"
    add_answer(clinic, other.id, "today", at=utc(3), **pain)
    add_answer(clinic, other.id, "acted", acted="may_go_on")
    assert standing_of(clinic, other.id).level == "start"


def test_a_deleted_set_takes_no_word_away_that_holds_the_patient_back(clinic, results):
    patient = new_patient(clinic)
    stored = measured_set(clinic, patient, results)
    add_answer(clinic, patient.id, "before", set_id=stored.id, pain=1)
    add_answer(
        clinic,
        patient.id,
        "after",
        set_id=stored.id,
        symptoms=("chest_pain",),
        asked=("chest_pain",),
    )
    assert standing_of(clinic, patient.id).level == "urgent"
    deletion.delete_set(clinic, stored.uid, by="M.T.", reason="wrong clip")
    assert standing_of(clinic, patient.id).level == "urgent"
    left = answers_of(clinic, patient.id)
    assert [(a.moment, a.set_id) for a in left] == [("before", None), ("after", None)]


def test_an_answer_that_travels_with_a_set_and_with_a_log_is_one_answer(clinic, results):
    # Before: an alarm that somebody had seen came back as a new one with the next set.
    patient = new_patient(clinic)
    stored = measured_set(clinic, patient, results)
    add_answer(clinic, patient.id, "after", symptoms=("chest_pain",), asked=("chest_pain",))
    (said,) = answers_of(clinic, patient.id)
    travels = [exchange._answer_mapping(said)]
    with clinic.write() as c:
        change(c, "DELETE FROM answers")
    assert _keep_answers(clinic, patient, stored, travels) == 1
    assert _keep_answers(clinic, patient, None, travels) == 0
    assert [a.set_id for a in answers_of(clinic, patient.id)] == [stored.id]
    with clinic.write() as c:
        change(c, "DELETE FROM answers")
    assert _keep_answers(clinic, patient, None, travels) == 1
    assert _keep_answers(clinic, patient, stored, travels) == 0, "the log came first"
    assert [a.set_id for a in answers_of(clinic, patient.id)] == [stored.id]


# -- kept


def test_a_backup_holds_the_clinic_s_own_figures_and_templates(tmp_path):
    clinic = new_clinic(tmp_path)
    figures = {
        "schema": "formcheck.reliability/1.0",
        "measures": [
            {
                "exercise": "squat",
                "measure": "knee_flexion_peak_deg",
                "repeatability": {"mdc95": 9.5},
            }
        ],
    }
    root = clinic.folder.root
    (root / "reliability.json").write_text(json.dumps(figures))
    root.joinpath("templates").mkdir()
    root.joinpath("templates", "ours.toml").write_text('name = "ours"\n')
    root.joinpath("templates", "Übung, früh.toml").write_text("", "utf-8")
    root.joinpath("templates", "notes.txt").write_text("not a template")
    backup(clinic, tmp_path / "kept.zip")
    clinic.close()
    names = zipfile.ZipFile(tmp_path / "kept.zip").namelist()
    assert sorted(names) == [
        "clinic.db",
        "manifest.json",
        "reliability.json",
        "templates/ours.toml",
        "templates/Übung, früh.toml",
    ]
    restore(tmp_path / "kept.zip", root, is_replacing=True)
    clinic = new_clinic(tmp_path)
    assert own_reliability(clinic)["measures"] == figures["measures"]
    assert root.joinpath("templates", "ours.toml").read_text() == 'name = "ours"\n'
    clinic.close()


def test_a_line_that_is_asked_for_less_often_counts_from_that_day(clinic):
    # Before: of 20 daily days 17 were "more than planned" once the line was once a week.
    patient = add_patient(clinic, "KN-305")
    lines = (("squat", 10, 'frequency = "once a day"'), ("heel_slide", 5, ""))
    first = save_prescription(clinic, patient, plan("KN-305", *lines), "M.T.")
    saved_earlier(clinic, first, 20)
    lines = (("squat", 10, 'frequency = "once a week"'), ("heel_slide", 5, ""))
    second = save_prescription(clinic, patient, plan("KN-305", *lines), "M.T.")
    saved_earlier(clinic, second, 2)
    third = save_prescription(clinic, patient, plan("KN-305", *lines, ("bridge", 5, "")), "M.T.")
    versions = prescriptions_of(clinic, patient.id)
    history = [
        DayDone(exercise="squat", side="both", day=today() - timedelta(days=n))
        for n in range(3, 23)
    ]
    squat, slide, bridge = plan_kept(third.record(), history, (), (), today(), (), versions)
    assert squat.begins == today() - timedelta(days=2)
    assert (squat.n_done, squat.n_planned) == (0, 0)
    assert slide.begins == date(2025, 3, 3)
    assert bridge.begins == today()
    before = plan_kept(first.record(), history, (), (), today(), (), versions)[0]
    assert before.begins == date(2025, 3, 3)
    assert before.n_done == 20


def test_a_line_counts_on_through_other_words_slips_and_plans_that_never_began(clinic):
    def kept(*changes):
        patient = add_patient(clinic, f"KN-{400 + len(changes) + 10 * changes[0][0]}")
        days = [today() - timedelta(days=n) for n in range(1, 20)]
        history = [DayDone(exercise="squat", side="both", day=day) for day in days]
        for ago, line, begins in changes:
            text = plan(patient.code, line, begins=begins)
            made = save_prescription(clinic, patient, text, "M.T.")
            saved_earlier(clinic, made, ago)
        versions = prescriptions_of(clinic, patient.id)
        record = current_prescription(clinic, patient.id).record()
        (found,) = plan_kept(record, history, (), (), today(), (), versions)
        return found.begins, found.n_done

    long_ago, soon = date(2025, 3, 3), today() + timedelta(days=10)
    daily, once = ("squat", 3, 'frequency = "once a day"'), ("squat", 3, 'frequency = "daily"')
    weekly = ("squat", 3, 'frequency = "once a week"')
    assert kept((20, daily, long_ago), (0, once, long_ago)) == (long_ago, 19)
    assert kept((21, daily, long_ago), (5, weekly, soon), (0, once, long_ago)) == (long_ago, 19)
    assert kept(
        (22, daily, long_ago), (0, weekly, long_ago), (0, once, long_ago), (0, daily, long_ago)
    ) == (long_ago, 19)  # a slip, mended on the same day
    assert kept((23, daily, long_ago), (4, weekly, long_ago))[0] == today() - timedelta(days=4)


def test_what_is_to_come_is_told_and_what_is_in_force_is_packed(clinic):
    # Before: the phone's page held the plan of a later day alone, to start today.
    patient = add_patient(clinic, "KN-306")
    save_prescription(clinic, patient, plan("KN-306", ("squat", 3, "")), "M.T.")
    assert coming_words(clinic, patient.id) == ""
    begins = today() + timedelta(days=5)
    save_prescription(clinic, patient, plan("KN-306", ("bridge", 3, ""), begins=begins), "M.T.")
    later = begins + timedelta(days=5)
    save_prescription(clinic, patient, plan("KN-306", ("deadlift", 3, ""), begins=later), "M.T.")
    course = course_of(prescriptions_of(clinic, patient.id), today())
    assert [(day, v.version) for day, v in course] == [(today(), 1), (begins, 2), (later, 3)]
    assert f"version 2 begins on {day_in_words(begins)}: make it again" in coming_words(
        clinic, patient.id
    )
    page = offline_page(clinic, "KN-306")
    assert '"squat"' in page
    assert '"bridge"' not in page


def test_paper_of_a_past_week_is_that_week_s_plan(clinic):
    patient = add_patient(clinic, "KN-307")
    first = save_prescription(clinic, patient, plan("KN-307", ("squat", 3, "")), "M.T.")
    saved_earlier(clinic, first, 30)
    save_prescription(clinic, patient, plan("KN-307", ("bridge", 3, "")), "M.T.")
    week = monday_of(today())
    before = paper_week(clinic, patient, week - timedelta(days=7))
    assert [line.line.exercise for line in before] == ["squat"]
    assert [line.line.exercise for line in paper_week(clinic, patient, week)] == ["bridge"]


def test_a_stop_and_what_ended_it_outlive_a_deleted_set(clinic, results):
    for code, ended in (("KN-308", False), ("KN-309", True)):
        patient = new_patient(clinic, code)
        stored = measured_set(clinic, patient, results)
        add_answer(clinic, patient.id, "stopped", set_id=stored.id, exercise="squat")
        if ended:
            add_answer(clinic, patient.id, "after", set_id=stored.id, exercise="squat", pain=1)
        before = standing_of(clinic, patient.id)
        deletion.delete_set(clinic, stored.uid, by="M.T.", reason="wrong clip")
        after = standing_of(clinic, patient.id)
        assert after == before
        assert after.left_out == {"squat"}
        assert (after.unasked_stop is None) == ended


def test_what_was_settled_goes_with_its_set(clinic, results):
    patient = new_patient(clinic)
    stored = measured_set(clinic, patient, results, day=day_before(400))
    about = {"set_id": stored.id, "day": day_before(400), "exercise": "squat"}
    add_answer(clinic, patient.id, "stopped", **about)
    add_answer(clinic, patient.id, "after", pain=9, **about)
    deletion.delete_set(clinic, stored.uid, by="M.T.", reason="older than 365 days")
    assert answers_of(clinic, patient.id) == ()
