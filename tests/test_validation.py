"""Validation: true values by their definitions, matching, and the figures from comparisons."""

import csv
import io
import json
import math
import shutil
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skeleton import Camera, Posture, both, film, repeated

from formcheck.evidence.accuracy import accuracy, accuracy_by_exercise, accuracy_by_measure, sweep
from formcheck.evidence.agreement import calibration_error, wilson_interval
from formcheck.evidence.true_values import READINGS, read_series, true_motion, true_value
from formcheck.evidence.true_views import true_plane
from formcheck.evidence.truth import ANGLES, TrueRepetition, Truth, write_truth
from formcheck.evidence.validation import (
    Comparison,
    Validation,
    clips_with_truth,
    compare_clip,
    compare_measures,
    match_repetitions,
    validate,
)
from formcheck.evidence.validation_tables import comparisons_csv, validation_json, validation_lines
from formcheck.files.exercises import load_exercise
from formcheck.model.errors import FileError, UsageError
from formcheck.model.measures import MEASURES
from formcheck.model.records import Measured
from formcheck.model.request import Request
from formcheck.run.pipeline import assess
from formcheck.run.settings import Settings

STANDING = Posture()
SQUATTING = Posture(trunk=35.0, **both(hip=60.0, knee=88.0))
SQUATS = repeated(STANDING, [SQUATTING, SQUATTING, SQUATTING])
SQUAT = load_exercise("squat")
REPETITIONS = tuple(
    TrueRepetition(start_s=a, turn_from_s=a + 1.2, turn_to_s=a + 1.8, end_s=a + 3.0)
    for a in (1.2, 5.4, 9.6)
)
FIELDS = ("left_knee", "left_hip", "trunk")


def _truth(**changes) -> Truth:
    """The truth of SQUATS, angles only."""
    from skeleton import _NAMES

    time_s = np.arange(0, SQUATS.duration_s, 1 / 30)
    numbers = SQUATS.numbers(time_s)
    knee, hip, trunk = (numbers[:, _NAMES.index(name)] for name in FIELDS)
    nowhere = np.full(len(time_s), np.nan)
    made = Truth(
        exercise="squat",
        side="left",
        azimuth_deg=90.0,
        repetitions=REPETITIONS,
        time_s=time_s,
        position_m=np.full((len(time_s), 2, 6, 3), np.nan),
        **{
            **dict.fromkeys(ANGLES, nowhere),
            "knee_flexion_left_deg": knee,
            "thigh_inclination_left_deg": 90 - hip,
            "trunk_inclination_deg": trunk,
        },
    )
    return replace(made, **changes)


def _analysis(camera: Camera = Camera(), side="left"):
    request = Request(clip=None, exercise=SQUAT, side=side)
    return assess(film(SQUATS, camera), request, Settings())


@pytest.fixture(scope="module")
def analysis():
    return _analysis()


# True values


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("knee_flexion_peak_deg", 88.0),
        ("knee_flexion_least_deg", 0.0),
        ("thigh_inclination_deg", 30.0),
        ("shank_inclination_deg", 28.0),
        ("trunk_inclination_deg", 35.0),
        ("trunk_thigh_deg", 95.0),
        ("range_deg", 88.0),
        ("pelvic_obliquity_peak_deg", math.nan),
        ("leg_elevation_peak_deg", math.nan),
        ("range_share", math.nan),
    ],
)
def test_true_values_follow_the_definitions(key, value):
    motion = true_motion(_truth(), "left", SQUAT)
    found = true_value(key, motion, _truth(), REPETITIONS[0], SQUAT, SQUAT.views[0])
    assert found == pytest.approx(value, abs=0.05, nan_ok=True)


def test_true_tempo_lasts_while_the_body_moves():
    motion = true_motion(_truth(), "left", SQUAT)
    # A raised cosine is faster than 5 % of its fastest for all but this share at either end.
    slow = math.asin(0.05) / math.pi
    values = {
        key: true_value(key, motion, _truth(), REPETITIONS[1], SQUAT, SQUAT.views[0])
        for key in ("lowering_s", "pause_s", "raising_s", "plateau_hold_s")
    }
    assert values["lowering_s"] == pytest.approx(1.2 * (1 - 2 * slow), abs=0.07)
    assert values["raising_s"] == pytest.approx(1.2 * (1 - 2 * slow), abs=0.07)
    assert values["pause_s"] == pytest.approx(0.6 + 2 * 1.2 * slow, abs=0.07)
    held = math.acos(1 - 2 * (1 - 5 / 88)) / math.pi
    assert values["plateau_hold_s"] == pytest.approx(0.6 + 2 * 1.2 * (1 - held), abs=0.05)


