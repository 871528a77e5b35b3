"""Angles in the leg's own plane, and knees seen by a camera that is not straight ahead.

Truth by closed form: a leg of rigid segments in a plane of its own, seen through a lens.
"""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from exercise_cases import FRONT_SQUAT, ONE_LEG, SQUAT, STANDING
from hypothesis import assume, example, given
from hypothesis import strategies as st
from skeleton import Camera, Posture, both, film, one, repeated

from formcheck.files.exercises import load_exercise
from formcheck.model.anatomy import LANDMARK
from formcheck.model.records import NotMeasurable
from formcheck.model.request import Request
from formcheck.motion.azimuth import Cue, joined, longest_where
from formcheck.motion.camera import LEG_SHARE
from formcheck.motion.front_view import FrontView
from formcheck.motion.hip_descent import (
    by_size_share,
    from_ahead_share,
    from_beside_share,
    hip_height_standard_share,
)
from formcheck.motion.kinematics import fppa_deg, inclination_deg, knee_flexion_deg
from formcheck.motion.kinematics import thigh_inclination_deg as thigh_deg
from formcheck.motion.leg_plane import LegPlane, foot_yaw_deg, hip_at_length
from formcheck.motion.sight import Sight
from formcheck.run.pipeline import assess

FOCAL_PX, SIZE_PX = 800.0, (960, 720)
THIGH_M, SHANK_M = 0.43, 0.42


def sight_of(fall_deg: float, x_px: float = 480.0, **more) -> Sight:
    """A camera that sees a point 600 pixels down the picture `fall_deg` below the horizontal."""
    return Sight(
        centre_px=(SIZE_PX[0] / 2, SIZE_PX[1] / 2),
        focal_px=FOCAL_PX,
        focal_scale=0.15,
        body_x_px=x_px,
        body_y_px=600.0,
        fall_deg=fall_deg,
        fall_standard_deg=4.0,
        **more,
    )


def seen(points_m: np.ndarray, sight: Sight) -> np.ndarray:
    """Points in the room (right, down, away; metres from the camera) in the picture, pixels."""
    pitch = sight.pitch_rad
    right, down, away = np.moveaxis(points_m, -1, 0)
    depth = away * np.cos(pitch) + down * np.sin(pitch)
    y = down * np.cos(pitch) - away * np.sin(pitch)
    return np.stack([right, y], -1) / depth[..., None] * sight.focal_px + sight.centre_px


def leg_m(flexion, shank, yaw, facing_x, sight, lean_in=0.0, distance_m=2.8):
    """Hip, knee and ankle in the room: shank leaning `shank` forward, knee bent by `flexion`.

    lean_in : degrees by which the leg's plane leans away from the camera.
    """
    ray = sight.rays(np.array([sight.body_x_px, sight.body_y_px]))
    ankle = ray / ray[2] * distance_m
    turned = np.radians(yaw) + facing_x * sight.bearing_rad
    ahead = np.array([facing_x * np.cos(turned), 0.0, -np.sin(turned)])
    inward = np.array([facing_x * np.sin(turned), 0.0, np.cos(turned)])
    up = np.sin(np.radians(lean_in)) * inward + [0.0, -np.cos(np.radians(lean_in)), 0.0]
    lean, thigh = np.radians(shank), np.radians(flexion - shank)
    knee = ankle + SHANK_M * (np.sin(lean) * ahead + np.cos(lean) * up)
    hip = knee + THIGH_M * (-np.sin(thigh) * ahead + np.cos(thigh) * up)
    return hip, knee, ankle


def inward_share(hip, ankle, yaw, facing_x, sight):
    """How far the hip stands inward of the ankle, share of leg length."""
    turned = np.radians(yaw) + facing_x * sight.bearing_rad
    inward = np.array([facing_x * np.sin(turned), 0.0, np.cos(turned)])
    return float((hip - ankle) @ inward) / (THIGH_M + SHANK_M)


