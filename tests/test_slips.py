"""Landmarks that slip to the other leg: what they spoil is marked, and nothing else is."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from skeleton import Camera, Posture, both, film, repeated
from told import told

from formcheck.evidence.truth import read_truth
from formcheck.evidence.validation import compare_measures
from formcheck.files.exercises import load_exercise
from formcheck.files.storage import read_track
from formcheck.model.anatomy import LANDMARK
from formcheck.model.records import Measured
from formcheck.model.request import Request
from formcheck.motion.findings import quickest_step_deg
from formcheck.motion.jumps import longest_take
from formcheck.motion.track import clean
from formcheck.run.pipeline import assess
from formcheck.run.settings import Settings

DATA = Path(__file__).parent / "data"
SQUATS = repeated(Posture(), [Posture(trunk=35.0, **both(hip=60.0, knee=88.0))] * 3)
KNEE, ANKLE = LANDMARK["left", "knee"], LANDMARK["left", "ankle"]


def _report(raw, exercise="squat", side="left"):
    request = Request(clip=Path("made_up.mp4"), exercise=load_exercise(exercise), side=side)
    return assess(raw, request, Settings()).report


def _codes(report) -> set[str]:
    return {f.code for f in report.findings}


def _with_ankle(raw, change):
    image = raw.image_px.copy()
    change(raw.time_s, image)
    return replace(raw, image_px=image)


def _flickering(from_s: float, to_s: float):
    def change(time_s, image):
        rows = np.flatnonzero((time_s >= from_s) & (time_s <= to_s))
        image[rows[::2], 0, ANKLE, 0] += 60.0

    return change


def _slipped(from_s: float, to_s: float, share: float):
    def change(time_s, image):
        rows = (time_s >= from_s) & (time_s <= to_s)
        knee = image[rows, 0, KNEE]
        image[rows, 0, ANKLE] = knee + share * (image[rows, 0, ANKLE] - knee)

    return change


def _measured(report, number: int, key="knee_flexion_peak_deg") -> bool:
    (found,) = [r for r in report.repetitions if r.repetition.number == number]
    return isinstance(next(v for v in found.measures if v.key == key), Measured)


def test_steady_landmarks_bring_no_finding():
    report = _report(film(SQUATS, Camera(noise_px=1.0)))
    assert "landmarks_unsteady" not in _codes(report)
    assert all(_measured(report, n) for n in (1, 2, 3))


def test_an_ankle_that_jumps_there_and_back_spoils_that_repetition_only():
    report = _report(_with_ankle(film(SQUATS), _flickering(5.6, 8.2)))
    (finding,) = [f for f in report.findings if f.code == "landmarks_unsteady"]
    assert finding.from_s == pytest.approx(5.6, abs=0.4)
    assert finding.to_s == pytest.approx(8.2, abs=0.4)
    assert _measured(report, 1)
    assert not _measured(report, 2)
    assert _measured(report, 3)


def test_what_lies_between_two_stretches_of_jumps_is_not_believed():
    raw = _with_ankle(film(SQUATS), _flickering(5.4, 6.2))
    report = _report(_with_ankle(raw, _flickering(7.8, 8.4)))
    assert not _measured(report, 2)


def test_a_repetition_between_jumps_that_lie_far_apart_is_measured():
    raw = _with_ankle(film(SQUATS), _flickering(4.9, 5.2))
    report = _report(_with_ankle(raw, _flickering(9.0, 9.3)))
    spans = [(f.from_s, f.to_s) for f in report.findings if f.code == "landmarks_unsteady"]
    assert [to_s - from_s < 1 for from_s, to_s in spans] == [True, True]
    assert all(_measured(report, n) for n in (1, 2, 3))


def test_one_jump_alone_is_a_spike_and_no_finding():
    report = _report(_with_ankle(film(SQUATS), _flickering(7.0, 7.05)))
    assert "landmarks_unsteady" not in _codes(report)
    assert _measured(report, 2)


def test_a_shank_a_quarter_short_hides_the_leg_seen_square_from_the_side():
    report = _report(_with_ankle(film(SQUATS), _slipped(5.6, 8.2, 0.75)))
    assert _measured(report, 1)
    assert not _measured(report, 2)


def test_a_shank_a_tenth_short_is_believed():
    report = _report(_with_ankle(film(SQUATS), _slipped(5.6, 8.2, 0.9)))
    assert all(_measured(report, n) for n in (1, 2, 3))


def test_no_real_repetition_is_far_off_unmarked_when_the_bundle_mixes_up_the_legs(samples):
    raw = read_track(DATA / "seated_knee_extension.full.track.parquet")
    truth = read_truth(samples / "seated_knee_extension.truth.json")
    exercise = load_exercise("seated_knee_extension")
    request = Request(clip=Path("made_up.mp4"), exercise=exercise, side="right")
    analysis = assess(raw, request, Settings())
    assert "landmarks_unsteady" in _codes(analysis.report)
    for c in compare_measures("seated", truth, exercise, analysis):
        if c.measure.startswith("knee_flexion") and c.is_measured:
            assert abs(c.value - c.true) <= 8, c


def test_a_stretch_of_unsteady_landmarks_keeps_within_the_clip():
    raw = film(SQUATS)
    report = _report(_with_ankle(raw, _flickering(0.0, 0.6)))
    (found,) = (f for f in report.findings if f.code == "landmarks_unsteady")
    assert 0 <= found.from_s < found.to_s <= raw.time_s[-1]


def test_a_gap_at_the_start_leaves_the_pace_of_what_follows_as_it_was():
    raw = film(SQUATS)
    seen = raw.visibility.copy()
    seen[raw.time_s < 0.4] = 0.0
    view = _report(raw).view
    whole = quickest_step_deg(clean(raw), view, 1 / 15)
    assert whole > 1
    late = quickest_step_deg(clean(replace(raw, visibility=seen)), view, 1 / 15)
    assert late == pytest.approx(whole, rel=0.05)


def test_a_clip_without_a_cut_is_measured_to_its_last_picture():
    raw = film(SQUATS)
    assert longest_take(raw).stretches_s == ((0.0, raw.time_s[-1]),)
    assert longest_take(raw).findings == ()


@pytest.mark.parametrize("n", [100, 150])
def test_of_two_scenes_the_longer_is_measured(n):
    raw = film(SQUATS)
    change, image = raw.change.copy(), raw.image_px.copy()
    change[n] = 80.0
    image[n:] *= 0.6
    take = longest_take(replace(raw, change=change, image_px=image))
    is_first = n > len(raw.time_s) / 2
    expected = (0.0, raw.time_s[n - 1]) if is_first else (raw.time_s[n], raw.time_s[-1])
    assert take.stretches_s == (expected,)
    (told,) = take.findings
    assert (told.code, told.from_s, told.to_s) == ("edited", raw.time_s[n], raw.time_s[n])
    assert dict(told.values) == {
        "n_jumps": 1,
        "longest_from_s": expected[0],
        "longest_to_s": expected[1],
    }


def _with_ankle_lost(raw, at_s: float, half_s: float):
    visibility = raw.visibility.copy()
    visibility[np.abs(raw.time_s - at_s) < half_s, :, ANKLE] = 0.03
    return replace(raw, visibility=visibility)


SLOW = repeated(
    Posture(),
    [Posture(trunk=35.0, **both(hip=75.0, knee=105.0))] * 3,
    there_s=1.5,
    stay_s=0.3,
    back_s=1.5,
)
SECOND_TURN_S = 2 * 1.2 + 3.3 + 1.5 + 0.15


@pytest.mark.parametrize("half_s", [0.3, 0.35, 0.4])
@pytest.mark.parametrize("off_s", [-0.2, 0.0, 0.2])
def test_a_gap_at_the_turn_makes_no_two_repetitions_of_one(half_s, off_s):
    report = _report(_with_ankle_lost(film(SLOW), SECOND_TURN_S + off_s, half_s))
    assert (report.whole.n_repetitions, report.whole.n_complete) == (3, 3)
    second = report.repetitions[1]
    peak = next(v for v in second.measures if v.key == "knee_flexion_peak_deg")
    if isinstance(peak, Measured):  # the edge of the gap saw the deepest point
        assert off_s != 0
        assert abs(peak.value - 105) < 1
    tempo = [v for v in second.measures if v.key in ("lowering_s", "pause_s", "raising_s")]
    assert not any(isinstance(v, Measured) for v in tempo)
    assert second.remarks == ()
    (lost,) = [f for f in report.findings if f.code == "landmarks_lost"]
    assert lost.from_s == pytest.approx(SECOND_TURN_S + off_s - half_s, abs=0.15)
    assert lost.to_s == pytest.approx(SECOND_TURN_S + off_s + half_s, abs=0.15)
    assert "counted as one" in told(lost, report)


def test_a_gap_long_enough_to_come_back_in_is_told_and_joins_nothing():
    held = repeated(
        Posture(),
        [Posture(trunk=35.0, **both(hip=75.0, knee=105.0))] * 3,
        there_s=1.5,
        stay_s=1.5,
        back_s=1.5,
    )
    second_turn_s = 2 * 1.2 + 4.5 + 1.5 + 0.75
    report = _report(_with_ankle_lost(film(held), second_turn_s, 0.7))
    assert (report.whole.n_repetitions, report.whole.n_complete) == (4, 2)
    (lost,) = [f for f in report.findings if f.code == "landmarks_lost"]
    assert "listed, and not judged" in told(lost, report)


def test_who_comes_up_in_a_gap_did_two_and_not_one():
    pulses = repeated(
        Posture(),
        [Posture(trunk=35.0, **both(hip=75.0, knee=105.0))] * 3,
        rest_s=0.0,
        there_s=0.8,
        stay_s=0.0,
        back_s=0.8,
    )
    report = _report(_with_ankle_lost(film(pulses), 1.6, 0.4))
    assert report.whole.n_repetitions == 3


def test_a_gap_while_resting_is_no_matter():
    report = _report(_with_ankle_lost(film(SLOW), 1.2 + 3.3 + 0.6, 0.4))
    assert report.whole.n_complete == 3
    assert "landmarks_lost" not in _codes(report)
