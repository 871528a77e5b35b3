"""The plan on paper with its tick list, and what was ticked there, entered at the next visit."""

import re
from datetime import date, timedelta
from pathlib import Path

import pytest
from web_cases import running_site

from formcheck.clinic import open_clinic
from formcheck.clinic.answers import tick, tick_words_of, ticks_of
from formcheck.clinic.exchange_rules import _is_tick
from formcheck.clinic.follow_up import session_facts
from formcheck.clinic.paper import Written, keep_paper, monday_of, paper_week
from formcheck.clinic.patients import add_patient, current_prescription, save_prescription
from formcheck.clinic.plan_kept import history_of, plan_kept
from formcheck.files.exercise_files import exercise_ids
from formcheck.files.prescriptions import exercises_of, read_prescription
from formcheck.model.errors import UsageError
from formcheck.words.sheet import sheet_html, tick_rows

SAMPLE = Path(__file__).parent.parent / "sample_clips" / "prescription.toml"
WEEK = monday_of(date(2025, 3, 12))


@pytest.fixture
def clinic(tmp_path):
    made = open_clinic(tmp_path / "data")
    yield made
    made.close()


@pytest.fixture
def patient(clinic):
    made = add_patient(clinic, "KN-204")
    save_prescription(clinic, made, SAMPLE.read_text("utf-8"), "A.B.")
    return made


def day(n: int) -> date:
    return WEEK + timedelta(days=n)


def cell(clinic, patient, row: int, n: int):
    return paper_week(clinic, patient, WEEK)[row].cells[n]


def test_the_rows_of_the_paper_are_those_of_the_page_and_name_each_leg(clinic, patient):
    prescription = read_prescription(SAMPLE)
    printed = tick_rows(prescription, exercises_of(prescription, SAMPLE))
    lines = paper_week(clinic, patient, WEEK)
    assert len(printed) == len(lines)
    for row, line in zip(printed, lines, strict=True):
        assert (f"{line.side} leg" in row.name) == (line.side != "both")
        assert sum(row.rounds) == line.cells[0].n_boxes
    page = sheet_html(prescription, exercises_of(prescription, SAMPLE))
    weeks = page.split('class="ticks"')[1:]
    assert len(weeks) == 2
    n_planned = sum(sum(r.rounds) * sum(r.is_planned) for r in printed)
    assert [w.count('class="box"') for w in weeks] == [n_planned, n_planned]


def test_a_plan_of_named_days_prints_boxes_on_these_days_alone(tmp_path):
    text = SAMPLE.read_text("utf-8")
    frequency = re.search(r'frequency = "[^"]*"', text)[0]
    plan = tmp_path / "plan.toml"
    plan.write_text(text.replace(frequency, 'frequency = "Monday and Thursday"', 1))
    prescription = read_prescription(plan)
    row = tick_rows(prescription, exercises_of(prescription, plan))[0]
    assert row.is_planned == (True, False, False, True, False, False, False)


def test_what_was_ticked_on_paper_is_kept_as_ticks_of_paper_and_changes_no_other(clinic, patient):
    first = paper_week(clinic, patient, WEEK)[0]
    n = first.cells[0].n_boxes
    where = {"exercise": first.line.exercise, "side": first.side}
    tick(clinic, patient.id, **where, set_number=1, kind="done", day=day(1).isoformat())
    written = {
        (0, day(0)): Written(n_ticked=None, effort=6, pain=2),
        (0, day(1)): Written(n_ticked=1),
        (0, day(2)): None,
    }
    assert keep_paper(clinic, patient, WEEK, written, "C.D.") == n + 1
    kept = ticks_of(clinic, patient.id, day(0).isoformat())
    assert len(kept) == n
    assert {(t.kind, t.paper_by, t.effort, t.pain) for t in kept} == {("done", "C.D.", 6, 2)}
    second = ticks_of(clinic, patient.id, day(1).isoformat())
    assert sorted((t.set_number, t.paper_by) for t in second) == [(1, ""), (2, "C.D.")]
    found = cell(clinic, patient, 0, 1)
    assert (found.n_ticked, found.n_own, found.n_boxes) == (1, 1, n - 1)
    assert not ticks_of(clinic, patient.id, day(2).isoformat())
    # The same once more changes nothing; fewer takes back what is too many.
    assert keep_paper(clinic, patient, WEEK, written, "C.D.") == 0
    assert keep_paper(clinic, patient, WEEK, {(0, day(0)): None}, "E.F.") == n
    assert not ticks_of(clinic, patient.id, day(0).isoformat())
    words = tick_words_of(clinic, patient.id, day(0).isoformat())
    assert [w.paper_by for w in words if w.kind == "taken back"] == ["E.F."] * n