def angles_deg(plane: LegPlane, *joints_px):
    leg = plane.laid_flat(*(p[None] for p in joints_px))
    upright = np.array([1.0, leg.steepness[0]])
    return (
        knee_flexion_deg(leg.hip, leg.knee, leg.ankle, plane.facing_x)[0],
        thigh_deg(leg.hip * upright, leg.knee * upright)[0],
        inclination_deg(leg.ankle * upright, leg.knee * upright, plane.facing_x)[0],
    )


@given(
    flexion=st.floats(5, 140),
    shank=st.floats(-5, 40),
    yaw=st.floats(-45, 45),
    fall=st.floats(-12, 20),
    x_px=st.floats(250, 710),
    lean_in=st.floats(-6, 15),
    facing_x=st.sampled_from([-1, 1]),
)
def test_exact_landmarks_from_any_camera_give_the_true_angles(
    flexion, shank, yaw, fall, x_px, lean_in, facing_x
):
    sight = sight_of(fall, x_px)
    joints_m = leg_m(flexion, shank, yaw, facing_x, sight, lean_in)
    hip, knee, ankle = joints_m
    assume(ankle[1] - hip[1] > 0.4 * (THIGH_M + SHANK_M))
    plane = LegPlane(
        side="left",
        facing_x=facing_x,
        yaw_deg=yaw,
        yaw_standard_deg=6.0,
        cues=(),
        sight=sight,
        inward_share=inward_share(hip, ankle, yaw, facing_x, sight),
    )
    found, thigh, lean = angles_deg(plane, *(seen(p, sight) for p in joints_m))
    assert found == pytest.approx(flexion, abs=0.1)
    turned = np.radians(yaw) + facing_x * sight.bearing_rad
    ahead = np.array([facing_x * np.cos(turned), 0.0, -np.sin(turned)])
    if flexion - shank > 0:
        level = (knee - hip) @ ahead
        true = np.degrees(np.arctan2((knee - hip)[1], level))
        assert thigh == pytest.approx(true, abs=0.1)
    true = np.degrees(np.arctan2((knee - ankle) @ ahead, (ankle - knee)[1]))
    assert lean == pytest.approx(true, abs=0.1)


@given(
    flexion=st.floats(40, 120),
    yaw=st.floats(-35, 35),
    fall=st.floats(-8, 15),
    off=st.floats(-1, 1),
    sink=st.floats(-1, 1),
    lens=st.floats(-1, 1),
    stance=st.floats(-1, 1),
)
def test_a_camera_moved_by_its_uncertainty_moves_the_angle_within_its_interval(
    flexion, yaw, fall, off, sink, lens, stance
):
    assume(np.linalg.norm([off, sink, lens, stance]) <= 1.96)
    standard, said = 6.0, sight_of(fall)
    true = Sight(
        centre_px=said.centre_px,
        focal_px=FOCAL_PX * (1 + lens * said.focal_scale),
        focal_scale=said.focal_scale,
        body_x_px=said.body_x_px,
        body_y_px=said.body_y_px,
        fall_deg=fall + sink * said.fall_standard_deg,
        fall_standard_deg=4.0,
    )
    plane = LegPlane(
        side="left",
        facing_x=1,
        yaw_deg=yaw,
        yaw_standard_deg=standard,
        cues=(),
        sight=said,
        inward_share=0.05,
        inward_standard_share=0.04,
    )
    inward_m = (0.05 + stance * 0.04) * (THIGH_M + SHANK_M)
    lean, thigh = np.radians(0.3 * flexion), np.radians(0.7 * flexion)
    lean_in = np.degrees(np.arcsin(inward_m / (SHANK_M * np.cos(lean) + THIGH_M * np.cos(thigh))))
    turned = yaw + off * standard
    joints = [seen(p, true) for p in leg_m(flexion, 0.3 * flexion, turned, 1, true, lean_in)]
    found = angles_deg(plane, *joints)[0]
    doubt = plane.standard_of(lambda p: np.array([angles_deg(p, *joints)[0]]))[0]
    # Together no further off than 95 in 100; bent as the projection is.
    assert abs(found - flexion) <= 1.96 * doubt + 0.5


