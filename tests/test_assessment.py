"""A set against what was prescribed: which bounds are in force, and the set in a sentence."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from exercise_cases import LUNGE, SITTING, SQUAT, STANDING, STEP_LEFT, STEP_LEFT_SHORT, hips_fall
from skeleton import LEG, Camera, Posture, both, film, mirrored, repeated
from test_attempts_in_time import turning_round
from told import sentence, told_check

from formcheck.files import storage
from formcheck.files.exercises import load_exercise
from formcheck.files.report_file import write_report
from formcheck.model.programme import PRESCRIPTION_SCHEMA, Bound, PrescribedExercise, Prescription
from formcheck.model.records import Measured, Part
from formcheck.model.request import Request
from formcheck.motion.assessment import (
    drop_targets_beyond_limits,
    prescribed_bounds,
    summarise_measure,
)
from formcheck.motion.set_facts import complete_of_each_leg
from formcheck.run.explanation import explain_measure
from formcheck.run.pipeline import assess
from formcheck.run.result_folder import REQUEST_NAME, TRACK_NAME, request_json
from formcheck.run.settings import Settings
from formcheck.words.set_words import bound_text

WALL = Posture(**both(hip=8, knee=8))
SAT = Posture(**both(hip=90, knee=90))
DEEP = Bound(measure="knee_flexion_peak_deg", at_least=60)
LEANT = Bound(measure="trunk_inclination_deg", at_least=10)
BELOW = Bound(measure="thigh_inclination_deg", at_most=-40)


def report_of(exercise, rest, turn, bounds, stay_s=0.8):
    return assess(
        film(repeated(rest, [turn] * 3, stay_s=stay_s)),
        Request(
            clip=Path("made_up.mp4"), exercise=load_exercise(exercise), side="left", bounds=bounds
        ),
    ).report


def line(hold_s, *targets):
    return PrescribedExercise(
        exercise="wall_sit", sets=1, repetitions=3, hold_s=hold_s, targets=targets
    )


def test_a_hold_is_timed_in_the_band_of_a_target_on_the_angle_that_is_held():
    band = Bound(measure="plateau_level_deg", at_least=90, at_most=90, tolerance=10)
    bounds = prescribed_bounds(line(5, band), load_exercise("wall_sit"))
    assert ("target", Bound(measure="hold_in_band_s", at_least=5)) in bounds


def test_a_hold_beside_a_target_on_another_angle_is_timed_on_its_plateau_and_judged():
    parallel = Bound(measure="thigh_inclination_deg", at_least=0, at_most=0, tolerance=10)
    bounds = prescribed_bounds(line(5, parallel), load_exercise("wall_sit"))
    assert ("target", Bound(measure="plateau_hold_s", at_least=5)) in bounds
    report = report_of("wall_sit", WALL, SAT, bounds, stay_s=8)
    held = [c for r in report.repetitions for c in r.checks if c.measure == "plateau_hold_s"]
    assert [c.outcome for c in held] == ["reached"] * 3


@pytest.mark.parametrize(
    ("ends", "words"),
    [
        ({"at_most": 0}, "at most 0 deg, give or take 10"),
        ({"at_least": -5}, "at least -5 deg, give or take 10"),
        ({"at_least": -5, "at_most": 5}, "-5 to 5 deg, give or take 10"),
        ({"at_least": 0, "at_most": 0}, "0 deg, give or take 10"),
    ],
)
def test_a_bound_is_told_with_its_tolerance(ends, words):
    bound = Bound(measure="thigh_inclination_deg", tolerance=10, **ends)
    assert bound_text(bound) == words
    assert bound_text(replace(bound, tolerance=0)) == words.split(",")[0]
    report = report_of("squat", STANDING, SQUAT, (("target", bound),))
    (check, *_) = report.repetitions[0].checks
    assert check.bound == bound
    assert told_check(check, report).endswith(f"wanted {words}")


@pytest.mark.parametrize("order", [(90, 120), (120, 90)])
def test_a_target_past_any_of_several_limits_is_dropped(order):
    limits = tuple(("limit", Bound(measure=DEEP.measure, at_most=most)) for most in order)
    target = ("target", Bound(measure=DEEP.measure, at_least=100))
    assert drop_targets_beyond_limits((target, *limits)) == limits
    assert drop_targets_beyond_limits((("target", DEEP), *limits)) == (("target", DEEP), *limits)
    # Its tolerance reaches back to where the limit allows it: it is judged, as its file says.
    wide = Bound(measure="knee_flexion_peak_deg", at_least=95, tolerance=10)
    most = ("limit", Bound(measure="knee_flexion_peak_deg", at_most=90))
    assert drop_targets_beyond_limits((("target", wide), most)) == (("target", wide), most)
    narrow = replace(wide, tolerance=4)
    assert drop_targets_beyond_limits((("target", narrow), most)) == (most,)


LEVEL = Bound(measure="plateau_level_deg", at_least=90, at_most=90, tolerance=10)
STRAIGHT = Bound(measure="plateau_level_deg", at_most=10)


@pytest.mark.parametrize(
    ("exercise", "target", "limit", "is_kept"),
    [
        ("wall_sit", LEVEL, Bound(measure="knee_flexion_peak_deg", at_most=65), False),
        ("wall_sit", LEVEL, Bound(measure="knee_flexion_peak_deg", at_most=100), True),
        ("wall_sit", LEVEL, Bound(measure="knee_flexion_least_deg", at_most=65), True),
        ("bridge", LEVEL, Bound(measure="knee_flexion_peak_deg", at_most=65), True),
        (
            "seated_knee_extension",
            STRAIGHT,
            Bound(measure="knee_flexion_least_deg", at_least=30),
            False,
        ),
        (
            "seated_knee_extension",
            STRAIGHT,
            Bound(measure="knee_flexion_peak_deg", at_least=30),
            True,
        ),
    ],
)
def test_a_comfort_limit_beats_a_target_on_the_same_angle_under_another_key(
    exercise, target, limit, is_kept
):
    bounds = (("target", target), ("limit", limit))
    found = drop_targets_beyond_limits(bounds, load_exercise(exercise))
    assert found == (bounds if is_kept else bounds[1:])


def test_a_hold_as_deep_as_the_limit_allows_is_timed_on_its_plateau_and_reached():
    comfort = Bound(measure="knee_flexion_peak_deg", at_most=70)
    prescribed = replace(line(5, LEVEL), limits=(comfort,))
    bounds = prescribed_bounds(prescribed, load_exercise("wall_sit"))
    held = ("target", Bound(measure="plateau_hold_s", at_least=5))
    assert bounds == (("limit", comfort), held)
    shallow = Posture(**both(hip=55, knee=55))
    report = report_of("wall_sit", WALL, shallow, bounds, stay_s=8)
    assert report.whole.n_met == 3


def test_the_sentence_counts_repetitions_and_not_their_targets():
    report = report_of("squat", STANDING, SQUAT, (("target", DEEP), ("target", LEANT)))
    assert sentence(report).count("reached in 3") == 2
    report = report_of("squat", STANDING, SQUAT, (("target", DEEP), ("target", BELOW)))
    assert "target at least 60: reached in 3" in sentence(report)
    assert ": not reached in 3" in sentence(report)


def test_a_target_that_could_not_be_seen_keeps_a_repetition_from_being_told_as_reached():
    inward = Bound(measure="fppa_change_deg", at_most=5)
    report = report_of("squat", STANDING, SQUAT, (("target", DEEP), ("target", inward)))
    assert report.whole.n_met == 0
    assert sentence(report).count("reached") == 1
    assert "not measured from this camera: change in FPPA (inward drift)" in sentence(report)


def test_after_the_last_repetition_there_is_no_rest_to_judge():
    rest = ("target", Bound(measure="rest_s", at_least=0.3))
    report = report_of("squat", STANDING, SQUAT, (rest,))
    assert [len(r.checks) for r in report.repetitions] == [1, 1, 0]
    report = report_of("squat", STANDING, SQUAT, (rest, ("target", DEEP)))
    assert report.whole.n_met == 3
    assert "not measured" not in sentence(report)


def test_two_bounds_on_a_measure_that_the_exercise_does_not_list_measure_it_once():
    key = "rear_knee_height_share"
    bounds = (
        ("target", Bound(measure=key, at_least=0.1)),
        ("limit", Bound(measure=key, at_most=5)),
    )
    report = report_of("squat", STANDING, SQUAT, bounds)
    for r in report.repetitions:
        assert [v.key for v in r.measures].count(key) == 1
        assert [c.measure for c in r.checks] == [key, key]


def test_who_leans_on_a_wall_does_not_make_the_camera_tilted():
    leaning = Posture(**both(hip=20, knee=20))
    report = report_of("wall_sit", leaning, SAT, (), stay_s=4)
    assert "camera_tilted" not in {f.code for f in report.findings}
    report = report_of("squat", leaning, SQUAT, ())
    assert "camera_tilted" in {f.code for f in report.findings}


def test_the_bend_at_rest_makes_no_band_for_an_extension_that_is_held():
    key = "hold_in_band_s"
    bounds = (
        ("target", Bound(measure="knee_flexion_peak_deg", at_least=70)),
        ("target", Bound(measure="knee_flexion_least_deg", at_most=10)),
        ("target", Bound(measure=key, at_least=2)),
    )
    straight = replace(SITTING, left_knee=4, left_foot=None)
    raw = film(repeated(SITTING, [straight] * 2, stay_s=3), anchor="hips")
    exercise = load_exercise("seated_knee_extension")
    request = Request(clip=Path("made_up.mp4"), exercise=exercise, side="left", bounds=bounds)
    for r in assess(raw, request).report.repetitions:
        (held,) = (v for v in r.measures if v.key == key)
        assert held.value == pytest.approx(3.3, abs=0.4)


@pytest.mark.parametrize(
    ("sides", "planned"), [(("left", "right"), 12), (("both",), 12), (("left",), 6)]
)
def test_a_dose_for_each_leg_is_due_twice_where_both_legs_worked_in_one_clip(sides, planned):
    prescribed = PrescribedExercise(exercise="forward_lunge", sets=1, repetitions=6, sides=sides)
    stepped = replace(LUNGE, ahead=0.25)  # the rear foot stays, the hips go ahead
    raw = film(repeated(STANDING, [stepped, mirrored(stepped)] * 3), anchor="hips")
    request = Request(
        clip=Path("made_up.mp4"),
        exercise=load_exercise("forward_lunge"),
        side="both",
        prescribed=prescribed,
    )
    report = assess(raw, request).report
    assert (report.whole.dose_done, report.whole.dose_prescribed) == (6, planned)
    assert f"6 of {planned} repetitions (3 left, 3 right)" in sentence(report)


def test_a_dose_of_an_exercise_of_both_legs_or_of_one_leg_alone_is_due_once():
    for exercise, turn, side in (("squat", SQUAT, "both"), ("forward_lunge", LUNGE, "left")):
        line = PrescribedExercise(exercise=exercise, sets=1, repetitions=3)
        request = Request(
            clip=Path("made_up.mp4"), exercise=load_exercise(exercise), side=side, prescribed=line
        )
        whole = assess(film(repeated(STANDING, [turn] * 3), anchor="hips"), request).report.whole
        assert whole.dose_prescribed == 3


@pytest.mark.parametrize(
    ("legs", "complete", "found"),
    [
        ([(1, "left"), (2, "right"), (3, "left")], [1, 2], (1, 1)),
        ([(1, "left"), (1, "left"), (2, "right")], [2], (0, 1)),
        ([(1, "left"), (2, "left")], [1, 2], None),
        ([(1, "left"), (1, "right")], [1], None),
        ([(1, "both")], [1], None),
    ],
)
def test_the_legs_are_counted_by_what_is_complete(legs, complete, found):
    assert complete_of_each_leg(legs, complete) == found


def test_how_the_two_legs_differ_is_no_scatter_and_no_trend():
    def lowered(turn):
        return replace(turn, up=-hips_fall(turn, "right_ankle") * LEG)

    def found(turns):
        request = Request(
            clip=Path("made_up.mp4"), exercise=load_exercise("lateral_lunge"), side="both"
        )
        raw = film(repeated(STANDING, turns), Camera(azimuth_deg=0), anchor="hips")
        report = assess(raw, request).report
        sides = {r.repetition.side for r in report.repetitions}
        return sides, next(m for m in report.whole.measures if m.key == "hip_drop_share")

    left, right = lowered(STEP_LEFT_SHORT), mirrored(lowered(STEP_LEFT))
    sides, one_leg = found([left] * 3)
    assert len(sides) == 1
    assert one_leg.sd == pytest.approx(0, abs=0.01)
    assert one_leg.change_over_set is not None
    sides, both_legs = found([left, right] * 3)
    assert len(sides) == 2
    assert both_legs.sd is both_legs.change_over_set is None
    assert both_legs.mean == pytest.approx((both_legs.first + both_legs.last) / 2, abs=0.01)


@pytest.mark.parametrize("n", [3, 4, 6, 10])
@pytest.mark.parametrize("scatter_deg", [1.0, 8.0])
def test_the_interval_of_a_trend_holds_for_few_repetitions(n, scatter_deg):
    rng = np.random.default_rng(7)
    own = (Part(name="own", standard=2.5, kind="own", source="test"),)
    n_sets, held = 1000, 0
    for values in rng.normal(90, scatter_deg, (n_sets, n)):
        key = "knee_flexion_peak_deg"
        seen = [Measured(key=key, value=v, low=v, high=v, parts=own) for v in values]
        change = summarise_measure(key, seen).change_over_set
        held += change.low <= 0 <= change.high
    # Three standard errors of a share of 0.95 below it.
    assert held / n_sets >= 0.95 - 3 * (0.95 * 0.05 / n_sets) ** 0.5


def test_the_interval_of_a_trend_is_by_hand_that_of_a_line_with_students_t():
    key = "knee_flexion_peak_deg"
    change = summarise_measure(
        key, [Measured(key=key, value=v, low=v, high=v) for v in (90.0, 96.0, 90.0)]
    ).change_over_set
    # Residuals -2, 4, -2: scatter sqrt(24); t(1, 0.975) = 12.706; slope's error scatter / sqrt(2).
    assert change.value == pytest.approx(0)
    assert change.high == pytest.approx(12.706 * 24**0.5 / 2**0.5 * 2, rel=1e-3)


PASSIVE = Prescription(
    schema=PRESCRIPTION_SCHEMA,
    patient="KN-204",
    involved_side="left",
    prescribed_by="M.T.",
    valid_from=date(2025, 1, 1),
    passive_extension_deg=15.0,
    exercises=(PrescribedExercise(exercise="seated_knee_extension", sets=1, repetitions=2),),
)


def extensions_of(side, told, bounds=None):
    """Two seated extensions that stop 8 deg short, of a leg filmed from its own side."""
    exercise, line = load_exercise("seated_knee_extension"), PASSIVE.exercises[0]
    if bounds is None:
        bounds = prescribed_bounds(line, exercise, PASSIVE, told)
    rest, turn = SITTING, replace(SITTING, left_knee=8, left_foot=None)
    if side == "right":
        rest, turn = mirrored(rest), mirrored(turn)
    camera = Camera(azimuth_deg=90 if side == "left" else -90)
    raw = film(repeated(rest, [turn] * 2, stay_s=2), camera, anchor="hips")
    request = Request(
        clip=Path("made_up.mp4"),
        exercise=exercise,
        side=told,
        bounds=bounds,
        prescribed=line,
        prescription=PASSIVE,
    )
    return assess(raw, request)


@pytest.mark.parametrize("is_told", [True, False])
def test_the_passive_extension_of_one_knee_does_not_judge_the_other(is_told):
    involved = extensions_of("left", "left" if is_told else None)
    passive = Bound(measure="knee_flexion_least_deg", at_most=20)
    assert [c.bound for r in involved.report.repetitions for c in r.checks] == [passive] * 2
    other = extensions_of("right", "right" if is_told else None)
    assert other.report.side == "right"
    assert not any(r.checks for r in other.report.repetitions)
    assert not other.bounds
    assert "no target or limit prescribed" in sentence(other.report)


def test_a_target_on_extension_that_was_given_judges_either_knee():
    given = (("target", Bound(measure="knee_flexion_least_deg", at_most=10)),)
    other = extensions_of("right", "right", given)
    assert [len(r.checks) for r in other.report.repetitions] == [1, 1]
    nobody_named = replace(PASSIVE, involved_side="none")
    exercise = load_exercise("seated_knee_extension")
    for side in (None, "both", "left", "right"):
        (bound,) = prescribed_bounds(PASSIVE.exercises[0], exercise, nobody_named, side)
        assert bound == ("target", Bound(measure="knee_flexion_least_deg", at_most=20))


def test_explain_says_that_the_other_knee_is_not_meant(tmp_path):
    straight = replace(SITTING, left_knee=8, left_foot=None)
    raw, _ = turning_round(SITTING, [straight] * 2, [straight] * 2, "hip")
    exercise, line = load_exercise("seated_knee_extension"), PASSIVE.exercises[0]
    request = Request(
        clip=Path("made_up.mp4"),
        exercise=exercise,
        prescribed=line,
        prescription=PASSIVE,
        bounds=prescribed_bounds(line, exercise, PASSIVE),
    )
    analysis = assess(raw, request)
    of_side = {r.repetition.side: r for r in analysis.report.repetitions}
    assert (len(of_side["left"].checks), len(of_side["right"].checks)) == (1, 0)
    storage.write_track(analysis.raw, tmp_path / TRACK_NAME)
    storage.write_text(tmp_path / REQUEST_NAME, request_json(request, Settings()))
    write_report(analysis.report, tmp_path / "report.json")
    for side, words in (
        ("left", "(decided on 20 or less)"),
        ("right", "not meant for this repetition"),
    ):
        number = of_side[side].repetition.number
        lines = explain_measure(tmp_path, number, "knee_flexion_least_deg")
        assert any(words in text for text in lines if text.startswith("Target at most 20 deg"))
