"""Who films alone walks to the place and back: what is told of the set stays the same."""

import re
from dataclasses import replace

import numpy as np
import pytest
from exercise_cases import CASES, Case
from skeleton import Camera, Key, Movement, Posture, film, joined, one, repeated

from formcheck.files.exercises import load_exercise
from formcheck.model.anatomy import LANDMARK, SIDES
from formcheck.model.errors import UsageError
from formcheck.model.measures import MEASURES
from formcheck.model.records import Measured, RawTrack
from formcheck.model.request import Request
from formcheck.motion.place import only_at_place, stays_at_place
from formcheck.report.corrections import Correction, check_correction
from formcheck.run.pipeline import assess
from formcheck.words.finding_words import told_once
from formcheck.words.patient_result import patient_result
from formcheck.words.wording import stretches

STEPS = [Posture(**one(s, hip=35, knee=55, foot=None)) for s in ("left", "right")]
OF_A_WALK = {
    "edited",
    "feet_cut_off",
    "head_cut_off",
    "person_too_near",
    "person_leaves",
    "other_movement",
    "view_changes",
    "landmarks_unsteady",
}


def walk(
    case: Case, azimuth_deg: float, nearness: tuple[float, float], n_steps: int = 6
) -> RawTrack:
    """Steps seen from behind or in front, the person coming nearer or going further away.

    nearness : at its beginning and its end, how many times as large as at the place.
    """
    keys = [Key(posture=Posture(), move_s=0, stay_s=0.3)]
    for k in range(6):
        keys.append(Key(posture=STEPS[k % 2], move_s=0.3, stay_s=0))
        keys.append(Key(posture=Posture(), move_s=0.3, stay_s=0))
    camera = replace(case_camera(case), azimuth_deg=azimuth_deg)
    raw = film(Movement(keys=tuple(keys)), camera)
    # The distance changes evenly, from and to a stay of 0.3 s.
    share = np.clip((raw.time_s - 0.3) / (raw.time_s[-1] - 0.6), 0, 1)
    distance = 1 / nearness[0] + share * (1 / nearness[1] - 1 / nearness[0])
    return enlarged(raw, 1 / distance)


def enlarged(raw: RawTrack, times: np.ndarray | float) -> RawTrack:
    """The pictures as seen from nearer, about the middle of the picture."""
    middle = np.array([raw.clip.width_px, raw.clip.height_px]) / 2
    by = np.broadcast_to(times, len(raw.time_s))[:, None, None, None]
    return replace(raw, image_px=(middle + (raw.image_px - middle) * by).astype(np.float32))


def case_camera(case: Case) -> Camera:
    return Camera(azimuth_deg=case.azimuth_deg, stature_px=420)


def set_of(case: Case) -> RawTrack:
    movement = repeated(case.rest, [case.good] * 3, stay_s=case.stay_s)
    return film(movement, case_camera(case), anchor=case.anchor, roll_deg=case.roll_deg)


def assessed(raw: RawTrack, exercise: str):
    return assess(raw, Request(clip="made_up.mp4", exercise=load_exercise(exercise))).report


def case_of(label: str) -> Case:
    return next(c for c in CASES if c.label == label)


def codes(report) -> set[str]:
    return {f.code for f in report.findings}


def ways(report) -> list[tuple[float | None, float | None]]:
    return [(f.from_s, f.to_s) for f in report.findings if f.code == "way_left_out"]


def way(report) -> dict[str, float | None]:
    """Until when the clip's beginning is left out, and after when its end."""
    found = ways(report)
    return {
        "until_s": next((to_s for from_s, to_s in found if from_s is None), None),
        "after_s": next((from_s for from_s, to_s in found if to_s is None), None),
    }


def filmed_alone(case: Case, the_set: RawTrack) -> RawTrack:
    """From the camera to the place, seen from behind; the set; and back, seen from the front."""
    return joined(walk(case, 180, (4, 1)), joined(the_set, walk(case, 0, (1, 4))))


WALK_S = 0.3 + 6 * 0.6 + 1 / 15
"""How long each walk of six steps lasts, and the picture after it."""

ON_FEET = [
    "squat",
    "squat from the front",
    "calf_raise",
    "deadlift",
    "forward_lunge",
    "lateral_lunge",
    "hamstring_curl standing",
    "terminal_knee_extension",
    "single_leg_deadlift from the front",
    "single_leg_squat from the side",
]


