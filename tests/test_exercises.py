"""The catalogue: every exercise of it, and files that a clinician adds."""

import re
import subprocess
import sys
from dataclasses import replace

import pytest

from formcheck.files.exercise_files import exercise_ids, exercise_text, near_ids
from formcheck.files.exercises import list_exercises, load_exercise
from formcheck.files.schema import parse_exercise
from formcheck.files.toml_writer import to_toml
from formcheck.model.errors import FileError, UsageError
from formcheck.model.measures import MEASURES, is_supported
from formcheck.model.programme import FEATURES
from formcheck.words.exercise_words import catalogue_table, exercise_page

CATALOGUE = [
    "bridge",
    "calf_raise",
    "deadlift",
    "forward_lunge",
    "hamstring_curl",
    "heel_slide",
    "hip_abduction_side_lying",
    "hip_thrust",
    "lateral_lunge",
    "multidirectional_lunge",
    "quad_set",
    "rear_foot_elevated_split_squat",
    "reverse_lunge",
    "rotational_lunge",
    "seated_knee_extension",
    "short_arc_quad",
    "single_leg_bridge",
    "single_leg_calf_raise",
    "single_leg_deadlift",
    "single_leg_squat",
    "single_leg_stance",
    "sit_to_stand",
    "split_squat",
    "squat",
    "step_down",
    "step_up",
    "straight_leg_raise",
    "terminal_knee_extension",
    "wall_sit",
]
LEVELS = {
    1: "quad_set heel_slide",
    2: "straight_leg_raise seated_knee_extension short_arc_quad hip_abduction_side_lying "
    "hamstring_curl bridge",
    3: "terminal_knee_extension single_leg_bridge hip_thrust wall_sit squat sit_to_stand "
    "calf_raise deadlift",
    4: "forward_lunge reverse_lunge lateral_lunge rotational_lunge multidirectional_lunge "
    "split_squat rear_foot_elevated_split_squat",
    5: "single_leg_calf_raise step_down step_up single_leg_squat single_leg_deadlift "
    "single_leg_stance",
}
WORKING_LEG = {
    "forward_lunge": "stepping",
    "lateral_lunge": "stepping",
    "rotational_lunge": "stepping",
    "reverse_lunge": "staying",
    "split_squat": "front",
    "rear_foot_elevated_split_squat": "front",
    "step_down": "on_step",
    "single_leg_deadlift": "stance",
    "hip_abduction_side_lying": "top",
    "squat": "both",
}
HEIGHTS = ("heel_height", "hip_height", "shoulder_height")
LYING = ("supine", "hook_lying", "prone", "side_lying", "long_sitting")
HOLD = {
    "plateau_hold_s",
    "plateau_level_deg",
    "hold_in_band_s",
    "hold_in_band_total_s",
    "hold_drift_deg_per_min",
}
TEMPO = {"lowering_s", "pause_s", "raising_s", "rest_s"}

every = pytest.mark.parametrize("exercise", list_exercises(), ids=lambda e: e.id)


def test_the_catalogue_holds_its_29_exercises_and_no_others():
    assert sorted(exercise_ids()) == sorted(CATALOGUE)
    assert len(CATALOGUE) == 29


@every
def test_the_file_is_named_by_its_id(exercise):
    assert load_exercise(exercise.id) == exercise
    assert exercise.id in exercise_ids()
    assert exercise.schema == "formcheck.exercise/1.1"


@every
def test_the_support_level_is_the_catalogue_s(exercise):
    assert exercise.id in LEVELS[exercise.support_level].split()


@pytest.mark.parametrize(("name", "leg"), WORKING_LEG.items())
def test_the_working_leg_is_the_catalogue_s(name, leg):
    assert load_exercise(name).working_leg == leg


@every
def test_every_threshold_has_a_source(exercise):
    for view in exercise.views:
        source = view.least_range.source
        assert source in ("common practice", "chosen on sample clips, decision 4") or re.search(
            r"\(\w+ and \w+ \d{4}\)$", source
        )
    for goal in exercise.end_goal:
        assert goal.source
    for look in exercise.look_for:
        assert look.source
    assert exercise.usual_dose.source


@every
def test_every_measure_is_one_that_its_view_supports(exercise):
    for view in exercise.views:
        assert len(set(view.measures)) == len(view.measures)
        for key in view.measures:
            assert is_supported(key, view.plane, exercise.position)


@every
def test_what_counts_repetitions_also_lists_tempo_and_range(exercise):
    if exercise.kind == "hold":
        return
    for view in exercise.views:
        assert set(view.measures) >= TEMPO
        if view.driving_signal in HEIGHTS:
            assert "range_share" in view.measures
        elif view.plane == ("frontal" if exercise.position == "side_lying" else "sagittal"):
            assert "range_deg" in view.measures


@every
def test_a_hold_lists_its_time_and_where_an_angle_drives_its_level_band_and_drift(exercise):
    if exercise.kind != "hold":
        return
    assert exercise.usual_dose.hold_s
    for view in exercise.views:
        assert "plateau_hold_s" in view.measures
        if view.driving_signal not in HEIGHTS:
            assert set(view.measures) >= HOLD


