"""The live count, on numbers and on every exercise of the table as a few pictures a second."""

import math
from dataclasses import replace

import numpy as np
import pytest
from exercise_cases import CASES, Case
from hypothesis import given, settings
from hypothesis import strategies as st
from skeleton import Camera, film, repeated

from formcheck.files.exercises import load_exercise
from formcheck.live.count import LiveCount, counted, n_to_count
from formcheck.live.framing import glimpse_of, wanted_for
from formcheck.live.watching import LiveSet
from formcheck.model.anatomy import other_side

RATE_HZ = 6.0


def count_of(values, *, rate_hz=RATE_HZ, least_range=20.0, is_hold=False) -> LiveCount:
    count = LiveCount()
    for i, value in enumerate(values):
        count = counted(count, i / rate_hz, float(value), least_range=least_range, is_hold=is_hold)
    return count


def bends(peaks, *, rate_hz=RATE_HZ, period_s=3.0, rest_s=1.5, rest_deg=5.0) -> np.ndarray:
    """Raised-cosine bends with rests between them, degrees."""
    rest = np.full(round(rest_s * rate_hz), rest_deg)
    parts = [rest]
    for peak in peaks:
        t = np.linspace(0, 1, round(period_s * rate_hz), endpoint=False)
        parts += [rest_deg + (peak - rest_deg) * (1 - np.cos(2 * np.pi * t)) / 2, rest]
    return np.concatenate(parts)


def test_each_bend_and_return_is_counted_once():
    assert count_of(bends([90, 80, 95, 60])).n == 4
    assert count_of(bends([90] * 10, rate_hz=3.0), rate_hz=3.0).n == 10, "a slow machine"


def test_a_bend_is_counted_when_the_person_has_come_most_of_the_way_back():
    values = bends([90])
    at_the_turn = int(np.argmax(values)) + 2
    assert count_of(values[:at_the_turn]).n == 0
    assert count_of(values[:at_the_turn]).is_away
    assert count_of(values).n == 1
    assert not count_of(values).is_away


def test_a_movement_smaller_than_the_least_range_is_none():
    assert count_of(bends([20, 22, 18])).n == 0


def test_a_falter_near_the_turn_is_one_bend():
    t = np.linspace(0, 1, 18)
    falter = np.concatenate([[5] * 8, 5 + 85 * t, 90 - 25 * t, 65 + 25 * t, 90 - 85 * t, [5] * 8])
    assert count_of(falter).n == 1


def test_one_slip_of_a_landmark_is_no_bend_and_ends_none():
    values = np.full(40, 5.0)
    values[20] = 80.0
    assert count_of(values).n == 0
    held = bends([90], period_s=6.0)
    held[int(np.argmax(held))] = 5.0
    assert count_of(held).n == 1


def test_pictures_without_the_leg_change_nothing():
    values = bends([90, 80])
    values[[3, 20, 21, 40]] = math.nan
    assert count_of(values).n == 2
    assert count_of([math.nan] * 20) == LiveCount()


def test_a_hold_is_timed_while_it_lasts():
    up, hold = np.linspace(5, 90, 9), np.full(120, 90.0)
    away = count_of(np.concatenate([np.full(9, 5.0), up, hold]), is_hold=True)
    assert away.n == 0
    assert away.hold_s == pytest.approx(20, abs=2)
    back = count_of(np.concatenate([np.full(9, 5.0), up, hold, up[::-1], [5.0] * 5]), is_hold=True)
    assert (back.n, back.hold_s) == (1, 0.0)


@pytest.mark.parametrize("rise_s", [1.0, 2.0, 3.0])
def test_the_way_to_a_hold_is_no_part_of_it(rise_s):
    """Who comes back at the word "time" has held as long as was asked for."""
    rise = np.linspace(5, 90, round(6 * rise_s))
    held = count_of(np.concatenate([np.full(9, 5.0), rise, np.full(60, 90.0)]), is_hold=True)
    assert held.hold_s == pytest.approx(10, abs=0.45 + 0.1 * rise_s)
    # A slow slide on the wall does not begin it anew.
    sliding = np.linspace(90, 86, 60)
    held = count_of(np.concatenate([np.full(9, 5.0), rise, sliding]), is_hold=True)
    assert held.hold_s == pytest.approx(10, abs=0.45 + 0.1 * rise_s)


