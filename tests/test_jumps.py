"""What changes the picture at once is no cut where the patient goes on from the same place."""

from dataclasses import replace

import numpy as np
import pytest
from exercise_cases import CASES, SQUAT, STANDING
from skeleton import Camera, film, joined, repeated

from formcheck.files.exercises import load_exercise
from formcheck.model.records import Measured
from formcheck.model.request import Request
from formcheck.motion.jumps import longest_take
from formcheck.run.pipeline import assess
from formcheck.words.finding_words import told_once

KNEE = "knee_flexion_peak_deg"
SQUATS = repeated(STANDING, [SQUAT] * 5)
N = 10.2
"""Seconds: the third squat is on its way down."""


def filmed():
    raw = film(SQUATS, Camera(azimuth_deg=90, noise_px=0.4, rate_hz=15))
    n = len(raw.time_s)
    rng = np.random.default_rng(3)
    change = (1.0 + 0.2 * rng.random(n)).astype(np.float32)
    return replace(raw, change=change, border_change=0.1 * change)


def at(raw, time_s):
    return int(np.argmin(np.abs(raw.time_s - time_s)))


def with_jump(raw, *times_s, border=40.0):
    change, edge = raw.change.copy(), raw.border_change.copy()
    for t in times_s:
        change[at(raw, t)], edge[at(raw, t)] = 60.0, border
    return replace(raw, change=change, border_change=edge)


def report_of(raw, exercise="squat"):
    request = Request(clip="made_up.mp4", exercise=load_exercise(exercise), side="left")
    return assess(raw, request).report


def codes(report):
    return [f.code for f in report.findings]


def peaks(report):
    values = [
        next(v for v in r.measures if v.key == "knee_flexion_peak_deg") for r in report.repetitions
    ]
    return [v.value if isinstance(v, Measured) else None for v in values]


WHOLE = peaks(report_of(filmed()))


@pytest.mark.parametrize("border", [40.0, 0.1])
def test_a_jump_after_which_all_goes_on_divides_no_set(border):
    # Before: two of five, the others in the shorter part.
    report = report_of(with_jump(filmed(), N, border=border))
    assert report.whole.n_complete == 5
    assert codes(report) == ["picture_disturbed"]
    assert peaks(report) == pytest.approx(WHOLE, abs=0.5)


def test_a_knock_at_the_camera_divides_no_set():
    raw = with_jump(filmed(), N)
    turn, middle = np.radians(4.0), np.array([480, 360])
    by = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    image = raw.image_px.copy()
    image[at(raw, N) :] = (image[at(raw, N) :] - middle) @ by + middle + np.array([40, -20])
    report = report_of(replace(raw, image_px=image.astype(np.float32)))
    assert report.whole.n_complete == 5
    assert codes(report) == ["picture_disturbed"]
    assert peaks(report) == pytest.approx(WHOLE, abs=3.0)


def test_who_passes_before_the_camera_hides_a_moment_and_no_more():
    raw = with_jump(filmed(), N, N + 0.4, N + 0.8)
    image = raw.image_px.copy()
    image[at(raw, N) : at(raw, N + 0.8)] *= np.nan
    report = report_of(replace(raw, image_px=image))
    assert report.whole.n_complete == 5
    (told,) = (f for f in report.findings if f.code == "picture_disturbed")
    assert (told.from_s, told.to_s) == pytest.approx((N - 1 / 15, N + 0.8), abs=0.08)
    assert dict(told.values) == {"is_frozen": False}
    others = [k for k in range(5) if k != 2]
    assert [peaks(report)[k] for k in others] == pytest.approx([WHOLE[k] for k in others], abs=0.5)


def held_up(raw, from_s, to_s):
    """The recording stands still: one picture again and again, then the body is elsewhere."""
    a, b = at(raw, from_s), at(raw, to_s)
    image, world = raw.image_px.copy(), raw.world_m.copy()
    image[a:b], world[a:b] = image[a - 1], world[a - 1]
    change, edge = raw.change.copy(), raw.border_change.copy()
    change[a:b], edge[a:b] = 0.0, 0.0
    change[b] = 8.0
    return replace(raw, image_px=image, world_m=world, change=change, border_change=edge)


@pytest.mark.parametrize(("from_s", "lasts_s"), [(10.0, 0.7), (10.3, 0.8), (11.6, 0.6)])
def test_a_recording_that_is_held_up_gives_nothing_for_that_time(from_s, lasts_s):
    # Before: the turn that was not seen read as deep as the last picture before it.
    report = report_of(held_up(filmed(), from_s, from_s + lasts_s))
    assert report.whole.n_complete == 5
    (told,) = (f for f in report.findings if f.code == "picture_disturbed")
    assert dict(told.values) == {"is_frozen": True}
    assert (told.from_s, told.to_s) == pytest.approx((from_s, from_s + lasts_s), abs=0.15)
    third = next(v for v in report.repetitions[2].measures if v.key == KNEE)
    assert not isinstance(third, Measured) or third.low <= WHOLE[2] <= third.high


