"""Intervals from named parts, and decisions under them."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skeleton import Camera, Posture, both, film, repeated

from formcheck.files.exercises import load_exercise
from formcheck.model.intervals import (
    COVERAGE_FACTOR,
    ERROR_MODELS,
    azimuth_part,
    bent_to_straight_part,
    combined,
    decide,
    front_leak_part,
    measured,
    model_parts,
    near_straight_part,
    noise_part,
    over_repetitions,
    projected_flexion_deg,
    sampling_part,
    time_part,
)
from formcheck.model.records import Measured, Part
from formcheck.model.request import Request
from formcheck.run.pipeline import assess
from formcheck.run.settings import Settings

STANDING = Posture()
SQUATTING = Posture(trunk=35.0, **both(hip=60.0, knee=88.0))
SQUATS = repeated(STANDING, [SQUATTING, SQUATTING])
KEYS = (
    "knee_flexion_peak_deg",
    "thigh_inclination_deg",
    "shank_inclination_deg",
    "trunk_inclination_deg",
    "lowering_s",
    "raising_s",
)


def _half_widths(camera: Camera) -> dict[str, float]:
    """Half-widths of the first repetition's measures of two squats seen by a camera."""
    request = Request(clip=Path("made_up.mp4"), exercise=load_exercise("squat"), side="left")
    report = assess(film(SQUATS, camera), request, Settings()).report
    assert len(report.repetitions) == 2
    values = {v.key: v for v in report.repetitions[0].measures if isinstance(v, Measured)}
    return {key: (values[key].high - values[key].low) / 2 for key in KEYS if key in values}


def _never_narrower(better: Camera, worse: Camera) -> None:
    narrow, wide = _half_widths(better), _half_widths(worse)
    assert narrow
    for key, half in wide.items():
        # A value that is read a little elsewhere moves its own parts by a little: 3 %.
        assert half >= 0.97 * narrow[key], key


few = settings(max_examples=8, deadline=None)


@few
@given(st.floats(0.3, 0.8), st.floats(1.5, 3.0), st.integers(0, 99))
def test_a_noisier_clip_never_narrows_an_interval(noise_px, times, seed):
    quiet = Camera(noise_px=noise_px, seed=seed)
    _never_narrower(quiet, Camera(noise_px=noise_px * times, seed=seed))


@few
@given(st.floats(60, 90), st.floats(1, 12))
def test_a_more_oblique_clip_never_narrows_an_interval(azimuth_deg, further_deg):
    _never_narrower(
        Camera(azimuth_deg=azimuth_deg), Camera(azimuth_deg=max(azimuth_deg - further_deg, 56))
    )


@few
@given(st.floats(250, 500), st.floats(0.4, 0.9))
def test_a_smaller_person_never_narrows_an_interval(stature_px, share):
    near = Camera(stature_px=stature_px, noise_px=0.8)
    _never_narrower(near, Camera(stature_px=stature_px * share, noise_px=0.8))


@few
@given(st.sampled_from([30.0, 25.0, 15.0]), st.sampled_from([12.0, 10.0, 7.5]))
def test_a_slower_clip_never_narrows_an_interval(rate_hz, slower_hz):
    _never_narrower(Camera(rate_hz=rate_hz), Camera(rate_hz=slower_hz))


def test_noise_obliqueness_size_and_rate_each_widen_an_interval():
    plain = _half_widths(Camera(noise_px=0.5))
    for worse in (
        Camera(noise_px=2.0),
        Camera(noise_px=0.5, azimuth_deg=60),
        Camera(noise_px=0.8, stature_px=240),
    ):
        assert _half_widths(worse)["knee_flexion_peak_deg"] > 1.03 * plain["knee_flexion_peak_deg"]
    assert _half_widths(Camera(noise_px=0.5, rate_hz=5.0))["lowering_s"] > plain["lowering_s"]


# Parts


def _part(standard: float, kind: str = "own") -> Part:
    return Part(name="made up", standard=standard, kind=kind, source="made up")


@given(st.lists(st.floats(0, 50), max_size=6))
def test_parts_combine_as_the_root_of_their_squares(standards):
    assert combined([_part(s) for s in standards]) == pytest.approx(
        np.sqrt(np.sum(np.square(standards)))
    )


def test_shared_and_own_parts_are_kept_apart():
    parts = [_part(3, "shared"), _part(4, "own")]
    assert combined(parts) == 5
    assert combined(parts, "shared") == 3
    assert combined(parts, "own") == 4


@given(st.floats(-180, 180), st.lists(st.floats(0, 20), min_size=1, max_size=5))
def test_an_interval_stands_evenly_about_its_value(value, standards):
    made = measured("knee_flexion_peak_deg", value, [_part(s) for s in standards])
    assert made.high - value == pytest.approx(value - made.low)
    assert made.high - value == pytest.approx(COVERAGE_FACTOR * combined(made.parts), abs=1e-9)


def test_a_time_is_never_less_than_nothing():
    assert measured("pause_s", 0.05, [_part(0.1)]).low == 0.0


@pytest.mark.parametrize("quantity", sorted(ERROR_MODELS))
def test_a_change_within_a_clip_carries_own_parts_only(quantity):
    assert all(p.kind == "own" for p in model_parts(quantity, is_change=True))
    whole, change = combined(model_parts(quantity), "own"), model_parts(quantity, is_change=True)
    assert combined(change) == pytest.approx(np.sqrt(2) * whole)