def test_a_new_place_to_rest_at_is_learnt_and_not_counted():
    moved = np.concatenate([np.full(12, 5.0), np.full(90, 40.0), 35 + bends([90, 90])])
    assert count_of(moved).n == 2


def test_a_recording_that_begins_at_the_turn_finds_the_rest_level_below():
    values = np.concatenate([np.full(12, 90.0), np.linspace(90, 5, 9), bends([90, 90])])
    assert count_of(values).n == 2


@settings(max_examples=60)
@given(
    peaks=st.lists(st.floats(45, 120), min_size=1, max_size=8),
    rest_deg=st.floats(-10, 15),
    period_s=st.floats(1.5, 6),
    noise=st.floats(0, 3),
    seed=st.integers(0, 1000),
)
def test_any_set_of_clear_bends_is_counted_right(peaks, rest_deg, period_s, noise, seed):
    values = bends(peaks, period_s=period_s, rest_deg=rest_deg)
    values = values + np.random.default_rng(seed).normal(0, noise, len(values))
    assert count_of(values).n == len(peaks)


# -- from landmarks, a few a second, every exercise


def live_set(case: Case) -> LiveSet:
    exercise = load_exercise(case.exercise)
    plane = (
        "sagittal"
        if abs(abs(case.azimuth_deg) - 90) < 30
        else ("frontal" if case.azimuth_deg in (0, 180) else "oblique")
    )
    return LiveSet(exercise, wanted_for(exercise, plane, case.side), case.side)


def watch(case: Case, turn, *, noise_px=2.0) -> LiveCount:
    """What the page would have counted at the end of a set of three."""
    movement = repeated(case.rest, [turn] * case.n, stay_s=case.stay_s)
    camera = Camera(azimuth_deg=case.azimuth_deg, rate_hz=RATE_HZ, noise_px=noise_px, seed=3)
    raw = film(movement, camera, anchor=case.anchor, roll_deg=case.roll_deg)
    live, answer = live_set(case), None
    for i in range(len(raw.time_s)):
        if i == 4:
            live.start()
        answer = live.see(
            glimpse_of(
                raw.image_px[i],
                raw.world_m[i],
                raw.visibility[i],
                time_s=float(raw.time_s[i]),
                width_px=camera.width_px,
                height_px=camera.height_px,
                brightness=120.0,
            )
        )
    return answer.count


@pytest.mark.parametrize(
    "case",
    [c for c in CASES if not load_exercise(c.exercise).is_timed_when_unseen],
    ids=lambda c: c.label,
)
def test_a_set_of_every_exercise_is_counted_live(case: Case):
    assert watch(case, case.good).n == case.n


def test_the_far_leg_is_not_counted_for_the_near_one():
    case = next(c for c in CASES if c.exercise == "seated_knee_extension")
    wrong = replace(case, side=other_side(case.side))
    exercise = load_exercise(case.exercise)
    live = LiveSet(exercise, wanted_for(exercise, "sagittal", wrong.side), wrong.side)
    raw = film(repeated(case.rest, [case.good] * 3), Camera(rate_hz=RATE_HZ), anchor=case.anchor)
    for i in range(len(raw.time_s)):
        if i == 4:
            live.start()
        answer = live.see(
            glimpse_of(
                raw.image_px[i],
                raw.world_m[i],
                raw.visibility[i],
                time_s=float(raw.time_s[i]),
                width_px=960,
                height_px=720,
                brightness=120.0,
            )
        )
    assert answer.count.n == 0
    assert not answer.framing.is_good


def test_pictures_out_of_order_are_refused():
    live = live_set(CASES[0])
    empty = np.empty((0, 33, 2)), np.empty((0, 33, 3)), np.empty((0, 33))
    about = {"width_px": 64, "height_px": 64, "brightness": 1.0}
    live.see(glimpse_of(*empty, time_s=1.0, **about))
    with pytest.raises(ValueError, match="order"):
        live.see(glimpse_of(*empty, time_s=1.0, **about))


def test_a_sequence_has_a_movement_for_each_direction():
    assert n_to_count(load_exercise("multidirectional_lunge"), 4) == 4 * len(
        load_exercise("multidirectional_lunge").parts
    )
    assert n_to_count(load_exercise("squat"), 10) == 10
