"""What a clinic sets once: its numbers and its questions, on the page, at home, and before."""

import re

import pytest
from clinic_cases import new_patient, new_set
from web_cases import running_site

from formcheck.clinic import answers, exchange, open_clinic
from formcheck.clinic.database import change, one, rows, today
from formcheck.clinic.deletion import delete_patient
from formcheck.clinic.migrations import MIGRATIONS
from formcheck.clinic.patients import current_prescription, find_patient
from formcheck.clinic.settings import (
    checked_contact,
    contact_for,
    has_own_questions,
    keep_contact,
    keep_questions,
    questions_for,
)
from formcheck.files.question_rules import shipped_questions_text
from formcheck.model.errors import FileError, UsageError
from formcheck.model.safety import Contact

NUMBERS = Contact(phone="030 1234", hours="8 to 17", emergency="112")
SHIPPED = shipped_questions_text()
OWN = SHIPPED.replace('words = "a fall"', 'words = "you fell or slipped"').replace(
    'id = "fall"\nwords = "you fell or slipped"\nanswer = "call"',
    'id = "fall"\nwords = "you fell or slipped"\nanswer = "urgent"',
)


@pytest.mark.parametrize(
    ("phone", "hours", "emergency", "says"),
    [
        ("call us", "", "", "a number that can be dialled"),
        ("030 1", "", "help", "the emergency number"),
        ("0" * 41, "", "", "up to 40 signs"),
        ("030 12", "x" * 81, "", "the hours"),
    ],
)
def test_a_contact_that_cannot_be_used_is_refused(phone, hours, emergency, says):
    with pytest.raises(UsageError, match=says):
        checked_contact(phone, hours, emergency)


def test_numbers_and_questions_go_home_with_the_patients_file(clinic, tmp_path):
    home = open_clinic(tmp_path / "home")
    patient = new_patient(clinic)
    keep_contact(clinic, NUMBERS)
    keep_questions(clinic, OWN)
    plan = tmp_path / "plan.formcheck"
    exchange.pack_plan(clinic, patient.code, plan)
    exchange.import_package(home, plan)
    there = find_patient(home, patient.code)
    assert contact_for(home, there.id) == NUMBERS
    assert contact_for(home) == Contact(), "another patient's clinic may be another one"
    assert questions_for(home, there.id).by_id["fall"].answer == "urgent"
    # What was said at home comes to the clinic with what the patient was told.
    version = current_prescription(home, there.id)
    stored = new_set(home, there, side="both", prescription_id=version.id)
    answers.add_answer(home, there.id, "today", symptoms=("fall",), asked=("fall", "locking"))
    answers.add_answer(home, there.id, "acted", acted="told_to_wait")
    answers.add_answer(
        home, there.id, "stopped", exercise="squat", set_id=stored.id, at_s=12.5, repetition=3
    )
    sent = tmp_path / "set.formcheck"
    exchange.pack_set(home, stored.uid, sent)
    keep_questions(clinic, "")  # the clinic has gone back to the shipped ones meanwhile
    for _ in range(2):
        exchange.import_package(clinic, sent)
        said = answers.answers_of(clinic, patient.id)
        assert {(a.moment, a.level, a.at_s, a.repetition, a.acted) for a in said} == {
            ("today", "urgent", None, None, None),
            ("acted", "call", None, None, "told_to_wait"),
            ("stopped", "leave_out", 12.5, 3, None),
        }
        assert len(said) == 3
    assert answers.standing_of(clinic, patient.id).until == "told"
    delete_patient(home, patient.code, by="M.T.", reason="moved away")
    with home.read() as c:
        assert rows(c, "SELECT * FROM clinic_settings") == []
    home.close()


def test_a_clinics_own_questions_are_asked_on_its_pages(clinic):
    patient = new_patient(clinic)
    with running_site(clinic) as site:
        clinician, browser = site.clinician(), site.patient(patient.id)
        page = clinician.get("/clinic/settings").text
        assert "The questions that formcheck comes with are in use." in page
        wrong = OWN.replace('answer = "urgent"', 'answer = "visit"', 1)
        refused = clinician.post("/clinic/settings/questions", {"text": wrong})
        assert refused.status == 400
        assert re.search(r"questions:\d+: questions\[0\].answer: .*chest_pain", refused.text)
        assert "answer = &#34;visit&#34;" in refused.text, "what was typed is still there"
        assert not has_own_questions(clinic)
        kept = clinician.post("/clinic/settings/questions", {"text": OWN.replace("\n", "\r\n")})
        assert kept.status == 303
        assert "Your clinic&#39;s own" in clinician.get("/clinic/settings").text or (
            "own questions are in use" in clinician.get("/clinic/settings").text
        )
        assert clinician.get("/clinic/settings/questions.toml").text == OWN
        at = "/my/do/squat/both/1/check/since"
        assert "You fell or slipped" in browser.get(at).text
        assert "Get urgent medical help now." in browser.post(at, {"symptom": "fall"}).text
        assert clinician.post("/clinic/settings/questions", {"shipped": "yes"}).status == 303
        assert not has_own_questions(clinic)
        assert browser.get("/clinic/settings").status == 403, "no page of a patient"


def test_settings_that_no_page_would_have_taken_do_not_come_in_with_a_file(
    clinic, tmp_path, monkeypatch
):
    home = open_clinic(tmp_path / "home")
    patient = new_patient(clinic)
    bad = {"phone": "<script>", "hours": "", "emergency": "", "questions": ""}
    monkeypatch.setattr(exchange, "settings_mapping", lambda *_: bad)
    exchange.pack_plan(clinic, patient.code, tmp_path / "plan.formcheck")
    with pytest.raises(FileError, match="settings cannot be read"):
        exchange.import_package(home, tmp_path / "plan.formcheck")
    assert find_patient(home, patient.code) is None, "nothing is changed then"
    home.close()


def test_answers_of_an_earlier_version_keep_what_the_patient_was_told(tmp_path):
    n = next(k for k, (_, sql) in enumerate(MIGRATIONS) if "answers_with_events" in sql)
    old = open_clinic(tmp_path / "data", steps=MIGRATIONS[:n])
    with old.write() as c:
        # A patient as that version knew one.
        change(
            c,
            "INSERT INTO patients (code, created_at, exchange_key) VALUES (:code, :at, :key)",
            code="KN-204",
            at="2025-01-01T00:00:00+00:00",
            key="0" * 64,
        )
        patient_id = one(c, "SELECT id FROM patients")["id"]
        for moment, symptoms, over, more in (
            ("before", "", 0, None),
            ("before", "locking chest_pain", 0, None),
            ("before", "fall", 0, None),
            ("after", "", 1, None),
            ("next day", "", 0, "more"),
        ):
            change(
                c,
                """INSERT INTO answers (patient_id, day, at, moment, symptoms, is_over_limit,
                          swelling_change) VALUES (:p, :d, :at, :m, :s, :o, :more)""",
                p=patient_id,
                d=today().isoformat(),
                at="2025-01-01T00:00:00+00:00",
                m=moment,
                s=symptoms,
                o=over,
                more=more,
            )
    old.close()
    clinic = open_clinic(tmp_path / "data")
    said = answers.answers_of(clinic, patient_id)
    assert [a.level for a in said] == ["start", "urgent", "call", "call", "visit"]
    assert "chest_pain" in said[0].asked
    assert answers.standing_of(clinic, patient_id).level == "urgent"
    with clinic.read() as c:
        assert one(c, "PRAGMA foreign_key_check") is None
    clinic.close()
