"""Legs taken for one another, and a joint gone astray: the count follows the feet and the hips."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from exercise_cases import CASES
from skeleton import Camera, Key, Movement, Posture, both, film, mirrored, repeated

from formcheck.files.exercises import load_exercise
from formcheck.model.anatomy import LANDMARK, LEG, MIRROR, SIDES
from formcheck.model.records import Finding, NotMeasurable
from formcheck.model.request import Request
from formcheck.motion import measured_leg
from formcheck.motion.driving import without_free_legs
from formcheck.motion.findings import hidden_samples
from formcheck.motion.repetitions import Attempt
from formcheck.motion.scene import stretch_view
from formcheck.motion.settings import MotionSettings
from formcheck.motion.swapped_legs import exchanged_at, told_by_feet
from formcheck.motion.track import clean
from formcheck.run.pipeline import assess

GOOD = {case.label: case for case in CASES}
STANDING = Posture()


def filmed(label, n=3):
    case = GOOD[label]
    camera = Camera(azimuth_deg=case.azimuth_deg)
    movement = repeated(case.rest, [case.good] * n, stay_s=case.stay_s)
    return film(movement, camera, anchor=case.anchor, roll_deg=case.roll_deg)


def report_of(raw, label):
    case = GOOD[label]
    request = Request(clip="made_up.mp4", exercise=load_exercise(case.exercise), side=case.side)
    return assess(raw, request).report


def turns_s(report):
    return [r.repetition.turn_s for r in report.repetitions]


def glided(raw, spans):
    """The legs' places in the picture exchanged in each (from_s, to_s), gliding over 0.2 s."""
    image = np.array(raw.image_px)
    share = np.zeros(len(raw.time_s))
    for from_s, to_s in spans:
        share = np.maximum(
            share,
            np.interp(
                raw.time_s, [from_s - 0.1, from_s + 0.1, to_s - 0.1, to_s + 0.1], [0, 1, 1, 0]
            ),
        )
    legs = [LANDMARK[s, j] for s in ("left", "right") for j in LEG if j != "hip"]
    others = [MIRROR[k] for k in legs]
    share = share[:, None, None, None]
    image[:, :, legs] = (1 - share) * raw.image_px[:, :, legs] + share * raw.image_px[:, :, others]
    return replace(raw, image_px=image)


def feet_px(left_x, right_x):
    """Ankles at these places along the picture, on one level; the body is 100 high; (n, 33, 2)."""
    out = np.full((len(left_x), 33, 2), np.nan)
    out[:, 0] = [0, 0]
    out[:, 1] = [0, 100]
    for side, x in (("left", left_x), ("right", right_x)):
        out[:, LANDMARK[side, "ankle"]] = np.stack([x, np.full(len(x), 100.0)], axis=1)
    return out


TIME_S = np.arange(0, 6, 1 / 15)
NONE = np.zeros(len(TIME_S), bool)


def test_feet_that_exchange_places_and_return_tell_the_names_in_between():
    share = np.interp(TIME_S, [2.0, 2.2, 2.8, 3.0], [0, 1, 1, 0])
    image = feet_px(30 * share, 30 - 30 * share)
    found = told_by_feet(image, NONE, TIME_S)
    wrong = share > 0.5
    assert np.mean(found == wrong) > 0.98
    assert found[wrong].mean() > 0.9


def test_a_foot_that_passes_the_other_one_keeps_its_name():
    for ahead in (15.0, 30.0, 45.0):
        x = np.interp(TIME_S, [2.0, 2.3, 2.8, 3.1], [-30, ahead, ahead, -30])
        image = feet_px(x, np.zeros(len(TIME_S)))
        assert exchanged_at(image, TIME_S) == []
        assert not told_by_feet(image, NONE, TIME_S).any()


def test_two_feet_that_move_on_together_keep_their_names():
    x = np.interp(TIME_S, [2.0, 2.3], [0, 30])  # a picture that moves, or a slide
    assert exchanged_at(feet_px(x, x + 30), TIME_S) == []


