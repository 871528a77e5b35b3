"""Prescriptions that are wrong or make no sense: each is named with its line and what to change."""

import re
import time
from pathlib import Path

import pytest

from formcheck.files.exercises import list_exercises
from formcheck.files.prescription_advice import weight_allowed
from formcheck.files.prescriptions import check_file
from formcheck.files.schema import parse_prescription
from formcheck.model.errors import FileError, UsageError
from formcheck.pose.landmarker import PoseSettings

SAMPLES = Path(__file__).parents[1] / "sample_clips"
BASE = """\
schema = "formcheck.prescription/1.1"
patient = "KN-204"
involved_side = "left"
prescribed_by = "M.T."
valid_from = 2025-03-03
review_on = 2025-03-17
surgery_on = 2025-02-04
weight_bearing = "full"
passive_extension_deg = 8

[[exercises]]
exercise = "squat"
sets = 3
repetitions = 6
hold_s = 5
rest_s = 60
frequency = "3 times a week"
pain_limit = 3
easier = "terminal_knee_extension"
harder = "wall_sit"
notes = "Slow on the way down."

[[exercises.targets]]
measure = "knee_flexion_peak_deg"
at_least = 60
tolerance = 5

[[exercises.limits]]
measure = "knee_flexion_peak_deg"
at_most = 90
source = "surgeon: 90 degrees until week eight"
words = "Do not bend past 90 degrees."

[[exercises.film]]
set_number = 1
view = "sagittal"

[[exercises]]
exercise = "seated_knee_extension"
sets = 3
repetitions = 10
frequency = "twice a day"
sides = ["left"]
pain_limit = 3

[[exercises.targets]]
measure = "knee_flexion_least_deg"
at_most = 12
"""
"""Sound: nothing to mend, nothing to ask."""
DEPTH = 'measure = "knee_flexion_peak_deg"\nat_least = 60\ntolerance = 5'
LEVEL = 'measure = "thigh_inclination_deg"\nat_most = 0\ntolerance = 5'

