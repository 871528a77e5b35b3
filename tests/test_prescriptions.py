"""Prescriptions: written, begun by asking, told to the patient."""

from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import pytest

from formcheck.files.exercises import list_exercises, load_exercise
from formcheck.files.prescriptions import (
    check_file,
    compose_prescription,
    exercise_of,
    exercises_of,
    file_sha256,
    prescribed_line,
    prescription_text,
    read_prescription,
    write_json_schemas,
    write_prescription,
)
from formcheck.files.schema import parse_prescription
from formcheck.model.errors import FileError, OutputError, UsageError
from formcheck.model.measures import MEASURES
from formcheck.model.programme import (
    Bound,
    FilmedSet,
    Limit,
    PrescribedExercise,
    Prescription,
    Tempo,
)
from formcheck.model.safety import Contact
from formcheck.words import patient_words
from formcheck.words.sheet import sheet_html, shown_planes

SAMPLE = Path(__file__).parents[1] / "sample_clips" / "prescription.toml"


def a_prescription(**changes) -> Prescription:
    base = Prescription(
        schema="formcheck.prescription/1.1",
        patient="KN-204",
        involved_side="right",
        prescribed_by="A.B.",
        valid_from=date(2025, 3, 3),
        review_on=date(2025, 3, 31),
        exercises=(
            PrescribedExercise(
                exercise="split_squat",
                sets=3,
                repetitions=12,
                rest_s=90.0,
                load_kg=2.5,
                tempo=Tempo(lowering_s=3.0, pause_s=1.0, raising_s=2.0),
                effort_aim=6,
                sides=("left", "right"),
                targets=(Bound(measure="thigh_inclination_deg", at_most=0.0, tolerance=10.0),),
                limits=(Limit(measure="knee_flexion_peak_deg", at_most=100.0, source="surgeon"),),
                pain_limit=3,
                film=(
                    FilmedSet(set_number=1, view="sagittal"),
                    FilmedSet(set_number=2, view="frontal"),
                ),
                notes="mind the step",
            ),
            PrescribedExercise(exercise="wall_sit", sets=1, repetitions=3, hold_s=30.0),
        ),
    )
    return replace(base, **changes)


def test_a_prescription_written_to_a_file_is_read_back_equal(tmp_path):
    path = tmp_path / "p.toml"
    write_prescription(a_prescription(), path)
    assert read_prescription(path) == a_prescription()
    assert path.read_text().startswith("#:schema ./formcheck.prescription.schema.json\n")
    assert len(file_sha256(path)) == 64
    assert list(tmp_path.iterdir()) == [path]


def test_a_prescription_that_cannot_be_written_says_so(tmp_path):
    with pytest.raises(OutputError):
        write_prescription(a_prescription(), tmp_path / "missing" / "p.toml")


def test_the_line_of_an_exercise_is_found_by_side():
    left = PrescribedExercise(exercise="calf_raise", sets=3, repetitions=10, sides=("left",))
    right = replace(left, repetitions=15, sides=("right",))
    both = a_prescription(exercises=(left, right))
    assert prescribed_line(both, "calf_raise", "right").repetitions == 15
    with pytest.raises(UsageError, match="give the side"):
        prescribed_line(both, "calf_raise")
    with pytest.raises(UsageError, match="left leg only"):
        prescribed_line(a_prescription(exercises=(left,)), "calf_raise", "right")
    with pytest.raises(UsageError, match="it holds: calf_raise"):
        prescribed_line(both, "squat")
    assert prescribed_line(a_prescription(), "wall_sit", "left").hold_s == 30


def test_a_line_loads_its_exercise_from_the_catalogue_or_from_beside_the_file(tmp_path):
    line = a_prescription().exercises[0]
    assert exercise_of(line, tmp_path / "p.toml") == load_exercise("split_squat")
    from formcheck.files.toml_writer import to_toml

    (tmp_path / "own.toml").write_text(to_toml(replace(load_exercise("squat"), id="own")))
    own = replace(line, exercise="own.toml")
    assert exercise_of(own, tmp_path / "p.toml").id == "own"
    assert shown_planes(line, load_exercise("split_squat")) == ("sagittal", "frontal")
    assert shown_planes(replace(line, film=()), load_exercise("step_up")) == ("frontal",)


# -- begun by asking


def answers(*given):
    """An ask that answers in order and keeps what it was asked."""
    asked, left = [], list(given)

    def ask(question):
        asked.append(question)
        return left.pop(0)

    return ask, asked, left


