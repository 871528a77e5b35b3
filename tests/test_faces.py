import math
from dataclasses import replace

import numpy as np
import pytest
from builders import Motion, build_clip, build_raw, figure_px

from formcheck.model.anatomy import LANDMARK
from formcheck.overlay.faces import FaceSettings, find_heads, head_circles

MOTION = Motion(n_repetitions=3)
CLIP = build_clip(MOTION)
RATE_HZ = 15.0
TIMES_S = np.arange(int(CLIP.duration_s * RATE_HZ)) / RATE_HZ


def people(*x_shares):
    """Figures side by side, (n, p, 33, 2)."""
    flexion = MOTION.flexion_deg(TIMES_S)
    return np.stack([figure_px(flexion, x_share=x) for x in x_shares], axis=1)


def face(person, i):
    return person[i, :11].mean(0)


def covers(circles, point, radius=0.0):
    return any(math.hypot(x - point[0], y - point[1]) + radius <= r for x, y, r in circles)


def test_a_head_is_covered_with_hair_and_chin_at_every_picture():
    persons = people(0.5)
    heads = find_heads(build_raw(CLIP, people=persons))
    for k, t in enumerate(TIMES_S):
        assert covers(heads.at(t), face(persons[:, 0], k), radius=0.07 * 384)


def test_between_two_sightings_the_head_is_where_it_moves_through():
    persons = people(0.5)
    heads = find_heads(build_raw(CLIP, people=persons))
    for t in np.arange(0.05, CLIP.duration_s - 0.2, 0.31):
        truth = figure_px(MOTION.flexion_deg(np.array([t])))[0, :11].mean(0)
        assert covers(heads.at(t), truth, radius=0.07 * 384)


def test_a_gap_is_bridged_and_the_circle_grows_in_its_middle():
    persons = people(0.5)
    persons[30:60] = np.nan
    heads = find_heads(build_raw(CLIP, people=persons))
    assert len(heads.heads) == 1
    (_, _, before), (_, _, middle) = heads.at(TIMES_S[29])[0], heads.at(TIMES_S[45])[0]
    assert middle > 2 * before


def test_a_person_not_seen_at_first_is_hidden_from_the_first_picture_on():
    persons = people(0.5)
    persons[:45] = np.nan
    heads = find_heads(build_raw(CLIP, people=persons))
    assert covers(heads.at(0.0), face(people(0.5)[:, 0], 0), radius=0.07 * 384)


def test_a_person_lost_for_good_stays_hidden_to_the_last_picture():
    persons = people(0.5)
    persons[60:] = np.nan
    heads = find_heads(build_raw(CLIP, people=persons))
    assert len(heads.at(CLIP.duration_s)) == 1


def test_two_people_who_change_places_in_the_list_keep_their_heads():
    persons = people(0.3, 0.75)
    persons[1::2] = persons[1::2, ::-1].copy()
    heads = find_heads(build_raw(CLIP, people=persons))
    assert len(heads.heads) == 2
    assert all(len(h.time_s) == len(TIMES_S) for h in heads.heads)
    assert all(np.ptp(h.x_px) < 120 for h in heads.heads)


def test_someone_who_leaves_is_held_for_a_while_then_let_go():
    persons = people(0.3, 0.75)
    persons[90:, 1] = np.nan
    heads = find_heads(build_raw(CLIP, people=persons))
    assert len(heads.at(TIMES_S[89] + 1.5)) == 2
    assert len(heads.at(TIMES_S[89] + FaceSettings().hold_s + 0.1)) == 1


def test_a_slip_of_the_model_hides_its_place_only_briefly():
    persons = people(0.5)
    persons[60] = people(0.1)[60]
    heads = find_heads(build_raw(CLIP, people=persons))
    assert len(heads.at(TIMES_S[60])) == 2
    assert len(heads.at(TIMES_S[60] + 0.5)) == 1


def test_a_missing_face_is_put_on_top_of_the_trunk():
    persons = people(0.5)
    truth = head_circles(persons)
    persons[:, :, :11] = np.nan
    guessed = head_circles(persons)
    offset = np.hypot(*(guessed - truth)[..., :2].reshape(-1, 2).T)
    assert (offset + truth[..., 2].ravel() < 1.6 * guessed[..., 2].ravel()).all()
    assert (guessed[..., 2] > truth[..., 2]).all()


def test_face_landmarks_far_from_the_shoulders_are_not_believed():
    persons = people(0.5)
    truth = head_circles(persons)
    persons[:, :, :11] += (0.0, 330.0)
    guessed = head_circles(persons)
    assert (np.hypot(*(guessed - truth)[..., :2].reshape(-1, 2).T) < truth[..., 2].ravel()).all()


def test_a_trunk_seen_end_on_does_not_shrink_the_head():
    persons = people(0.5)
    wide = persons.copy()
    wide[:, :, LANDMARK["left", "shoulder"], 0] += 50
    wide[:, :, LANDMARK["right", "shoulder"], 0] -= 50
    for side in ("left", "right"):
        wide[:, :, LANDMARK[side, "hip"]] = wide[:, :, LANDMARK[side, "shoulder"]] + (0, 8)
    assert (head_circles(wide)[..., 2] > 30).all()


def test_nobody_at_all_gives_no_circle():
    heads = find_heads(build_raw(CLIP, people=people(0.5) * np.nan))
    assert heads.at(1.0) == []


def test_a_track_without_pictures_gives_no_circle():
    raw = build_raw(CLIP)
    empty = {
        name: getattr(raw, name)[:0]
        for name in (
            "time_s",
            "stamp",
            "image_px",
            "world_m",
            "visibility",
            "brightness",
            "contrast",
            "sharpness",
            "change",
            "border_change",
        )
    }
    assert find_heads(replace(raw, **empty)).at(0.0) == []


@pytest.mark.parametrize("rate_hz", [5.0, 10.0])
def test_at_a_low_pose_rate_a_quick_head_is_still_one_head(rate_hz):
    heads = find_heads(build_raw(CLIP, MOTION, rate_hz=rate_hz))
    assert len(heads.heads) == 1