@pytest.mark.parametrize("spans", [[(2.0, 9.0)], [(2.0, 3.5)], [(1, 1.8), (2.2, 3.0), (3.4, 4.2)]])
def test_where_either_name_may_be_the_right_one_they_stay(spans):
    is_in = np.zeros(len(TIME_S), bool)
    for a, b in spans:
        is_in |= (a <= TIME_S) & (b > TIME_S)
    image = feet_px(np.where(is_in, 30.0, 0.0), np.where(is_in, 0.0, 30.0))
    assert exchanged_at(image, TIME_S)
    assert not told_by_feet(image, NONE, TIME_S).any()


def test_a_repair_that_would_make_the_feet_exchange_places_is_none():
    image = feet_px(np.zeros(len(TIME_S)), np.full(len(TIME_S), 30.0))
    is_swapped = (TIME_S > 1) & (TIME_S < 4)
    assert not told_by_feet(image, is_swapped, TIME_S).any()


def test_a_repair_that_the_feet_agree_with_stays():
    is_swapped = (TIME_S > 1) & (TIME_S < 4)
    image = feet_px(np.where(is_swapped, 30.0, 0.0), np.where(is_swapped, 0.0, 30.0))
    assert np.array_equal(told_by_feet(image, is_swapped, TIME_S), is_swapped)


def test_a_lunge_whose_legs_are_exchanged_at_its_turn_is_still_this_legs():
    raw = filmed("forward_lunge")
    plain = report_of(raw, "forward_lunge")
    assert plain.whole.n_complete == 3
    turn_s = turns_s(plain)[1]
    found = report_of(glided(raw, [(turn_s - 0.35, turn_s + 0.35)]), "forward_lunge")
    assert found.whole.n_complete == 3
    assert [f.code for f in found.findings if f.code == "other_leg"] == []
    assert np.allclose(turns_s(found), turns_s(plain), atol=0.2)


def astray(raw, around_s, side="left"):
    """A leg that reads straight for a moment, with its knee on the line from hip to ankle, and
    jumps there and back before and after."""
    image = np.array(raw.image_px)
    hip, knee, ankle = (LANDMARK[side, j] for j in ("hip", "knee", "ankle"))
    straight = (image[:, 0, hip] + image[:, 0, ankle]) / 2
    gone = np.abs(raw.time_s - around_s) < 0.15
    flicker = np.abs(raw.time_s - around_s) < 0.3
    rows = np.flatnonzero(gone | (flicker & (np.arange(len(gone)) % 2 == 0)))
    image[rows, 0, knee] = straight[rows]
    return replace(raw, image_px=image)


@pytest.mark.parametrize("label", ["split_squat", "squat", "forward_lunge"])
def test_a_knee_that_reads_straight_while_the_hips_stay_down_is_no_return(label):
    raw = filmed(label)
    plain = report_of(raw, label)
    assert plain.whole.n_complete == 3
    found = report_of(astray(raw, turns_s(plain)[1]), label)
    assert "landmarks_unsteady" in [f.code for f in found.findings]
    assert found.whole.n_complete == 3
    assert np.allclose(turns_s(found), turns_s(plain), atol=0.3)


def test_hips_that_count_the_same_leave_the_knee_to_count():
    raw = filmed("squat")
    assert report_of(raw, "squat").repetitions
    request = Request(clip="made_up.mp4", exercise=load_exercise("squat"), side="left")
    assert assess(raw, request).trace.key == "knee_flexion"


def test_a_change_and_change_back_that_stands_alone_is_set_right_whatever_comes_later():
    is_in = ((TIME_S >= 1.4) & (TIME_S < 2.2)) | (TIME_S >= 4.0)
    image = feet_px(np.where(is_in, 30.0, 0.0), np.where(is_in, 0.0, 30.0))
    found = told_by_feet(image, NONE, TIME_S)
    assert np.array_equal(found, is_in & (TIME_S < 3))


def held_s(report):
    (only,) = report.repetitions
    assert only.repetition.is_complete
    return {v.key: v for v in only.measures}["plateau_hold_s"]


def test_a_stance_whose_feet_keep_changing_names_is_one_stance():
    raw = filmed("single_leg_stance", n=1)
    plain = report_of(raw, "single_leg_stance")
    turn_s = turns_s(plain)[0]
    spans = [(turn_s + k - 0.6, turn_s + k + 0.6) for k in (-2, 0, 2)]
    found = report_of(glided(raw, spans), "single_leg_stance")
    assert found.whole.n_complete == plain.whole.n_complete == 1
    assert found.repetitions[0].repetition.end_s == pytest.approx(
        plain.repetitions[0].repetition.end_s, abs=0.3
    )