@given(
    yaw=st.floats(-40, 40),
    fall=st.floats(6, 25),
    x_px=st.floats(300, 660),
    facing_x=st.sampled_from([-1, 1]),
)
def test_a_foot_on_the_floor_tells_how_far_it_points_out_of_the_picture(yaw, fall, x_px, facing_x):
    sight = sight_of(fall, x_px)
    ray = sight.rays(np.array([x_px, 600.0]))
    heel = ray / ray[2] * 2.8
    turned = np.radians(yaw) + facing_x * sight.bearing_rad
    toe = heel + 0.25 * np.array([facing_x * np.cos(turned), 0, -np.sin(turned)])
    found = foot_yaw_deg(seen(heel, sight), seen(toe, sight), facing_x, sight)
    assert found == pytest.approx(yaw, abs=0.1)


def test_a_floor_seen_edge_on_tells_nothing():
    assert np.isnan(foot_yaw_deg([400, 100], [460, 100], 1, sight_of(-20)))


def test_a_hip_found_too_far_forward_is_put_back_at_the_thighs_own_length():
    bend = np.radians(np.r_[np.zeros(15), np.linspace(0, 85, 30)])
    knee = np.zeros((45, 2))
    true = np.stack([-np.sin(bend), -np.cos(bend)], axis=1)
    found = true + np.where(bend > 1.0, 0.15, 0.0)[:, None] * [1.0, 0.0]

    def off(hip):
        return abs(np.degrees(np.arctan2(-hip[40, 0], -hip[40, 1]) - bend[40]))

    assert off(hip_at_length(found, knee, 30.0)) < 0.6 * off(found)
    assert hip_at_length(true, knee, 30.0) == pytest.approx(true, abs=1e-6)


def test_a_thigh_that_is_never_upright_keeps_the_hip_where_it_was_found():
    hip = np.tile([-1.0, -0.1], (30, 1))
    assert hip_at_length(hip, np.zeros((30, 2)), 30.0) is hip


@given(flexion=st.floats(15, 75), fppa=st.floats(-15, 25), azimuth=st.floats(-20, 20))
def test_a_knee_that_goes_forward_is_not_taken_for_one_that_goes_inward(flexion, fppa, azimuth):
    # A left leg: the knee ahead of the line from hip to ankle and inward of it.
    half = np.radians(flexion / 2)
    inward = np.tan(np.radians(fppa / 2)) * np.cos(half)
    ahead = np.sin(half)
    length = np.sqrt(np.cos(half) ** 2 + inward**2 + ahead**2)
    joints = np.array(
        [  # ahead, to the left, up
            [0.0, 0.0, 2 * np.cos(half)],
            [ahead, -inward, np.cos(half)],
            [0.0, 0.0, 0.0],
        ]
    )
    turn = np.radians(azimuth)
    right = np.array([-np.sin(turn), np.cos(turn), 0.0])
    hip, knee, ankle = (np.array([[p @ right, -p[2]]]) * 200 for p in joints)
    view = FrontView(
        side="left", off_deg=azimuth, off_standard_deg=3.5, leg_px=400 * length, off_line_scale=0.2
    )
    straight = view.straight_on(hip, knee, ankle)
    found = fppa_deg(hip, straight, ankle, "left", "front")[0]
    assert found == pytest.approx(fppa, abs=0.1)