def test_a_prescription_is_begun_by_asking():
    ask, asked, left = answers(
        "2025-05-05",
        "KN-204",
        "l",
        "A.B.",
        "",
        "",
        "",
        "",
        "",
        "stairs",
        "straight_leg_raise",
        "y",
        "n",
        "both",
        "",
        "",
        "15",
        "daily",
        "3",
        "wall_sit",
        "n",
        "n",
        "20",
        "none",
        "",
        "",
        "",
        "",
        "",
    )
    made = compose_prescription(ask, date(2025, 5, 1))
    assert left == []
    assert made.valid_from == date(2025, 5, 5)
    assert made.review_on == date(2025, 5, 19)
    assert made.involved_side == "left"
    assert made.goals == "stairs"
    raise_, sit = made.exercises
    assert raise_.targets == (load_exercise("straight_leg_raise").end_goal[0],)
    assert (raise_.sets, raise_.repetitions, raise_.sides) == (3, 15, ("left", "right"))
    assert raise_.film == (FilmedSet(set_number=1, view="sagittal"),)
    assert raise_.pain_limit == 3
    assert sit.hold_s == 20
    assert sit.film == ()
    assert sit.targets == ()
    assert parse_prescription(prescription_text(made), "p") == made
    assert asked[0].default == "2025-05-01"


def test_an_empty_answer_to_the_first_exercise_is_told_what_is_needed():
    ask, asked, left = answers(
        "2025-05-05",
        "KN-204",
        "l",
        "A.B.",
        "",
        "",
        "",
        "",
        "",
        "",
        "",
        "wall_sit",
        "n",
        "n",
        "20",
        "none",
        "",
        "",
        "",
        "",
        "",
    )
    made = compose_prescription(ask, date(2025, 5, 1))
    assert (left, len(made.exercises)) == ([], 1)
    (told,) = [question for question in asked if question.fault]
    assert told.text == "Exercise"
    assert "for instance squat" in told.fault
    assert "formcheck exercises lists all" in told.fault


def test_an_answer_that_cannot_be_used_is_asked_for_again_with_the_reason():
    ask, asked, left = answers(
        "tomorrow",
        "",
        "Someone",
        "KN 1",
        "KN-1",
        "x",
        "none",
        "",
        "much too long",
        "AB",
        "2020-01-01",
        "",
        "",
        "",
        "",
        "",
        "",
        "",
        "sqat",
        "squat",
        "n",
        "",
        "0",
        "3",
        "many",
        "10",
        "",
        "11",
        "",
        "squat",
        "",
    )
    made = compose_prescription(ask, date(2025, 5, 1))
    assert left == []
    assert made.patient == "KN-1"
    faults = [question.fault for question in asked if question.fault]
    for part in (
        "year-month-day",
        "looks like a name",
        "no patient code",
        "one of: left",
        "cannot be left empty",
        "longer than initials",
        "after the start",
        "did you mean squat",
        "from 1 to 20",
        "from 1 to 200",
        "from 0 to 10",
        "stands in the prescription already",
    ):
        assert any(part in fault for fault in faults), part


# -- the patient's page


class Reader(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.text, self.attributes = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data):
        self.text.append(data)


def read_page(page: str) -> tuple[Reader, str]:
    reader = Reader()
    reader.feed(page)
    return reader, " ".join(" ".join(reader.text).split())


def test_the_sheet_has_figures_dose_cues_camera_set_up_and_cautions():
    prescription = a_prescription()
    reader, text = read_page(sheet_html(prescription, exercises_of(prescription, "p.toml")))
    for line in prescription.exercises:
        exercise = load_exercise(line.exercise)
        for said in (
            exercise.name,
            exercise.summary,
            exercise.camera,
            *exercise.cues,
            *exercise.cautions,
            *patient_words.dose_words(line, exercise),
            *patient_words.set_up_words(exercise),
        ):
            assert said in text
    for said in (*patient_words.CAUTIONS_FOR_ALL, patient_words.NOBODY_WATCHES):
        assert said in text
    assert "close-fitting clothes" in text
    assert "firm support" in text
    assert "Clear the floor" in text
    assert "How far the knee bends: no more than 100°" in text
    assert "Film set 2 with the camera straight ahead of you." in text
    assert "KN-204" in text
    # one figure a line, and the second camera place of the split squat
    assert reader.tags.count("svg") == 3


def test_the_sheet_escapes_every_text_and_asks_the_network_for_nothing():
    nasty = "<script>alert(1)</script>\"'&"
    line = replace(
        a_prescription().exercises[0], notes=nasty, frequency=nasty, support_allowed=nasty
    )
    prescription = a_prescription(
        goals=nasty, brace=nasty, weight_bearing=nasty, prescribed_by=nasty, exercises=(line,)
    )
    page = sheet_html(prescription, exercises_of(prescription, "p.toml"))
    reader, text = read_page(page)
    assert "script" not in reader.tags
    assert text.count("<script>alert(1)</script>") == 7
    allowed = {"http://www.w3.org/2000/svg"}
    for name, value in reader.attributes:
        if value and ("//" in value or name in ("src", "href")):
            assert value in allowed or value.startswith("#")
    assert "default-src 'none'" in page
    ids = [value for name, value in reader.attributes if name == "id"]
    assert len(ids) == len(set(ids))


def test_an_exercise_file_s_own_texts_are_escaped_too(tmp_path):
    from formcheck.files.toml_writer import to_toml

    nasty = "<img src=x onerror=alert(1)>"
    own = replace(load_exercise("squat"), id="own", name=nasty, cues=(nasty,), summary=nasty)
    (tmp_path / "own.toml").write_text(to_toml(own))
    line = PrescribedExercise(exercise="own.toml", sets=1, repetitions=1)
    prescription = a_prescription(exercises=(line,))
    page = sheet_html(prescription, exercises_of(prescription, tmp_path / "p.toml"))
    assert "<img" not in page


