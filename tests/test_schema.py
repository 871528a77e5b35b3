"""Exercise and prescription files: every fault found, at its place, with a mend."""

import json
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from formcheck.files.exercise_files import exercise_text
from formcheck.files.schema import (
    file_kind,
    json_schema,
    json_schema_text,
    parse_exercise,
    parse_prescription,
)
from formcheck.files.schema_version import NewerMinorWarning, schema_fault
from formcheck.files.toml_lines import TomlFault, dotted, line_of, read_toml
from formcheck.files.toml_writer import to_toml
from formcheck.model.errors import FileError

SQUAT = exercise_text("squat")
WALL_SIT = exercise_text("wall_sit")
MULTI = exercise_text("multidirectional_lunge")
STANCE = exercise_text("single_leg_stance")
PRESCRIPTION = """\
schema = "formcheck.prescription/1.1"
patient = "KN-204"
involved_side = "left"
prescribed_by = "A.B."
valid_from = 2025-03-03
review_on = 2025-03-31

[[exercises]]
exercise = "squat"
sets = 3
repetitions = 12
sides = ["both"]
effort_aim = 5

[[exercises.targets]]
measure = "knee_flexion_peak_deg"
at_least = 80
at_most = 95

[[exercises.limits]]
measure = "knee_over_toe_share"
at_most = 0.3

[[exercises.film]]
set_number = 1
view = "sagittal"

[[exercises]]
exercise = "wall_sit"
sets = 2
repetitions = 1
hold_s = 20
"""


def faults_of(parse, text: str, file: str = "own.toml") -> tuple[str, ...]:
    with pytest.raises(FileError) as caught:
        parse(text, file)
    return caught.value.faults


def test_a_list_whose_entries_are_at_fault_is_not_called_short():
    text = PRESCRIPTION.replace("repetitions =", "repetitons =")
    faults = faults_of(parse_prescription, text)
    assert any("is missing" in f for f in faults)
    assert not any("too few" in f for f in faults)
    without = PRESCRIPTION[: PRESCRIPTION.index("[[exercises]]")]
    assert any("exercises" in f for f in faults_of(parse_prescription, without + "exercises = []"))


def line_with(text: str, marker: str) -> int:
    assert text.count(marker) == 1, f"{marker!r} is not unique"
    return text[: text.index(marker)].count("\n") + 1


def case(name, base, old, new, marker, path, *parts, parse=parse_exercise):
    return pytest.param(parse, base, old, new, marker, path, parts, id=name)


def line(name, old, new, marker, path, *parts):
    return case(name, PRESCRIPTION, old, new, marker, path, *parts, parse=parse_prescription)


