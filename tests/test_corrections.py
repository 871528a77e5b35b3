"""Corrections laid over a report: counts, sentence, means and symmetry never contradict them."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from exercise_cases import SQUAT, STANDING, STEP_BACK_AND_OUT, STEP_LEFT
from skeleton import Camera, Posture, both, film, one, repeated
from test_attempts_in_time import turning_round
from test_chair_tests import chair_report, stands
from told import line_of, sentence

from formcheck.files.exercises import load_exercise
from formcheck.model.anatomy import LANDMARK
from formcheck.model.errors import UsageError
from formcheck.model.intervals import over_repetitions
from formcheck.model.programme import Bound, PrescribedExercise
from formcheck.model.records import Measured
from formcheck.model.request import Request
from formcheck.report.corrections import Correction, check_correction, corrected, counts, set_means
from formcheck.run.pipeline import assess

PEAK = "knee_flexion_peak_deg"
DEEP = (("target", Bound(measure=PEAK, at_least=80)),)
FORWARD = Posture(
    trunk=5, **one("left", hip=65, knee=75), **one("right", hip=-20, knee=45, foot=-50)
)


def report_of(exercise, turns, bounds=(), camera=Camera(), anchor="left_ankle", **request):
    made = Request(
        clip=Path("made_up.mp4"),
        exercise=load_exercise(exercise),
        bounds=bounds,
        **{"side": "left", **request},
    )
    return assess(film(repeated(STANDING, turns), camera, anchor=anchor), made).report


def left_out(place):
    return Correction(kind="left out", repetition=place, reason="stumbled", made_by="M.T.")


def overruled(place, outcome):
    return Correction(
        kind="outcome",
        repetition=place,
        measure=PEAK,
        check_kind="target",
        outcome=outcome,
        reason="seen",
        made_by="M.T.",
    )


def of_set(report):
    return {m.key: m for m in report.whole.measures}


@pytest.fixture(scope="module")
def squats():
    line = PrescribedExercise(exercise="squat", sets=1, repetitions=3)
    return report_of("squat", [SQUAT] * 3, DEEP, prescribed=line)


def test_the_sentence_says_what_the_corrected_counts_say(squats):
    depth = "deepest 105° (±), target at least 80: reached"
    assert line_of(squats) == f"Squat, left: 3 of 3 repetitions; {depth} in 3."
    found = corrected(squats, [left_out(0), overruled(1, "not_reached")]).report
    assert (found.whole.n_complete, found.whole.n_met) == (2, 1)
    assert line_of(found) == (
        f"Squat, left: 2 of 3 repetitions, 1 left out by the clinician; {depth} over the set "
        "(mean 105° (±); reached in 1, not reached in 1)."
    )


def test_the_means_of_a_set_have_the_intervals_that_the_report_gives_them(squats):
    for mean, n in set_means(corrected(squats, ())):
        values = [m for r in squats.repetitions for m in r.measures if m.key == mean.key]
        values = [m for m in values if isinstance(m, Measured)]  # the last one has no rest after
        assert mean == over_repetitions(values)
        assert n == len(values)
        if mean.key == "pause_s":
            assert mean.low >= 0
    # Own parts of three are surer than of one: not the mean of three widths.
    peak = next(m for m, _ in set_means(corrected(squats, ())) if m.key == PEAK)
    widths = [v.high - v.low for r in squats.repetitions for v in r.measures if v.key == PEAK]
    assert peak.high - peak.low < sum(widths) / 3 - 0.1


def test_a_hold_that_was_not_seen_whole_keeps_its_uneven_interval():
    rest, held = Posture(**both(hip=20, knee=20)), Posture(**both(hip=88, knee=88))
    raw = film(repeated(rest, [held], stay_s=12), Camera())
    image = raw.image_px.copy()
    at = np.flatnonzero((raw.time_s > 8) & (raw.time_s < 10))
    image[at, 0, LANDMARK["left", "ankle"]] += np.float32([0, -30])
    request = Request(clip=Path("made_up.mp4"), exercise=load_exercise("wall_sit"), side="left")
    report = assess(replace(raw, image_px=image), request).report
    (hold,) = [m for m in report.repetitions[0].measures if m.key == "plateau_hold_s"]
    ((mean, _),) = [x for x in set_means(corrected(report, ())) if x[0].key == hold.key]
    assert (mean.low, mean.high) == pytest.approx((hold.low, hold.high))
    assert mean.high - mean.value > 3 * (mean.value - mean.low)


@pytest.mark.parametrize(("place", "start_s"), [(1, 0.1), (0, 5.0), (2, 0.2)])
def test_limits_are_not_moved_past_a_neighbour(squats, place, start_s):
    """Places are kept in the order of time: past a neighbour, other corrections name another."""
    firsts = [r.repetition for r in squats.repetitions]
    if place == 0:
        start_s = firsts[1].end_s + 0.05
    moved = Correction(
        kind="limits",
        repetition=place,
        start_s=start_s,
        end_s=start_s + 0.7,
        reason="x",
        made_by="M.T.",
    )
    between = [r for r in firsts if r.start_s < start_s + 0.7 and r.end_s > start_s]
    assert not between, "it stands where no repetition is"
    with pytest.raises(UsageError, match="or pass it"):
        check_correction(moved, squats)


def test_a_set_with_every_repetition_left_out_is_a_set_of_none(squats):
    found = corrected(squats, [left_out(k) for k in range(3)]).report
    assert (found.whole.n_repetitions, found.whole.n_complete, found.whole.dose_done) == (0, 0, 0)
    assert sentence(found) == ("Squat, left: 0 of 3 repetitions, 3 left out by the clinician.")


def test_an_overruled_outcome_or_moved_limits_leave_what_was_measured_over_the_set(squats):
    moved = Correction(kind="limits", repetition=0, reason="late", start_s=1.5, end_s=3)
    assert corrected(squats, [moved]).report.whole == squats.whole
    found = corrected(squats, [overruled(0, "not_reached")]).report
    assert found.whole.measures == squats.whole.measures


@pytest.fixture(scope="module")
def sequences():
    """Two sequences, the second without its rotational part."""
    parts = [FORWARD, STEP_LEFT, STEP_BACK_AND_OUT]
    return report_of(
        "multidirectional_lunge",
        [*parts, *parts[:2]],
        (("target", Bound(measure="hip_drop_share", at_least=0.1)),),
        Camera(azimuth_deg=38),
        anchor="right_ankle",
    )


@pytest.mark.parametrize("place", [0, 4])
def test_a_sequence_that_was_found_without_a_part_stays_unfinished(sequences, place):
    assert (sequences.whole.n_complete, sequences.whole.n_repetitions) == (1, 2)
    correction = Correction(
        kind="outcome",
        repetition=place,
        measure="hip_drop_share",
        check_kind="target",
        outcome="not_reached",
        reason="seen",
        made_by="M.T.",
    )
    found = corrected(sequences, [correction]).report
    assert (found.whole.n_complete, found.whole.dose_done, found.whole.n_repetitions) == (1, 1, 2)


def test_a_sequence_with_a_part_left_out_is_no_whole_one(sequences):
    found = corrected(sequences, [left_out(1)]).report
    assert (found.whole.n_complete, found.whole.n_repetitions) == (0, 2)
    assert "0 sequences, 2 more incomplete, 1 left out" in sentence(found)


def test_the_legs_are_no_more_compared_once_a_repetition_is_left_out():
    raw, _ = turning_round()
    request = Request(clip=Path("made_up.mp4"), exercise=load_exercise("split_squat"), bounds=DEEP)
    both = assess(raw, request).report
    assert PEAK in {of.key for of in both.whole.symmetry}
    overruled_once = corrected(both, [overruled(0, "not_reached")]).report
    assert overruled_once.whole.symmetry == both.whole.symmetry
    found = corrected(both, [left_out(0)]).report
    assert of_set(both)[PEAK].sd is of_set(found)[PEAK].sd is None
    assert found.whole.symmetry is None
    assert "5 repetitions (2 left, 3 right), 1 left out" in sentence(found)


def test_the_chair_test_stays_unless_a_stand_that_it_counted_is_left_out():
    bounds = (
        ("target", Bound(measure="knee_flexion_least_deg", at_most=20)),
        ("target", Bound(measure="time_for_five_s", at_most=15)),
        ("target", Bound(measure="n_in_30_s", at_least=8)),
    )
    report = chair_report(stands(6), bounds)
    five = of_set(report)["time_for_five_s"]
    correction = Correction(
        kind="outcome",
        repetition=0,
        measure="knee_flexion_least_deg",
        check_kind="target",
        outcome="not_reached",
        reason="seen",
        made_by="M.T.",
    )
    for corrections in ([correction], [left_out(5)]):
        found = corrected(report, corrections).report
        assert of_set(found)["time_for_five_s"] == five
        assert "five stands 13 s, target at most 15 s: reached" in sentence(found)
    found = corrected(report, [left_out(2)]).report
    assert "time_for_five_s" not in of_set(found)
    assert "five stands" not in sentence(found)
    assert "stands in 30 s not measured, target at least 8" in sentence(found)


@pytest.mark.parametrize(
    ("kind", "most_s", "expected"),
    [
        ("target", 15, (0, 0, 0)),
        ("target", 10, (1, 0, 0)),
        ("limit", 10, (0, 1, 0)),
        ("limit", 13.45, (0, 0, 1)),
    ],
)
def test_a_bound_on_the_whole_set_is_among_what_needs_a_look(kind, most_s, expected):
    bound = (kind, Bound(measure="time_for_five_s", at_most=most_s))
    n = counts(corrected(chair_report(stands(6), (bound,)), ()))
    assert (n.n_not_met, n.n_passed, n.n_doubtful) == expected


def test_a_target_on_the_whole_set_that_was_not_seen_is_open():
    bound = ("target", Bound(measure="n_in_30_s", at_least=8))
    n = counts(corrected(chair_report(stands(6), (bound,)), ()))
    assert (n.n_not_met, n.n_open) == (0, 1)


def test_what_was_overruled_twice_keeps_what_was_found(squats):
    found = corrected(squats, [overruled(0, "not_reached"), overruled(0, "borderline")])
    (of_check,) = found.overruled[0]
    assert (of_check.found, found.report.repetitions[0].checks[0].outcome) == (
        "reached",
        "borderline",
    )
    assert found.overruled[1] == (None,)