@pytest.mark.parametrize("label", ON_FEET)
def test_a_set_filmed_alone_gives_what_the_set_alone_gives(label):
    # Before: of seven rendered sets filmed so, six lost or gained repetitions.
    case = case_of(label)
    the_set = set_of(case)
    by_itself, alone = (
        assessed(raw, case.exercise) for raw in (the_set, filmed_alone(case, the_set))
    )
    assert by_itself.whole.n_complete == alone.whole.n_complete == len(alone.repetitions) == 3
    assert not codes(alone) & OF_A_WALK
    assert "way_left_out" not in codes(by_itself)
    for before, after in zip(by_itself.repetitions, alone.repetitions, strict=True):
        assert after.repetition.turn_s == pytest.approx(before.repetition.turn_s + WALK_S, abs=0.1)
        for a, b in zip(before.measures, after.measures, strict=True):
            assert isinstance(a, Measured) == isinstance(b, Measured), a.key
            if isinstance(a, Measured) and MEASURES[a.key].unit == "deg":
                assert b.value == pytest.approx(a.value, abs=1.5), a.key
    ends_s = WALK_S + the_set.time_s[-1]
    assert way(alone)["until_s"] == pytest.approx(WALK_S, abs=0.9)
    assert way(alone)["after_s"] == pytest.approx(ends_s, abs=0.9)


@pytest.mark.parametrize("is_before", [True, False])
def test_one_walk_is_left_out_by_itself(is_before):
    case = case_of("squat")
    the_set = set_of(case)
    to, away = walk(case, 180, (4, 1)), walk(case, 0, (1, 4))
    report = assessed(joined(to, the_set) if is_before else joined(the_set, away), "squat")
    assert report.whole.n_complete == 3
    assert [k for k, v in way(report).items() if v is not None] == [
        "until_s" if is_before else "after_s"
    ]


def sits_and_rises(case: Case, the_set: RawTrack) -> RawTrack:
    """The set, with sitting down before it and rising after it."""

    def between(a: Posture, b: Posture) -> RawTrack:
        keys = (Key(posture=a, move_s=0, stay_s=0.2), Key(posture=b, move_s=1.5, stay_s=0))
        return film(Movement(keys=keys), case_camera(case))

    down, up = between(Posture(), case.rest), between(case.rest, Posture())
    return joined(down, joined(the_set, up))


def test_sitting_down_for_chair_rises_and_rising_to_leave_are_no_repetitions():
    case = case_of("sit_to_stand")
    report = assessed(filmed_alone(case, sits_and_rises(case, set_of(case))), "sit_to_stand")
    assert report.whole.n_complete == len(report.repetitions) == 3


@pytest.mark.parametrize("label", [*ON_FEET, "sit_to_stand", "seated_knee_extension", "wall_sit"])
def test_a_walk_to_the_camera_and_back_divides_no_set(label):
    # Before: three were counted wrong, and most told as a squeezed picture, without angles.
    case = case_of(label)
    half = sits_and_rises(case, set_of(case)) if label == "sit_to_stand" else set_of(case)
    walks = joined(walk(case, 0, (1, 4)), walk(case, 180, (4, 1)))
    raw = joined(half, joined(walks, half))
    report = assessed(raw, case.exercise)
    if label == "sit_to_stand":  # nobody walks before the first half, or after the second
        assert report.whole.n_complete == 6
    else:
        assert report.whole.n_complete == len(report.repetitions) == 6
    assert not codes(report) & {*OF_A_WALK, "picture_squeezed"}
    ((from_s, to_s),) = ways(report)
    assert from_s == pytest.approx(half.time_s[-1], abs=1.9)
    assert to_s == pytest.approx(half.time_s[-1] + walks.time_s[-1], abs=0.5)


@pytest.mark.parametrize("label", ["straight_leg_raise", "bridge", "heel_slide"])
def test_lying_down_before_a_set_and_getting_up_after_it_are_left_out(label):
    case = case_of(label)

    def between(a: Posture, b: Posture) -> RawTrack:
        keys = (Key(posture=a, move_s=0, stay_s=3.0), Key(posture=b, move_s=2.0, stay_s=0))
        return film(Movement(keys=keys), case_camera(case), anchor="hips")

    upright = Posture(up=0.5)
    down, up = between(upright, case.rest), between(case.rest, upright)
    the_set = set_of(case)
    report = assessed(joined(down, joined(the_set, up)), case.exercise)
    assert report.whole.n_complete == len(report.repetitions) == 3
    assert 3.0 < way(report)["until_s"] < down.time_s[-1] + 0.5
    assert way(report)["after_s"] > down.time_s[-1] + the_set.time_s[-1]