@every
def test_whoever_stands_is_counted_from_every_side(exercise):
    planes = {view.plane for view in exercise.views}
    if exercise.position in LYING or exercise.id == "terminal_knee_extension":
        own = {"frontal" if exercise.position == "side_lying" else "sagittal"}
        raises = {"straight_leg_raise", "hip_abduction_side_lying"}
        assert planes == own | ({"oblique"} if exercise.id in raises else set())
    else:
        assert "oblique" in planes


@every
def test_a_look_for_names_a_view_and_something_that_can_be_looked_for(exercise):
    planes = {view.plane for view in exercise.views}
    for look in exercise.look_for:
        assert look.view in planes
        assert look.feature in FEATURES or look.feature in MEASURES


def test_every_feature_that_can_be_looked_for_is_used_by_an_exercise():
    used = {look.feature for e in list_exercises() for look in e.look_for}
    assert set(FEATURES) <= used


def test_easier_and_harder_lead_from_one_exercise_to_another():
    for exercise in list_exercises():
        for name in (*exercise.easier, *exercise.harder):
            assert load_exercise(name) != exercise
        for name in exercise.harder:
            assert load_exercise(name).support_level >= exercise.support_level


@every
def test_an_exercise_written_is_read_back_equal(exercise):
    assert parse_exercise(to_toml(exercise), "copy.toml") == exercise


def test_a_copied_file_with_a_changed_target_is_loaded_by_its_path(tmp_path):
    path = tmp_path / "low_squat.toml"
    path.write_text(
        exercise_text("squat")
        .replace('id = "squat"', 'id = "low_squat"')
        .replace("at_most = 0\n", "at_most = 20\n"),
        encoding="utf-8",
    )
    assert load_exercise(path).end_goal[0].at_most == 20
    assert load_exercise(str(path)).id == "low_squat"


@pytest.mark.parametrize(
    ("typed", "meant"), [("sqat", "squat"), ("Wall Sit", "wall_sit"), ("lunge", "forward_lunge")]
)
def test_an_unknown_name_is_answered_with_a_near_one(typed, meant):
    assert meant in near_ids(typed, (*exercise_ids(),)) or meant in near_ids(typed)
    with pytest.raises(UsageError, match="did you mean"):
        load_exercise(typed)


def test_a_name_near_to_none_is_answered_with_where_the_list_is():
    with pytest.raises(UsageError, match="formcheck exercises"):
        load_exercise("zzzz")


def test_a_missing_file_and_a_file_that_is_no_text_are_refused_in_one_line(tmp_path):
    with pytest.raises(FileError, match="no such file"):
        load_exercise(tmp_path / "none.toml")
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileError, match="UTF-8"):
        load_exercise(tmp_path / "bytes.toml")
    with pytest.raises(FileError, match="is a directory"):
        load_exercise(tmp_path)


def test_one_exercise_is_loaded_without_reading_the_others():
    code = (
        "import pydantic, formcheck.files.exercise_files as f\n"
        "from formcheck.files import exercises\n"
        "read = []; text = f.exercise_text\n"
        "exercises.exercise_text = lambda i: read.append(i) or text(i)\n"
        "exercises.load_exercise('squat'); print(read)"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "['squat']"


def test_loading_the_module_does_not_import_pydantic():
    code = (
        "import sys, formcheck.files.exercises, formcheck.files.prescriptions\n"
        "print('pydantic' in sys.modules)"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "False"


def test_the_table_has_one_exercise_a_line():
    lines = catalogue_table(list_exercises()).splitlines()
    assert len(lines) == 30
    assert [line.split()[0] for line in lines[1:]] == [e.id for e in list_exercises()]


def test_lists_of_exercises_go_by_support_level_then_by_the_alphabet():
    place = {e.id: (e.support_level, e.id) for e in list_exercises()}
    assert list(place.values()) == sorted(place.values())
    for e in list_exercises():
        for listed in (e.easier, e.harder):
            assert list(listed) == sorted(listed, key=place.get), e.id


@every
def test_the_page_of_an_exercise_says_everything_that_its_file_holds(exercise):
    page = exercise_page(exercise)
    flat = " ".join(page.split())
    for text in (
        exercise.name,
        exercise.id,
        exercise.summary,
        exercise.camera,
        *exercise.cues,
        *exercise.cautions,
        *exercise.cannot_tell,
        exercise.usual_dose.text,
        *(look.text for look in exercise.look_for),
        *exercise.easier,
        *exercise.harder,
    ):
        assert " ".join(text.split()) in flat
    assert max(map(len, page.splitlines())) <= 100


def test_the_page_keeps_to_ascii_where_the_terminal_does():
    page = exercise_page(replace(load_exercise("squat"), end_goal=()), is_unicode=False)
    figure = page[page.index("\n\n") : page.index("seen from above")]
    assert figure.isascii()
