"""Movements that drive the knee as far as a squat does and are none."""

from dataclasses import replace

import numpy as np
import pytest
from exercise_cases import CASES
from skeleton import LEG, Camera, Key, Movement, Posture, body_points, both, film, joined, repeated
from told import told

from formcheck.files.exercises import load_exercise
from formcheck.model.anatomy import LANDMARK
from formcheck.model.request import Request
from formcheck.run.pipeline import assess

STANDING = Posture()
SQUAT = Posture(trunk=35, **both(hip=75, knee=95))
SEATED = Posture(trunk=5, **both(hip=88, knee=88))
BENT = Posture(trunk=80, **both(hip=10, knee=28))


def squats(movement, **camera):
    raw = film(movement, Camera(azimuth_deg=90, **camera))
    report = assess(raw, Request(clip="made_up.mp4", exercise=load_exercise("squat"))).report
    return report, [f for f in report.findings if f.code == "other_movement"]


def with_other(other: Posture, up: float = 0.0) -> Movement:
    """Two squats, the other movement, and a third squat."""
    first = repeated(STANDING, [SQUAT, SQUAT])
    keys = [*first.keys, Key(posture=other, move_s=1.2, stay_s=0.8)]
    keys += [Key(posture=STANDING, move_s=1.2, stay_s=1.0), *repeated(STANDING, [SQUAT]).keys[1:]]
    return Movement(keys=tuple(keys))


def test_three_squats_are_three_repetitions_and_nothing_else():
    report, other = squats(repeated(STANDING, [SQUAT] * 3))
    assert report.whole.n_complete == 3
    assert other == []


@pytest.mark.parametrize(
    ("posture", "words"), [(SEATED, "sitting down"), (BENT, "a bend")], ids=["seat", "bend"]
)
def test_sitting_down_and_bending_are_not_counted(posture, words):
    report, other = squats(with_other(posture))
    assert report.whole.n_complete == 3
    assert [words in told(f, report) for f in other] == [True]
    # A rest and two squats with their rests take 9.6 s; the movement comes next.
    assert 9.4 < other[0].from_s < 10.2


def test_a_jump_is_not_counted():
    dip = Posture(trunk=20, **both(hip=40, knee=50))
    air = Posture(up=0.15)
    first = repeated(STANDING, [SQUAT, SQUAT])
    keys = (
        *first.keys,
        Key(posture=dip, move_s=0.5, stay_s=0.05),
        Key(posture=air, move_s=0.3, stay_s=0.05),
        Key(posture=dip, move_s=0.3, stay_s=0.05),
        Key(posture=STANDING, move_s=0.6, stay_s=1.2),
    )
    report, other = squats(Movement(keys=keys), rate_hz=30)
    assert report.whole.n_complete == 2
    assert any("jump" in told(f, report) for f in other)


def test_a_deep_upright_squat_over_the_feet_is_still_a_squat():
    upright = Posture(trunk=20, **both(hip=78, knee=110))
    report, other = squats(repeated(STANDING, [upright] * 2))
    assert report.whole.n_complete == 2
    assert other == []


@pytest.mark.parametrize("azimuth_deg", [90, 0], ids=["side", "front"])
@pytest.mark.parametrize("tempo_s", [(1, 2, 1), (2, 5, 2), (3, 5, 3)], ids=str)
def test_a_long_pause_at_the_bottom_makes_no_jump_of_standing_up(tempo_s, azimuth_deg):
    down_s, pause_s, up_s = tempo_s
    movement = repeated(
        STANDING, [SQUAT] * 5, rest_s=0.1, there_s=down_s, stay_s=pause_s, back_s=up_s
    )
    raw = film(movement, Camera(azimuth_deg=azimuth_deg))
    report = assess(raw, Request(clip="made_up.mp4", exercise=load_exercise("squat"))).report
    assert [f for f in report.findings if f.code == "other_movement"] == []
    assert report.whole.n_repetitions == 5