@pytest.mark.parametrize("distance", [None, 1.3])
@pytest.mark.parametrize("case", CASES, ids=lambda c: c.label)
def test_who_keeps_the_place_is_there_all_the_time(case, distance):
    # 1.3 body heights away a step forward makes a person larger, as a walk does.
    movement = repeated(case.rest, [case.good] * 3, stay_s=case.stay_s)
    camera = replace(case_camera(case), distance=distance)
    raw = film(movement, camera, anchor=case.anchor, roll_deg=case.roll_deg)
    assert stays_at_place(raw) == ((raw.time_s[0], raw.time_s[-1]),)
    assert only_at_place(raw, stays_at_place(raw)) is raw


@pytest.mark.parametrize(
    ("label", "rest_s", "stay_s"),
    [("deadlift", 0.2, 0.8), ("deadlift", 1.2, 2.5), ("single_leg_deadlift", 0.3, 1.5)],
)
def test_a_trunk_that_is_level_for_most_of_a_standing_set_is_not_lying(label, rest_s, stay_s):
    # Before: standing was getting up, and the first and last of five were cut.
    case = case_of(label)
    movement = repeated(case.rest, [case.good] * 5, rest_s=rest_s, stay_s=stay_s)
    raw = film(movement, case_camera(case), anchor=case.anchor)
    assert stays_at_place(raw) == ((raw.time_s[0], raw.time_s[-1]),)
    assert assessed(raw, case.exercise).whole.n_complete == 5


@pytest.mark.parametrize("share", [0.02, 0.1, 0.3, 0.6, 0.9])
@pytest.mark.parametrize("edge", ["bottom", "top", "left"])
@pytest.mark.parametrize("label", ["squat", "sit_to_stand", "forward_lunge", "single_leg_deadlift"])
def test_a_body_that_the_pictures_edge_cuts_off_loses_nothing(label, edge, share):
    # Before: pictures in which the body was not whole were a walk, and a set ended with them.
    case = case_of(label)
    movement = repeated(case.rest, [case.good] * 5, rest_s=0.5, stay_s=case.stay_s)
    raw = film(movement, replace(case_camera(case), noise_px=1.0), anchor=case.anchor)
    body = raw.image_px[:, 0, [LANDMARK[s, j] for j in ("shoulder", "ankle") for s in SIDES]]
    x, y = body[..., 0], body[..., 1]
    reach = {"bottom": y.max(axis=1), "top": -y.min(axis=1), "left": -x.min(axis=1)}
    least = float(np.quantile(reach[edge], share))
    image = raw.image_px.copy()
    axis = 0 if edge == "left" else 1
    size = (raw.clip.width_px, raw.clip.height_px)[axis]
    image[..., axis] += (size - least) if edge == "bottom" else least
    cropped = replace(raw, image_px=image)
    assert stays_at_place(cropped) == ((raw.time_s[0], raw.time_s[-1]),)


def test_who_walks_in_and_shows_one_leg_and_then_the_other_is_there_for_both():
    # Before: the first leg's set was taken for turning round after the walk.
    case = case_of("reverse_lunge")
    camera = replace(case_camera(case), azimuth_deg=70)
    movement = repeated(case.rest, [case.good] * 4, stay_s=case.stay_s)
    sets = [
        film(movement, replace(camera, azimuth_deg=az), anchor=case.anchor) for az in (70, -110)
    ]
    raw = joined(walk(case, 180, (4, 1)), joined(*sets))
    (stay,) = stays_at_place(raw)
    assert stay[0] == pytest.approx(WALK_S, abs=0.9)
    assert stay[1] == raw.time_s[-1]


def test_the_last_chair_rise_ends_standing_whether_or_not_one_walks_away_then():
    case = case_of("sit_to_stand")
    rises = set_of(case)  # ends seated
    keys = (
        Key(posture=case.rest, move_s=0, stay_s=0.2),
        Key(posture=Posture(), move_s=1.2, stay_s=2.0),
    )
    last = film(Movement(keys=keys), case_camera(case))
    report = assessed(joined(joined(rises, last), walk(case, 0, (1, 4))), "sit_to_stand")
    assert [r.repetition.is_complete for r in report.repetitions] == [True, True, True, False]