@pytest.mark.parametrize("azimuth_deg", [-11.0, 11.0])
def test_a_bend_held_longer_than_the_rest_does_not_pass_for_the_standing_leg(azimuth_deg):
    # Before: a step-down of a few centimetres, held, was still in nearly the posture of the rest.
    # Its leg was then as long as at rest, so no knee stood ahead of it: 10 deg for 24.
    rest = Posture(**one("left", hip=3, knee=6), **one("right", hip=0, knee=4))
    down = Posture(**one("left", hip=26, knee=56, out=-8, shank_out=5), **one("right", knee=4))

    def change_deg(azimuth_deg):
        raw = film(
            repeated(rest, [down] * 4, stay_s=2.5, rest_s=0.8), Camera(azimuth_deg=azimuth_deg)
        )
        request = Request(clip=Path("x"), exercise=load_exercise("step_down"), side="left")
        report = assess(raw, request).report
        values = [v for r in report.repetitions for v in r.measures if v.key == "fppa_change_deg"]
        assert len(values) == 4
        return np.array([v.value for v in values])

    assert change_deg(azimuth_deg) == pytest.approx(change_deg(0.0), abs=4.0)


def stood(*lengths_px, samples=20):
    """(lengths, mask) of still stretches of these lengths with movement between them."""
    moving = np.full(5, 50.0)
    pieces, masks = [moving], [np.zeros(5, bool)]
    for length in lengths_px:
        pieces += [np.full(samples, float(length)), moving]
        masks += [np.ones(samples, bool), np.zeros(5, bool)]
    return np.concatenate(pieces), np.concatenate(masks)


@pytest.mark.parametrize(
    "lengths_px",
    [
        (100, 100, 100),
        (100, 88, 100, 88, 100, 88),  # held bends among the rests
        (100, 88, 88, 100, 88),
        (115, 100, 88, 100, 88, 100, 88, 100),  # nearer to the camera at first
        (100, 100),
    ],
)
def test_the_standing_leg_is_that_of_the_longer_half_of_the_rests(lengths_px):
    lengths, mask = stood(*lengths_px)
    assert longest_where(lengths, mask) == pytest.approx(100)


def test_a_leg_that_is_never_seen_has_no_length():
    lengths, mask = stood(100, 100)
    assert np.isnan(longest_where(np.full_like(lengths, np.nan), mask))
    assert np.isnan(longest_where(lengths, np.zeros_like(mask)))


def test_cues_that_disagree_are_worth_less_than_they_say():
    agreed = joined(
        [Cue(name="a", value_deg=10, standard_deg=4), Cue(name="b", value_deg=12, standard_deg=4)]
    )
    apart = joined(
        [Cue(name="a", value_deg=0, standard_deg=4), Cue(name="b", value_deg=22, standard_deg=4)]
    )
    assert agreed[0] == apart[0] == pytest.approx(11)
    assert agreed[1] == pytest.approx(4 / np.sqrt(2))
    assert apart[1] > 2 * agreed[1]
    assert (
        joined(
            [
                Cue(name="a", value_deg=178, standard_deg=4),
                Cue(name="b", value_deg=-178, standard_deg=4),
            ]
        )[0]
        == 180
    )
    assert np.isnan(joined([])[0])


def _azimuth_half_width(azimuth_deg, hips_turned_deg=0.0):
    """Half-width of the camera's place, the hips turned this far against the trunk in depth."""
    raw = film(repeated(STANDING, [SQUAT]), Camera(azimuth_deg=azimuth_deg))
    world = raw.world_m.copy()
    turn = np.radians(hips_turned_deg)
    for side in ("left", "right"):
        hip = world[..., LANDMARK[side, "hip"], :]
        x, z = hip[..., 0].copy(), hip[..., 2].copy()
        hip[..., 0], hip[..., 2] = (
            np.cos(turn) * x - np.sin(turn) * z,
            np.sin(turn) * x + np.cos(turn) * z,
        )
    request = Request(clip=Path("made_up.mp4"), exercise=load_exercise("squat"), side="left")
    view = assess(replace(raw, world_m=world), request).report.view
    return (view.azimuth_high_deg - view.azimuth_low_deg) / 2


def test_the_cameras_place_is_less_sure_from_the_side_and_where_the_pelvis_is_turned():
    assert _azimuth_half_width(90) > 1.3 * _azimuth_half_width(0)
    assert _azimuth_half_width(90, 30) > 1.2 * _azimuth_half_width(90)


