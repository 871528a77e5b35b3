"""Attempts about the least range of movement: equal ones are all counted."""

from dataclasses import replace

import numpy as np
import pytest
from exercise_cases import LUNGE
from skeleton import Camera, Key, Movement, Posture, both, film, mirrored, repeated

from formcheck.files.exercises import load_exercise
from formcheck.model.anatomy import LANDMARK
from formcheck.model.request import Request
from formcheck.motion.repetitions import RepetitionSettings, find_attempts
from formcheck.motion.track import low_pass
from formcheck.run.pipeline import assess


def assessed(exercise, movement, camera):
    return assess(
        film(movement, camera), Request(clip="made_up.mp4", exercise=load_exercise(exercise))
    ).report


def bumps(heights, grid_hz=30.0):
    """Equal raised cosines of these heights, 2 s each with 1 s of rest between."""
    one = (1 - np.cos(2 * np.pi * np.arange(60) / 60)) / 2
    pieces = [np.zeros(30)]
    for h in heights:
        pieces += [h * one, np.zeros(30)]
    return np.concatenate(pieces), grid_hz


@pytest.mark.parametrize("heights", [[21, 19, 22, 18.5, 20.5, 19.5], [25, 24, 16, 26]])
def test_equal_movements_about_the_least_range_are_all_counted(heights):
    values, hz = bumps(heights)
    assert len(find_attempts(values, hz, 20.0)) == len(heights)


@pytest.mark.parametrize("heights", [[90, 95, 12, 92], [60, 62, 19, 61], [24, 25, 8, 26]])
def test_a_shift_of_weight_beside_true_repetitions_is_not_counted(heights):
    values, hz = bumps(heights)
    assert len(find_attempts(values, hz, 20.0)) == len(heights) - 1


def test_small_movements_alone_are_not_counted():
    values, hz = bumps([15, 14, 16])
    assert find_attempts(values, hz, 20.0) == ()


def dipped(rest_level):
    """Three raises to 60 with dips to 0 just before and after each, and rests at a level."""
    up = 60 * (1 - np.cos(2 * np.pi * np.arange(90) / 90)) / 2
    rest = np.full(45, float(rest_level))
    dip = np.linspace(rest_level, 0, 6)
    piece = [rest, dip, up, dip[::-1]]
    return np.concatenate([*piece, *piece, *piece, rest]), 30.0


@pytest.mark.parametrize(("rest_level", "n_found"), [(12, 3), (15, 3), (25, 5)])
def test_a_rest_between_two_dips_is_no_repetition_unless_it_is_high(rest_level, n_found):
    # Before: a heel that is pressed down before each raise made a fifth repetition of four.
    values, hz = dipped(rest_level)
    assert len(find_attempts(values, hz, 10.0)) == n_found


def test_a_small_repetition_above_the_rest_is_one():
    values, hz = bumps([60, 58, 15, 61])
    assert len(find_attempts(values, hz, 10.0)) == 4


@pytest.mark.parametrize("heights", [(60, 60, 20), (60, 60, 60, 20), (60, 60, 60, 20, 18)])
def test_a_weak_hold_longer_than_the_rests_is_one(heights):
    pieces = [np.zeros(15)]
    for height in heights:
        up = height * (1 - np.cos(np.pi * np.arange(20) / 20)) / 2
        pieces += [up, np.full(300, float(height)), up[::-1], np.zeros(60)]
    values = np.concatenate([*pieces[:-1], np.zeros(15)])
    assert len(find_attempts(values, 30.0, 10.0, is_hold=True)) == len(heights)


def held(heights_deg, rests_deg, grid_hz=30.0):
    """Holds of 5 s at these heights over rests of 2 s at these levels, each reached in 0.6 s, and
    0.03 deg of noise; one rest more than holds."""
    levels = [rests_deg[0]]
    for height, rest in zip(heights_deg, rests_deg[1:], strict=True):
        levels += [height, rest]
    pieces = []
    for k, level in enumerate(levels):
        last = levels[k - 1] if k else level
        ramp = (1 - np.cos(np.pi * np.arange(18) / 18)) / 2
        pieces += [last + (level - last) * ramp, np.full(int(grid_hz * (5 if k % 2 else 2)), level)]
    x = np.concatenate(pieces)
    return x + np.random.default_rng(4).normal(0, 0.03, len(x)), grid_hz


