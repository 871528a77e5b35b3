"""Words about the picture: what a made-up person in front of a made-up camera is told."""

from dataclasses import replace

import numpy as np
import pytest
from exercise_cases import CASES, STANDING
from skeleton import Camera, Key, Movement, Posture, film

from formcheck.files.exercises import list_exercises, load_exercise
from formcheck.live.framing import (
    Glimpse,
    Wanted,
    arms_raised,
    glimpse_of,
    judge,
    left_the_place,
    place_of,
    wanted_for,
)

FROM_THE_SIDE = Wanted(plane="sagittal", near_side="left", posture="upright")
FROM_THE_FRONT = Wanted(plane="frontal", near_side=None, posture="upright")
ON_THE_BACK = Posture(trunk=-90, left_hip=90, right_hip=90, left_foot=None, right_foot=None)


def glimpses(
    camera: Camera,
    posture: Posture = STANDING,
    *,
    seconds: float = 1.2,
    from_s: float = 0.0,
    brightness: float = 120.0,
    border: float = 120.0,
    trunk: float = 110.0,
    moved=(0.0, 0.0),
    times: float = 1.0,
    n_people: int = 1,
) -> list[Glimpse]:
    """A person who keeps still, as the page's small pictures show them, six a second."""
    raw = film(
        Movement(keys=(Key(posture=posture, move_s=0, stay_s=seconds),)),
        replace(camera, rate_hz=6.0),
    )
    middle = np.array([camera.width_px, camera.height_px]) / 2
    image = (raw.image_px - middle) * times + middle + np.array(moved)
    return [
        glimpse_of(
            np.repeat(image[i], n_people, axis=0),
            np.repeat(raw.world_m[i], n_people, axis=0),
            np.repeat(raw.visibility[i], n_people, axis=0),
            time_s=from_s + float(raw.time_s[i]),
            width_px=camera.width_px,
            height_px=camera.height_px,
            brightness=brightness,
            border_brightness=border,
            trunk_brightness=trunk,
        )
        for i in range(len(raw.time_s))
    ]


def nobody(seconds: float, from_s: float = 0.0) -> list[Glimpse]:
    empty = np.empty((0, 33, 2)), np.empty((0, 33, 3)), np.empty((0, 33))
    return [
        glimpse_of(*empty, time_s=from_s + t, width_px=960, height_px=720, brightness=120.0)
        for t in np.arange(0, seconds, 1 / 6)
    ]


def wrong(framing) -> list[str]:
    return [c.code for c in framing.checks if c.is_ok is False]


def test_a_person_well_in_the_picture_from_the_right_side_is_told_so():
    framing = judge(glimpses(Camera(azimuth_deg=90)), FROM_THE_SIDE)
    assert framing.is_good
    assert framing.say == "Good. Stay there."
    assert {c.code for c in framing.checks} == {
        "seen",
        "posture",
        "whole",
        "distance",
        "side",
        "square",
        "light",
        "level",
    }
    assert judge(glimpses(Camera(azimuth_deg=0)), FROM_THE_FRONT).is_good
    assert judge(glimpses(Camera(azimuth_deg=180)), FROM_THE_FRONT).is_good, "or from behind"


def test_nobody_in_the_picture_is_said_and_stops_the_recording_from_beginning():
    framing = judge(nobody(2), FROM_THE_SIDE)
    assert not framing.is_good
    assert framing.say == "Nobody is seen. Go to your place."


def test_a_single_picture_without_a_person_is_a_blink():
    seen = glimpses(Camera())
    framing = judge([*seen, *nobody(0.1, from_s=1.3)], FROM_THE_SIDE)
    assert framing.is_good


@pytest.mark.parametrize(
    ("azimuth_deg", "wanted", "says"),
    [
        (-90, FROM_THE_SIDE, "Turn round: your left side to the camera."),
        (0, FROM_THE_SIDE, "Turn your left side to the camera."),
        (45, FROM_THE_SIDE, "Turn your left side to the camera."),
        (90, FROM_THE_FRONT, "Face the camera."),
        (45, FROM_THE_FRONT, "Face the camera."),
        (
            90,
            Wanted(plane="oblique", near_side=None, posture="upright"),
            "Turn half way, between facing the camera and side-on.",
        ),
        (
            0,
            Wanted(plane="sagittal", near_side=None, posture="upright"),
            "Turn your side to the camera.",
        ),
    ],
)
def test_the_wrong_side_is_told_with_what_to_do(azimuth_deg, wanted, says):
    framing = judge(glimpses(Camera(azimuth_deg=azimuth_deg)), wanted)
    assert not framing.is_good
    assert wrong(framing) == ["side"]
    assert framing.say == says