LIMIT_AND_FILM = """\
measure = "knee_over_toe_share"
at_most = 0.3

[[exercises.film]]
set_number = 1
view = "sagittal"
"""
KNEE_LINE = '"knee_flexion_peak_deg", "thigh_inclination_deg", "shank_inclination_deg",'
BROKEN = [
    # exercises
    case(
        "misspelt key",
        SQUAT,
        "support_level = 3",
        "suport_level = 3\nsupport_level = 3",
        "suport_level",
        "suport_level",
        'no key "suport_level"',
        'did you mean "support_level"?',
    ),
    case(
        "missing key", SQUAT, 'kind = "repetition"\n', "", "#:schema", "kind", "is missing; add it"
    ),
    case(
        "unknown position",
        SQUAT,
        'position = "standing"',
        'position = "standin"',
        "position =",
        "position",
        '"standin" is not allowed',
        'did you mean "standing"?',
    ),
    case(
        "number in quotes",
        SQUAT,
        "support_level = 3",
        'support_level = "3"',
        "support_level",
        "support_level",
        "not a whole number",
        "without quotes",
    ),
    case(
        "support level too high",
        SQUAT,
        "support_level = 3",
        "support_level = 6",
        "support_level",
        "support_level",
        "too large; give at most 5",
    ),
    case(
        "text without quotes' worth",
        SQUAT,
        'name = "Squat"',
        "name = 7",
        "name = 7",
        "name",
        "7 is not text; put it in quotes",
    ),
    case("empty name", SQUAT, 'name = "Squat"', 'name = ""', 'name = ""', "name", "is empty"),
    case(
        "id with a space",
        SQUAT,
        'id = "squat"',
        'id = "my squat"',
        'id = "my squat"',
        "id",
        "is no id",
        "small letters",
    ),
    case(
        "unknown measure",
        SQUAT,
        KNEE_LINE,
        '"knee_flexion_peak", "thigh_inclination_deg", "shank_inclination_deg",',
        '"knee_flexion_peak",',
        "views[0].measures[0]",
        'no measure "knee_flexion_peak"',
        'did you mean "knee_flexion_peak_deg"?',
    ),
    case(
        "measure of another view",
        SQUAT,
        KNEE_LINE,
        '"fppa_peak_deg", "thigh_inclination_deg", "shank_inclination_deg",',
        '"fppa_peak_deg", "thigh',
        "views[0].measures[0]",
        "cannot be measured from the sagittal view",
        "under the frontal view",
    ),
    case(
        "measure listed twice",
        SQUAT,
        KNEE_LINE,
        '"thigh_inclination_deg", "thigh_inclination_deg", "shank_inclination_deg",',
        '"thigh_inclination_deg", "thigh',
        "views[0].measures[1]",
        "listed twice",
    ),
    case(
        "range in degrees of a height",
        STANCE,
        '"trunk_lateral_inclination_peak_deg",',
        '"trunk_lateral_inclination_peak_deg", "range_share", "plateau_level_deg",',
        '"plateau_level_deg"',
        "views[0].measures[3]",
        "cannot be measured from the frontal view",
    ),
    case(
        "share of an angle",
        SQUAT,
        '"rest_s", "range_deg"',
        '"rest_s", "range_share"',
        '  "knee_over_toe_cm", "lowering_s", "pause_s", "raising_s", "rest_s", "range_share"',
        "views[0].measures[11]",
        "range_share needs a height",
        "use range_deg",
    ),
    case(
        "view given twice",
        SQUAT,
        'plane = "oblique"',
        'plane = "frontal"\n# again',
        'plane = "frontal"\n# again',
        "views[2].plane",
        "frontal view is given twice",
    ),
    case(
        "least range without a source",
        SQUAT,
        'least_range = { value = 20, source = "chosen on sample clips, decision 4" }',
        "least_range = { value = 20 }",
        "least_range = { value = 20 }",
        "views[0].least_range.source",
        "is missing",
    ),
    case(
        "least range not above zero",
        SQUAT,
        "value = 20",
        "value = 0",
        "value = 0, ",
        "views[0].least_range.value",
        "no possible least range",
        "deg above 0",
    ),
    case(
        "unknown feature",
        SQUAT,
        'feature = "heel_lifts"',
        'feature = "heel_lift"',
        'feature = "heel_lift"',
        "look_for[0].feature",
        'no feature or measure "heel_lift"',
        'did you mean "heel_lifts"?',
    ),
    case(
        "feature without its value",
        SQUAT,
        "above = 0.15\n",
        "",
        '[[look_for]]\ncode = "heel_lifts"',
        "look_for[0]",
        "heel_lifts needs a value; add above =",
    ),
    case(
        "look-for in a missing view",
        WALL_SIT,
        'code = "slides_up"\nview = "sagittal"',
        'code = "slides_up"\nview = "frontal" # here\nabove_ = 1',
        "above_",
        "look_for[0].above_",
        'no key "above_"',
    ),
    case(
        "look-for of a measure that the view lacks",
        SQUAT,
        'feature = "fppa_change_deg"',
        'feature = "knee_medial_to_foot_share"',
        'feature = "knee_medial_to_foot_share"',
        "look_for[2].feature",
        "frontal view does not list knee_medial_to_foot_share",
    ),
    case(
        "look-for without a source",
        SQUAT,
        'above = 0.15\nsource = "common practice"\n',
        "above = 0.15\n",
        '[[look_for]]\ncode = "heel_lifts"',
        "look_for[0].source",
        "is missing",
    ),
    case(
        "end goal without a bound",
        SQUAT,
        "at_most = 0\ntolerance = 10\n",
        "",
        "[[end_goal]]",
        "end_goal[0]",
        "has no bound; add at_least = or at_most =",
    ),
    case(
        "end goal without a source",
        SQUAT,
        'tolerance = 10\nsource = "common practice"',
        "tolerance = 10",
        "[[end_goal]]",
        "end_goal[0]",
        "a threshold needs its source",
    ),
    case(
        "unknown easier exercise",
        SQUAT,
        '"sit_to_stand", "wall_sit"',
        '"sit_to_stnd", "wall_sit"',
        "sit_to_stnd",
        "easier[0]",
        'no exercise "sit_to_stnd"',
        'did you mean "sit_to_stand"?',
    ),
    case(
        "harder than itself",
        SQUAT,
        '["forward_lunge", "split_squat"]',
        '["split_squat", "squat"]',
        "harder =",
        "harder[1]",
        "names this exercise itself",
    ),
    case(
        "sequence without parts",
        MULTI,
        'parts = ["forward", "lateral", "rotational"]\n',
        "",
        'kind = "sequence"',
        "kind",
        "a sequence needs parts",
    ),
    case(
        "hold without its time",
        WALL_SIT,
        "hold_s = 20\n",
        "",
        "[usual_dose]",
        "usual_dose",
        "a hold needs its time; add hold_s",
    ),
    case(
        "figure without a knee",
        SQUAT,
        "knee = [55.2, 24.6]\n",
        "",
        "[figure.turn]",
        "figure.turn",
        "the knee is missing; add knee = [x, y]",
    ),
    case(
        "figure joint that is no place",
        SQUAT,
        "knee = [55.2, 24.6]",
        'knee = "x"',
        'knee = "x"',
        "figure.turn.knee",
        "is not a list",
    ),
    case(
        "another major version",
        SQUAT,
        "formcheck.exercise/1.1",
        "formcheck.exercise/2.0",
        "schema = ",
        "schema",
        "formcheck.exercise/2.0",
        "formcheck.exercise/1.1",
    ),
    case(
        "another kind of file",
        SQUAT,
        "formcheck.exercise/1.1",
        "formcheck.prescription/1.1",
        "schema = ",
        "schema",
        "'prescription'",
        "'exercise' is needed",
    ),
    case(
        "no TOML",
        SQUAT,
        'id = "squat"',
        'id = "squat',
        'id = "squat',
        "(whole file)",
        "is not TOML",
    ),
    # prescriptions
    line("a name for a code", '"KN-204"', '"Someone"', "patient =", "patient", "looks like a name"),
    line(
        "a date of birth in the code",
        '"KN-204"',
        '"K-1961-04-02"',
        "patient =",
        "patient",
        "looks like a date of birth",
    ),
    line(
        "a code with a space", '"KN-204"', '"KN 204"', "patient =", "patient", "is no patient code"
    ),
    line(
        "review before the start",
        "2025-03-31",
        "2025-03-01",
        "review_on",
        "review_on",
        "is not after valid_from, 2025-03-03",
    ),
    line(
        "a day that does not exist",
        "valid_from = 2025-03-03",
        'valid_from = "3 March"',
        "valid_from",
        "valid_from",
        "is not a date",
        "year-month-day",
    ),
    line(
        "unknown exercise",
        '"squat"',
        '"sqaut"',
        "sqaut",
        "exercises[0].exercise",
        'no exercise "sqaut"',
        'did you mean "squat"?',
    ),
    line(
        "the same exercise twice",
        '"wall_sit"',
        '"squat"\n# second',
        '"squat"\n# second',
        "exercises[1].exercise",
        "stands in exercises[0] for the same side already",
    ),
    line(
        "hold without its time",
        "hold_s = 20\n",
        "",
        '[[exercises]]\nexercise = "wall_sit"',
        "exercises[1]",
        "a hold needs its time",
    ),
    line("no sets", "sets = 3", "sets = 0", "sets = 0", "exercises[0].sets", "give at least 1"),
    line(
        "half a repetition",
        "repetitions = 12",
        "repetitions = 12.5",
        "12.5",
        "exercises[0].repetitions",
        "not a whole number",
    ),
    line(
        "effort of 11",
        "effort_aim = 5",
        "effort_aim = 11",
        "effort_aim",
        "exercises[0].effort_aim",
        "give at most 10",
    ),
    line(
        "ends exchanged",
        "at_least = 80\nat_most = 95",
        "at_least = 95\nat_most = 80",
        "at_least",
        "exercises[0].targets[0].at_least",
        "at_least 95 is more than at_most 80",
    ),
    line(
        "knee bent past what a knee can",
        "at_most = 95",
        "at_most = 200",
        "at_most = 200",
        "exercises[0].targets[0].at_most",
        "200 is not possible",
        "-20 to 170 deg",
    ),
    line(
        "measure that the exercise lacks",
        '"knee_over_toe_share"',
        '"heel_height_peak_share"',
        "heel_height_peak_share",
        "exercises[0].limits[0].measure",
        "squat does not list",
        "never be judged",
    ),
    line(
        "limit with a tolerance",
        "at_most = 0.3",
        "at_most = 0.3\ntolerance = 0.1",
        "tolerance",
        "exercises[0].limits[0].tolerance",
        "a limit has no tolerance",
    ),
    line(
        "filming a set that is not there",
        "set_number = 1",
        "set_number = 4",
        "set_number",
        "exercises[0].film[0].set_number",
        "set 4 is to be filmed of 3 set(s)",
    ),
    line(
        "filmed from where it is not seen",
        LIMIT_AND_FILM,
        LIMIT_AND_FILM.replace("knee_over_toe_share", "hip_drop_share").replace(
            "sagittal", "frontal"
        ),
        'measure = "knee_flexion_peak_deg"',
        "exercises[0].targets[0].measure",
        "not seen from the views to be filmed",
        "sagittal view",
    ),
    line(
        "a side that is no side",
        'sides = ["both"]',
        'sides = ["rigt"]',
        "sides",
        "exercises[0].sides[0]",
        'did you mean "right"?',
    ),
    line(
        "a number that is none",
        "at_most = 0.3",
        "at_most = nan",
        "at_most = nan",
        "exercises[0].limits[0].at_most",
        "nan is no number",
    ),
]