def test_the_cameras_place_is_less_sure_of_who_sits_on_the_floor():
    on_floor = Posture(trunk=-10, **both(hip=80, knee=8))
    raw = film(
        repeated(on_floor, [replace(on_floor, left_knee=2)]), Camera(azimuth_deg=90), anchor="hips"
    )
    request = Request(clip=Path("made_up.mp4"), exercise=load_exercise("quad_set"), side="left")
    view = assess(raw, request).report.view
    assert (view.azimuth_high_deg - view.azimuth_low_deg) / 2 > 1.3 * _azimuth_half_width(90)


def _assessed(exercise, rest, turn, azimuth_deg, **more):
    raw = film(repeated(rest, [turn] * 2), Camera(azimuth_deg=azimuth_deg, **more))
    request = Request(clip=Path("made_up.mp4"), exercise=load_exercise(exercise), side="left")
    return assess(raw, request).report


def _told(report) -> dict:
    return {f.code: dict(f.values) for f in report.findings}


def test_a_leg_out_of_the_picture_is_told_with_its_side_and_how_far():
    rest, turn = (replace(p, left_toe_out=20.0) for p in (STANDING, SQUAT))
    told = _told(_assessed("squat", rest, turn, 62, distance=1.56))
    assert told["leg_out_of_picture"]["side"] == "left"
    assert told["leg_out_of_picture"]["yaw_deg"] > 25
    assert "leg_out_of_picture" not in _told(_assessed("squat", STANDING, SQUAT, 90))


@pytest.mark.parametrize(("azimuth_deg", "sign"), [(15, 1), (-15, -1), (165, 1), (-165, -1)])
def test_a_camera_beside_the_front_is_told_with_the_side_that_it_stands_on(azimuth_deg, sign):
    told = _told(_assessed("squat", STANDING, FRONT_SQUAT, azimuth_deg))
    values = told["camera_beside_front"]
    assert values["off_deg"] == pytest.approx(15 * sign, abs=4)
    assert values["is_behind"] == (abs(azimuth_deg) > 90)
    assert "camera_beside_front" not in _told(_assessed("squat", STANDING, FRONT_SQUAT, 0))


def test_the_doubt_of_the_plane_is_in_the_interval_and_larger_further_off():
    def widest(azimuth_deg):
        values = _assessed("squat", STANDING, SQUAT, azimuth_deg).repetitions[0].measures
        peak = next(v for v in values if v.key == "knee_flexion_peak_deg")
        assert peak.low <= 105 <= peak.high
        return next(p.standard for p in peak.parts if p.name == "plane of the leg")

    assert widest(60) > 1.5 * widest(90) > 0


def test_hips_that_may_only_have_turned_are_not_told_as_dropped():
    hinge = Posture(trunk=60, **one("left", hip=4, knee=15), **one("right", hip=-60, foot=None))
    (first, *_) = _assessed("single_leg_deadlift", ONE_LEG, hinge, 12).repetitions
    drop = next(v for v in first.measures if v.key == "pelvic_obliquity_peak_deg")
    assert isinstance(drop, NotMeasurable)
    assert drop.code == "trunk_leans_off_front"