def movements_of(exercise, movement, camera, side=None):
    raw = film(movement, camera)
    request = Request(clip="made_up.mp4", exercise=load_exercise(exercise), side=side)
    report = assess(raw, request).report
    return report, [f for f in report.findings if f.code == "other_movement"]


def standing_as_wide_as(turn: Posture) -> Posture:
    """Standing with the feet as far apart as at the turn: they do not slide."""
    points = body_points(Movement(keys=(Key(posture=turn, move_s=0, stay_s=1),)).numbers(ZERO))
    ankles = points[0, [LANDMARK["left", "ankle"], LANDMARK["right", "ankle"], 23, 24], 1]
    half = (ankles[0] - ankles[1] - ankles[2] + ankles[3]) / 2
    out_deg = float(np.degrees(np.arcsin(half / LEG)))
    return Posture(**both(out=out_deg, toe_out=turn.left_toe_out))


ZERO = np.zeros(1)


@pytest.mark.parametrize("azimuth_deg", [65, 90, 120, 130])
@pytest.mark.parametrize("out_deg", [0, 30, 45])
def test_deep_squats_with_the_feet_turned_out_are_no_jumps(azimuth_deg, out_deg):
    # A thigh that points toward the camera stands beyond the shank in the picture: more than
    # 180 deg, which read as -180, so that the bottom was taken for rest and standing for a jump.
    deep = Posture(
        trunk=20, **both(hip=130, knee=160, out=out_deg, shank_out=-out_deg / 2, toe_out=out_deg)
    )
    movement = repeated(standing_as_wide_as(deep), [deep] * 5, rest_s=0.5)
    report, other = movements_of("squat", movement, Camera(azimuth_deg=azimuth_deg, distance=1.6))
    assert other == []
    assert report.whole.n_complete == 5


def test_tiptoes_at_the_top_of_a_squat_are_no_jump():
    # Hips and ankles rise as in a jump; the toes stay on the floor.
    tiptoe = Posture(**both(foot=-60))
    first = repeated(STANDING, [SQUAT, SQUAT])
    keys = [*first.keys, Key(posture=tiptoe, move_s=0.6, stay_s=0.3)]
    keys += [Key(posture=STANDING, move_s=0.6, stay_s=0.3), *repeated(STANDING, [SQUAT]).keys[1:]]
    raw = film(Movement(keys=tuple(keys)), Camera(azimuth_deg=90), anchor="left_toe")
    report = assess(raw, Request(clip="made_up.mp4", exercise=load_exercise("squat"))).report
    assert [told(f, report) for f in report.findings if f.code == "other_movement"] == []
    assert report.whole.n_complete == 3


@pytest.mark.parametrize("azimuth_deg", [90, -90], ids=["near leg steps", "other camera"])
def test_a_step_off_the_spot_is_not_counted(azimuth_deg):
    # The left foot, which the figure stands on, goes half a leg length ahead with a bent knee.
    swing = Posture(
        ahead=0.15, up=0.03, **both(hip=10, knee=20) | {"left_hip": 30, "left_knee": 50}
    )
    away = Posture(ahead=0.3)
    first = repeated(STANDING, [SQUAT] * 3)
    keys = [*first.keys, Key(posture=swing, move_s=0.4, stay_s=0.0)]
    keys += [Key(posture=away, move_s=0.4, stay_s=1.5)]
    report, _ = movements_of("squat", Movement(keys=tuple(keys)), Camera(azimuth_deg=azimuth_deg))
    assert report.whole.n_complete == report.whole.n_repetitions == 3


def test_picking_up_a_weight_is_not_counted():
    # As deep as the squats, with the hands at the floor and the trunk further forward.
    held = {"left_arm": 110.0, "right_arm": 110.0}
    squat = Posture(trunk=35, **both(hip=75, knee=95), **held)
    pick = Posture(trunk=68, **both(hip=68, knee=92), left_arm=68.0, right_arm=68.0)
    first = repeated(STANDING, [pick, squat, squat, squat])
    report, other = movements_of("squat", first, Camera(azimuth_deg=90))
    assert ["picking something up" in told(f, report) for f in other] == [True]
    assert report.whole.n_complete == 3