def broken(base: str, old: str, new: str) -> str:
    assert base.count(old) >= 1, f"{old!r} is not in the base text"
    return base.replace(old, new, 1)


@pytest.mark.parametrize(("parse", "base", "old", "new", "marker", "path", "parts"), BROKEN)
def test_a_broken_file_names_the_line_the_path_and_the_mend(
    parse, base, old, new, marker, path, parts
):
    text = broken(base, old, new)
    faults = faults_of(parse, text)
    place = f"own.toml:{line_with(text, marker)}: {path}: "
    assert len(faults) == 1
    assert faults[0].startswith(place)
    assert "; " in faults[0]
    for part in parts:
        assert part in faults[0]


def test_there_are_at_least_forty_broken_files():
    assert len(BROKEN) >= 40


FIVE = [
    (
        parse_exercise,
        SQUAT,
        (
            ('position = "standing"', 'position = "floating"', "position"),
            ("support_level = 3", "support_level = 9", "support_level"),
            ('"sit_to_stand", "wall_sit"', '"sit_to_stand", "wal_sit"', "easier[1]"),
            ('feature = "heel_lifts"', 'feature = "heels"', "look_for[0].feature"),
            ("value = 20, source = ", "value = 900, source = ", "views[0].least_range.value"),
        ),
    ),
    (
        parse_exercise,
        WALL_SIT,
        (
            ('camera = "', 'kamera = "x"\ncamera = "', "kamera"),
            ("hold_s = 20\n", "", "usual_dose"),
            ('"plateau_level_deg",', '"plateau_levl_deg",', "views[0].measures[5]"),
            ("at_least = 20", "at_least = -20", "end_goal[1].at_least"),
            ('working_leg = "both"', 'working_leg = ["both"]', "working_leg"),
        ),
    ),
    (
        parse_prescription,
        PRESCRIPTION,
        (
            ('"KN-204"', '"K 204"', "patient"),
            ("2025-03-31", "2024-03-31", "review_on"),
            ("sets = 3", 'sets = "three"', "exercises[0].sets"),
            ("at_most = 0.3", "at_most = 30", "exercises[0].limits[0].at_most"),
            ("hold_s = 20\n", "hold = 20\n", "exercises[1].hold"),
        ),
    ),
]