def test_what_paper_cannot_say_is_refused_whole(clinic, patient):
    n = cell(clinic, patient, 0, 0).n_boxes
    good = {(0, day(0)): Written(n_ticked=1)}
    ahead = date.today() + timedelta(days=7)
    for written, by in (
        ({(0, day(1)): Written(n_ticked=n + 1)}, "A.B."),
        ({(0, day(1)): Written(n_ticked=-1)}, "A.B."),
        ({(0, day(1)): Written(n_ticked=1, pain=11)}, "A.B."),
        ({(0, day(1)): Written(n_ticked=0, pain=3)}, "A.B."),
        ({(99, day(1)): Written(n_ticked=1)}, "A.B."),
        ({(0, ahead): Written(n_ticked=1)}, "A.B."),
        ({}, ""),
    ):
        with pytest.raises(UsageError):
            keep_paper(clinic, patient, WEEK, {**good, **written}, by)
        assert not ticks_of(clinic, patient.id), written
    week = monday_of(ahead)
    with pytest.raises(UsageError, match="future"):
        keep_paper(clinic, patient, week, {(0, ahead): Written(n_ticked=1)}, "A.B.")


def test_paper_counts_as_ticked_in_days_dose_effort_and_pain(clinic, patient):
    rows = range(len(paper_week(clinic, patient, WEEK)))
    written = {(n, day(0)): Written(n_ticked=None, effort=7, pain=4) for n in rows}
    keep_paper(clinic, patient, WEEK, written, "A.B.")
    prescription = current_prescription(clinic, patient.id).record()
    (facts,) = session_facts(clinic, patient.id)
    assert facts.n_done == facts.n_prescribed
    assert facts.n_done > 0
    assert (facts.effort, facts.pain) == (7, 4)
    ticks, history = ticks_of(clinic, patient.id), history_of(clinic, patient.id)
    kept = plan_kept(prescription, history, [], ticks, day(3))
    assert [k.n_done for k in kept] == [1] * len(kept)
    assert all(set(k.efforts) == {7} for k in kept)


def test_a_pain_over_the_limit_on_paper_is_told(clinic, patient):
    keep_paper(clinic, patient, WEEK, {(0, day(0)): Written(n_ticked=1, pain=10)}, "A.B.")
    keep_paper(clinic, patient, WEEK, {(0, day(1)): Written(n_ticked=1, pain=0)}, "A.B.")
    told = cell(clinic, patient, 0, 0)
    assert (told.is_over_limit, told.pain_limit) == (True, 3)
    assert not cell(clinic, patient, 0, 1).is_over_limit


def test_severe_pain_on_paper_is_told_after_an_operation_without_a_limit(clinic, patient):
    # Before: it was told of nowhere.
    text = re.sub(r"pain_limit = \d+\n", "", SAMPLE.read_text("utf-8"))
    save_prescription(clinic, patient, text, "M.T.")
    for n, pain in enumerate((6, 7)):
        keep_paper(clinic, patient, WEEK, {(0, day(n)): Written(n_ticked=1, pain=pain)}, "A.B.")
    told = [cell(clinic, patient, 0, n) for n in range(2)]
    assert [(c.is_over_limit, c.pain_limit) for c in told] == [(False, None), (True, None)]


def test_ticks_of_a_file_say_no_more_of_paper_than_ours(clinic):
    good = {
        "day": "2025-03-10", "exercise": "squat", "side": "both", "set_number": 1,
        "kind": "done", "reason": "", "paper_by": "A.B.", "effort": 3, "pain": None,
    }  # fmt: skip
    assert _is_tick(good, exercise_ids())
    for wrong in ({"paper_by": 3}, {"paper_by": "x" * 9}, {"effort": 11}, {"pain": True}):
        assert not _is_tick({**good, **wrong}, exercise_ids()), wrong


def test_the_page_takes_a_week_in_and_shows_it_again(clinic, patient):
    at = "/clinic/patients/KN-204/paper"
    n = cell(clinic, patient, 0, 0).n_boxes
    with running_site(clinic) as site:
        browser = site.clinician()
        assert browser.get(at).status == 200
        names = re.findall(r'name="(\w+\.\d+\.[\d-]+)"', browser.get(f"{at}/{WEEK}").text)
        assert names[0] == f"n.0.{day(0)}"
        assert len(names) % 21 == 0
        fields = {**dict.fromkeys(names, ""), "week": str(WEEK), "by": "A.B."}
        fields |= {f"n.0.{day(0)}": "x", f"effort.0.{day(0)}": "5", f"n.1.{day(6)}": "1"}
        answer = browser.post(at, fields)
        assert answer.header("location") == f"{at}/{WEEK}?said=kept", answer.text
        page = browser.get(f"{at}/{WEEK}").text
        assert f'name="n.0.{day(0)}" value="{n}"' in page
        assert f'name="effort.0.{day(0)}" value="5"' in page
        assert f'name="n.1.{day(6)}" value="1"' in page
        wrong = browser.post(at, {**fields, f"pain.0.{day(0)}": "twelve"})
        assert wrong.status == 400
        assert "Pain: write a number" in wrong.text
        assert browser.post(at, {"week": "x", "n.a.b": "1", "by": "A.B."}).status == 400
        assert browser.get(f"{at}/nonsense").status == 200


def test_a_set_entered_from_paper_is_told_apart_on_the_patients_page_and_the_follow_up(
    clinic, patient
):
    now = date.today()
    written = {(0, now): Written(n_ticked=1, effort=4, pain=1)}
    keep_paper(clinic, patient, monday_of(now), written, "A.B.")
    with running_site(clinic) as site:
        assert "Done, from your paper" in site.patient(patient.id).get("/my").text
        page = site.clinician().get("/clinic/patients/KN-204").text
        assert "entered from paper by A.B., effort 4 of 10, pain 1 of 10" in page