# name, what stands in the sound file, what instead, the text on the line that is named, its path,
# what is said to be wrong, what to change
REFUSED = [
    ("bound of 1e15", "at_most = 90", "at_most = 1e15", "at_most = 1e15",
     "exercises[0].limits[0].at_most", "is not possible", "give -20 to 170"),
    ("target past the limit", DEPTH, DEPTH.replace("60", "96"), "at_least = 96",
     "exercises[0].targets[0].at_least", "cannot be reached within the limit", "aim for no more"),
    ("target 60 with limit 40", "at_most = 90", "at_most = 40", "at_least = 60",
     "exercises[0].targets[0].at_least", "cannot be reached within the limit", "than 40"),
    ("tolerance of 180", "tolerance = 5", "tolerance = 180", "tolerance = 180",
     "exercises[0].targets[0].tolerance", "nearly every value", "give at most 38 deg"),
    ("passive extension of 500", "passive_extension_deg = 8", "passive_extension_deg = 500",
     "passive_extension_deg = 500", "passive_extension_deg", "too large", "give at most 90"),
    ("bounds the wrong way round", DEPTH, DEPTH.replace("60", "80\nat_most = 70"),
     "at_least = 80", "exercises[0].targets[0].at_least", "is more than at_most", "exchange"),
    ("limit with a tolerance", 'source = "surgeon:', 'tolerance = 5\nsource = "surgeon:',
     "tolerance = 5\nsource", "exercises[0].limits[0].tolerance", "no tolerance",
     "set the limit itself"),
    ("measure that the filmed view cannot see", 'view = "sagittal"', 'view = "frontal"',
     'measure = "knee_flexion_peak_deg"', "exercises[0].targets[0].measure",
     "not seen from the views", "film a set from the sagittal view"),
    ("film of a set that is not prescribed", "set_number = 1", "set_number = 4",
     "set_number = 4", "exercises[0].film[0].set_number", "of 3 set(s)", "number up to 3"),
    ("repetitions beyond counting", "repetitions = 6", "repetitions = 6000",
     "repetitions = 6000", "exercises[0].repetitions", "too large", "give at most 200"),
    ("hold without a time", 'exercise = "seated_knee_extension"', 'exercise = "wall_sit"',
     '[[exercises]]\nexercise = "wall_sit"', "exercises[1]", "a hold needs its time", "add hold_s"),
]  # fmt: skip
ASKED = [
    ("easier step past the limit", '"terminal_knee_extension"', '"sit_to_stand"',
     'easier = "sit_to_stand"', "exercises[0].easier", "to about 95 deg, past the limit of 90",
     "name another step"),
    ("harder step past the limit", 'harder = "wall_sit"', 'harder = "split_squat"',
     'harder = "split_squat"', "exercises[0].harder", "past the limit of 90", "name another step"),
    ("easier step that is harder", '"terminal_knee_extension"', '"single_leg_stance"',
     'easier = "single_leg_stance"', "exercises[0].easier", "does not read as the easier step",
     "exchange them"),
    ("target that reaches past the limit", DEPTH, DEPTH.replace("60", "60\nat_most = 88"),
     "at_most = 88", "exercises[0].targets[0].at_most", "reaches to 93, past the limit",
     "end the target at 90 or below"),
    ("target that is the limit", DEPTH, DEPTH.replace("60", "90"), "at_least = 90",
     "exercises[0].targets[0].at_least", "the limit itself", "aim for less"),
    ("level thigh within 90 degrees of bend", DEPTH, LEVEL, "at_most = 0\n",
     "exercises[0].targets[0].at_most", "about 105 deg of knee flexion", "larger angle"),
    ("straighter than the knee goes", "at_most = 12", "at_most = 0", "at_most = 0",
     "exercises[1].targets[0].at_most", "straighter than the 8 deg", "aim for that at most"),
    ("hold longer than the rest", "hold_s = 5", "hold_s = 90", "hold_s = 90",
     "exercises[0].hold_s", "longer than the rest of 60 s", "hold for less"),
    ("limit without a source", 'source = "surgeon: 90 degrees until week eight"\n', "",
     "[[exercises.limits]]", "exercises[0].limits[0]",
     "has no source", "add source"),
    ("source that names another number", "surgeon: 90 degrees", "surgeon: 80 degrees",
     "source =", "exercises[0].limits[0].source", "says 80 deg and the limit is 90", "agree"),
    ("words that name another number", "past 90 degrees", "past 95 degrees", "words =",
     "exercises[0].limits[0].words", "says 95 deg and the limit is 90", "agree"),
    ("words upside down", "Do not bend past 90 degrees.", "Stay above the limit.", "words =",
     "exercises[0].limits[0].words", "wrong way round", "do not bend past"),
    ("notes upside down", "Slow on the way down.", "Stay above the limit.", "notes =",
     "exercises[0].notes", "stay above", "do not bend past"),
    ("no weight on the leg, and a squat", 'weight_bearing = "full"',
     'weight_bearing = "non-weight-bearing until week six"', 'exercise = "squat"',
     "exercises[0].exercise", "about half of the body's weight", "support level 1 or 2"),
    ("touch weight and a squat", 'weight_bearing = "full"', 'weight_bearing = "toe-touch"',
     'exercise = "squat"', "exercises[0].exercise", 'weight_bearing says "toe-touch"', "change"),
    ("20 kg on the leg and a squat", 'weight_bearing = "full"', 'weight_bearing = "up to 20 kg"',
     'exercise = "squat"', "exercises[0].exercise", "half of the body's weight", "change"),
    ("frequency that is not understood", "3 times a week", "as tolerated", "frequency =",
     "exercises[0].frequency", "counts as once a day; write", "3 times a week"),
    ("frequency that is half understood", "3 times a week", "3 times a week after work",
     "frequency =", "exercises[0].frequency", "counts as once a day, 3 days a week", "notes"),
    ("more sets than a day's list holds", 'frequency = "3 times a week"',
     'frequency = "12 times a day"', "frequency =", "exercises[0].frequency",
     "more than the 20 sets", "fewer times"),
    ("contradiction of days", "3 times a week", "3 times a week, every other day", "frequency =",
     "exercises[0].frequency", "counts as once a day", "write"),
    ("pain let go to 7", "pain_limit = 3\neasier", "pain_limit = 7\neasier", "pain_limit = 7",
     "exercises[0].pain_limit", "7 of 10", "lower it"),
    ("no pain limit after an operation", "pain_limit = 3\neasier", "easier",
     "[[exercises]]\nexercise = \"squat\"", "exercises[0]", "no pain limit", "add pain_limit"),
    ("programme before the operation", "surgery_on = 2025-02-04", "surgery_on = 2025-04-02",
     "surgery_on", "surgery_on", "is after valid_from", "mend the date"),
    ("no review for half a year", "review_on = 2025-03-17", "review_on = 2025-09-17",
     "review_on", "review_on", "more than 12 weeks", "earlier date"),
    ("the other leg only", 'sides = ["left"]', 'sides = ["right"]', "sides =",
     "exercises[1].sides", "the involved side is left", "mend the side"),
    ("the limit on one line and not on the other", '"seated_knee_extension"',
     '"split_squat"', 'exercise = "split_squat"', "exercises[1].exercise",
     "past the limit of 90 that squat has", "give this line the limit"),
    ("an exercise that cannot keep its limit", "at_most = 90", "at_most = 60",
     'exercise = "bridge"', "exercises[0].exercise", "never leaves 90 to 115", "choose another"),
    ("a limit that is never filmed", '[[exercises.film]]\nset_number = 1\nview = "sagittal"\n', "",
     "[[exercises.limits]]", "exercises[0].limits[0]",
     "never looked at", "add film"),
    ("while it is easy, and no most", "hold_s = 5", "hold_while_easy = true",
     "hold_while_easy", "exercises[0].hold_while_easy", "names no most", "add hold_s"),
    ("a sound near no limit", "twice a day\"", "twice a day\"\ncue_at_limit = true",
     "cue_at_limit", "exercises[1].cue_at_limit", "no limit says how far", "add a limit"),
    ("a sound with no set filmed", "3 times a week\"", "3 times a week\"\ncue_at_limit = true",
     "cue_at_limit", "exercises[0].cue_at_limit", "none will come", "film a set"),
]  # fmt: skip