def test_of_a_turn_that_was_held_up_for_long_both_halves_are_told_and_none_is_measured():
    # Longer than two halves of one repetition may lie apart (decision 49).
    report = report_of(held_up(filmed(), 10.4, 11.6))
    assert [r.repetition.is_complete for r in report.repetitions] == [
        True,
        True,
        False,
        False,
        True,
        True,
    ]
    assert peaks(report)[2:4] == [None, None]


@pytest.mark.parametrize("n", [86, 115])
def test_a_recording_that_begins_held_up_is_told_and_breaks_nothing(n):
    raw = filmed()
    image, world = raw.image_px.copy(), raw.world_m.copy()
    image[:n], world[:n] = image[0] + np.array([120, 0]), world[0]
    change, edge = raw.change.copy(), raw.border_change.copy()
    change[:n], edge[:n], change[n] = 0.0, 0.0, 30.0
    spoilt = replace(raw, image_px=image, world_m=world, change=change, border_change=edge)
    told = [f for f in longest_take(spoilt).findings if f.code == "picture_disturbed"]
    assert [(f.from_s, f.to_s, dict(f.values)["is_frozen"]) for f in told] == [
        (0.0, raw.time_s[n], True)
    ]
    assert report_of(spoilt).whole.n_complete >= 2


def test_a_lunge_whose_beginning_was_held_up_is_still_a_lunge():
    # Before: what began deep rested otherwise than a lunge does, and nothing was counted.
    case = next(c for c in CASES if c.exercise == "forward_lunge")
    raw = film(repeated(case.rest, [case.good] * 2), Camera(azimuth_deg=90), anchor=case.anchor)
    change = (1.0 + 0.2 * np.random.default_rng(3).random(len(raw.time_s))).astype(np.float32)
    raw = replace(raw, change=change, border_change=0.1 * change)
    for from_s in (1.5, 1.5 + 1.2 + case.stay_s + 1.2 + 1.2):
        raw = held_up(raw, from_s, from_s + 0.8)
    report = report_of(raw, "forward_lunge")
    assert "other_exercise" not in codes(report)
    assert report.whole.n_complete == 2


def test_who_holds_still_is_not_held_up():
    raw = filmed()
    change = raw.change.copy()
    change[(raw.time_s > 3.0) & (raw.time_s < 4.4)] = 0.0  # as coarse compression leaves it
    assert longest_take(replace(raw, change=change)).findings == ()


def test_a_picture_that_is_encoded_anew_is_not_held_up():
    raw = held_up(filmed(), 10.0, 10.7)
    edge = raw.border_change.copy()
    edge[at(raw, 10.7)] = 7.0
    findings = longest_take(replace(raw, border_change=edge)).findings
    assert [f for f in findings if dict(f.values).get("is_frozen")] == []


def test_a_title_in_the_middle_of_one_recording_divides_no_set_and_a_long_one_does():
    for lasts_s, expected in ((2.0, "picture_disturbed"), (4.0, "edited")):
        raw = with_jump(filmed(), N, N + lasts_s)
        image = raw.image_px.copy()
        image[at(raw, N) : at(raw, N + lasts_s)] *= np.nan
        assert codes_of_take(replace(raw, image_px=image)) == [expected]


def codes_of_take(raw):
    return [f.code for f in longest_take(raw).findings]


def elsewhere(raw, *, times=1.0, by_px=0.0):
    middle = np.array([480, 360])
    image = (raw.image_px - middle) * times + middle + np.array([by_px, 0])
    return replace(raw, image_px=image.astype(np.float32))


@pytest.mark.parametrize("other", [{"times": 1.4}, {"times": 0.7}, {"by_px": 200.0}])
def test_another_scene_is_cut_off(other):
    first, then = filmed(), elsewhere(filmed(), **other)
    raw = joined(first, then, change=60.0)
    edge = raw.border_change.copy()
    edge[len(first.time_s)] = 60.0
    report = report_of(replace(raw, border_change=edge))
    assert "edited" in codes(report)
    assert report.whole.n_complete == 5


def test_the_other_side_of_the_person_is_another_scene():
    front = film(SQUATS, Camera(azimuth_deg=0, rate_hz=15))
    raw = joined(filmed(), front, change=60.0)
    assert codes_of_take(raw) == ["edited"]


def test_a_picture_that_is_brighter_from_then_on_is_another_scene():
    raw = with_jump(filmed(), N)
    brightness = raw.brightness.copy()
    brightness[at(raw, N) :] += 11.0
    assert codes_of_take(replace(raw, brightness=brightness)) == ["edited"]


def test_a_leap_before_a_still_background_is_another_recording():
    first = filmed()
    raw = joined(first, elsewhere(filmed(), by_px=130.0), change=8.0)
    assert codes_of_take(raw) == ["edited"]


def test_both_kinds_are_told_in_words():
    frozen = report_of(held_up(filmed(), 10.0, 10.7))
    jumps = report_of(with_jump(filmed(), N))
    words = [told_once(r, "clinician")[0].words for r in (frozen, jumps)]
    assert "stands still" in words[0]
    assert "at once" in words[1]