def test_the_trunk_of_one_who_lies_on_the_back_counts_backward():
    bridge = load_exercise("bridge")
    n = len(_truth().time_s)
    truth = _truth(
        exercise="bridge",
        trunk_inclination_deg=np.full(n, -90.0),
        thigh_inclination_left_deg=np.full(n, -40.0),
    )
    motion = true_motion(truth, "left", bridge)
    view = bridge.views[0]
    found = true_value("trunk_thigh_deg", motion, truth, REPETITIONS[0], bridge, view)
    assert found == pytest.approx(40.0)


def test_every_reading_is_of_a_known_measure():
    assert set(READINGS) <= set(MEASURES)


# Comparison


def test_an_exact_figure_is_measured_within_its_intervals(analysis):
    outcome = compare_clip("made_up", _truth(), analysis)
    assert outcome.is_count_exact
    assert outcome.turn_errors_s == (0, 0, 0)
    assert outcome.plane == outcome.true_plane == "sagittal"
    assert abs(outcome.azimuth_error_deg) < 1
    rows = compare_measures("made_up", _truth(), SQUAT, analysis)
    assert {r.measure for r in rows} >= {"knee_flexion_peak_deg", "thigh_inclination_deg"}
    assert all(r.is_supported and r.is_measured for r in rows)
    assert all(r.low <= r.true <= r.high for r in rows)
    peaks = [r for r in rows if r.measure == "knee_flexion_peak_deg"]
    assert [r.value - r.true for r in peaks] == pytest.approx([0, 0, 0], abs=1)
    assert [r.true_excursion for r in peaks] == pytest.approx([88, 88, 88], abs=0.5)
    assert [r.excursion for r in peaks] == pytest.approx([88, 88, 88], abs=1)


@pytest.mark.parametrize("azimuth_deg", [65, 115])
def test_the_rest_is_taken_off_the_series_that_the_measure_was_read_from(azimuth_deg):
    """Off another one, its own angle to the picture would pass for an error of the range."""
    found = _analysis(Camera(azimuth_deg=azimuth_deg))
    rows = compare_measures("made_up", _truth(azimuth_deg=azimuth_deg), SQUAT, found)
    time_s, knee_deg = found.track.time_s, found.seen[0].knee_flexion_deg
    for row in [r for r in rows if r.measure == "knee_flexion_peak_deg"]:
        r = found.report.repetitions[row.repetition - 1].repetition
        rest_deg = read_series(knee_deg, time_s, "rest", r.start_s, r.turn_s, r.end_s)
        assert row.excursion == pytest.approx(row.value - rest_deg, abs=1e-6)


def test_a_repetition_that_was_not_found_counts_as_not_measured(analysis):
    more = (*REPETITIONS, TrueRepetition(start_s=12.7, turn_from_s=12.9, turn_to_s=13, end_s=13.1))
    truth = _truth(repetitions=more)
    outcome = compare_clip("made_up", truth, analysis)
    assert (outcome.n_true, outcome.n_found, outcome.n_matched) == (4, 3, 3)
    assert not outcome.is_count_exact
    rows = compare_measures("made_up", truth, SQUAT, analysis)
    missed = [r for r in rows if r.repetition == 4]
    assert missed
    assert all(not r.is_measured and r.reason == "the repetition was not found" for r in missed)


def test_a_wrong_true_turn_shows_as_a_turn_error(analysis):
    early = tuple(
        replace(r, turn_from_s=r.start_s + 0.5, turn_to_s=r.start_s + 0.8) for r in REPETITIONS
    )
    outcome = compare_clip("made_up", _truth(repetitions=early), analysis)
    assert outcome.turn_errors_s == pytest.approx((0.7, 0.7, 0.7), abs=0.05)


def test_what_the_true_view_cannot_give_is_not_asked_for():
    truth = _truth(azimuth_deg=0.0)
    rows = compare_measures("made_up", truth, SQUAT, _analysis(Camera(azimuth_deg=0.0)))
    knee = [r for r in rows if r.measure == "knee_flexion_peak_deg"]
    assert knee
    assert not any(r.is_supported or r.is_measured for r in knee)
    assert "knee_flexion_peak_deg" not in {a.measure for a in accuracy_by_measure(rows)}