def changed(name: str, old: str, new: str) -> str:
    assert old in BASE
    text = BASE.replace(old, new, 1)
    # Where another exercise is put in, its targets are of measures that it has.
    if "split_squat" in new and "seated" in old:
        text = text.replace("knee_flexion_least_deg", "trunk_inclination_deg")
    if name == "hold without a time":
        text = text.replace("knee_flexion_least_deg", "plateau_level_deg")
    if name == "a sound with no set filmed":
        text = text.replace('[[exercises.film]]\nset_number = 1\nview = "sagittal"\n', "")
    if "cannot keep its limit" in name:
        text = text.replace('"squat"', '"bridge"').replace(DEPTH, HIPS)
    return text


HIPS = 'measure = "trunk_thigh_deg"\nat_most = 15'


def line_of(text: str, marker: str) -> int:
    return text[: text.index(marker)].count("\n") + 1


def named(told: tuple[str, ...], text: str, marker: str, path: str) -> list[str]:
    at = f":{line_of(text, marker)}: {path}: "
    return [t for t in told if at in t]


def test_the_sound_file_and_the_sample_prescriptions_have_nothing_to_mend_or_ask(tmp_path):
    sound = tmp_path / "p.toml"
    sound.write_text(BASE)
    for file in (sound, *sorted(SAMPLES.glob("*.toml"))):
        found = check_file(file)
        assert (found.kind, found.faults, found.advice) == ("prescription", (), ())