def test_a_free_foot_whose_heel_is_hidden_is_followed_by_its_ankle_and_toe():
    raw = filmed("single_leg_stance", n=1)
    plain = report_of(raw, "single_leg_stance")
    only = plain.repetitions[0].repetition
    there = (raw.time_s > only.turn_from_s) & (raw.time_s < only.turn_to_s)
    visibility = np.array(raw.visibility)
    for side in ("left", "right"):
        visibility[there, 0, LANDMARK[side, "heel"]] = 0.0
    found = report_of(replace(raw, visibility=visibility), "single_leg_stance")
    assert found.whole.n_complete == 1
    assert held_s(found).value == pytest.approx(held_s(plain).value, abs=0.4)


def test_a_pose_that_drifts_off_as_the_person_is_lost_is_no_jump():
    raw = filmed("squat")
    last = report_of(raw, "squat").repetitions[-1].repetition
    image = np.array(raw.image_px)
    size = np.nanmax(image[0, 0, :, 1]) - np.nanmin(image[0, 0, :, 1])
    gone = raw.time_s - last.end_s
    image[..., 1] -= (size * np.clip(gone / 0.3, 0, 1) * 0.3)[:, None, None]
    image[gone > 0.3] = np.nan
    found = report_of(replace(raw, image_px=image), "squat")
    assert [f.code for f in found.findings if f.code == "other_movement"] == []
    assert found.whole.n_complete == 3


def turn_about(centre, points, turn):
    """The points, (n, 2), turned about the centres in place, by radians."""
    x, y = (points - centre).T
    points[:] = centre + np.stack(
        [x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)], axis=1
    )


def with_free_leg(raw, from_s, flexion_deg):
    """The left knee bends from a second on to the clip's end, its foot comes up behind."""
    image = np.array(raw.image_px)
    knee = image[:, 0, LANDMARK["left", "knee"]]
    turn = np.radians(flexion_deg) * np.clip((raw.time_s - from_s) / 0.6, 0, 1)
    turn *= np.sign(image[0, 0, LANDMARK["left", "toe"], 0] - knee[0, 0])
    for joint in ("ankle", "heel", "toe"):
        turn_about(knee, image[:, 0, LANDMARK["left", joint]], turn)
    return replace(raw, image_px=image)


def test_a_knee_that_bends_at_the_clips_end_while_the_hips_stay_up_is_no_cut_squat():
    label = "single_leg_squat from the side"
    raw = filmed(label)
    report = report_of(with_free_leg(raw, raw.time_s[-1] - 0.8, 60), label)
    assert [r.repetition.is_complete for r in report.repetitions] == [True] * 3


@pytest.mark.parametrize(
    ("range_deg", "fall_share", "is_complete", "is_kept"),
    [
        (60, 0.02, False, False),
        (60, 0.02, True, True),
        (60, 0.10, False, True),  # at 60 deg the hips fall by 0.13 at least
        (30, 0.0, False, True),  # by 0.03 only: too little to tell
        (60, np.nan, False, True),
    ],
)
def test_only_a_cut_bend_that_leaves_the_hips_up_is_left_out(
    range_deg, fall_share, is_complete, is_kept
):
    exercise = load_exercise("squat")
    attempt = Attempt(
        start=0,
        turn_from=8,
        turn_to=9,
        end=9,
        rest_before=5,
        rest_after=5,
        extreme=5 + range_deg,
        is_complete=is_complete,
        is_cut_after=not is_complete,
    )
    # A camera that follows the hips half of the way.
    image = np.zeros((10, 33, 2))
    follows = fall_share * np.linspace(0, 1, 10) * 50
    for side in ("left", "right"):
        image[:, LANDMARK[side, "hip"], 1] = 200 + follows
        image[:, LANDMARK[side, "ankle"], 1] = 300 - follows
    image[:, LANDMARK["right", "ankle"], 1] -= 60  # the free foot is in the air
    side_view = next(v for v in exercise.views if v.driving_signal == "knee_flexion")
    track = SimpleNamespace(image_px=image)
    left = without_free_legs([attempt], side_view, track, 100.0, exercise)
    assert left == ((attempt,) if is_kept else ())