@pytest.mark.parametrize(("parse", "base", "edits"), FIVE)
def test_a_file_with_five_faults_lists_all_five(parse, base, edits):
    text = base
    for old, new, _ in edits:
        text = broken(text, old, new)
    faults = faults_of(parse, text)
    for _, _, path in edits:
        assert any(f": {path}: " in fault for fault in faults), (path, faults)
    assert len(faults) >= 5
    lines = [int(fault.split(":")[1]) for fault in faults]
    assert lines == sorted(lines)


def test_a_list_is_not_called_short_because_its_only_entry_has_a_fault():
    one = PRESCRIPTION[: PRESCRIPTION.index("[[exercises]]", PRESCRIPTION.index("sets = 3"))]
    (fault,) = faults_of(parse_prescription, broken(one, "sets = 3", "sets = 0"))
    assert "exercises[0].sets: 0 is too small" in fault
    empty = one[: one.index("[[exercises]]")] + "exercises = []\n"
    assert any("holds too few entries" in f for f in faults_of(parse_prescription, empty))


def test_the_base_files_of_these_tests_are_sound():
    assert parse_prescription(PRESCRIPTION, "own.toml").exercises[1].hold_s == 20
    assert parse_exercise(MULTI, "x").parts == ("forward", "lateral", "rotational")