@pytest.mark.parametrize(("name", "old", "new", "marker", "path", "what", "mend"), REFUSED)
def test_a_wrong_prescription_is_refused_by_line(
    tmp_path, name, old, new, marker, path, what, mend
):
    text = changed(name, old, new)
    file = tmp_path / "p.toml"
    file.write_text(text)
    found = check_file(file)
    told = named(found.faults, text, marker, path)
    assert told, found.faults
    assert any(what in t and mend in t for t in told), told
    assert found.advice == ()


@pytest.mark.parametrize(("name", "old", "new", "marker", "path", "what", "mend"), ASKED)
def test_a_prescription_that_makes_no_sense_is_asked_about_by_line(
    tmp_path, name, old, new, marker, path, what, mend
):
    text = changed(name, old, new)
    file = tmp_path / "p.toml"
    file.write_text(text)
    found = check_file(file)
    assert found.faults == (), "it can be used as it stands"
    told = named(found.advice, text, marker, path)
    assert told, found.advice
    assert any(what in t and mend in t for t in told), told


def test_a_step_with_the_limit_in_a_line_of_its_own_is_not_asked_about(tmp_path):
    """The harder step of the sound file bends to 90; named again, deeper, it needs its own line."""
    text = BASE.replace('harder = "wall_sit"', 'harder = "split_squat"')
    line = text[text.index("[[exercises]]") : text.index("[[exercises]]", 300)]
    own = line.replace('exercise = "squat"', 'exercise = "split_squat"')
    file = tmp_path / "p.toml"
    file.write_text(text + "\n" + own.replace('harder = "split_squat"\n', ""))
    assert check_file(file).advice == ()


def test_a_kept_prescription_is_read_by_the_rules_of_its_day():
    text = BASE.replace("at_most = 90", "at_most = 40", 1)
    with pytest.raises(FileError, match="cannot be reached within the limit"):
        parse_prescription(text, "p")
    assert parse_prescription(text, "p", is_kept=True).exercises[0].limits[0].at_most == 40


def test_sixty_thousand_exercises_are_refused_in_seconds(tmp_path):
    line = '[[exercises]]\nexercise = "x"\nsets = 1\nrepetitions = 1\n'
    head = BASE[: BASE.index("[[exercises]]")]
    for n, what in ((60_000, "far too large"), (30_000, "give at most 40")):
        file = tmp_path / "p.toml"
        file.write_text(head + line * n)
        began = time.monotonic()
        (fault,) = check_file(file).faults
        assert what in fault
        assert what == "far too large" or ": exercises[40]: holds 30000 exercises" in fault
        assert time.monotonic() - began < 20


@pytest.mark.parametrize("rate", [1e308, float("inf"), float("nan"), 0.0, 1000.1])
def test_a_pose_rate_that_no_camera_has_is_refused(rate):
    with pytest.raises(UsageError, match="pose rate"):
        PoseSettings(rate_hz=rate)


@pytest.mark.parametrize(
    ("words", "allowed"),
    [
        ("", "full"),
        ("full, as it is comfortable", "full"),
        ("as tolerated", "full"),
        ("NWB", "none"),
        ("none until week six", "none"),
        ("non weight bearing", "none"),
        ("TTWB with crutches", "touch"),
        ("partial, 50 %", "partial"),
        ("up to 20 kg", "partial"),
    ],
)
def test_the_weight_that_is_allowed_is_read_from_the_words(words, allowed):
    assert weight_allowed(words) == allowed


def test_every_exercise_of_the_catalogue_says_how_far_the_knee_usually_bends():
    for exercise in list_exercises():
        usual = exercise.usual_knee_flexion
        assert usual is not None
        assert usual.least_deg < usual.most_deg
        assert re.search(r"[a-z]", usual.source)
