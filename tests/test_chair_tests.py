"""The two chair tests: which stands count when the clip ends before the last one is over."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from exercise_cases import SITTING, STANDING
from skeleton import Key, Movement, film
from told import line_of, sentence

from formcheck.files.exercises import load_exercise
from formcheck.model.programme import Bound
from formcheck.model.records import Repetition
from formcheck.model.request import Request
from formcheck.motion.chair_tests import chair_stand_measures
from formcheck.report.page import render_html
from formcheck.run.pipeline import assess

KEYS = ("n_in_30_s", "time_for_five_s")


def page_of(analysis):
    return render_html(analysis.report, analysis.trace)


def stands(n: int, stay_s: float = 0.5, seat_s: float = 0.3) -> Movement:
    """Stands from a seat, the first from 1.0 s on, each rise and each sitting down in 1.2 s."""
    keys = [Key(posture=SITTING, move_s=0, stay_s=1.0)]
    for _ in range(n):
        keys.append(Key(posture=STANDING, move_s=1.2, stay_s=stay_s))
        keys.append(Key(posture=SITTING, move_s=1.2, stay_s=seat_s))
    return Movement(keys=tuple(keys))


def chair_request(bounds=()) -> Request:
    exercise = load_exercise("sit_to_stand")
    return Request(clip=Path("made_up.mp4"), exercise=exercise, side="left", bounds=bounds)


def chair_report(movement: Movement, bounds=(), **cut):
    return assess(film(movement, **cut), chair_request(bounds)).report


def chair_values(report) -> dict[str, float]:
    return {m.key: m.mean for m in report.whole.measures if m.key in KEYS}


def test_the_fifth_stand_counts_when_the_patient_stays_standing():
    seen = stands(5)
    still_up = Movement(keys=(*seen.keys[:-2], replace(seen.keys[-2], stay_s=2.0)))
    found = chair_values(chair_report(still_up))["time_for_five_s"]
    assert found == chair_values(chair_report(seen))["time_for_five_s"]
    # Four periods of 3.2 s, and the rise of 1.2 s without the ends of its range.
    assert found == pytest.approx(4 * 3.2 + 0.7, abs=0.15)


@pytest.mark.parametrize("to_s", [31.6, 32.0, 33.0])
def test_ten_stands_within_30_s_are_ten_wherever_the_clip_ends_after_them(to_s):
    # The tenth rise is half way up at 30.4 s, 29.2 s after the first start.
    assert chair_values(chair_report(stands(10), to_s=to_s))["n_in_30_s"] == 10


@pytest.mark.parametrize(
    ("cut_s", "is_elsewhere", "is_told"),
    [
        (14.0, True, True),
        (24.3, True, False),
        (12.4, False, True),
        (14.0, False, False),
        (24.3, False, False),
    ],
)
def test_stands_in_30_s_are_not_told_of_a_clip_cut_to_less(cut_s, is_elsewhere, is_told):
    # 45 s in all: the longer part is 31 s or 24 s of them, and only that one is measured. Where the
    # patient is at the same place after the jump, nobody knows how long it took: timed from the
    # first stand after it.
    raw = film(stands(14))
    change = np.full(len(raw.time_s), 0.5)
    change[np.argmin(np.abs(raw.time_s - cut_s))] = 80
    image = raw.image_px.copy()
    if is_elsewhere:
        image[raw.time_s < cut_s if cut_s < 20 else raw.time_s >= cut_s] *= 0.7
    report = assess(replace(raw, change=change, image_px=image), chair_request()).report
    told = {f.code for f in report.findings}
    assert ("edited" in told, "picture_disturbed" in told) == (is_elsewhere, not is_elsewhere)
    assert ("n_in_30_s" in chair_values(report)) == is_told
    assert "time_for_five_s" in chair_values(report)


def test_a_target_on_a_chair_test_is_judged_once_for_the_set():
    bounds = (("target", Bound(measure="n_in_30_s", at_least=8)),)
    report = chair_report(stands(10), bounds)
    assert not any(r.checks for r in report.repetitions)
    assert line_of(report) == (
        "Sit to stand, left: 10 repetitions; largest knee flexion 90° (±); "
        "stands in 30 s 10, target at least 8: reached."
    )
    short = chair_report(stands(5), bounds)
    assert "stands in 30 s not measured, target at least 8" in sentence(short)


def test_the_page_of_a_set_judged_as_a_whole_does_not_say_that_no_target_was_set():
    raw, no_target = film(stands(10)), "No target or limit was prescribed"
    target = ("target", Bound(measure="n_in_30_s", at_least=8))
    assert no_target not in page_of(assess(raw, chair_request((target,))))
    assert no_target in page_of(assess(raw, chair_request()))


@pytest.mark.parametrize(
    ("most_s", "words"), [(15, "reached"), (13.45, "borderline"), (10, "not reached")]
)
def test_a_time_for_five_stands_is_judged_with_the_doubt_of_a_time(most_s, words):
    bounds = (("target", Bound(measure="time_for_five_s", at_most=most_s)),)
    text = sentence(chair_report(stands(5), bounds))
    assert f"five stands 13 s, target at most {most_s:g} s: {words}" in text


def stand(k: int, **changes) -> Repetition:
    at = 1.0 + 3.0 * k
    times = {
        "start_s": at,
        "turn_from_s": at + 0.8,
        "turn_s": at + 1.1,
        "turn_to_s": at + 1.4,
        "end_s": at + 2.4,
        "is_complete": True,
    }
    return Repetition(number=k + 1, part=None, side="both", **{**times, **changes})


def measures_of(repetitions, clip_s) -> dict[str, float]:
    return {m.key: m.mean for m in chair_stand_measures(repetitions, KEYS, clip_s)}


@pytest.mark.parametrize(("rise_s", "n"), [(0.3, 10), (0.5, 11)])
def test_a_rise_that_the_clip_ends_in_counts_from_half_way_up(rise_s, n):
    whole = [stand(k) for k in range(10)]
    end_s = 31.0 + rise_s
    last = stand(
        10,
        turn_from_s=end_s,
        turn_s=end_s,
        turn_to_s=end_s,
        end_s=end_s,
        start_s=30.4,
        is_complete=False,
    )
    last = replace(last, turn_from_s=30.4 + rise_s)
    assert measures_of([*whole, last], (0.0, end_s))["n_in_30_s"] == n


def test_who_is_still_rising_when_the_clip_ends_has_not_stood_five_times():
    whole = [stand(k) for k in range(4)]
    rising = stand(4, turn_s=13.75, turn_to_s=13.8, end_s=13.8, turn_from_s=13.7, is_complete=False)
    assert "time_for_five_s" not in measures_of([*whole, rising], (0.0, 13.8))
    up = replace(rising, turn_s=14.0, turn_to_s=14.3, end_s=14.3)
    assert measures_of([*whole, up], (0.0, 14.3))["time_for_five_s"] == pytest.approx(12.7)


def test_a_stand_that_the_clip_begins_in_counts_nowhere():
    rest = [stand(k) for k in range(1, 6)]
    begun = stand(0, start_s=0.0, turn_from_s=1.0, is_complete=False)
    assert measures_of([begun, *rest], (0.0, 40.0)) == measures_of(rest, (0.0, 40.0))


def test_stands_none_of_which_is_whole_give_no_chair_test():
    assert measures_of([stand(0, is_complete=False)], (0.0, 40.0)) == {}