def test_the_message_is_one_line_and_says_how_many_more():
    with pytest.raises(FileError) as caught:
        parse_exercise(
            SQUAT.replace('id = "squat"', 'id = "A"').replace("_level = 3", "_level = 8"), "f.toml"
        )
    assert "\n" not in str(caught.value)
    assert "(and 1 more)" in str(caught.value)


def test_a_newer_minor_is_read_with_one_warning_and_its_new_keys_left_out():
    text = SQUAT.replace("exercise/1.1", "exercise/1.7").replace(
        "support_level = 3", 'support_level = 3\nmood = "calm"'
    )
    with pytest.warns(
        NewerMinorWarning, match=r"exercise/1\.7, newer than formcheck.exercise/1\.1"
    ) as w:
        exercise = parse_exercise(text, "own.toml")
    assert len(w) == 1
    assert exercise.id == "squat"


def test_the_version_rule_names_both_versions():
    fault = schema_fault("formcheck.report/3.1", "formcheck.report/1.0")
    assert "3.1" in fault
    assert "1.0" in fault
    assert schema_fault("formcheck.report/1.9", "formcheck.report/1.0") is None
    assert "is missing" in schema_fault(None, "formcheck.report/1.0")
    assert "is not a version" in schema_fault(["x"], "formcheck.report/1.0")