def test_the_far_leg_is_not_asked_for():
    truth = _truth(azimuth_deg=-90.0)
    rows = compare_measures("made_up", truth, SQUAT, _analysis(Camera(azimuth_deg=-90.0)))
    assert not any(r.is_supported for r in rows if r.measure == "knee_flexion_peak_deg")
    assert all(r.is_supported for r in rows if r.measure == "trunk_inclination_deg")


def test_each_found_repetition_is_matched_once(analysis):
    found = analysis.report.repetitions
    twice = (REPETITIONS[0], REPETITIONS[0], REPETITIONS[1])
    assert match_repetitions(twice, found) == (found[0], None, found[1])


@pytest.mark.parametrize(
    ("azimuth", "plane"),
    [
        (90, "sagittal"),
        (-60, "sagittal"),
        (55, "sagittal"),
        (54, "oblique"),
        (21, "oblique"),
        (20, "frontal"),
        (-10, "frontal"),
        (175, "frontal"),
        (140, "oblique"),
        (125, "sagittal"),
    ],
)
def test_the_true_view_follows_the_limits_as_they_stand(azimuth, plane):
    assert true_plane(azimuth) == plane


# Figures


def _comparison(value: float, half: float, true: float = 90.0, **changes) -> Comparison:
    made = Comparison(
        clip="a",
        exercise="squat",
        plane="sagittal",
        repetition=1,
        measure="knee_flexion_peak_deg",
        is_supported=True,
        true=true,
        value=value,
        low=value - half,
        high=value + half,
        true_excursion=true,
        excursion=value - 5,
    )
    return replace(made, **changes)


def test_accuracy_is_plain_arithmetic():
    nan = math.nan
    rows = [
        _comparison(92, 5),
        _comparison(89, 5),
        _comparison(98, 5),
        _comparison(nan, nan, excursion=nan, reason="hidden"),
    ]
    a = accuracy("sagittal", "knee_flexion_peak_deg", rows)
    assert (a.n, a.n_measured, a.share_measured) == (4, 3, 0.75)
    assert a.bias == pytest.approx(3.0)
    assert a.mae == pytest.approx(11 / 3)
    assert a.worst == 8
    assert a.percentile_95 == pytest.approx(np.percentile([2, 1, 8], 95))
    assert a.excursion_mae == pytest.approx((3 + 6 + 3) / 3)
    assert a.coverage == pytest.approx(2 / 3)
    assert (a.coverage_low, a.coverage_high) == wilson_interval(2, 3)
    assert a.half_width == 5
    assert a.interval_score == pytest.approx(10 + 40 * 3 / 3)
    values = [92, 89, 98]
    lows, highs = [v - 5 for v in values], [v + 5 for v in values]
    assert a.calibration_error == calibration_error(values, lows, highs, [90] * 3)


def test_a_mixture_of_measures_has_no_error_in_units():
    rows = [_comparison(92, 5), _comparison(1.2, 0.2, true=1.1, measure="pause_s")]
    a = accuracy("sagittal", "all", rows)
    assert math.isnan(a.mae)
    assert a.coverage == 1
    # Decisions are swept in degrees, so over the first one only.
    assert (
        a.undecided_share == accuracy("sagittal", "knee_flexion_peak_deg", rows[:1]).undecided_share
    )


def seen(value: float, u: float) -> Measured:
    half = 1.96 * u
    return Measured(key="knee_flexion_peak_deg", value=value, low=value - half, high=value + half)


def test_decisions_are_swept_every_degree_either_side_of_the_truth():
    # Seen 92, u 2.5, truth 90: targets up to 89 are reached, 90 to 94 borderline, 95 on not.
    assert sweep(90, seen(92, 2.5)) == (41, 0, 5)
    # Seen 96, u 1.5: targets of 91 to 94 are told as reached and were not.
    assert sweep(90, seen(96, 1.5)) == (41, 4, 3)
    # Seen 82.5, u 1.5: targets of 84 to 90 are told as not reached and were.
    assert sweep(90, seen(82.5, 1.5)) == (41, 7, 2)


