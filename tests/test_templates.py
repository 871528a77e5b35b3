"""Programmes to begin from: the shipped files, and a clinic's own."""

import pytest

from formcheck.files.prescriptions import check_file
from formcheck.files.templates import load_templates, template_ids, template_text, write_templates
from formcheck.model.errors import OutputError

CONDITIONS = {
    "after_meniscus_repair",
    "patellofemoral_pain",
    "after_ligament_reconstruction",
    "knee_osteoarthritis",
    "early_strengthening",
}


def test_each_shipped_template_passes_the_check_and_raises_no_question(tmp_path):
    assert set(template_ids()) == CONDITIONS
    for path in write_templates(tmp_path / "own"):
        found = check_file(path)
        assert (found.kind, found.faults, found.advice) == ("template", (), ()), path.name


def test_each_names_its_source_and_what_is_to_be_decided_and_is_no_protocol():
    for named in load_templates()[0]:
        t = named.template
        assert "common practice" in t.source
        assert t.to_decide
        assert len(t.exercises) == 5
        assert "It is no protocol" in template_text(named.id)
        assert not any(line.limits for line in t.exercises), "limits are the patient's own"


def test_a_clinics_own_file_takes_the_place_of_a_shipped_one_and_a_faulty_one_takes_none(tmp_path):
    own = template_text("early_strengthening").replace("Early strengthening", "First strength")
    (tmp_path / "early_strengthening.toml").write_text(own, encoding="utf-8")
    (tmp_path / "stairs.toml").write_text(own.replace("First strength", "Stairs"), encoding="utf-8")
    bad = template_text("patellofemoral_pain").replace('"squat"', '"sqat"')
    (tmp_path / "patellofemoral_pain.toml").write_text(bad, encoding="utf-8")
    found, faults = load_templates(tmp_path)
    by_id = {t.id: t for t in found}
    assert set(by_id) == {*CONDITIONS, "stairs"}
    assert by_id["early_strengthening"].template.name == "First strength"
    assert [t.id for t in found if t.is_own] == ["early_strengthening", "stairs"]
    (fault,) = faults
    assert fault.startswith("patellofemoral_pain.toml:")
    assert 'did you mean "squat"' in fault


def test_writing_them_takes_the_place_of_no_file(tmp_path):
    write_templates(tmp_path)
    with pytest.raises(OutputError, match="is there already"):
        write_templates(tmp_path)


def test_the_check_refuses_a_line_that_a_prescription_would_refuse(tmp_path):
    path = tmp_path / "t.toml"
    text = template_text("early_strengthening")
    path.write_text(text.replace('easier = "quad_set"', 'easier = "quad_st"'), encoding="utf-8")
    assert "exercises[0].easier" in check_file(path).faults[0]
    path.write_text(text.replace("pain_limit = 4", "pain_limit = 8"), encoding="utf-8")
    assert "pain-monitoring" in check_file(path).advice[0]