def test_an_exercise_file_beside_the_prescription_is_found(tmp_path):
    (tmp_path / "own_squat.toml").write_text(SQUAT.replace('id = "squat"', 'id = "own_squat"'))
    text = PRESCRIPTION.replace('"squat"', '"own_squat.toml"')
    read = parse_prescription(text, str(tmp_path / "p.toml"))
    assert read.exercises[0].exercise == "own_squat.toml"
    fault = faults_of(parse_prescription, text, "elsewhere.toml")
    assert 'no exercise "own_squat.toml"' in fault[0]


def test_the_kind_of_a_file_is_read_from_its_schema_line():
    assert file_kind(SQUAT) == "exercise"
    assert file_kind(PRESCRIPTION) == "prescription"
    assert file_kind("a = 1") is None
    assert file_kind("schema = 'formcheck.report/1.0'") is None
    assert file_kind("=") is None


# -- lines


def test_lines_are_found_in_every_form_that_toml_has():
    text = """\
a = 1
"b c" = [
  1,  # one
  [2,
   3],
]
d.e = { f = 1, g = [true,
  false] }
[h]
i = '''
j = 0
'''
k = \"\"\"
[x]\"\"\"
[[m]]
n = 1
[[m.o]]
p = 2
[[m.o]]
p = 3
[[m]]
[m.q]
r = 1979-05-27T07:32:00Z
"""
    data, lines = read_toml(text)
    assert lines["a",] == 1
    assert lines["b c", 0] == 3
    assert lines["b c", 1] == 4
    assert lines["b c", 1, 1] == 5
    assert lines["d", "e", "f"] == 7
    assert lines["d", "e", "g", 1] == 8
    assert lines["h", "i"] == 10
    assert ("h", "j") not in lines
    assert lines["h", "k"] == 13
    assert lines["m", 0, "n"] == 16
    assert lines["m", 0, "o", 1, "p"] == 20
    assert lines["m", 1, "q", "r"] == 23
    assert data["m"][1]["q"]["r"].year == 1979
    assert line_of(lines, ("m", 0, "n", "missing")) == 16
    assert line_of(lines, ("missing",)) == 1
    assert dotted(("m", 0, "n")) == "m[0].n"


def paths(value, at=()):
    if at:
        yield at
    if isinstance(value, dict):
        for key, item in value.items():
            yield from paths(item, (*at, key))
    elif isinstance(value, list):
        for n, item in enumerate(value):
            yield from paths(item, (*at, n))


@pytest.mark.parametrize("text", [SQUAT, WALL_SIT, MULTI, STANCE, PRESCRIPTION])
def test_every_key_of_a_file_has_a_line(text):
    data, lines = read_toml(text)
    assert set(paths(data)) <= set(lines)


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused_with_a_line(text):
    data, lines, line = {}, {}, 1
    try:
        data, lines = read_toml(text)
    except TomlFault as fault:
        line = fault.line
    assert set(paths(data)) <= set(lines)
    assert 1 <= line <= text.count("\n") + 1


@settings(max_examples=50)
@given(st.text(min_size=1, max_size=30), st.integers(0, 400))
def test_a_text_put_anywhere_into_a_prescription_never_breaks_the_reader(text, at):
    faults = ()
    try:
        parse_prescription(PRESCRIPTION[:at] + text + PRESCRIPTION[at:], "p.toml")
    except FileError as error:
        faults = error.faults
    assert all(fault.startswith("p.toml:") for fault in faults)


ODD = (
    "1e400",
    "inf",
    "-nan",
    "true",
    "[]",
    "{}",
    "[[[1]]]",
    '"x"',
    '""',
    "1979-05-27",
    "1979-05-27T07:32:00Z",
    "07:32:00",
    "9" * 400,
    "-1",
    "{ a = { b = 1 } }",
    '["a", 1]',
    "[{}]",
    "[1, 2]",
    '"\\u0000"',
    "0x10",
)