@pytest.mark.parametrize("hip_to_trunk_deg", [-100, -60, 150, 195, 210])
def test_a_thigh_that_no_hip_allows_is_hidden(hip_to_trunk_deg):
    bend = Posture(trunk=60, **both(hip=hip_to_trunk_deg - 60, knee=100))
    raw = film(repeated(Posture(trunk=5), [bend]), Camera(azimuth_deg=90))
    track = clean(raw)
    hidden = hidden_samples(track, "left", stretch_view(track, MotionSettings()))
    at_turn = np.abs(track.time_s - 2.7) < 0.2
    assert hidden[at_turn].all() == hidden[at_turn].any() == (not -90 < hip_to_trunk_deg < 200)
    assert not hidden[track.time_s < 1].any()


def test_a_repetition_whose_thigh_no_hip_allows_has_no_number_of_it():
    bend = Posture(trunk=40, **both(hip=-140, knee=110))
    raw = film(repeated(Posture(), [bend] * 3, stay_s=0.5), Camera(azimuth_deg=90))
    request = Request(clip="made_up.mp4", exercise=load_exercise("squat"), side="left")
    repetitions = assess(raw, request).report.repetitions
    thighs = [m for r in repetitions for m in r.measures if m.key == "thigh_inclination_deg"]
    assert [isinstance(m, NotMeasurable) for m in thighs] == [True] * 3


def unseen(raw, from_s, to_s, names, side):
    """The clip with these joints of a side hidden for a while."""
    visibility = np.array(raw.visibility)
    away = (raw.time_s >= from_s) & (raw.time_s <= to_s)
    visibility[np.ix_(away, [0], [LANDMARK[side, j] for j in names])] = 0.02
    return replace(raw, visibility=visibility)


def test_hips_that_are_guessed_while_neither_leg_is_seen_are_no_squat():
    raw = film(
        repeated(Posture(), [Posture(trunk=15, **both(hip=35, knee=70))] * 3, rest_s=3.0),
        Camera(azimuth_deg=0),
    )
    request = Request(clip="made_up.mp4", exercise=load_exercise("squat"))
    plain = assess(raw, request).report
    between_s = (
        plain.repetitions[1].repetition.end_s + 0.5,
        plain.repetitions[1].repetition.end_s + 2.5,
    )
    image = np.array(raw.image_px)
    hips = [LANDMARK[s, "hip"] for s in ("left", "right")]
    ankles = [LANDMARK[s, "ankle"] for s in ("left", "right")]
    leg_px = (image[0, 0, ankles, 1] - image[0, 0, hips, 1]).mean()
    sunk = np.interp(raw.time_s, [between_s[0], sum(between_s) / 2, between_s[1]], [0, 1, 0])
    image[:, 0, hips, 1] += 0.2 * leg_px * sunk[:, None]
    guessed = replace(raw, image_px=image)
    for side in ("left", "right"):
        guessed = unseen(guessed, *between_s, LEG[1:], side)
    found = assess(guessed, request).report
    assert (plain.whole.n_complete, found.whole.n_complete) == (3, 3)


def test_what_the_knee_shows_whole_is_whole_where_the_hips_are_lost():
    raw = filmed("squat")
    plain = report_of(raw, "squat")
    second = plain.repetitions[1].repetition
    lost = unseen(raw, second.start_s + 0.2, second.turn_s - 0.1, ("hip",), "right")
    image = np.array(lost.image_px)
    flickers = np.flatnonzero(np.abs(raw.time_s - second.turn_s) < 0.3)[::2]
    image[flickers, 0, LANDMARK["left", "knee"], 0] -= 25
    found = report_of(replace(lost, image_px=image), "squat")
    assert "landmarks_unsteady" in [f.code for f in found.findings]
    assert [r.repetition.is_complete for r in found.repetitions] == [True] * 3
    assert np.allclose(turns_s(found), turns_s(plain), atol=0.3)