def test_someone_a_little_off_the_side_may_stay():
    for azimuth_deg in (75, 105, 120):
        assert judge(glimpses(Camera(azimuth_deg=azimuth_deg)), FROM_THE_SIDE).is_good


@pytest.mark.parametrize(
    ("azimuth_deg", "posture", "wanted", "says"),
    [
        (72, replace(STANDING, left_toe_out=20.0), FROM_THE_SIDE, "away from"),
        (124, STANDING, FROM_THE_SIDE, "toward"),
        (14, STANDING, FROM_THE_FRONT, "to your left"),
        (-14, STANDING, FROM_THE_FRONT, "to your right"),
        (166, STANDING, FROM_THE_FRONT, "to your right"),
        (-166, STANDING, FROM_THE_FRONT, "to your left"),
    ],
)
def test_who_stands_askew_is_told_which_way_to_turn(azimuth_deg, posture, wanted, says):
    # 1.56 statures away through the lens that is assumed: a floor seen from above.
    camera = Camera(azimuth_deg=azimuth_deg, distance=1.56)
    framing = judge(glimpses(camera, posture), wanted)
    assert framing.is_good, "the recording may begin"
    assert wrong(framing) == ["square"]
    assert framing.say.startswith("Turn a little")
    assert says in framing.say


@pytest.mark.parametrize(("azimuth_deg", "wanted"), [(84, FROM_THE_SIDE), (5, FROM_THE_FRONT)])
def test_who_stands_square_is_told_nothing(azimuth_deg, wanted):
    assert judge(glimpses(Camera(azimuth_deg=azimuth_deg)), wanted).say == "Good. Stay there."


@pytest.mark.parametrize(
    ("moved", "says"),
    [
        ((0, 200), "Your feet are cut off. Tip the camera down, or move it back."),
        ((0, -200), "Your head is cut off. Tip the camera up, or move it back."),
        ((400, 0), "You are at the edge. Go to the middle of the picture."),
    ],
)
def test_what_is_cut_off_is_named(moved, says):
    framing = judge(glimpses(Camera(), moved=moved), FROM_THE_SIDE)
    assert not framing.is_good
    assert framing.say == says


def test_someone_too_near_or_too_far_is_told():
    near = judge(glimpses(Camera(), times=2.0), FROM_THE_SIDE)
    assert near.say == "Too near. Move the camera back."
    far = judge(glimpses(Camera(), times=0.4), FROM_THE_SIDE)
    assert far.say == "Too far. Move the camera nearer."
    assert not far.is_good


def test_hidden_feet_are_told():
    camera = Camera(hidden=tuple((s, ("ankle", "heel", "toe")) for s in ("left", "right")))
    framing = judge(glimpses(camera), FROM_THE_SIDE)
    assert framing.say == "Your feet are not seen. Clear what hides them."


def test_darkness_light_from_behind_and_a_leaning_camera_are_told_but_stop_nothing():
    dark = judge(glimpses(Camera(), brightness=30), FROM_THE_SIDE)
    assert dark.is_good
    assert dark.say == "It is dark. Turn on a light."
    behind = judge(glimpses(Camera(), border=220, trunk=60), FROM_THE_SIDE)
    assert behind.is_good
    assert behind.say == "The light is behind you. Close the curtain."
    leaning = judge(glimpses(Camera(roll_deg=10)), FROM_THE_SIDE)
    assert leaning.is_good
    assert leaning.say == "The camera leans. Straighten it."
    assert judge(glimpses(Camera(roll_deg=2)), FROM_THE_SIDE).say == "Good. Stay there."


def test_what_stops_the_recording_is_said_before_what_does_not():
    framing = judge(glimpses(Camera(azimuth_deg=-90), brightness=30), FROM_THE_SIDE)
    assert wrong(framing) == ["side", "light"]
    assert framing.say.startswith("Turn round")


def test_a_second_person_must_go_out_of_the_picture():
    framing = judge(glimpses(Camera(), n_people=2), FROM_THE_SIDE)
    assert not framing.is_good
    assert framing.say == "Two people are in the picture. One must go out of it."


def test_floor_work_waits_until_the_person_lies_and_standing_work_until_they_stand():
    lying = Wanted(plane="sagittal", near_side="left", posture="lying")
    assert judge(glimpses(Camera()), lying).say == "Lie down, ready for the exercise."
    on_the_floor = glimpses(Camera(), ON_THE_BACK)
    assert judge(on_the_floor, lying).is_good
    assert judge(on_the_floor, FROM_THE_SIDE).say == "Stand up."
    other_way = judge(glimpses(Camera(azimuth_deg=-90), ON_THE_BACK), lying)
    assert other_way.say == "Lie the other way round: your left side to the camera."