@settings(max_examples=300)
@given(
    st.sampled_from([(parse_prescription, PRESCRIPTION), (parse_exercise, WALL_SIT)]),
    st.lists(st.tuples(st.integers(0, 200), st.sampled_from(ODD)), min_size=1, max_size=4),
)
def test_odd_values_anywhere_are_told_as_faults_and_never_break_the_reader(base, edits):
    parse, text = base
    lines = text.splitlines()
    for at, value in edits:
        key, is_pair, _ = lines[at % len(lines)].partition(" = ")
        if is_pair:
            lines[at % len(lines)] = f"{key} = {value}"
    faults = ()
    try:
        parse("\n".join(lines), "own.toml")
    except FileError as error:
        faults = error.faults
    assert all(fault.startswith("own.toml:") and "; " in fault for fault in faults)


@pytest.mark.parametrize("text", ["a = " + "[" * 50_000, "a = " + "9" * 6000])
def test_what_is_nested_or_written_out_of_all_measure_is_refused(text):
    assert "is not TOML" in faults_of(parse_exercise, text)[0]


FROZEN = Path(__file__).parent / "frozen"


def test_files_of_every_released_version_are_read():
    exercise = parse_exercise((FROZEN / "exercise-1.0.toml").read_text("utf-8"), "e")
    assert exercise.id == "step_down_low"
    assert exercise.views[0].least_range.value == 0.05
    prescription = parse_prescription((FROZEN / "prescription-1.0.toml").read_text("utf-8"), "p")
    assert prescription.exercises[0].tempo.lowering_s == 3
    assert str(prescription.surgery_on) == "2025-01-14"


def test_windows_line_ends_and_a_byte_order_mark_are_read():
    assert (
        parse_prescription("\ufeff" + PRESCRIPTION.replace("\n", "\r\n"), "p").patient == "KN-204"
    )


# -- writing


def test_a_prescription_written_is_read_back_equal():
    prescription = parse_prescription(PRESCRIPTION, "p")
    assert parse_prescription(to_toml(prescription), "p") == prescription


@settings(max_examples=50)
@given(st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=60))
def test_any_note_is_written_and_read_back_equal(note):
    from dataclasses import replace

    prescription = parse_prescription(PRESCRIPTION, "p")
    changed = replace(
        prescription,
        goals=note,
        exercises=(replace(prescription.exercises[0], notes=note), *prescription.exercises[1:]),
    )
    assert parse_prescription(to_toml(changed), "p") == changed


# -- JSON Schemas


@pytest.mark.parametrize("kind", ["exercise", "prescription"])
def test_the_shipped_json_schema_is_current(kind):
    shipped = files("formcheck") / "assets" / "schemas" / f"{kind}.schema.json"
    assert json.loads(shipped.read_text(encoding="utf-8")) == json.loads(json_schema_text(kind))


def test_the_json_schemas_accept_sound_files_and_refuse_unknown_keys():
    jsonschema = pytest.importorskip("jsonschema")
    for kind, text in (("exercise", SQUAT), ("prescription", PRESCRIPTION)):
        schema = json_schema(kind)
        jsonschema.Draft202012Validator.check_schema(schema)
        validator = jsonschema.Draft202012Validator(schema)
        data = json.loads(json.dumps(read_toml(text)[0], default=lambda d: d.isoformat()))
        assert list(validator.iter_errors(data)) == []
        assert list(validator.iter_errors({**data, "colour": 1}))


def test_the_json_schema_completes_measures_and_exercises():
    schema = json_schema("prescription")
    assert "knee_flexion_peak_deg" in schema["$defs"]["Bound"]["properties"]["measure"]["enum"]
    names = schema["$defs"]["PrescribedExercise"]["properties"]["exercise"]["anyOf"][0]["enum"]
    assert "wall_sit" in names


def test_the_sample_prescription_is_sound():
    path = Path(__file__).parents[1] / "sample_clips" / "prescription.toml"
    read = parse_prescription(path.read_text(encoding="utf-8"), str(path))
    assert [line.exercise for line in read.exercises] == ["squat", "wall_sit", "straight_leg_raise"]
    assert all(line.targets for line in read.exercises)
    assert read.exercises[0].limits