def test_legs_hidden_at_rest_leave_the_hips_to_tell_when_a_rise_begins():
    label = "sit_to_stand"
    case = GOOD[label]
    movement = repeated(case.rest, [case.good] * 3, rest_s=1.6, stay_s=0.8)
    raw = film(movement, Camera(azimuth_deg=90), anchor=case.anchor)
    plain = report_of(raw, label)
    behind_table, last_s = raw, 0.0
    for found in plain.repetitions:
        start_s, end_s = found.repetition.start_s, found.repetition.end_s
        for side in ("left", "right"):
            behind_table = unseen(behind_table, last_s, start_s + 0.3, LEG[1:], side)
        last_s = end_s - 0.3
    second = report_of(behind_table, label).repetitions[1].repetition
    true = plain.repetitions[1].repetition
    assert (second.start_s, second.end_s) == pytest.approx((true.start_s, true.end_s), abs=0.1)


@pytest.mark.parametrize("lost_s", [0.2, 0.45])
def test_hips_lost_for_a_moment_that_show_two_bends_are_right_against_one_of_the_knee(lost_s):
    raw = filmed("squat")
    turns = turns_s(report_of(raw, "squat"))
    image = np.array(raw.image_px)
    hip, knee, ankle = (image[:, 0, LANDMARK["left", j]] for j in ("hip", "knee", "ankle"))
    # The knee stays bent from the first turn to the second, and is unsteady between them.
    toe = image[0, 0, LANDMARK["left", "toe"], 0]
    half = np.linalg.norm(ankle - hip, axis=1) / 2
    bent = (hip + ankle) / 2 + np.stack([np.sign(toe - knee[0, 0]) * half, 0 * half], axis=1)
    stuck = np.interp(
        raw.time_s, [turns[0] - 0.1, turns[0] + 0.1, turns[1] - 0.1, turns[1] + 0.1], [0, 1, 1, 0]
    )[:, None]
    knee[:] = (1 - stuck) * knee + stuck * bent
    flickers = np.flatnonzero(np.abs(raw.time_s - (turns[0] + turns[1]) / 2) < 0.4)[::2]
    knee[flickers, 0] -= 25
    astray_twice = unseen(
        replace(raw, image_px=image), turns[0] - lost_s, turns[0] + lost_s, ("hip",), "right"
    )
    found = report_of(astray_twice, "squat")
    assert "landmarks_unsteady" in [f.code for f in found.findings]
    assert turns_s(found) == pytest.approx(turns, abs=0.3)


def test_a_blink_of_the_hips_does_not_make_a_free_legs_bend_a_squat():
    label = "single_leg_squat from the side"
    case = GOOD[label]
    raw = film(
        repeated(case.rest, [case.good] * 3, rest_s=4.0), Camera(azimuth_deg=case.azimuth_deg)
    )
    between_s = report_of(raw, label).repetitions[0].repetition.end_s + 2.0
    # The free leg's bend is taken for the standing leg's, and its knee flickers.
    image = np.array(raw.image_px)
    knee = image[:, 0, LANDMARK["left", "knee"]]
    bend = np.interp(raw.time_s, between_s + np.array([-1.1, -0.4, 0.4, 1.1]), [0, 1, 1, 0])
    turn = np.radians(60) * bend * np.sign(image[0, 0, LANDMARK["left", "toe"], 0] - knee[0, 0])
    for joint in ("ankle", "heel", "toe"):
        turn_about(knee, image[:, 0, LANDMARK["left", joint]], turn)
    flickers = np.flatnonzero(np.abs(raw.time_s - between_s) < 0.4)[::2]
    image[flickers, 0, LANDMARK["left", "knee"], 0] -= 25
    lost = unseen(replace(raw, image_px=image), between_s - 0.2, between_s + 0.2, ("hip",), "right")
    found = report_of(lost, label)
    assert "landmarks_unsteady" in [f.code for f in found.findings]
    assert found.whole.n_complete == 3


@pytest.mark.parametrize(
    ("n_other", "n_all", "is_astray", "n_kept"),
    [(1, 4, True, 4), (1, 4, False, 3), (1, 3, True, 2), (2, 4, True, 2)],
)
def test_one_step_in_four_whose_feet_are_astray_is_not_told_as_the_other_legs(
    monkeypatch, n_other, n_all, is_astray, n_kept
):
    attempts = [
        Attempt(
            start=10 * k,
            turn_from=10 * k + 4,
            turn_to=10 * k + 5,
            end=10 * k + 8,
            rest_before=0,
            rest_after=0,
            extreme=90,
            is_complete=True,
        )
        for k in range(n_all)
    ]
    others = attempts[:n_other]
    monkeypatch.setattr(
        measured_leg, "working_side_of", lambda a, *_: "right" if a in others else "left"
    )
    request = Request(clip="made_up.mp4", exercise=load_exercise("reverse_lunge"), side="left")
    unsteady = Finding(code="landmarks_unsteady", from_s=0.3, to_s=0.5, spoils="stretch")
    kept, told = measured_leg.of_the_side_asked_for(
        attempts,
        request,
        SimpleNamespace(time_s=np.arange(10 * n_all) / 10),
        None,
        SimpleNamespace(driving_signal="knee_flexion"),
        (unsteady,) if is_astray else (),
        None,
    )
    assert len(kept) == n_kept
    assert [f.code for f in told] == ["other_leg"] * (n_kept < n_all)