def test_a_deeper_squat_whose_hanging_hands_come_down_with_it_picks_nothing_up():
    arms = {"left_arm": 45.0, "right_arm": 45.0}
    squat = Posture(trunk=45, **both(hip=75, knee=95), **arms)
    deeper = Posture(trunk=60, **both(hip=115, knee=135), **arms)
    movement = repeated(STANDING, [squat, deeper, squat, squat])
    report, other = movements_of("squat", movement, Camera(azimuth_deg=90))
    assert other == []
    assert report.whole.n_complete == 4


def test_hands_that_were_not_seen_in_the_others_make_no_picking_up():
    held = {"left_arm": 110.0, "right_arm": 110.0}
    squat = Posture(trunk=35, **both(hip=75, knee=95), **held)
    low = Posture(trunk=68, **both(hip=68, knee=92), left_arm=68.0, right_arm=68.0)
    raw = film(repeated(STANDING, [low, squat, squat, squat]), Camera(azimuth_deg=90))
    seen = raw.visibility.copy()
    wrists = [LANDMARK[side, "wrist"] for side in ("left", "right")]
    seen[np.ix_(raw.time_s > raw.time_s[-1] / 4, [0], wrists)] = 0.02
    report = assess(
        replace(raw, visibility=seen), Request(clip="made_up.mp4", exercise=load_exercise("squat"))
    ).report
    assert [f for f in report.findings if f.code == "other_movement"] == []
    assert report.whole.n_complete == 4


DEEP = Posture(trunk=55, **both(hip=115, knee=130))


def moved_at_turns(move) -> tuple:
    """(report, other movements) of three deep squats from the side. move : changes the image
    (m, 33, 2) of the samples in which the second one is low."""
    raw = film(repeated(STANDING, [DEEP] * 3, stay_s=0.6), Camera(azimuth_deg=90))
    image = raw.image_px.copy()
    hip_y = image[:, 0, LANDMARK["left", "hip"], 1]
    third = len(hip_y) // 3
    at = np.arange(len(hip_y)) // third == 1
    at &= hip_y > hip_y.min() + 0.5 * np.ptp(hip_y)
    image[at, 0] = move(image[at, 0])
    report = assess(
        replace(raw, image_px=image), Request(clip="made_up.mp4", exercise=load_exercise("squat"))
    ).report
    return report, [f for f in report.findings if f.code == "other_movement"]


def test_a_knee_that_is_astray_through_the_turn_makes_no_bend_of_a_deep_squat():
    def on_the_line(image):
        out = image.copy()
        for side in ("left", "right"):
            hip, ankle = (image[:, LANDMARK[side, j]] for j in ("hip", "ankle"))
            out[:, LANDMARK[side, "knee"]] = (hip + ankle) / 2
        return out

    report, other = moved_at_turns(on_the_line)
    assert other == []
    assert report.whole.n_complete == 3


def test_feet_that_seem_to_meet_are_no_step():
    def met(image):
        out = image.copy()
        near, far = (image[:, LANDMARK[side, "ankle"]] for side in ("left", "right"))
        leg_px = 2 * np.linalg.norm(image[:, LANDMARK["left", "knee"]] - near, axis=1)[:, None]
        out[:, LANDMARK["left", "ankle"]] = near + leg_px * [0.12, -0.08]
        out[:, LANDMARK["right", "ankle"]] = far - leg_px * [0.12, -0.08]
        return out

    report, other = moved_at_turns(met)
    assert other == []
    assert report.whole.n_complete == 3