def test_a_small_movement_that_a_walk_ends_is_not_told_as_nearly_counted():
    case = case_of("squat")
    small = replace(
        case.rest, trunk=6.0, left_hip=12.0, right_hip=12.0, left_knee=18, right_knee=18
    )
    keys = (
        Key(posture=case.rest, move_s=0, stay_s=0.6),
        Key(posture=small, move_s=0.5, stay_s=0.1),
    )
    back = Key(posture=case.rest, move_s=0.5, stay_s=0)
    dips = film(Movement(keys=(*keys, back)), case_camera(case), anchor=case.anchor)
    apart = film(
        Movement(keys=(*keys, replace(back, stay_s=0.8))), case_camera(case), anchor=case.anchor
    )
    for last, is_told in ((dips, False), (apart, True)):
        report = assessed(joined(joined(set_of(case), last), walk(case, 0, (1, 4))), "squat")
        assert ("smaller_movement" in codes(report)) == is_told


@pytest.mark.filterwarnings("error")
def test_who_is_seen_on_two_sides_of_a_wide_picture_has_no_place_between():
    case = case_of("squat")
    left = set_of(case)
    shift = np.array([900.0, 0.0], np.float32)
    right = replace(left, image_px=left.image_px + shift)
    clip = replace(left.clip, width_px=2000)
    raw = joined(replace(left, clip=clip), replace(right, clip=clip))
    assert stays_at_place(raw) == ((raw.time_s[0], raw.time_s[-1]),)


def test_few_pictures_a_second_are_no_trouble():
    case = case_of("squat")
    movement = repeated(case.rest, [case.good] * 5)
    raw = film(movement, replace(case_camera(case), rate_hz=0.3))
    for times in (np.nan, 2.5):
        image = raw.image_px.copy()
        image[: len(image) // 3] *= times
        (stay,) = stays_at_place(replace(raw, image_px=image))
        assert stay[1] == raw.time_s[-1]


def test_limits_of_a_repetition_do_not_reach_into_a_way_that_is_left_out():
    case = case_of("squat")
    report = assessed(filmed_alone(case, set_of(case)), "squat")
    first = report.repetitions[0].repetition
    until_s = way(report)["until_s"]
    limits = {"kind": "limits", "repetition": 0, "reason": "early", "end_s": first.end_s}
    check_correction(Correction(**limits, start_s=until_s + 0.1), report)
    with pytest.raises(UsageError, match="the way to the place"):
        check_correction(Correction(**limits, start_s=until_s - 0.5), report)


def test_a_joint_of_two_recordings_is_no_walk():
    case = case_of("squat")
    nearer = enlarged(set_of(case), 1.5)
    raw = joined(nearer, set_of(case), change=60.0)
    assert stays_at_place(raw) == ((raw.time_s[0], raw.time_s[-1]),)
    assert "edited" in codes(assessed(raw, "squat"))


def test_a_set_in_two_places_is_left_out_in_neither():
    case = case_of("squat")
    raw = joined(set_of(case), joined(walk(case, 0, (1, 1.6)), enlarged(set_of(case), 1.6)))
    assert stays_at_place(raw) == ((raw.time_s[0], raw.time_s[-1]),)


def test_who_stands_at_the_camera_for_longer_than_the_set_is_still_on_the_way():
    case = case_of("squat")
    standing = film(
        Movement(keys=(Key(posture=Posture(), move_s=0, stay_s=25.0),)),
        replace(case_camera(case), azimuth_deg=0),
    )
    raw = joined(enlarged(standing, 4.0), filmed_alone(case, set_of(case)))
    report = assessed(raw, "squat")
    assert report.whole.n_complete == 3
    assert way(report)["until_s"] > 25.0


def test_a_repetition_that_the_clip_cuts_stays_told_where_nobody_walks_there():
    case = case_of("squat")
    movement = repeated(case.rest, [case.good] * 3, stay_s=case.stay_s)
    cut = film(movement, case_camera(case), from_s=2.4)
    report = assessed(joined(cut, walk(case, 0, (1, 4))), "squat")
    assert [r.repetition.is_complete for r in report.repetitions] == [False, True, True]
    assert set(way(report)) == {"until_s", "after_s"}
    assert way(report)["until_s"] is None


def test_the_ways_are_told_to_the_clinician_and_spare_the_patient():
    case = case_of("squat")
    report = assessed(filmed_alone(case, set_of(case)), "squat")
    (told,) = (t for t in told_once(report, "clinician") if t.findings[0].code == "way_left_out")
    assert "way to the place of the set" in told.words
    assert re.fullmatch(r"until [\d.]+ s, from [\d.]+ s", stretches(told.stretches_s))
    patients = patient_result(report, load_exercise("squat"))
    assert not [line for line in patients.not_seen if "way to the place" in line]
