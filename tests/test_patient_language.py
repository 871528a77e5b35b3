"""The language of a patient: chosen by the clinic or the patient, carried by the plan, on every
page, on the page for a phone and on paper."""

import json
import re
import zipfile

import pytest
from clinic_cases import new_clinic, new_patient
from web_cases import running_site

from formcheck.clinic import open_clinic
from formcheck.clinic.exchange import import_package, pack_plan
from formcheck.clinic.exchange_package import write_package
from formcheck.clinic.patients import add_patient, find_patient, set_language
from formcheck.model.errors import UsageError
from formcheck.web.offline_page import offline_page
from formcheck.web.own_language import asked_for
from formcheck.web.script_words import messages_of, script_words
from formcheck.words.languages import use


@pytest.fixture
def site(tmp_path):
    clinic = new_clinic(tmp_path)
    with running_site(clinic) as running:
        running.own = new_patient(clinic)
        yield running
    clinic.close()


def _lang(answer) -> str:
    return re.search(r'<html lang="(\w+)" dir="ltr"', answer.text)[1]


def test_the_clinician_chooses_and_the_patient_reads_it_and_may_choose_another(site):
    clinician, patient = site.clinician(), site.patient(site.own.id)
    assert _lang(patient.get("/my")) == "en"
    clinician.post("/clinic/patients/KN-204/language", {"language": "es"})
    page = patient.get("/my")
    assert _lang(page) == "es"
    assert "Ejercicios de hoy" in page.text
    assert "Today's exercises" not in page.text
    assert _lang(clinician.get("/clinic/patients/KN-204")) == "en", "the clinic's pages stay"
    assert patient.post("/my/language", {"language": "en", "back": "/my/help"}).header(
        "location"
    ) == ("/my/help")
    assert _lang(patient.get("/my")) == "en"
    assert patient.post("/my/language", {"language": "zz"}).status == 400
    away = patient.post("/my/language", {"language": "es", "back": "//elsewhere"})
    assert away.header("location") == "/my"
    assert "Esa página no existe." in patient.get("/my/sets/nothing/there").text


def test_a_new_patient_gets_the_language_that_was_chosen(site):
    clinician = site.clinician()
    clinician.post("/clinic/patients", {"code": "KN-205", "language": "es"})
    assert find_patient(site.clinic, "KN-205").language == "es"
    with pytest.raises(UsageError):
        add_patient(site.clinic, "KN-206", language="zz")


def test_paper_and_the_page_for_a_phone_are_in_the_patients_language(site):
    set_language(site.clinic, site.own.id, "es")
    paper = site.clinician().get("/clinic/patients/KN-204/prescription/paper").text
    assert '<div lang="es" dir="ltr">' in paper
    assert "Lista para marcar, semana 1" in paper
    page = offline_page(site.clinic, "KN-204")
    assert '<html lang="es" dir="ltr">' in page
    words = json.loads(re.search(r'id="words">(.*?)</script>', page, re.S)[1])
    assert words["Let go."] == "Suelte."


def _at_home(clinic, tmp_path, n):
    target = tmp_path / f"plan{n}.formcheck"
    pack_plan(clinic, "KN-204", target)
    return target


def test_the_plan_carries_the_language_and_a_patients_own_choice_outlasts_the_next(tmp_path):
    clinic, home = open_clinic(tmp_path / "clinic"), open_clinic(tmp_path / "home")
    own = new_patient(clinic)
    set_language(clinic, own.id, "es")
    import_package(home, _at_home(clinic, tmp_path, 1))
    patient = find_patient(home, "KN-204")
    assert patient.language == "es"
    set_language(home, patient.id, "en")
    import_package(home, _at_home(clinic, tmp_path, 2))
    assert find_patient(home, "KN-204").language == "en", "the clinic named the same again"
    set_language(clinic, own.id, "en")
    import_package(home, _at_home(clinic, tmp_path, 3))
    set_language(clinic, own.id, "es")
    import_package(home, _at_home(clinic, tmp_path, 4))
    assert find_patient(home, "KN-204").language == "es", "the clinic has changed it"
    clinic.close()
    home.close()


def test_a_plan_of_an_earlier_version_names_no_language_and_is_read(tmp_path):
    clinic, home = open_clinic(tmp_path / "clinic"), open_clinic(tmp_path / "home")
    own = new_patient(clinic)
    source = _at_home(clinic, tmp_path, 1)
    with zipfile.ZipFile(source) as archive:
        plan = json.loads(archive.read("plan.json"))
        text = archive.read("prescription.toml")
    del plan["language"]
    older = tmp_path / "older.formcheck"
    texts = {"plan.json": json.dumps(plan).encode(), "prescription.toml": text}
    write_package(older, "plan", own, texts, {})
    import_package(home, older)
    assert find_patient(home, "KN-204").language == "en"
    clinic.close()
    home.close()


def test_a_page_brings_the_words_of_its_own_scripts_alone():
    with use("es"):
        told = json.loads(script_words("my_rest.js"))
        assert told["The rest is over."] == "El descanso ha terminado."
        assert "Let go." not in told
    assert "Let go." in messages_of("my_record.js")
    assert script_words("my_record.js") == "", "English needs none"


@pytest.mark.parametrize(
    ("sent", "tag"),
    [("es-MX,es;q=0.9,en;q=0.8", "es"), ("de,en;q=0.5", "en"), ("de", "en"), ("", "en")],
)
def test_before_anybody_is_known_the_browsers_own_language_is_taken(sent, tag):
    assert asked_for([(b"accept-language", sent.encode())]) == tag


def test_nothing_that_is_said_aloud_in_spanish_would_end_a_set():
    stop = re.compile(r"\b(alto|stop|duelen?)\b", re.IGNORECASE)  # as in my_listen.js
    with use("es"):
        told = json.loads(script_words("my_record.js"))
    spoken = {
        e: s
        for e, s in told.items()
        if not any(word in e for word in ("“", "voice", "microphone", "not started", "speech"))
    }
    assert len(spoken) > 30
    assert [s for s in spoken.values() if stop.search(s)] == []
