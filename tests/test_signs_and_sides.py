"""Zero and sign of every measure, left and right, from the front and from behind, mirrored."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from exercise_cases import (
    BRIDGE,
    FRONT_LUNGE,
    HOOK_LYING,
    LUNGE,
    ON_THE_BACK,
    ON_THE_FRONT,
    ON_THE_SIDE,
    ONE_LEG,
    ONE_LEG_SQUAT,
    SITTING,
    SPLIT_STANCE,
    SQUAT,
    STANDING,
    knee_over_toe,
)
from skeleton import FOOT, LEG, Camera, Key, Movement, Posture, both, film, mirrored, one, repeated
from told import told, why

from formcheck.files.exercises import load_exercise
from formcheck.files.report_file import report_mapping
from formcheck.model.anatomy import LANDMARK, N_LANDMARKS, SIDES
from formcheck.model.anatomy import LEG as LEG_JOINTS
from formcheck.model.intervals import combined
from formcheck.model.records import Measured, NotMeasurable
from formcheck.model.request import Request
from formcheck.model.stated import Context
from formcheck.motion.findings import standing_tilt_deg
from formcheck.motion.repetitions import Attempt
from formcheck.motion.scene import stretch_view
from formcheck.motion.settings import MotionSettings
from formcheck.motion.track import clean
from formcheck.motion.working_leg import clearly_working_side
from formcheck.run.pipeline import assess

each_side = pytest.mark.parametrize("side", SIDES)
front_and_back = pytest.mark.parametrize("azimuth_deg", [0, 180], ids=["front", "back"])


def report_of(
    exercise,
    rest,
    turn,
    *,
    side="left",
    azimuth_deg=90,
    anchor="left_ankle",
    n=2,
    roll_deg=0.0,
    given="same",
    stay_s=0.8,
    stature_cm=None,
    **camera,
):
    """A set as written for the left leg; side "right" is the same person mirrored in space."""
    if side == "right":
        rest, turn, azimuth_deg = mirrored(rest), mirrored(turn), -azimuth_deg
        anchor = anchor.replace("left_", "x_").replace("right_", "left_").replace("x_", "right_")
        roll_deg = -roll_deg
    raw = film(
        repeated(rest, [turn] * n, stay_s=stay_s),
        Camera(azimuth_deg=azimuth_deg, **camera),
        anchor=anchor,
        roll_deg=roll_deg,
    )
    return assess(
        raw,
        Request(
            clip=Path("made_up.mp4"),
            exercise=load_exercise(exercise),
            side=side if given == "same" else given,
            context=Context(stature_cm=stature_cm),
        ),
    ).report


def values_of(report, number=0) -> dict[str, float]:
    assert report.whole.n_complete == len(report.repetitions) > number
    measures = report.repetitions[number].measures
    return {v.key: v.value for v in measures if isinstance(v, Measured)}


# -- the side view


@each_side
@pytest.mark.parametrize(
    ("exercise", "rest", "turn"),
    [
        ("seated_knee_extension", SITTING, replace(SITTING, left_knee=-8, left_foot=None)),
        (
            "short_arc_quad",
            replace(ON_THE_BACK, left_hip=110, left_knee=40),
            replace(ON_THE_BACK, left_hip=110, left_knee=-8),
        ),
    ],
    ids=["sitting", "lying"],
)
def test_hyperextension_is_negative_flexion(exercise, rest, turn, side):
    values = values_of(report_of(exercise, rest, turn, side=side, anchor="hips", stay_s=3))
    assert values["knee_flexion_least_deg"] == pytest.approx(-8, abs=1)
    assert values["plateau_level_deg"] == pytest.approx(-8, abs=1)


@each_side
@pytest.mark.parametrize(
    ("rest", "turn", "exercise"),
    [
        (STANDING, SQUAT, "squat"),
        (ON_THE_BACK, replace(ON_THE_BACK, left_hip=140, left_knee=105), "heel_slide"),
        (ON_THE_FRONT, replace(ON_THE_FRONT, left_knee=105), "hamstring_curl"),
    ],
    ids=["standing", "on the back", "on the front"],
)
def test_flexion_is_positive_whichever_way_the_body_lies(rest, turn, exercise, side):
    anchor = "left_ankle" if exercise == "squat" else "hips"
    values = values_of(report_of(exercise, rest, turn, side=side, anchor=anchor))
    assert values["knee_flexion_peak_deg"] == pytest.approx(105, abs=1)


@each_side
def test_inclinations_are_positive_forward_and_negative_backward(side):
    forward = values_of(report_of("squat", STANDING, SQUAT, side=side))
    assert forward["trunk_inclination_deg"] == pytest.approx(35, abs=1)
    assert forward["shank_inclination_deg"] == pytest.approx(20, abs=1)
    backward = Posture(trunk=-10, **both(hip=100, knee=90))
    back = values_of(report_of("wall_sit", STANDING, backward, side=side))
    assert back["trunk_inclination_deg"] == pytest.approx(-10, abs=1)
    assert back["shank_inclination_deg"] == pytest.approx(-10, abs=1)


@each_side
def test_ankle_dorsiflexion_is_the_shanks_inclination_while_the_foot_stands_flat(side):
    flat = values_of(report_of("squat", STANDING, SQUAT, side=side))
    assert flat["ankle_dorsiflexion_peak_deg"] == pytest.approx(20, abs=1)
    # The heel comes up evenly to 60 deg: a tenth of foot length is passed at 5.7 deg of it, and
    # the shank then stands at the same share of its 20 deg.
    on_the_toes = replace(SQUAT, left_foot=-60, right_foot=-60)
    lifted = values_of(report_of("squat", STANDING, on_the_toes, side=side))
    assert lifted["shank_inclination_deg"] == pytest.approx(20, abs=1)
    assert lifted["ankle_dorsiflexion_peak_deg"] == pytest.approx(20 * 5.7 / 60, abs=1)
    # From the front the shank's inclination does not show.
    ahead = report_of("squat", STANDING, SQUAT, side=side, azimuth_deg=0, given=None)
    assert "ankle_dorsiflexion_peak_deg" not in values_of(ahead)


@each_side
def test_thigh_inclination_is_negative_with_the_hip_below_the_knee(side):
    deep = Posture(trunk=40, **both(hip=105, knee=130))
    values = values_of(report_of("squat", STANDING, deep, side=side))
    assert values["thigh_inclination_deg"] == pytest.approx(-15, abs=1)
    # Knee flexion = 90 - thigh inclination + shank inclination: parallel is 90 + shank lean.
    assert values["knee_flexion_peak_deg"] == pytest.approx(90 + 15 + 25, abs=1)


@each_side
def test_thigh_parallel_is_ninety_degrees_only_over_a_vertical_shank(side):
    for lean in (0, 15, 30):
        parallel = Posture(trunk=65 - lean, **both(hip=90, knee=90 + lean))
        values = values_of(report_of("squat", STANDING, parallel, side=side))
        assert values["thigh_inclination_deg"] == pytest.approx(0, abs=1)
        assert values["knee_flexion_peak_deg"] == pytest.approx(90 + lean, abs=1)


@each_side
@pytest.mark.parametrize(("shank_deg", "is_past"), [(38, True), (10, False)])
def test_knee_over_toe_is_positive_past_the_toe(side, shank_deg, is_past):
    turn = Posture(trunk=40, **both(hip=80, knee=80 + shank_deg))
    values = values_of(report_of("squat", STANDING, turn, side=side, stature_cm=170))
    assert values["knee_over_toe_share"] == pytest.approx(knee_over_toe(shank_deg), abs=0.02)
    assert (values["knee_over_toe_share"] > 0) == is_past
    foot_cm = FOOT * 170
    assert values["knee_over_toe_cm"] == pytest.approx(knee_over_toe(shank_deg) * foot_cm, abs=0.6)


@each_side
@pytest.mark.parametrize("past_deg", [-12, 0, 10])
def test_the_hip_line_past_the_line_is_negative(side, past_deg):
    turn = replace(BRIDGE, **both(hip=112 + past_deg, knee=76 + past_deg))
    report = report_of("bridge", HOOK_LYING, turn, side=side, anchor="left_shoulder", stay_s=3)
    assert values_of(report)["trunk_thigh_deg"] == pytest.approx(past_deg, abs=1)


@each_side
def test_trunk_and_swing_leg_in_line_is_zero_and_a_dropped_leg_positive(side):
    for drop_deg in (0, 25):
        turn = Posture(
            trunk=65, **one("left", hip=4, knee=15), **one("right", hip=-65 + drop_deg, foot=None)
        )
        values = values_of(report_of("single_leg_deadlift", ONE_LEG, turn, side=side))
        assert values["trunk_swing_leg_line_deg"] == pytest.approx(drop_deg, abs=1.5)


@each_side
def test_a_heel_below_the_step_is_a_drop_and_not_a_height(side):
    movement = repeated(
        STANDING if side == "left" else mirrored(STANDING),
        [Posture(**both(foot=-25)), Posture(**both(foot=12)), Posture(**both(foot=-25))],
        stay_s=0.6,
    )
    raw = film(movement, Camera(azimuth_deg=90 if side == "left" else -90), anchor="left_toe")
    report = assess(
        raw, Request(clip=Path("x"), exercise=load_exercise("calf_raise"), side=side)
    ).report
    # The drop between the raises is no raise; it belongs to neither.
    assert report.whole.n_complete == 2
    for found in report.repetitions:
        values = {v.key: v.value for v in found.measures if isinstance(v, Measured)}
        assert values["heel_height_peak_share"] == pytest.approx(np.sin(np.radians(25)), abs=0.03)


@each_side
def test_a_raise_from_a_dropped_heel_gives_height_and_drop_apart(side):
    low, high = Posture(**both(foot=10)), Posture(**both(foot=-30))
    keys = [Key(posture=STANDING, move_s=0, stay_s=2)]
    for _ in range(3):
        keys.append(Key(posture=low, move_s=0.8, stay_s=0.2))
        keys.append(Key(posture=high, move_s=1.2, stay_s=0.6))
    keys.append(Key(posture=low, move_s=0.8, stay_s=0.2))
    keys.append(Key(posture=STANDING, move_s=0.8, stay_s=2))
    raw = film(
        Movement(keys=tuple(keys)),
        Camera(azimuth_deg=90 if side == "left" else -90),
        anchor="left_toe",
    )
    report = assess(
        raw, Request(clip=Path("x"), exercise=load_exercise("calf_raise"), side=side)
    ).report
    assert report.whole.n_complete == 3
    for found in report.repetitions:
        values = {v.key: v.value for v in found.measures if isinstance(v, Measured)}
        assert values["heel_height_peak_share"] == pytest.approx(np.sin(np.radians(30)), abs=0.03)
        # 5 % of the range is left out at the repetition's ends.
        drop = np.sin(np.radians(10))
        assert drop - 0.06 <= values["heel_drop_share"] <= drop + 0.02


@each_side
def test_knee_flexion_gain_is_what_the_knee_bends_in_the_raise(side):
    rest = replace(ON_THE_BACK, left_knee=4, **one("right", hip=135, knee=90, foot=0.0))
    for gain in (0, 18):
        turn = replace(rest, left_hip=125, left_knee=4 + gain)
        values = values_of(report_of("straight_leg_raise", rest, turn, side=side, anchor="hips"))
        assert values["knee_flexion_gain_deg"] == pytest.approx(gain, abs=1.5)


@each_side
def test_a_leg_raise_is_given_in_centimetres_when_stature_is(side):
    rest = replace(ON_THE_BACK, **one("right", hip=135, knee=90, foot=0.0))
    report = report_of(
        "straight_leg_raise",
        rest,
        replace(rest, left_hip=120),
        side=side,
        anchor="hips",
        stature_cm=180,
    )
    # The heel turns about the hip: 53 % of stature along the leg, 3.5 % behind it.
    along, behind = (LEG + 0.039), 0.035
    rise = along * np.sin(np.radians(30)) + behind * (1 - np.cos(np.radians(30)))
    values = values_of(report)
    assert values["leg_elevation_peak_cm"] == pytest.approx(180 * rise, abs=1.5)
    assert values["leg_elevation_peak_deg"] == pytest.approx(30, abs=1)


# -- the front view

FRONT_REST = ONE_LEG
VALGUS = replace(ONE_LEG_SQUAT, trunk_left=0, left_hip_lower=0)
VARUS = replace(VALGUS, left_out=8, left_shank_out=-4)


@each_side
@front_and_back
@pytest.mark.parametrize(("turn", "fppa"), [(VALGUS, 13), (VARUS, -12)], ids=["valgus", "varus"])
def test_valgus_is_positive_and_varus_negative(side, azimuth_deg, turn, fppa):
    report = report_of("single_leg_squat", FRONT_REST, turn, side=side, azimuth_deg=azimuth_deg)
    values = values_of(report)
    assert values["fppa_at_turn_deg"] == pytest.approx(fppa, abs=1)
    if fppa > 0:
        assert values["fppa_change_deg"] == pytest.approx(fppa, abs=1)
    else:  # nothing went inward: the largest is where the repetition begins
        assert -3 < values["fppa_change_deg"] <= 0.1


@each_side
@front_and_back
@pytest.mark.parametrize("drop_deg", [7, -7], ids=["drops", "opens"])
@pytest.mark.parametrize("exercise", ["step_down", "single_leg_squat"])
def test_a_pelvis_that_drops_is_positive_and_one_that_opens_negative(
    side, azimuth_deg, drop_deg, exercise
):
    turn = replace(VALGUS, left_hip_lower=-drop_deg)  # the left leg stands, so right drops
    report = report_of(exercise, FRONT_REST, turn, side=side, azimuth_deg=azimuth_deg)
    values = values_of(report)
    assert values["pelvic_obliquity_peak_deg"] == pytest.approx(drop_deg, abs=1)
    codes = {r.code for rep in report.repetitions for r in rep.remarks}
    expected = "pelvis_drops" if drop_deg > 0 else "pelvis_opens"
    assert ("pelvis_drops" in codes, "pelvis_opens" in codes) in (
        (expected == "pelvis_drops", expected == "pelvis_opens"),
        (False, False),  # 7 deg with its interval may be too close to 5
    )


@front_and_back
def test_pelvic_obliquity_is_relative_to_standing(azimuth_deg):
    rest = replace(FRONT_REST, left_hip_lower=4)
    turn = replace(VALGUS, left_hip_lower=-6)
    report = report_of("single_leg_squat", rest, turn, azimuth_deg=azimuth_deg)
    assert values_of(report)["pelvic_obliquity_peak_deg"] == pytest.approx(10, abs=1)


@front_and_back
def test_on_two_legs_obliquity_and_shift_are_positive_toward_the_patients_left(azimuth_deg):
    turn = replace(SQUAT, left_hip_lower=6, **one("left", out=8), **one("right", out=-8))
    report = report_of("squat", STANDING, turn, azimuth_deg=azimuth_deg, given=None)
    values = values_of(report)
    assert values["pelvic_obliquity_peak_deg"] == pytest.approx(6, abs=1)
    # Both ankles stand outward to the left of the hips, so the pelvis is shifted to the right.
    assert values["pelvis_shift_share"] < -0.2
    other = report_of("squat", STANDING, mirrored(turn), azimuth_deg=azimuth_deg, given=None)
    assert values_of(other)["pelvic_obliquity_peak_deg"] == pytest.approx(-6, abs=1)
    assert values_of(other)["pelvis_shift_share"] == pytest.approx(
        -values["pelvis_shift_share"], abs=0.02
    )


@front_and_back
def test_knees_that_come_together_lower_the_separation_ratio(azimuth_deg):
    turn = replace(SQUAT, **both(out=-10, shank_out=6))
    report = report_of("squat", STANDING, turn, azimuth_deg=azimuth_deg, given=None)
    assert values_of(report)["knee_separation_ratio_least"] < 0.95
    apart = report_of("squat", STANDING, SQUAT, azimuth_deg=azimuth_deg, given=None)
    assert values_of(apart)["knee_separation_ratio_least"] == pytest.approx(1, abs=0.02)


@each_side
@front_and_back
def test_trunk_lean_is_positive_toward_the_working_side(side, azimuth_deg):
    for lean in (9, -9):
        turn = replace(VALGUS, trunk_left=lean)
        report = report_of("step_down", FRONT_REST, turn, side=side, azimuth_deg=azimuth_deg)
        values = values_of(report)
        assert values["trunk_lateral_inclination_peak_deg"] == pytest.approx(lean, abs=1)


@each_side
@front_and_back
def test_a_stance_leg_nobody_named_is_told_from_the_feet(side, azimuth_deg):
    turn = replace(VALGUS, right_hip=25, right_knee=100)
    report = report_of(
        "single_leg_squat", FRONT_REST, turn, side=side, azimuth_deg=azimuth_deg, given=None
    )
    assert report.side == side
    assert report.side_was_chosen
    assert values_of(report)["fppa_at_turn_deg"] == pytest.approx(13, abs=1)


@each_side
@front_and_back
@pytest.mark.parametrize("exercise", ["step_down", "step_up"])
def test_the_leg_on_the_step_is_told_from_the_feet(side, azimuth_deg, exercise):
    down = Posture(trunk=5, **one("left", hip=38, knee=62), **one("right", hip=5, knee=5))
    rest, turn = (STANDING, down) if exercise == "step_down" else (down, STANDING)
    report = report_of(exercise, rest, turn, side=side, azimuth_deg=azimuth_deg, given=None)
    assert report.side == side
    assert {r.repetition.side for r in report.repetitions} == {side}


@each_side
@front_and_back
def test_the_front_leg_of_a_split_squat_is_told_from_the_front(side, azimuth_deg):
    turn = replace(FRONT_LUNGE, left_out=-8, left_shank_out=5)
    report = report_of(
        "split_squat", SPLIT_STANCE, turn, side=side, azimuth_deg=azimuth_deg, given=None
    )
    assert report.side == side
    for r in report.repetitions:
        refused = {v.key: v.code for v in r.measures if isinstance(v, NotMeasurable)}
        # Before: a number. In four repetitions with truth, the camera 9 deg off the front, it was
        # 10 to 29 deg wrong: the leg in front slants toward the camera.
        for key in ("fppa_at_turn_deg", "fppa_peak_deg", "fppa_change_deg"):
            assert refused[key] == "leg_ahead_of_hips"


@pytest.mark.parametrize(
    ("exercise", "rest"),
    [
        ("sit_to_stand", SITTING),
        (
            "step_up",
            Posture(trunk=5, **one("left", hip=38, knee=62), **one("right", hip=5, knee=5)),
        ),
    ],
)
def test_a_change_from_a_bent_knee_is_not_read_from_the_front(exercise, rest):
    # Before: a number, 7 to 13 deg wrong in four repetitions with truth.
    report = report_of(exercise, rest, STANDING, azimuth_deg=0, given="left")
    assert report.repetitions
    for r in report.repetitions:
        by_key = {v.key: v for v in r.measures}
        assert by_key["fppa_change_deg"].code == "bent_at_rest"
        assert isinstance(by_key["fppa_at_turn_deg"], Measured)


@each_side
def test_the_top_leg_of_side_lying_is_told_from_the_hips(side):
    report = report_of(
        "hip_abduction_side_lying",
        ON_THE_SIDE,
        replace(ON_THE_SIDE, left_out=30),
        side=side,
        azimuth_deg=0,
        anchor="hips",
        roll_deg=90,
        given=None,
        n=3,
    )
    assert report.side == side
    assert "side_assumed" not in {f.code for f in report.findings}
    assert report.whole.n_complete == 3
    assert values_of(report)["leg_elevation_peak_deg"] == pytest.approx(30, abs=1)


def test_a_leg_that_the_feet_do_not_tell_is_said_to_be_assumed():
    report = report_of("single_leg_squat", STANDING, SQUAT, azimuth_deg=0, given=None)
    assert "side_assumed" in {f.code for f in report.findings}
    report = report_of("single_leg_squat", STANDING, SQUAT, azimuth_deg=0)
    assert "side_assumed" not in {f.code for f in report.findings}


HINGE = Posture(trunk=70, **one("left", hip=4, knee=15), **one("right", hip=-70, foot=None))
STEPPED_DOWN = Posture(trunk=5, **one("left", hip=38, knee=62), **one("right", hip=5, knee=5))
BENCH_STANCE = replace(SPLIT_STANCE, right_hip=-25, right_knee=75)
BENCH_SQUAT = replace(LUNGE, right_hip=-20, right_knee=110)
ONE_LEG_WORKS = {
    "split_squat": (SPLIT_STANCE, LUNGE, "knee_flexion_peak_deg"),
    "rear_foot_elevated_split_squat": (BENCH_STANCE, BENCH_SQUAT, "thigh_inclination_deg"),
    "single_leg_deadlift": (ONE_LEG, HINGE, "trunk_swing_leg_line_deg"),
    "single_leg_squat": (ONE_LEG, VALGUS, "knee_flexion_peak_deg"),
    "step_down": (STANDING, STEPPED_DOWN, "knee_flexion_peak_deg"),
}
each_of_one_leg = pytest.mark.parametrize("exercise", ONE_LEG_WORKS)


@each_of_one_leg
@pytest.mark.parametrize(
    ("given", "asked"),
    [
        ("right", "the right one was asked for"),
        (None, "no side was given"),
        ("both", "both legs were asked for"),
    ],
)
def test_the_far_leg_at_work_is_told_and_the_near_one_is_not_measured_for_it(
    exercise, given, asked
):
    rest, turn, key = ONE_LEG_WORKS[exercise]
    # The left leg works, the camera stands at the right.
    report = report_of(exercise, rest, turn, azimuth_deg=-90, given=given)
    finding = next(f for f in report.findings if f.code == "wrong_leg")
    assert "feet show that the left leg works" in told(finding, report)
    assert asked in told(finding, report)
    assert "mirrored" in told(finding, report)
    assert "side_assumed" not in {f.code for f in report.findings}
    assert not report.is_usable
    assert len(report.repetitions) == 2
    for found in report.repetitions:
        value = next(v for v in found.measures if v.key == key)
        assert isinstance(value, NotMeasurable)
        assert "left leg is turned away" in why(value)
        assert found.remarks == ()


@each_side
@each_of_one_leg
def test_the_near_leg_at_work_is_measured_whether_it_was_named_or_not(exercise, side):
    rest, turn, key = ONE_LEG_WORKS[exercise]
    for given in ("same", None):
        report = report_of(exercise, rest, turn, side=side, given=given)
        assert "wrong_leg" not in {f.code for f in report.findings}
        assert report.is_usable
        assert key in values_of(report)


def test_a_foot_that_was_not_seen_to_come_back_accuses_nobody():
    feet = np.zeros((30, N_LANDMARKS, 2))
    feet[10:20, LANDMARK["left", "ankle"], 0] = 50
    track, view = SimpleNamespace(image_px=feet), SimpleNamespace(person_height_px=400)
    attempt = Attempt(
        start=0,
        turn_from=12,
        turn_to=14,
        end=25,
        rest_before=0.0,
        rest_after=0.0,
        extreme=1.0,
        is_complete=True,
    )
    for hidden_at, found in ((5, "right"), (0, None), (25, None)):
        is_hidden = np.arange(30) == hidden_at
        assert clearly_working_side([attempt], track, view, "stance", is_hidden) == found


@each_of_one_leg
def test_legs_under_each_others_names_for_a_while_accuse_nobody(exercise):
    """A bundle that takes the far foot for the near one at every turn moves both feet alike."""
    rest, turn, _ = ONE_LEG_WORKS[exercise]
    raw = film(repeated(rest, [turn] * 2), Camera(azimuth_deg=90))
    legs = [LANDMARK[s, j] for j in LEG_JOINTS for s in SIDES]
    exchanged = [LANDMARK[s, j] for j in LEG_JOINTS for s in reversed(SIDES)]
    swapped = np.zeros(len(raw.time_s), bool)
    for turn_s in (2.7, 6.9):
        swapped |= np.abs(raw.time_s - turn_s) < 0.45
    points = {}
    for name in ("image_px", "world_m", "visibility"):
        values = getattr(raw, name).copy()
        values[np.ix_(swapped, [0], legs)] = values[np.ix_(swapped, [0], exchanged)]
        points[name] = values
    report = assess(
        replace(raw, **points),
        Request(clip=Path("x"), exercise=load_exercise(exercise), side="left"),
    ).report
    assert "wrong_leg" not in {f.code for f in report.findings}


@pytest.mark.parametrize("azimuth_deg", [172, 178, 180, -178, -172, 90, 0])
def test_the_azimuth_is_written_within_180_deg_behind_the_person_too(azimuth_deg):
    report = report_of("squat", STANDING, SQUAT, azimuth_deg=azimuth_deg, given=None)
    written = report_mapping(report)["view"]["azimuth_deg"]
    half_deg = (report.view.azimuth_high_deg - report.view.azimuth_low_deg) / 2
    for end, off_deg in (("value", 0.0), ("low", -half_deg), ("high", half_deg)):
        assert -180 < written[end] <= 180
        apart = (written[end] - (azimuth_deg + off_deg) + 180) % 360 - 180
        assert apart == pytest.approx(0, abs=0.5), end


# -- mirrored, tilted, near, oblique


@pytest.mark.parametrize(
    ("exercise", "rest", "turn", "azimuth_deg", "anchor"),
    [
        ("squat", STANDING, SQUAT, 90, "left_ankle"),
        ("forward_lunge", STANDING, LUNGE, 90, "right_toe"),
        ("single_leg_squat", FRONT_REST, ONE_LEG_SQUAT, 0, "left_ankle"),
        ("step_down", FRONT_REST, ONE_LEG_SQUAT, 180, "left_ankle"),
    ],
    ids=["squat", "lunge", "front", "back"],
)
def test_a_mirrored_recording_gives_the_same_answers_when_it_is_said(
    exercise, rest, turn, azimuth_deg, anchor
):
    plain = report_of(exercise, rest, turn, azimuth_deg=azimuth_deg, anchor=anchor)
    mirror = report_of(
        exercise, rest, turn, azimuth_deg=azimuth_deg, anchor=anchor, is_mirrored=True
    )
    assert mirror.side == plain.side
    assert mirror.view.near_side == plain.view.near_side
    assert mirror.clip.is_mirrored
    assert values_of(mirror) == pytest.approx(values_of(plain), abs=0.01)


def test_a_mirrored_recording_that_is_not_said_takes_the_other_leg_for_near():
    movement = repeated(STANDING, [SQUAT] * 2)
    raw = film(movement, Camera(is_mirrored=True))
    unsaid = replace(raw, clip=replace(raw.clip, is_mirrored=False))
    report = assess(
        unsaid, Request(clip=Path("x"), exercise=load_exercise("squat"), side="left")
    ).report
    finding = next(f for f in report.findings if f.code == "wrong_side")
    assert "mirrored" in told(finding, report)


@each_side
def test_knee_flexion_is_the_same_in_a_tilted_picture(side):
    values = values_of(report_of("squat", STANDING, SQUAT, side=side, roll_deg=0.0))
    report = report_of("squat", STANDING, SQUAT, side=side)
    tilted = film(
        repeated(
            *(
                (STANDING, [SQUAT] * 2)
                if side == "left"
                else (mirrored(STANDING), [mirrored(SQUAT)] * 2)
            )
        ),
        Camera(azimuth_deg=90 if side == "left" else -90, roll_deg=6),
    )
    turned = assess(
        tilted, Request(clip=Path("x"), exercise=load_exercise("squat"), side=side)
    ).report
    assert values_of(turned)["knee_flexion_peak_deg"] == pytest.approx(
        values["knee_flexion_peak_deg"], abs=1
    )
    assert report.whole.n_complete == turned.whole.n_complete


@each_side
@pytest.mark.parametrize("distance", [1.5, 2.5])
def test_a_near_camera_moves_angles_by_little(side, distance):
    report = report_of("squat", STANDING, SQUAT, side=side, distance=distance)
    for found in report.repetitions:
        for value in found.measures:
            if isinstance(value, Measured) and value.key in (
                "knee_flexion_peak_deg",
                "thigh_inclination_deg",
                "trunk_inclination_deg",
            ):
                truth = {
                    "knee_flexion_peak_deg": 105,
                    "thigh_inclination_deg": 5,
                    "trunk_inclination_deg": 35,
                }[value.key]
                assert value.low <= truth <= value.high, value.key


@each_side
@pytest.mark.parametrize("off_deg", [-30, -15, 15, 30])
def test_off_the_side_the_interval_is_wider_and_holds_the_truth(side, off_deg):
    square = report_of("squat", STANDING, SQUAT, side=side)
    off = report_of("squat", STANDING, SQUAT, side=side, azimuth_deg=90 + off_deg)
    truth = {
        "knee_flexion_peak_deg": 105,
        "thigh_inclination_deg": 5,
        "shank_inclination_deg": 20,
        "trunk_inclination_deg": 35,
    }
    for a, b in zip(square.repetitions, off.repetitions, strict=True):
        straight, oblique = ({v.key: v for v in r.measures} for r in (a, b))
        for key, true in truth.items():
            assert oblique[key].low <= true <= oblique[key].high, key
            if abs(off_deg) == 30:
                width = oblique[key].high - oblique[key].low
                assert width > straight[key].high - straight[key].low, key


@each_side
def test_a_lying_person_seen_from_toward_the_feet_is_not_measured_as_from_the_side(side):
    """The body is foreshortened along its length, as a standing one is across it."""
    square = report_of("bridge", HOOK_LYING, BRIDGE, side=side, anchor="left_shoulder", stay_s=2)
    assert square.view.plane == "sagittal"
    some = report_of(
        "bridge", HOOK_LYING, BRIDGE, side=side, anchor="left_shoulder", stay_s=2, azimuth_deg=65
    )
    for found in some.repetitions:
        value = next(v for v in found.measures if v.key == "trunk_thigh_deg")
        assert value.low <= 0 <= value.high
    far = report_of(
        "bridge", HOOK_LYING, BRIDGE, side=side, anchor="left_shoulder", stay_s=2, azimuth_deg=40
    )
    assert far.view.plane == "oblique"
    for found in far.repetitions:
        value = next(v for v in found.measures if v.key == "trunk_thigh_deg")
        assert isinstance(value, NotMeasurable)


@each_side
@pytest.mark.parametrize("rate_hz", [12, 15, 30, 60])
def test_frame_rate_leaves_the_answers_alone(side, rate_hz):
    values = values_of(report_of("squat", STANDING, SQUAT, side=side, rate_hz=rate_hz))
    assert values["knee_flexion_peak_deg"] == pytest.approx(105, abs=1)
    assert values["thigh_inclination_deg"] == pytest.approx(5, abs=1)


@each_side
def test_jitter_of_a_few_pixels_widens_the_interval_and_keeps_the_count(side):
    steady = report_of("squat", STANDING, SQUAT, side=side, n=4)
    shaky = report_of("squat", STANDING, SQUAT, side=side, n=4, noise_px=3.0, seed=7)
    assert shaky.whole.n_complete == steady.whole.n_complete == 4
    key = "thigh_inclination_deg"
    own = []  # what the clip's repetitions share is not the jitter's
    for report in (steady, shaky):
        value = next(v for v in report.repetitions[0].measures if v.key == key)
        assert value.low <= 5 <= value.high
        own.append(combined(value.parts, "own"))
    assert own[1] > 1.3 * own[0]


def test_a_tilted_camera_is_found_and_widens_angles_to_the_floor():
    movement = repeated(Posture(), [Posture(trunk=30, **both(hip=60, knee=80))] * 2)
    squat = load_exercise("squat")
    widths = {}
    for roll in (0.0, 9.0):
        raw = film(movement, Camera(azimuth_deg=90, roll_deg=roll))
        report = assess(raw, Request(clip="made_up.mp4", exercise=squat)).report
        found = "camera_tilted" in {f.code for f in report.findings}
        assert found == (roll > 0)
        thigh = next(v for v in report.repetitions[0].measures if v.key == "thigh_inclination_deg")
        widths[roll] = thigh.high - thigh.low
        assert thigh.low <= 30 <= thigh.high
    assert widths[9.0] > widths[0.0] + 4


@pytest.mark.parametrize("roll_deg", [0.0, 8.0, -8.0])
def test_a_near_camera_that_sees_the_far_foot_higher_still_tells_its_tilt(roll_deg):
    # (A tenth of the height from ankles to shoulders.)
    track = clean(film(repeated(Posture(), [Posture()]), Camera(azimuth_deg=90)))
    image = track.image_px.copy()
    for joint in LEG_JOINTS[1:]:
        image[:, LANDMARK["right", joint], 1] -= 0.08 * np.ptp(image[0, :, 1])
    turn = np.radians(roll_deg)
    middle = image[0].mean(axis=0)
    turned = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    track = replace(track, image_px=(image - middle) @ turned + middle)
    found = standing_tilt_deg(track, stretch_view(track, MotionSettings()))
    assert found == pytest.approx(roll_deg, abs=1.0)


@pytest.mark.parametrize("roll_deg", [0.0, -8.0])
def test_a_person_on_one_leg_tilts_no_camera_and_hides_none(roll_deg):
    # Before: the middle of a foot that stands and one held behind lay 5 to 7 deg off the body.
    two, one_leg = Posture(), Posture(**one("left", hip=0), **one("right", hip=-10, knee=70))
    held = Movement(
        keys=(
            Key(posture=two, move_s=0, stay_s=2),
            Key(posture=one_leg, move_s=1, stay_s=12),
            Key(posture=two, move_s=1, stay_s=2),
        )
    )
    raw = film(held, Camera(azimuth_deg=90, roll_deg=roll_deg))
    track = clean(raw)
    found = standing_tilt_deg(track, stretch_view(track, MotionSettings()))
    assert found == pytest.approx(roll_deg, abs=1.0)


def test_who_sits_upright_for_most_of_a_clip_tilts_no_camera():
    # Before: a chair rise told as a squat had its camera tilted by 16 deg, and thighs to +-20.
    seat = Posture(trunk=-5, **both(hip=52, knee=60))
    sitting = Movement(
        keys=(
            Key(posture=seat, move_s=0, stay_s=6),
            Key(posture=Posture(), move_s=1, stay_s=1.5),
            Key(posture=seat, move_s=1, stay_s=6),
        )
    )
    track = clean(film(sitting, Camera(azimuth_deg=90)))
    found = standing_tilt_deg(track, stretch_view(track, MotionSettings()))
    assert found == pytest.approx(0, abs=2.0)


def test_nobody_who_never_stands_on_two_feet_side_by_side_tells_of_the_camera():
    for rest in (
        Posture(**one("left", hip=0), **one("right", hip=-10, knee=70)),
        Posture(**one("left", hip=25, knee=5), **one("right", hip=-25, knee=5)),
    ):
        track = clean(film(repeated(rest, [rest]), Camera(azimuth_deg=90)))
        assert np.isnan(standing_tilt_deg(track, stretch_view(track, MotionSettings())))


def test_both_legs_asked_for_and_one_found_is_told():
    raw = film(repeated(STANDING, [LUNGE] * 2), Camera(azimuth_deg=90), anchor="right_toe")

    def found(side):
        request = Request(clip=Path("x"), exercise=load_exercise("forward_lunge"), side=side)
        report = assess(raw, request).report
        return {f.code: told(f, report) for f in report.findings}

    assert "only repetitions of the left one" in found("both")["one_leg_only"]
    assert "one_leg_only" not in found("left")