@given(
    flexion=st.floats(20, 130),
    shank=st.floats(0, 30),
    camera_m=st.floats(0.3, 1.7),
    away_m=st.floats(2.0, 4.0),
    estimate_off=st.floats(-1, 1),
)
def test_hips_that_go_back_from_a_camera_ahead_are_as_low_as_the_interval_says(
    flexion, shank, camera_m, away_m, estimate_off
):
    """A squat straight before a camera whose tilt is known to its standard uncertainty."""
    assume(flexion > shank)
    leg = THIGH_M + SHANK_M

    def joints(bend, lean):
        thigh, lean = np.radians(bend - lean), np.radians(lean)
        ankle = np.array([0.0, camera_m, away_m])
        knee = ankle - SHANK_M * np.array([0, np.cos(lean), np.sin(lean)])
        return knee + THIGH_M * np.array([0, -np.cos(thigh), np.sin(thigh)]), knee, ankle

    # It looks at the middle of the standing leg.
    fall = float(np.degrees(np.arctan2(camera_m - leg / 2, away_m)))
    assume(fall <= 18)
    sight = replace(sight_of(fall), body_y_px=SIZE_PX[1] / 2)
    postures = [(0, 0)] * 30 + [(flexion, shank)] * 10
    image = np.full((len(postures), 33, 2), np.nan)
    for row, posture in zip(image, postures, strict=True):
        for joint_m, name in zip(joints(*posture), ("hip", "knee", "ankle"), strict=True):
            row[[LANDMARK["left", name], LANDMARK["right", name]]] = seen(joint_m, sight)
    track = SimpleNamespace(image_px=image, grid_hz=30.0)
    known = replace(sight, fall_deg=fall + sight.fall_standard_deg * estimate_off)
    standard = from_ahead_share(track, np.arange(len(image)) < 30, known)
    # Against hips that go straight down by as much.
    hip_y, ankle_y = (image[:, LANDMARK["left", j], 1] for j in ("hip", "ankle"))
    below = np.array([0.0, joints(flexion, shank)[0][1], away_m])
    moved = (hip_y[-1] - seen(below, sight)[1]) / (ankle_y[0] - hip_y[0])
    # Errors reach 0.14; thigh and shank may look equally short while the hips go back.
    assert abs(moved) <= 1.96 * standard[-1] + 0.06
    assert standard[0] == pytest.approx(0, abs=0.005)


def _hips_moved(back, down, along, camera_m, away_m):
    """(track, view's stature in pixels, where the hips stand still, sight).

    The hips go `back` against the direction `along` in the room and `down`, shares of leg length.
    """
    leg = THIGH_M + SHANK_M
    fall = float(np.degrees(np.arctan2(camera_m - leg / 2, away_m)))
    sight = replace(sight_of(fall), body_y_px=SIZE_PX[1] / 2)
    ankle = np.array([0.0, camera_m, away_m])
    hips = [ankle - [0, leg, 0]] * 30
    hips += [ankle - [0, (1 - down) * leg, 0] - back * leg * along] * 10
    image = np.full((40, 33, 2), np.nan)
    for row, hip in zip(image, hips, strict=True):
        for joint_m, name in ((hip, "hip"), (ankle, "ankle"), (hip - [0, 0.5, 0], "shoulder")):
            row[[LANDMARK["left", name], LANDMARK["right", name]]] = seen(joint_m, sight)
    hip_y, ankle_y = (image[:, LANDMARK["left", j], 1] for j in ("hip", "ankle"))
    stature_px = (ankle_y[0] - hip_y[0]) / LEG_SHARE
    return SimpleNamespace(image_px=image, grid_hz=30.0), stature_px, np.arange(40) < 30, sight


def _moved_by_going_back(back, down, along, camera_m, away_m):
    """How much lower than hips that went straight down these are seen, leg lengths."""
    seen_y = [
        _hips_moved(b, down, along, camera_m, away_m)[0].image_px[-1, LANDMARK["left", "hip"], 1]
        for b in (back, 0.0)
    ]
    track = _hips_moved(back, down, along, camera_m, away_m)[0]
    hip_y, ankle_y = (track.image_px[0, LANDMARK["left", j], 1] for j in ("hip", "ankle"))
    return float((seen_y[0] - seen_y[1]) / (ankle_y - hip_y))


VIEW_SPREAD_DEG = 12.0