def test_faint_equal_holds_clear_of_their_rests_are_counted_where_the_exercise_is_faint():
    values, hz = held([2.3, 2.2, 2.5], [0, 0.1, -0.1, 0])
    assert find_attempts(values, hz, 3.0, is_hold=True) == ()
    assert len(find_attempts(values, hz, 3.0, is_hold=True, is_faint=True)) == 3


@pytest.mark.parametrize(
    ("heights_deg", "rests_deg"),
    [
        ([2.3], [0, 0]),  # one alone is not alike to anything
        ([2.9, 2.7], [0, 1, 0]),  # its rests wander
        ([2.8, 1.55, 2.8], [0, 0, 0, 0]),  # unequal
        ([1.2, 1.3, 1.2], [0, 0, 0, 0]),  # under half the least range
    ],
)
def test_what_wanders_or_stands_alone_is_no_faint_hold(heights_deg, rests_deg):
    values, hz = held(heights_deg, rests_deg)
    assert find_attempts(values, hz, 3.0, is_hold=True, is_faint=True) == ()


def test_what_drifts_there_and_back_is_no_faint_hold():
    values, hz = bumps([2.4, 2.3, 2.5])
    if_not_held = RepetitionSettings(kept_share=0.0)
    how = {"is_hold": True, "is_faint": True}
    assert len(find_attempts(values, hz, 3.0, settings=if_not_held, **how)) == 3
    assert find_attempts(values, hz, 3.0, **how) == ()


@pytest.mark.parametrize(
    ("heights_deg", "n_found"), [([4, 8, 5, 7], 0), ([10, 20, 14], 3), ([4, 4.5, 4.2], 3)]
)
def test_small_unequal_movements_that_nobody_holds_are_landmarks_that_stray(heights_deg, n_found):
    # Before: five of them for four quad sets, over a reading that did not follow the knee.
    values, hz = bumps(heights_deg)
    found = find_attempts(values, hz, 3.0, is_hold=True, is_faint=True)
    assert len(found) == n_found
    assert len(find_attempts(values, hz, 3.0, is_hold=True)) == len(heights_deg)


def test_one_that_drifts_there_and_back_among_held_ones_tells_of_drift():
    values, hz = held([2.3, 2.2], [0, 0, 0])
    more, _ = bumps([2.3])
    found = find_attempts(np.concatenate([values, more]), hz, 3.0, is_hold=True, is_faint=True)
    assert found == ()


@pytest.mark.parametrize("drift_deg", [0.05, 0.08])
def test_ten_faint_holds_are_counted_over_rests_that_drift(drift_deg):
    values, hz = held([2.2] * 10, [0] * 11)
    drift = low_pass(np.random.default_rng(5).normal(0, 1, len(values)), hz, 0.2)
    values = values + drift * drift_deg / drift.std()
    assert len(find_attempts(values, hz, 3.0, is_hold=True, is_faint=True)) == 10


def test_a_true_hold_between_two_shifts_counts_alone():
    values, hz = held([1.7, 6, 1.7], [0, 0, 0, 0])
    found = find_attempts(values, hz, 3.0, is_hold=True, is_faint=True)
    assert [round(a.range) for a in found] == [6]


def test_two_holds_of_the_least_range_are_counted_as_they_are():
    values, hz = held([4, 2.4, 4.2], [0, 0, 0, 0])
    found = find_attempts(values, hz, 3.0, is_hold=True, is_faint=True)
    assert [a.range > 3 for a in found] == [True, True]


@pytest.mark.parametrize(
    ("lean_deg", "distance"), [(25, None), (28, None), (35, None), (35, 1.6), (45, 1.6)]
)
def test_hinges_from_the_front_are_all_counted(lean_deg, distance):
    hinge = Posture(trunk=lean_deg, left_hip=8, left_knee=14, right_hip=-lean_deg)
    rest = Posture(left_knee=8, left_hip=4, right_hip=-6, right_knee=12)
    report = assessed(
        "single_leg_deadlift", repeated(rest, [hinge] * 4), Camera(azimuth_deg=0, distance=distance)
    )
    assert report.whole.n_complete == 4