def test_the_sheet_names_the_clinics_number_or_leaves_a_line_to_write_it_on():
    prescription = a_prescription()
    exercises = exercises_of(prescription, "p")
    blank = sheet_html(prescription, exercises)
    assert "Phone of your clinic: ____" in blank
    assert "Emergency number: ____" in blank
    known = Contact(phone="030 1234", hours="8 to 17", emergency="112")
    page = sheet_html(prescription, exercises, contact=known)
    assert "Phone of your clinic: 030 1234 (8 to 17)" in page
    assert "Emergency number: 112" in page


def test_large_print_is_half_as_large_again():
    plain, large = (
        sheet_html(a_prescription(), exercises_of(a_prescription(), "p"), is_large=big)
        for big in (False, True)
    )
    assert "font-size: 100%" in plain
    assert "font-size: 150%" in large


def test_every_exercise_can_be_put_on_a_sheet():
    lines = tuple(
        PrescribedExercise(
            exercise=e.id, sets=1, repetitions=5, hold_s=e.usual_dose.hold_s, targets=e.end_goal
        )
        for e in list_exercises()
    )
    prescription = a_prescription(exercises=lines)
    assert parse_prescription(prescription_text(prescription), "p") == prescription
    reader, _ = read_page(sheet_html(prescription, exercises_of(prescription, "p")))
    assert reader.tags.count("svg") == 29


def test_the_dose_is_told_in_the_order_of_the_movement():
    line = a_prescription().exercises[0]
    words = patient_words.dose_words(line, load_exercise("split_squat"))
    assert words[0] == "3 sets of 12 repetitions"
    assert "left and right leg" in words
    assert "3 s lowering, 1 s pause, 2 s raising" in words
    rising = replace(line, exercise="calf_raise", sides=("both",))
    words = patient_words.dose_words(rising, load_exercise("calf_raise"))
    assert "2 s raising, 1 s pause, 3 s lowering" in words
    one = PrescribedExercise(exercise="wall_sit", sets=1, repetitions=1, hold_s=120.0)
    words = patient_words.dose_words(one, load_exercise("wall_sit"))
    assert words == ("1 set of 1 hold", "hold 2 minutes")


def test_every_measure_has_words_for_the_patient():
    for key in MEASURES:
        assert patient_words.measure_words(key)


# -- checking files


def test_a_check_tells_the_kind_and_the_faults_of_a_file(tmp_path):
    assert check_file(SAMPLE).faults == ()
    assert check_file(SAMPLE).kind == "prescription"


def test_a_target_that_only_its_tolerance_brings_within_a_limit_is_asked_about(tmp_path):
    text = (
        'schema = "formcheck.prescription/1.1"\npatient = "KN-204"\nprescribed_by = "M.T."\n'
        'valid_from = 2025-03-03\nreview_on = 2025-04-03\ninvolved_side = "left"\n'
        '[[exercises]]\nexercise = "squat"\nsets = 3\nrepetitions = 6\nrest_s = 60\n'
        'frequency = "once a day"\npain_limit = 4\n'
        '[[exercises.targets]]\nmeasure = "knee_flexion_peak_deg"\nat_least = 95\n'
        "tolerance = 10\n"
        '[[exercises.limits]]\nmeasure = "knee_flexion_peak_deg"\nat_most = 90\n'
        'source = "surgeon"\n[[exercises.film]]\nset_number = 1\nview = "sagittal"\n'
    )
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    found = check_file(path)
    assert found.faults == ()
    assert any("by its tolerance alone" in line for line in found.advice), found.advice
    cases = {
        "none.toml": (None, "no such file"),
        "plain.toml": ("a = 1\n", "does not say what the file is"),
        "other.toml": ('schema = "formcheck.report/1.0"\n', "does not say what the file is"),
        "broken.toml": ("= 1\n", "is not TOML"),
        "empty.toml": ("", "does not say what the file is"),
        "short.toml": ('schema = "formcheck.exercise/1.0"\n', "id: is missing"),
    }
    for name, (text, part) in cases.items():
        if text is not None:
            (tmp_path / name).write_text(text)
        assert any(part in fault for fault in check_file(tmp_path / name).faults), name


def test_the_json_schemas_are_written_for_an_editor(tmp_path):
    written = write_json_schemas(tmp_path / "schemas")
    assert [path.name for path in written] == [
        "formcheck.exercise.schema.json",
        "formcheck.prescription.schema.json",
        "formcheck.template.schema.json",
        "formcheck.questions.schema.json",
    ]
    assert all(path.stat().st_size > 1000 for path in written)


def test_a_faulty_prescription_is_not_read(tmp_path):
    path = tmp_path / "p.toml"
    path.write_text(SAMPLE.read_text().replace("sets = 3", "sets = 0"))
    with pytest.raises(FileError) as caught:
        read_prescription(path)
    assert all(fault.startswith(f"{path}:") for fault in caught.value.faults)