@given(
    azimuth_deg=st.floats(35, 145),
    azimuth_off=st.floats(-1, 1),
    fall_off=st.floats(-1, 1),
    back=st.floats(-0.4, 0.5),
    down=st.floats(0.1, 0.5),
    camera_m=st.floats(0.3, 1.6),
    away_m=st.floats(2.2, 4.0),
    sides=st.sampled_from([-1, 1]),
)
@example(45.0, -1.0, 0.0, 0.4, 0.4, 1.5, 2.3, 1)
@example(90.0, 1.0, 0.0, 0.5, 0.4, 1.6, 2.2, -1)
def test_hips_that_go_back_beside_a_camera_are_as_low_as_the_interval_says(
    azimuth_deg, azimuth_off, fall_off, back, down, camera_m, away_m, sides
):
    """From the side, and from between side and front, where back is away from the camera too.

    The camera stands and looks anywhere that its own intervals allow.
    """
    azimuth = np.radians(azimuth_deg + VIEW_SPREAD_DEG * azimuth_off)
    ahead = np.array([sides * np.sin(azimuth), 0.0, -np.cos(azimuth)])
    where = (back, down, ahead, camera_m, away_m)
    track, stature_px, stands, sight = _hips_moved(*where)
    view = SimpleNamespace(
        azimuth_deg=azimuth_deg,
        azimuth_low_deg=azimuth_deg - VIEW_SPREAD_DEG,
        azimuth_high_deg=azimuth_deg + VIEW_SPREAD_DEG,
        person_height_px=stature_px,
    )
    known = replace(sight, fall_deg=sight.fall_deg + sight.fall_standard_deg * fall_off)
    standard = from_beside_share(track, view, stands, known)
    # Errors reach 0.28; where all is at its limit at once a little of them is outside.
    assert abs(_moved_by_going_back(*where)) <= 1.96 * standard[-1] + 0.06
    assert standard[0] == pytest.approx(0, abs=0.005)


@given(
    away=st.floats(-0.4, 0.5),
    down=st.floats(0.1, 0.5),
    fall_off=st.floats(-1, 1),
    camera_m=st.floats(0.3, 1.6),
    away_m=st.floats(2.2, 4.0),
)
@example(-0.4, 0.4, 0.0, 1.6, 2.2)
@example(0.5, 0.4, 0.0, 1.6, 2.2)
def test_hips_that_go_straight_away_from_a_camera_are_told_by_the_persons_size(
    away, down, fall_off, camera_m, away_m
):
    where = (away, down, np.array([0.0, 0.0, -1.0]), camera_m, away_m)
    track, stature_px, stands, sight = _hips_moved(*where)
    view = SimpleNamespace(person_height_px=stature_px)
    known = replace(sight, fall_deg=sight.fall_deg + sight.fall_standard_deg * fall_off)
    standard = by_size_share(track, view, stands, known)
    # Errors reach 0.24.
    assert abs(_moved_by_going_back(*where)) <= 1.96 * standard[-1] + 0.03
    assert standard[0] == pytest.approx(0, abs=0.005)


TILT = np.radians(4.0)
"""What the tilt of `sight_of` is known to."""


@pytest.mark.parametrize(
    ("azimuth_deg", "spread_deg", "camera_m", "along"),
    [
        (90, 0, 1.6, 0.0),
        (90, 12, 1.6, np.tan(np.radians(12 / 1.96))),
        (90, 12, 0.425, np.tan(np.radians(12 / 1.96))),
        (45, 0, 0.425, 1.0),
        (45, 0, 1.6, 1.0),
        (5, 0, 1.6, np.cos(np.radians(5)) / 0.35),  # nearly ahead it is held to 20 deg
    ],
)
def test_beside_a_person_the_doubt_is_the_tilt_times_the_way_along_the_line_of_sight(
    azimuth_deg, spread_deg, camera_m, along
):
    """In closed form: hips go 0.2 of a leg length to the side of the picture, level."""
    across = np.array([1.0, 0.0, 0.0])
    track, stature_px, stands, sight = _hips_moved(0.2, 0.0, across, camera_m, 3.0)
    view = SimpleNamespace(
        azimuth_deg=azimuth_deg,
        azimuth_low_deg=azimuth_deg - spread_deg,
        azimuth_high_deg=azimuth_deg + spread_deg,
        person_height_px=stature_px,
    )
    fall = (camera_m - THIGH_M - SHANK_M) / 3.0
    expected = 0.2 * along * np.hypot(fall / np.sqrt(3), TILT * (1 + fall**2))
    found = from_beside_share(track, view, stands, sight)[-1]
    # A leg below a camera looks an eighth shorter than one straight ahead.
    assert found == pytest.approx(expected, rel=0.15, abs=1e-6)