@pytest.mark.parametrize("knee_deg", [40, 45, 60])
def test_shallow_squats_from_the_front_are_all_counted(knee_deg):
    squat = Posture(trunk=15, **both(hip=knee_deg / 2, knee=knee_deg))
    report = assessed("squat", repeated(Posture(), [squat] * 5), Camera(azimuth_deg=0))
    assert report.whole.n_complete == 5


def test_shifting_weight_in_front_of_the_camera_is_no_squat():
    shift = Posture(trunk_left=4, **both(hip=6, knee=12))
    report = assessed("squat", repeated(Posture(), [shift] * 4), Camera(azimuth_deg=0))
    assert report.whole.n_repetitions == 0


@pytest.mark.parametrize("azimuth_deg", [0, 13, -13, 40])
def test_a_forward_step_whose_foot_leaves_the_picture_is_told_by_the_knee(azimuth_deg):
    forward = Posture(
        left_hip=70, left_knee=75, right_hip=-15, right_knee=75, right_foot=-50, trunk=5
    )
    raw = film(
        repeated(Posture(), [forward] * 2), Camera(azimuth_deg=azimuth_deg), anchor="right_toe"
    )
    seen = raw.visibility.copy()
    bent = raw.image_px[:, 0, LANDMARK["left", "ankle"], 1]
    away = np.abs(bent - bent[0]) > 10
    seen[np.ix_(away, [0], [LANDMARK["left", j] for j in ("ankle", "heel", "toe")])] = 0.05
    request = Request(
        clip="made_up.mp4", exercise=load_exercise("multidirectional_lunge"), side="left"
    )
    report = assess(replace(raw, visibility=seen), request).report
    assert [r.repetition.part for r in report.repetitions] == ["forward", "forward"]


def smaller_in(bends_deg, to_s=None):
    """(bends counted, times of the smaller movements) of squats to these knee angles."""
    bends = [Posture(trunk=15, **both(hip=k / 2, knee=k)) for k in bends_deg]
    raw = film(repeated(Posture(), bends), Camera(azimuth_deg=90), to_s=to_s)
    report = assess(raw, Request(clip="made_up.mp4", exercise=load_exercise("squat"))).report
    told = [f for f in report.findings if f.code == "smaller_movement"]
    return report.whole.n_complete, told


@pytest.mark.parametrize("last_deg", [15, 19])
def test_a_movement_just_under_the_least_is_told_and_not_counted(last_deg):
    n_counted, [told] = smaller_in([60, 60, last_deg])
    values = dict(told.values)
    assert n_counted == 2
    assert (values["least_range"], values["unit"]) == (20, "deg")
    assert values["range"] == pytest.approx(last_deg, abs=1)
    assert 9 < told.from_s < told.to_s < 13.5
    assert told.spoils == "nothing"


def test_a_movement_that_ends_higher_than_it_began_is_told_by_its_smaller_part():
    key = {k: Posture(trunk=15, **both(hip=k / 2, knee=k)) for k in (60, 21)}
    ends = Posture(**both(hip=2, knee=4))
    whole = repeated(Posture(), [key[60], key[60], key[21]])
    raw = film(Movement(keys=(*whole.keys[:-1], Key(posture=ends, move_s=1.2, stay_s=1.2))))
    report = assess(raw, Request(clip="made_up.mp4", exercise=load_exercise("squat"))).report
    [told] = [f for f in report.findings if f.code == "smaller_movement"]
    assert report.whole.n_complete == 2
    assert dict(told.values)["range"] == pytest.approx(17, abs=1)


@pytest.mark.parametrize(
    "bends_deg",
    [
        [60, 60, 12.5],  # a shift of weight
        [22, 22, 12.5, 22],
        [60, 60, 60],
        [21, 19, 22, 18.5, 20.5],  # under the least, and counted among their like
    ],
)
def test_a_shift_of_weight_and_what_is_counted_are_no_smaller_movement(bends_deg):
    n_counted, told = smaller_in(bends_deg)
    assert (n_counted, told) == (sum(k > 15 for k in bends_deg), [])


def test_only_movements_near_the_least_are_told_where_all_are_small():
    n_counted, told = smaller_in([21, 15, 15, 10.5])
    assert n_counted == 1
    assert [dict(f.values)["range"] for f in told] == pytest.approx([15, 15], abs=0.5)


def test_where_nothing_is_counted_that_alone_is_told():
    assert smaller_in([16, 17, 15]) == (0, [])