# -- a set of one leg in which the other one works, too

STANCE_SETS = [
    ("single_leg_squat from the side", 90),
    ("single_leg_squat", 0),
    ("single_leg_deadlift", 90),
    ("single_leg_deadlift from the front", 0),
    ("step_down", 0),
]
OTHER_ANKLE = {"left_ankle": "right_ankle", "hips": "hips"}


def filmed_by_turns(label, azimuth_deg, n_each=2):
    """Repetitions of the left leg, then as many of the right one, standing on two feet between."""
    case = GOOD[label]
    parts = []
    for side in SIDES:
        of = (lambda p: p) if side == "left" else mirrored
        keys = [Key(posture=STANDING, move_s=0, stay_s=0.6)]
        for _ in range(n_each):
            keys += [
                Key(posture=of(case.rest), move_s=0.8, stay_s=0.8),
                Key(posture=of(case.good), move_s=1.2, stay_s=0.8),
                Key(posture=of(case.rest), move_s=1.2, stay_s=0.8),
                Key(posture=STANDING, move_s=0.8, stay_s=0.6),
            ]
        anchor = case.anchor if side == "left" else OTHER_ANKLE[case.anchor]
        camera = Camera(azimuth_deg=azimuth_deg)
        parts.append(film(Movement(keys=tuple(keys)), camera, anchor=anchor))
    first, second = parts
    n = len(first.time_s) + len(second.time_s)
    stay_s = n / Camera().rate_hz
    standing = Movement(keys=(Key(posture=STANDING, move_s=0, stay_s=stay_s),))
    whole = film(standing, Camera(azimuth_deg=azimuth_deg))
    hips = [LANDMARK[side, "hip"] for side in SIDES]
    apart = first.image_px[-1, :, hips].mean(0) - second.image_px[0, :, hips].mean(0)
    joined = {
        "image_px": np.concatenate([first.image_px, second.image_px + apart]),
        "world_m": np.concatenate([first.world_m, second.world_m]),
        "visibility": np.concatenate([first.visibility, second.visibility]),
    }
    made = replace(whole, **{k: v[: len(whole.time_s)] for k, v in joined.items()})
    return case.exercise, made


@pytest.mark.parametrize(("label", "azimuth_deg"), STANCE_SETS)
def test_repetitions_of_the_other_leg_are_left_out_and_told(label, azimuth_deg):
    # Before: "4 of 4 repetitions", two of them measured on the free leg, and no word of it.
    exercise, raw = filmed_by_turns(label, azimuth_deg)
    request = Request(clip="made_up.mp4", exercise=load_exercise(exercise), side="left")
    report = assess(raw, request).report
    (told,) = (f for f in report.findings if f.code == "other_leg")
    assert (told.value("n"), told.value("n_all"), told.value("asked")) == (2, 4, "left")
    assert report.whole.n_complete == 2
    assert {r.repetition.side for r in report.repetitions} == {"left"}


@pytest.mark.parametrize("label", ["single_leg_squat from the side", "single_leg_deadlift"])
def test_from_the_side_the_far_legs_repetitions_are_not_told_as_none(label):
    # Before, beside four "of the left": "only repetitions of the left one were found".
    exercise, raw = filmed_by_turns(label, 90)
    request = Request(clip="made_up.mp4", exercise=load_exercise(exercise), side="both")
    report = assess(raw, request).report
    codes = {f.code for f in report.findings}
    assert "other_leg" in codes
    assert "one_leg_only" not in codes
    assert report.whole.n_complete == 2
    assert not any(r.remarks for r in report.repetitions)