@pytest.mark.parametrize("lean_deg", [0, 40, 70, 88])
def test_a_trunk_that_leans_along_the_line_of_sight_leaves_a_doubt_of_a_step_at_most(lean_deg):
    track, stature_px, stands, sight = _hips_moved(0.0, 0.3, np.array([0, 0, -1.0]), 1.3, 2.8)
    hip_m = np.array([0.0, 1.3 - 0.7 * (THIGH_M + SHANK_M), 2.8])
    lean = np.radians(lean_deg)
    shoulder = seen(hip_m - 0.5 * np.array([0, np.cos(lean), np.sin(lean)]), sight)
    track.image_px[30:, [LANDMARK[s, "shoulder"] for s in ("left", "right")]] = shoulder
    view = SimpleNamespace(person_height_px=stature_px)
    standard = by_size_share(track, view, stands, sight)[-1]
    fall = hip_m[1] / hip_m[2]
    step = np.hypot(fall / np.sqrt(3), TILT * (1 + fall**2))
    assert standard <= step * 1.01
    assert (standard < step / 20) == (lean_deg == 0)


def _thigh_end_on(track):
    """The thigh of both legs looks half as long after the rest."""
    for side in ("left", "right"):
        hip, ankle = (track.image_px[:, LANDMARK[side, j]] for j in ("hip", "ankle"))
        track.image_px[:30, LANDMARK[side, "knee"]] = (hip[:30] + ankle[:30]) / 2
        track.image_px[30:, LANDMARK[side, "knee"]] = hip[30:] * 0.75 + ankle[30:] * 0.25


@pytest.mark.parametrize(
    ("largest", "along", "is_end_on"),
    [("ahead", [0, 0, 0], True), ("beside", [1, 0, 0], False), ("size", [0, 0, 1], False)],
)
def test_between_side_and_front_the_largest_doubt_of_the_hips_counts(largest, along, is_end_on):
    track, stature_px, stands, sight = _hips_moved(0.3, 0.0, np.array(along, float), 1.4, 2.5)
    if is_end_on:
        _thigh_end_on(track)
    view = SimpleNamespace(
        plane="oblique",
        azimuth_deg=50.0,
        azimuth_low_deg=40.0,
        azimuth_high_deg=60.0,
        person_height_px=stature_px,
    )
    doubt = {
        "ahead": from_ahead_share(track, stands, sight)[-1],
        "beside": from_beside_share(track, view, stands, sight)[-1],
        "size": by_size_share(track, view, stands, sight)[-1],
    }
    assert max(doubt, key=lambda name: np.nan_to_num(doubt[name])) == largest
    found = hip_height_standard_share(track, view, stands, sight)[-1]
    assert found == doubt[largest] > 0.02
    view.plane = "sagittal"
    found = hip_height_standard_share(track, view, stands, sight)[-1]
    assert found == doubt["beside"]
    view.plane = "frontal"
    found = hip_height_standard_share(track, view, stands, sight)[-1]
    np.testing.assert_equal(found, doubt["ahead"])


@pytest.mark.parametrize(
    ("exercise", "azimuth_deg", "measure"),
    [
        ("squat", 0, "hip_drop_share"),
        ("squat", 45, "hip_drop_share"),
        ("step_up", 90, "range_share"),
    ],
)
def test_the_doubt_of_the_hips_reaches_what_is_reported(exercise, azimuth_deg, measure):
    raw = film(repeated(STANDING, [SQUAT] * 2), Camera(azimuth_deg=azimuth_deg))
    request = Request(clip=Path("made_up.mp4"), exercise=load_exercise(exercise), side="left")
    for r in assess(raw, request).report.repetitions:
        found = next(v for v in r.measures if v.key == measure)
        assert [p.standard > 0 for p in found.parts if p.name == "hips away from the camera"] == [
            True
        ]