def test_a_small_movement_that_the_clip_cuts_is_not_told():
    n_counted, told = smaller_in([60, 60, 17], to_s=12.1)
    assert (n_counted, told) == (2, [])


def held_each(heights, stay_s=4.0, grid_hz=30.0):
    """Holds of these (height, seconds) with ramps of 0.6 s, 3 s apart; a time of 0 is a bump."""
    pieces = [np.zeros(60)]
    for height, stay in heights:
        ramp = height * (1 - np.cos(np.linspace(0, np.pi, 18))) / 2
        pieces += [ramp, np.full(int(stay * grid_hz), height), ramp[::-1], np.zeros(90)]
    return np.concatenate(pieces)


@pytest.mark.parametrize(
    ("heights", "n"),
    [
        # Before: two, of four that a patient held alike.
        ([(4.0, 4), (3.6, 4), (2.6, 4), (2.4, 4)], 4),
        ([(4.0, 4), (3.6, 4), (2.6, 0), (2.4, 4)], 3),  # one not held
        # Before: five, of three and two that the landmarks made.
        ([(10.0, 4), (3.5, 0), (10.0, 4), (3.5, 0), (10.0, 4)], 3),
        ([(10.0, 4), (3.5, 4), (10.0, 4)], 3),  # held, if faintly
    ],
)
def test_quad_sets_count_by_whether_they_are_held(heights, n):
    found = find_attempts(held_each(heights), 30.0, 3.0, is_hold=True, is_faint=True)
    assert len(found) == n


def test_a_quad_set_just_under_the_least_is_told_too():
    # Before: of quad sets alone nothing was told, and a count of two for three stood alone.
    rest, *held = (
        Posture(trunk=-8, **both(hip=90 + k / 2, knee=k, foot=None)) for k in (8, 0, 0, 5.4)
    )
    movement = repeated(rest, held, stay_s=4)
    report = assessed("quad_set", movement, Camera(azimuth_deg=90))
    [told] = [f for f in report.findings if f.code == "smaller_movement"]
    assert report.whole.n_complete == 2
    assert dict(told.values)["range"] == pytest.approx(2.6, abs=0.3)


@pytest.mark.parametrize(("shank_share", "n_told"), [(1.0, 1), (0.75, 0)])
def test_a_smaller_movement_of_a_leg_that_is_not_believed_is_not_told(shank_share, n_told):
    bends = [Posture(trunk=15, **both(hip=k / 2, knee=k)) for k in (60, 60, 17)]
    raw = film(repeated(Posture(), bends), Camera(azimuth_deg=90))
    image = np.array(raw.image_px)
    shrink = np.interp(raw.time_s, [9.8, 10.4, 11.8, 12.4], [0, 1, 1, 0])[:, None]
    knee, *foot = (image[:, 0, LANDMARK["left", j]] for j in ("knee", "ankle", "heel", "toe"))
    up = (1 - shank_share) * shrink * (knee - foot[0])
    for point in foot:
        point += up
    request = Request(clip="made_up.mp4", exercise=load_exercise("squat"), side="left")
    report = assess(replace(raw, image_px=image), request).report
    assert [f.code for f in report.findings].count("smaller_movement") == n_told


def test_a_small_step_in_a_set_of_squats_is_not_told_as_a_smaller_squat():
    bend = Posture(trunk=15, **both(hip=30, knee=60))
    raw = film(
        repeated(Posture(), [bend, bend, Posture().toward(LUNGE, 0.22)]), Camera(azimuth_deg=90)
    )
    request = Request(clip="made_up.mp4", exercise=load_exercise("squat"), side="left")
    report = assess(raw, request).report
    assert report.whole.n_complete == 2
    assert "smaller_movement" not in [f.code for f in report.findings]


def test_a_smaller_movement_of_the_leg_that_was_not_asked_for_is_not_told():
    turns = [LUNGE, mirrored(LUNGE), LUNGE, Posture().toward(mirrored(LUNGE), 0.3)]
    raw = film(repeated(Posture(), turns), Camera(azimuth_deg=0))
    request = Request(clip="made_up.mp4", exercise=load_exercise("reverse_lunge"), side="left")
    report = assess(raw, request).report
    assert report.whole.n_complete == 2
    assert [f.code for f in report.findings] == ["other_leg"]