@pytest.mark.parametrize("quantity", sorted(ERROR_MODELS))
def test_every_part_names_its_source(quantity):
    assert all(p.source and p.name for p in model_parts(quantity))


def test_the_offset_near_straight_fades_with_the_bend():
    sizes = [near_straight_part(v).standard for v in (-5, 0, 30, 50, 70, 90, 120)]
    assert sizes[0] == sizes[1] == sizes[2] > sizes[3] > sizes[4] > sizes[5] == sizes[6] == 0


@given(st.floats(-10, 140), st.floats(0, 140))
def test_the_nearer_to_straight_a_range_begins_the_more_it_carries(least, more):
    part = bent_to_straight_part(least, least + more)
    assert part.standard >= 0
    assert part.standard <= bent_to_straight_part(min(least, 0), 100).standard + 1e-9


@given(st.floats(1, 170), st.floats(0, 60), st.floats(0, 25))
def test_a_camera_further_off_the_side_sees_less_of_an_angle(flexion, off, further):
    nearer, farther = (projected_flexion_deg(flexion, o) for o in (off, off + further))
    assert 0 < farther <= nearer + 1e-9 <= flexion + 2e-9


@pytest.mark.parametrize("make", [azimuth_part, front_leak_part, sampling_part, noise_part])
def test_no_part_is_negative(make):
    assert make(0.0).standard == 0
    assert make(6.0).standard > 0


def test_a_time_grid_is_a_rectangular_distribution():
    assert time_part(0.1, n_ends=1).standard == pytest.approx(0.1 / np.sqrt(12))


# Decisions (JCGM 106:2012)


def a_value(value: float, u: float, key: str = "knee_flexion_peak_deg") -> Measured:
    half = 1.96 * u
    return Measured(key=key, value=value, low=value - half, high=value + half)


@pytest.mark.parametrize(
    ("value", "at_least", "at_most", "outcome"),
    [
        (66, 60, None, "reached"),
        (65, 60, None, "reached"),
        (64, 60, None, "borderline"),
        (60, 60, None, "borderline"),
        (56, 60, None, "borderline"),
        (55, 60, None, "not_reached"),
        (5, None, 12, "reached"),
        (9, None, 12, "borderline"),
        (18, None, 12, "not_reached"),
        (90, 80, 100, "reached"),
        (83, 80, 100, "borderline"),
        (106, 80, 100, "not_reached"),
    ],
)
def test_a_target_is_told_by_the_best_estimate_and_its_standard_uncertainty(
    value, at_least, at_most, outcome
):
    assert decide("target", a_value(value, 5), at_least, at_most) == outcome


@pytest.mark.parametrize(
    ("low", "high", "outcome"),
    [(50, 59, "kept"), (50, 60, "kept"), (55, 65, "possibly_passed"), (61, 70, "passed")],
)
def test_a_limit_is_kept_or_passed_only_with_its_whole_interval(low, high, outcome):
    value = Measured(key="knee_flexion_peak_deg", value=(low + high) / 2, low=low, high=high)
    assert decide("limit", value, None, 60) == outcome


def test_a_time_near_zero_is_judged_by_the_upper_end_of_its_interval():
    value = measured("plateau_hold_s", 0.2, [Part(name="n", standard=0.5, kind="own", source="")])
    assert value.low == 0
    assert decide("target", value, 0.6, None) == "borderline"


@given(st.floats(-90, 150), st.floats(0.1, 30), st.floats(-90, 150), st.floats(0.1, 10))
@settings(max_examples=30)
def test_a_wider_interval_never_turns_borderline_into_a_verdict(value, u, bound, more):
    narrow = decide("target", a_value(value, u), bound, None)
    wide = decide("target", a_value(value, u + more), bound, None)
    assert wide in (narrow, "borderline")


@given(st.floats(-90, 150), st.floats(0.1, 30), st.floats(-90, 150))
@settings(max_examples=30)
def test_kept_never_rests_on_a_part_of_the_interval(value, u, bound):
    seen = a_value(value, u)
    if decide("limit", seen, None, bound) == "kept":
        assert seen.high <= bound


def test_the_mean_over_repetitions_keeps_what_they_share_and_shrinks_what_is_their_own():
    parts = (
        Part(name="model", standard=3.0, kind="shared", source="a"),
        Part(name="jitter", standard=4.0, kind="own", source="b"),
    )
    four = [measured("knee_flexion_peak_deg", v, parts) for v in (80, 84, 88, 92)]
    mean = over_repetitions(four)
    assert mean.value == 86
    assert (mean.high - mean.value) / 1.96 == pytest.approx(np.hypot(3, 4 / 2))


def test_a_mean_of_values_without_parts_is_no_surer_than_one_of_them():
    mean = over_repetitions([a_value(80, 5), a_value(90, 5)])
    assert (mean.high - mean.value) / 1.96 == pytest.approx(5)


@pytest.mark.parametrize("kind", ["target", "limit"])
def test_a_bound_without_an_end_is_refused(kind):
    with pytest.raises(ValueError, match="at_least or at_most"):
        decide(kind, a_value(0, 1), None, None)


def test_a_bound_is_a_target_or_a_limit():
    with pytest.raises(ValueError, match="'wish'"):
        decide("wish", a_value(0, 1), 0, None)