def test_a_step_is_one_though_the_picture_moves_against_it():
    # One foot goes ahead by 0.4 leg lengths while the camera follows by 0.12.
    raw = film(repeated(STANDING, [SQUAT] * 3), Camera(azimuth_deg=90))
    image = raw.image_px.copy()
    leg_px = np.ptp(image[0, 0, [LANDMARK["left", "hip"], LANDMARK["left", "ankle"]], 1])
    third = len(image) // 3
    share = np.clip((np.arange(len(image)) - 1.3 * third) / (0.2 * third), 0, 1)[:, None]
    foot = [LANDMARK["left", j] for j in ("ankle", "heel", "toe")]
    image[:, 0, foot, 0] += 0.4 * leg_px * share
    image[:, 0, :, 0] -= 0.12 * leg_px * share
    report = assess(
        replace(raw, image_px=image), Request(clip="made_up.mp4", exercise=load_exercise("squat"))
    ).report
    assert report.whole.n_complete == 2


def test_squats_with_hanging_arms_are_squats():
    hanging = Posture(trunk=35, **both(hip=75, knee=95), left_arm=35.0, right_arm=35.0)
    rest = Posture(left_arm=0.0, right_arm=0.0)
    report, other = movements_of("squat", repeated(rest, [hanging] * 3), Camera(azimuth_deg=90))
    assert other == []
    assert report.whole.n_complete == 3


@pytest.mark.parametrize("side", ["left", "right", None])
def test_deadlifts_are_no_squats_whichever_leg_was_asked_for(side):
    hinge = Posture(trunk=85, **both(hip=20, knee=45))
    camera = Camera(azimuth_deg=90, hidden=(("right", ("knee", "ankle", "heel", "toe")),))
    report, other = movements_of("squat", repeated(STANDING, [hinge] * 3), camera, side=side)
    assert report.whole.n_complete == 0
    assert len(other) == 3


SITTING = Posture(**both(hip=88, knee=88))


def test_leaning_back_on_the_wall_before_the_first_slide_is_not_counted():
    bend = Posture(trunk=10, **both(hip=25, knee=32))
    leaning = Posture(trunk=-2, **both(hip=14, knee=8))
    keys = [Key(posture=STANDING, move_s=0, stay_s=1.0)]
    keys += [
        Key(posture=bend, move_s=0.8, stay_s=0.3),
        Key(posture=leaning, move_s=0.8, stay_s=1.5),
    ]
    for _ in range(2):
        keys += [Key(posture=SITTING, move_s=1.5, stay_s=6.0)]
        keys += [Key(posture=leaning, move_s=1.5, stay_s=1.5)]
    report, other = movements_of("wall_sit", Movement(keys=tuple(keys)), Camera(azimuth_deg=90))
    assert report.whole.n_repetitions == 2
    assert ["getting into place" in told(f, report) for f in other] == [True]


def test_a_last_hold_that_fails_half_way_down_is_still_a_hold():
    short = Posture(**both(hip=38, knee=38))
    movement = repeated(STANDING, [SITTING, SITTING, short], stay_s=5.0)
    report, other = movements_of("wall_sit", movement, Camera(azimuth_deg=90))
    assert report.whole.n_repetitions == 3
    assert other == []


@pytest.mark.parametrize("to_deg", [0, 30, 180])
def test_who_turns_round_between_extensions_does_none_meanwhile(to_deg):
    # A knee that rests bent reads straight from the front. Before: seven of six.
    case = next(c for c in CASES if c.exercise == "terminal_knee_extension")
    half = film(repeated(case.rest, [case.good] * 3, stay_s=case.stay_s), Camera(azimuth_deg=90))
    standing = Movement(keys=(Key(posture=case.rest, move_s=0, stay_s=0.4),))
    between = 90 + (to_deg - 90) / 2
    raw = half
    for azimuth_deg in (between, to_deg, to_deg, to_deg, between):
        raw = joined(raw, film(standing, Camera(azimuth_deg=azimuth_deg)))
    report = assess(
        joined(raw, half),
        Request(clip="made_up.mp4", exercise=load_exercise("terminal_knee_extension"), side="left"),
    ).report
    assert report.whole.n_complete == len(report.repetitions) == 6
    told = [dict(f.values) for f in report.findings if f.code == "other_movement"]
    assert told in ([], [{"looks_like": "turning_round"}])