@given(st.floats(-30, 150), st.floats(-15, 15), st.floats(0.1, 25))
@settings(max_examples=50)
def test_an_estimate_within_its_standard_uncertainty_makes_no_wrong_decision(true, error, u):
    n, wrong, undecided = sweep(true, seen(true + error, u))
    assert n == 41
    assert 0 <= undecided <= n
    if abs(error) < u - 1e-9:
        assert wrong == 0


def test_nothing_measured_gives_no_figures():
    a = accuracy("sagittal", "knee_flexion_peak_deg", [_comparison(math.nan, math.nan)])
    assert (a.n, a.n_measured) == (1, 0)
    assert all(math.isnan(v) for v in (a.bias, a.coverage, a.wrong_share, a.half_width))


# Folder and faces


@pytest.fixture(scope="module")
def folder(samples, tmp_path_factory):
    """A folder with one short clip and its truth, one clip without, and a clip of no use."""
    from make_clips import trimmed

    place = tmp_path_factory.mktemp("validation")
    trimmed(samples / "squat_side.mp4", place / "squat.mp4", 0.0, 8.5)
    shutil.copy(samples / "squat_side.truth.json", place / "squat.truth.json")
    (place / "broken.mp4").write_bytes(b"no clip")
    write_truth(place / "broken.truth.json", _truth())
    (place / "alone.mp4").write_bytes(b"no truth beside it")
    return place


def test_only_clips_with_a_truth_file_beside_them_are_taken(folder):
    assert [clip.name for clip, _ in clips_with_truth(folder)] == ["broken.mp4", "squat.mp4"]


def test_a_folder_without_truth_files_says_what_to_do(tmp_path):
    with pytest.raises(FileError, match=r"put NAME\.truth\.json next to NAME\.mp4"):
        clips_with_truth(tmp_path)
    with pytest.raises(UsageError, match="no such folder"):
        clips_with_truth(tmp_path / "nowhere")


@pytest.fixture(scope="module")
def found(folder, tmp_path_factory) -> Validation:
    from formcheck.pose.landmarker import PoseSettings

    settings = Settings(pose=PoseSettings(model="lite"))
    return validate(folder, settings, cache_dir=tmp_path_factory.mktemp("cache"))


def test_a_clip_that_cannot_be_read_is_named_and_the_rest_goes_on(found):
    broken, squat = found.clips
    assert "broken.mp4" in broken.trouble
    assert broken.n_found == 0
    assert squat.n_found == squat.n_matched == 2
    assert all(not c.is_measured for c in found.comparisons if c.clip == "broken")


def test_real_landmarks_come_within_reach_of_the_truth(found):
    peaks = [
        c
        for c in found.comparisons
        if c.clip == "squat" and c.measure == "knee_flexion_peak_deg" and c.is_measured
    ]
    assert len(peaks) == 2
    assert all(abs(c.value - c.true) < 15 for c in peaks)


def test_the_tables_name_every_clip_and_measure(found):
    text = "\n".join(validation_lines(found, by_exercise=True))
    for word in ("squat", "broken", "knee_flexion_peak_deg", "all measures", "Exercise: squat"):
        assert word in text
    assert "Counts exact: " in text


def test_json_and_csv_hold_the_same_comparisons(found):
    mapping = json.loads(validation_json(found))
    assert mapping["schema"] == "formcheck.validation/1.1"
    assert [c["clip"] for c in mapping["clips"]] == ["broken", "squat"]
    assert set(mapping["exercises"]) == set(accuracy_by_exercise(found.comparisons))
    rows = list(csv.DictReader(io.StringIO(comparisons_csv(found))))
    assert len(rows) == len(found.comparisons)
    assert {r["unit"] for r in rows} <= {"deg", "s", "share", "1"}
    assert any(r["value"] == "" and r["reason"] for r in rows)


def test_the_command_prints_the_tables(run_formcheck, folder):
    done = run_formcheck("validate", folder, "--pose-model", "lite")
    assert done.returncode == 0, done.stderr
    assert "True view: sagittal" in done.stdout
    assert "Traceback" not in done.stderr
    again = run_formcheck("validate", folder, "--pose-model", "lite", "--json")
    assert json.loads(again.stdout)["clips"][1]["n_found"] == 2


def test_the_command_refuses_a_folder_without_truth(run_formcheck, tmp_path):
    done = run_formcheck("validate", tmp_path)
    assert done.returncode == 4
    assert done.stderr.count("\n") == 1
