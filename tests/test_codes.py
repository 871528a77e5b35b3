"""Every code has words for every reader, and every code is produced somewhere."""

import ast
from pathlib import Path
from typing import get_args

import pytest

import formcheck
from formcheck.files.exercises import list_exercises
from formcheck.model.codes import (
    ClipErrorCode,
    FindingCode,
    OtherExercise,
    OtherMovement,
    RefusalCode,
)
from formcheck.model.errors import ClipError
from formcheck.model.records import ExerciseWords, Finding, NotMeasurable
from formcheck.motion.spoiled import SPOILS
from formcheck.words.error_words import OPTION, error_words
from formcheck.words.finding_words import FINDING_WORDS, finding_words
from formcheck.words.patient_result import THINGS_TO_TRY
from formcheck.words.readers import READERS
from formcheck.words.refusal_words import REFUSAL_WORDS, refusal_words

SAID = ExerciseWords(name="Squat", kind="repetition", camera="Camera at the side.")
FINDING_VALUES = {
    "second_person": [
        {"is_as_large": True},
        {"is_as_large": False},
        {"is_as_large": False, "is_followed_by_movement": True},
    ],
    "other_exercise": [
        {"seen": s, "part": part, "deg": deg, "usual_deg": usual_deg}
        for s in get_args(OtherExercise)
        for part in ("trunk", "thigh", "knee")
        for deg, usual_deg in ((80.0, 15.0), (-60.0, -0.0), (40.0, -10.0))
    ],
    "slow_motion": [{"recorded_hz": 120.0, "stored_hz": 30.0}],
    "picture_squeezed": [{"is_wide": b} for b in (True, False)],
    "strongly_compressed": [{"quantizer": 45.0}],
    "proportions_unusual": [{"is_wide": b, "share": 1.15} for b in (True, False)],
    "too_quick_for_rate": [{"step_deg": 20.0}],
    "pulses": [{"n": 8}],
    "not_this_exercise": [{"is_lying": True}, {"is_lying": False}],
    "picture_disturbed": [{"is_frozen": b} for b in (True, False)],
    "edited": [{"n_jumps": 2, "longest_from_s": 1.0, "longest_to_s": 9.0}],
    "camera_tilted": [{"tilt_deg": -8.0}],
    "camera_beside_front": [
        {"off_deg": off, "is_behind": b} for off in (-14, 12) for b in (True, False)
    ],
    "leg_out_of_picture": [{"side": "left", "yaw_deg": yaw} for yaw in (-31, 35)],
    "wrong_view": [{"plane": p} for p in ("sagittal", "frontal", "oblique")],
    "rotated": [{"rotation_deg": 90}],
    "frames_lost": [{"n_frames": 3}],
    "frame_rate_low": [{"rate_hz": 8.0}],
    "turned_round": [{"are_both_measured": b, "side": "left"} for b in (True, False)],
    "wrong_side": [{"side": "left"}],
    "wrong_leg": [{"side": "left", "asked": a} for a in ("right", "both", None)],
    "other_leg": [{"n": 2, "n_all": 5, "asked": "left"}, {"n": 1, "n_all": 1, "asked": "left"}],
    "one_leg_only": [{"side": "right"}],
    "knee_side": [{"side": "right"}],
    "side_assumed": [{"side": "left", "is_nearer": b} for b in (True, False)],
    "landmarks_lost": [{"is_counted": True}, {"is_counted": False}],
    "other_movement": [{"looks_like": x} for x in get_args(OtherMovement)],
    "direction_missed": [{"number": 2, "part": "lateral"}],
    "direction_repeated": [{"number": 2, "part": "lateral", "n": 3}],
    "smaller_movement": [
        {"range": r, "least_range": least, "unit": u}
        for r, least, u in (
            (18.2, 20.0, "deg"),
            (0.11, 0.15, "foot_length"),
            (0.046, 0.06, "leg_length"),
        )
    ],
    "no_repetition_found": [
        {"least_range": 20.0, "unit": u} for u in ("deg", "foot_length", "leg_length")
    ],
    "as_written": [{"code": "other", "text": "As it was told in words before."}],
}
REFUSAL_VALUES = {
    "view_not_fit": [
        {"plane": p, "wanted": w}
        for p in ("sagittal", "frontal", "oblique", "unknown")
        for w in ("sagittal", "frontal", "oblique")
    ],
    "leg_turned_away": [{"side": "left"}],
    "spoiled": [{"finding": code} for code in SPOILS],
    "other_leg_too_small": [{"side": "right"}],
    "as_written": [{"text": "as it was told before"}],
}


def all_told(reader):
    for code in get_args(FindingCode):
        for values in FINDING_VALUES.get(code, [{}]):
            finding = Finding(code=code, values=tuple(values.items()))
            yield code, finding_words(finding, SAID, reader)
    for code in get_args(RefusalCode):
        for values in REFUSAL_VALUES.get(code, [{}]):
            refusal = NotMeasurable(key="rest_s", code=code, values=tuple(values.items()))
            yield code, refusal_words(refusal, reader)


def test_every_code_has_words():
    assert set(FINDING_WORDS) == set(get_args(FindingCode))
    assert set(REFUSAL_WORDS) == set(get_args(RefusalCode))


@pytest.mark.parametrize("reader", READERS)
def test_every_code_is_told_to_every_reader_in_a_sentence_of_its_own(reader):
    told = {}
    for code, words in all_told(reader):
        assert len(words.split()) > 3, (code, words)
        assert "None" not in words, (code, words)
        assert "_" not in words, (code, words)
        told.setdefault(words, set()).add(code)
    assert {w: c for w, c in told.items() if len(c) > 1} == {}


def test_a_patient_is_never_told_an_option_of_the_command_line():
    for code, words in all_told("patient"):
        for not_theirs in ("--", "`", "formcheck", "Give the", "give that side"):
            assert not_theirs not in words, code


def test_only_a_terminal_is_told_an_option():
    told = {reader: "".join(words for _, words in all_told(reader)) for reader in READERS}
    assert [reader for reader, words in told.items() if "--pose-rate" in words] == ["terminal"]


def test_an_error_about_a_clip_names_an_option_on_the_terminal_alone():
    assert set(OPTION) == set(get_args(ClipErrorCode))
    for code, option in OPTION.items():
        error = ClipError("a.mp4: too short; look at more pictures", code=code)
        told = {reader: error_words(error, reader) for reader in READERS}
        assert [reader for reader, words in told.items() if option in words] == ["terminal"]
        assert str(error) == told["patient"]


def test_no_message_about_a_clip_is_written_with_an_option():
    calls = [
        node
        for path in Path(formcheck.__file__).parent.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "ClipError"
    ]
    assert len(calls) > 10
    for call in calls:
        words = [n.value for n in ast.walk(call) if isinstance(n, ast.Constant)]
        assert not any("--" in w for w in words if isinstance(w, str)), ast.unparse(call)


def test_every_code_is_produced_somewhere():
    root = Path(formcheck.__file__).parent
    made = {
        node.value
        for room in ("motion", "run", "files/report_1_0.py", "words/wording.py")
        for path in ([root / room] if room.endswith(".py") else (root / room).glob("*.py"))
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    assert {*get_args(FindingCode), *get_args(RefusalCode)} - made == set()


def test_every_remark_of_the_catalogue_is_something_that_a_patient_can_try():
    codes = {look.code for e in list_exercises() for look in e.look_for}
    assert codes - set(THINGS_TO_TRY) == set()