def test_the_working_leg_is_wanted_nearer_and_else_the_involved_one():
    squat, raise_ = load_exercise("squat"), load_exercise("straight_leg_raise")
    assert wanted_for(squat, "sagittal", "both", "left").near_side == "left"
    assert wanted_for(squat, "sagittal", "both", "none").near_side is None
    assert wanted_for(squat, "frontal", "both", "left").near_side is None
    assert wanted_for(raise_, "sagittal", "right", "left") == Wanted(
        plane="sagittal", near_side="right", posture="lying"
    )
    postures = {e.id: wanted_for(e, "sagittal", "both").posture for e in list_exercises()}
    assert postures["hip_abduction_side_lying"] == "lying"
    assert postures["hamstring_curl"] == "any", "done lying or standing"
    assert postures["sit_to_stand"] == "any"


def test_walking_up_to_the_camera_ends_the_recording_and_a_lunge_toward_it_does_not():
    start = place_of(glimpses(Camera()))
    assert left_the_place(glimpses(Camera(), times=1.9), start, FROM_THE_SIDE) == "near"
    assert left_the_place(glimpses(Camera(), times=1.4), start, FROM_THE_SIDE) is None
    bending = replace(STANDING, trunk=60, left_hip=70, left_knee=90, right_hip=70, right_knee=90)
    assert left_the_place(glimpses(Camera(), bending), start, FROM_THE_SIDE) is None


def test_going_away_or_aside_ends_the_recording_after_a_while():
    start = place_of(glimpses(Camera()))
    here = glimpses(Camera())
    assert left_the_place([*here, *nobody(3, 1.3)], start, FROM_THE_SIDE) is None
    assert left_the_place([*here, *nobody(6, 1.3)], start, FROM_THE_SIDE) == "gone"
    lying = replace(FROM_THE_SIDE, posture="lying")
    assert left_the_place([*here, *nobody(6, 1.3)], start, lying) is None, "lost more often"
    aside = {"camera": Camera(), "moved": (-460, 0)}
    assert left_the_place(glimpses(**aside, seconds=2), start, FROM_THE_SIDE) is None
    assert left_the_place(glimpses(**aside, seconds=5), start, FROM_THE_SIDE) == "aside"
    step = glimpses(Camera(), moved=(-150, 0), seconds=5)
    assert left_the_place(step, start, FROM_THE_SIDE) is None


UP = replace(STANDING, left_arm=178, right_arm=178)


@pytest.mark.parametrize("azimuth_deg", [90, 60, 0])
def test_both_arms_raised_for_a_moment_end_the_recording(azimuth_deg):
    wanted = FROM_THE_FRONT if azimuth_deg == 0 else FROM_THE_SIDE
    camera = Camera(azimuth_deg=azimuth_deg)
    start = place_of(glimpses(camera))
    assert left_the_place(glimpses(camera, UP), start, wanted) == "arms"
    assert left_the_place(glimpses(camera, UP, seconds=0.5), start, wanted) is None, "too short"
    for posture in (
        STANDING,
        replace(STANDING, left_arm=90, right_arm=90),
        replace(UP, left_arm=20),
        replace(STANDING, trunk=45, left_arm=110, right_arm=110, left_hip=80, left_knee=90,
                right_hip=80, right_knee=90),
    ):  # fmt: skip
        assert left_the_place(glimpses(camera, posture), start, wanted) is None


def test_raised_arms_end_it_lying_on_the_back_too():
    lying = replace(FROM_THE_SIDE, posture="lying")
    still = glimpses(Camera(), ON_THE_BACK)
    up = glimpses(Camera(), replace(ON_THE_BACK, left_arm=90, right_arm=90))
    start = place_of(still)
    down = glimpses(Camera(), replace(ON_THE_BACK, left_arm=0, right_arm=0))
    assert left_the_place(down, start, lying) is None
    assert left_the_place(up, start, lying) == "arms"


def test_one_slip_of_a_wrist_ends_nothing():
    camera = Camera()
    raised, still = glimpses(camera, UP), glimpses(camera)
    mixed = [g if n % 2 else h for n, (g, h) in enumerate(zip(raised, still, strict=True))]
    assert left_the_place(mixed, place_of(still), FROM_THE_SIDE) is None


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.label)
def test_no_posture_of_the_catalogue_looks_like_raised_arms(case):
    camera = Camera(azimuth_deg=case.azimuth_deg, roll_deg=case.roll_deg)
    wanted = FROM_THE_SIDE if abs(case.azimuth_deg) == 90 else FROM_THE_FRONT
    for posture in (case.rest, case.good):
        along_the_body = replace(posture, left_arm=0, right_arm=0)
        assert not arms_raised(glimpses(camera, along_the_body), wanted)
