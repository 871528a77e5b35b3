"""Landmark clean-up: what passes, what is filled, what stays missing; legs keep their names."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from builders import build_clip, build_raw
from exercise_cases import BRIDGE, HOOK_LYING, SQUAT, STANDING
from hypothesis import given, settings
from hypothesis import strategies as st
from skeleton import Camera, film, repeated

from formcheck.files.exercises import load_exercise
from formcheck.files.storage import read_track
from formcheck.model.anatomy import LANDMARK, LEG
from formcheck.model.request import Request
from formcheck.motion.masks import runs
from formcheck.motion.swapped_legs import exchange_legs, repair_swapped_legs, shown_side
from formcheck.motion.track import (
    TrackSettings,
    _resample,
    choose_patient,
    clean,
    faint_but_steady,
    landmark_noise_px,
    low_pass,
    low_pass_design_hz,
)
from formcheck.run.pipeline import assess

DATA = Path(__file__).parent / "data"
RATE_HZ = 30.0
KNEE = LANDMARK["left", "knee"]


def _seconds(n_s: float) -> np.ndarray:
    return np.arange(round(n_s * RATE_HZ)) / RATE_HZ


# The filter


def test_a_sine_in_the_pass_band_passes_without_lag():
    t = _seconds(20)
    wave = np.sin(2 * np.pi * 1.0 * t)
    assert np.abs(low_pass(wave, RATE_HZ, 6.0) - wave)[60:-60].max() < 0.01


def test_a_sine_in_the_stop_band_is_taken_away():
    t = _seconds(20)
    wave = np.sin(2 * np.pi * 13.0 * t)
    assert np.abs(low_pass(wave, RATE_HZ, 6.0))[60:-60].max() < 0.02


def test_an_edge_stays_where_it_is():
    step = np.where(_seconds(10) < 5, 0.0, 10.0)
    through = low_pass(step, RATE_HZ, 6.0)
    crossing = np.interp(5.0, through[140:160], _seconds(10)[140:160])
    assert crossing == pytest.approx(5.0 - 0.5 / RATE_HZ, abs=1e-3)
    assert through[:120] == pytest.approx(0, abs=0.01)
    assert through[180:] == pytest.approx(10, abs=0.01)


def test_the_ends_of_a_signal_are_not_bent():
    ramp = np.linspace(3, 90, 200)
    assert low_pass(ramp, RATE_HZ, 6.0) == pytest.approx(ramp, abs=0.05)


def test_a_gap_stays_missing_and_does_not_leak():
    wave = np.sin(2 * np.pi * 0.5 * _seconds(10))
    wave[100:130] = np.nan
    changed = wave.copy()
    changed[130:] += 50
    through, other = low_pass(wave, RATE_HZ, 6.0), low_pass(changed, RATE_HZ, 6.0)
    assert np.isnan(through[100:130]).all()
    assert np.isfinite(through[:100]).all()
    # What stands after the gap does not reach what stands before it.
    assert np.array_equal(through[:100], other[:100])


def test_columns_with_different_gaps_are_filtered_each_by_itself():
    values = np.random.default_rng(0).normal(size=(120, 3))
    values[10:20, 0] = np.nan
    values[60:90, 2] = np.nan
    together = low_pass(values, RATE_HZ, 6.0)
    for k in range(3):
        alone = low_pass(values[:, k], RATE_HZ, 6.0)
        assert np.allclose(together[:, k], alone, equal_nan=True, atol=1e-12)


def test_a_run_too_short_to_filter_stays_as_it_is():
    values = np.array([np.nan, 1.0, 5.0, 2.0, np.nan])
    assert np.array_equal(low_pass(values, RATE_HZ, 6.0), values, equal_nan=True)


@pytest.mark.parametrize("cut_off_hz", [0.0, -1.0, 15.0, 20.0])
def test_a_cut_off_that_no_filter_can_have_is_refused(cut_off_hz):
    with pytest.raises(ValueError, match="cut-off"):
        low_pass_design_hz(cut_off_hz, RATE_HZ)


@settings(max_examples=25)
@given(st.floats(-200, 200), st.floats(0.5, 10))
def test_a_constant_passes_unchanged_at_any_cut_off(level, cut_off_hz):
    assert low_pass(np.full(90, level), RATE_HZ, cut_off_hz) == pytest.approx(level, abs=1e-6)


# Gaps


def _with_unseen_knee(start: int, stop: int):
    raw = build_raw(build_clip(), rate_hz=15.0)
    seen = raw.visibility.copy()
    seen[start:stop, 0, KNEE] = 0.05
    return replace(raw, visibility=seen)


def test_a_short_gap_is_filled_and_marked():
    track = clean(_with_unseen_knee(60, 63))  # 0.27 s between neighbours
    inside = (track.time_s > 59 / 15) & (track.time_s < 63 / 15)
    settings = TrackSettings(gap_most_s=0.3)
    filled = clean(_with_unseen_knee(60, 63), settings)
    assert np.isfinite(filled.image_px[inside, KNEE]).all()
    assert filled.is_filled[inside, KNEE].all()
    assert not filled.is_filled[~inside, KNEE].any()
    assert not filled.is_filled[:, LANDMARK["left", "hip"]].any()


def test_a_gap_longer_than_the_setting_is_not_filled():
    track = clean(_with_unseen_knee(60, 75), TrackSettings(gap_most_s=0.25))
    inside = (track.time_s > 59.5 / 15) & (track.time_s < 74.5 / 15)
    assert np.isnan(track.image_px[inside, KNEE]).all()
    assert np.isfinite(track.image_px[inside, LANDMARK["left", "hip"]]).all()


@settings(max_examples=15)
@given(st.integers(1, 30), st.sampled_from([0.1, 0.25, 0.5, 1.0]))
def test_no_gap_longer_than_the_setting_is_ever_filled(n_frames, gap_most_s):
    track = clean(_with_unseen_knee(60, 60 + n_frames), TrackSettings(gap_most_s=gap_most_s))
    unseen = ~np.isfinite(track.image_px[:, KNEE, 0])
    gap_s = (n_frames + 1) / 15
    assert unseen.any() == (gap_s > gap_most_s + 1e-6 and gap_s > 1.5 / 15)


def test_a_slow_clip_has_no_gaps_of_its_own():
    track = clean(build_raw(build_clip(), rate_hz=3.0))
    assert np.isfinite(track.image_px).all()
    assert not track.is_filled.any()


def test_uneven_frame_times_are_put_on_an_even_grid():
    raw = build_raw(build_clip(), rate_hz=15.0)
    shift = 0.02 * np.sin(np.arange(len(raw.time_s)))
    uneven = replace(raw, time_s=raw.time_s + shift - shift[0])
    track = clean(uneven)
    assert np.diff(track.time_s) == pytest.approx(1 / track.grid_hz)


def test_a_track_of_one_frame_is_refused():
    raw = build_raw(build_clip())
    one = {
        f: getattr(raw, f)[:1]
        for f in (
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
    with pytest.raises(ValueError, match="two frames"):
        clean(replace(raw, **one))


def test_a_landmark_that_jumps_away_and_back_is_dropped():
    raw = build_raw(build_clip(), rate_hz=15.0)
    noise = np.random.default_rng(5).normal(0, 0.5, raw.image_px.shape)
    raw = replace(raw, image_px=(raw.image_px + noise).astype(np.float32))
    image = raw.image_px.copy()
    image[60, 0, KNEE] += 120
    spiked, plain = clean(replace(raw, image_px=image)), clean(raw)
    assert np.abs(spiked.image_px[:, KNEE] - plain.image_px[:, KNEE]).max() < 3


def test_jitter_is_told_from_movement():
    raw = build_raw(build_clip(), rate_hz=15.0)
    noise = np.random.default_rng(3).normal(0, 1.5, raw.image_px[:, 0].shape)
    assert landmark_noise_px(raw.image_px[:, 0] + noise)[KNEE] == pytest.approx(1.5, rel=0.35)
    assert landmark_noise_px(raw.image_px[:, 0])[KNEE] < 0.6


# People


def test_the_patient_is_the_person_who_stays_and_is_near():
    raw = build_raw(build_clip(), rate_hz=15.0)
    n = len(raw.time_s)
    passer = raw.image_px[:, 0] * 0.5 + np.array([400, 0])
    passer[: n // 2] = np.nan
    both = np.stack([raw.image_px[:, 0], passer], axis=1)
    both[::7] = both[::7, ::-1]  # the model gives people in no steady order
    made = build_raw(build_clip(), rate_hz=15.0, people=both)
    chosen = made.image_px[np.arange(n), choose_patient(made)]
    assert np.array_equal(chosen, raw.image_px[:, 0])


def test_runs_of_a_mask():
    assert runs(np.array([1, 1, 0, 1, 0, 0, 1], bool)) == [(0, 2), (3, 4), (6, 7)]
    assert runs(np.zeros(3, bool)) == []


# Legs under each other's names

TRACKS = ("split_squat_rear_foot_raised", "multidirectional_lunge")


def _patient(name: str):
    raw = read_track(DATA / f"{name}.track.parquet")
    return raw.time_s, *(
        np.asarray(v[:, 0], float) for v in (raw.image_px, raw.world_m, raw.visibility)
    )


def _swapped_stretches(time_s: np.ndarray, seed: int) -> np.ndarray:
    """One to three stretches of 0.2 to 1.5 s, bool (n,)."""
    random = np.random.default_rng(seed)
    out = np.zeros(len(time_s), bool)
    for _ in range(random.integers(1, 4)):
        length_s = random.uniform(0.2, 1.5)
        start_s = random.uniform(time_s[0], time_s[-1] - length_s)
        out |= (time_s >= start_s) & (time_s < start_s + length_s)
    return out


@pytest.mark.parametrize("name", TRACKS)
def test_labels_that_swap_are_given_back_and_good_samples_left_alone(name):
    time_s, *landmarks = _patient(name)
    n_swapped = n_repaired = n_good = n_harmed = 0
    for seed in range(12):
        is_swapped = _swapped_stretches(time_s, seed)
        rows = np.flatnonzero(is_swapped)
        found = repair_swapped_legs(*(exchange_legs(v, rows) for v in landmarks))
        n_swapped += is_swapped.sum()
        n_repaired += (found & is_swapped).sum()
        n_good += (~is_swapped).sum()
        n_harmed += (found & ~is_swapped).sum()
    assert n_repaired >= 0.95 * n_swapped
    assert n_harmed < 0.02 * n_good


@pytest.mark.parametrize("name", TRACKS)
def test_legs_that_never_swapped_keep_their_names(name):
    _, *landmarks = _patient(name)
    assert repair_swapped_legs(*landmarks).mean() < 0.02


@pytest.mark.parametrize("name", TRACKS)
def test_the_cleaned_track_is_the_same_with_and_without_swaps(name):
    raw = read_track(DATA / f"{name}.track.parquet")
    rows = np.flatnonzero(_swapped_stretches(raw.time_s, 1))
    swapped = replace(
        raw,
        **{
            f: exchange_legs(getattr(raw, f)[:, 0], rows)[:, None]
            for f in ("image_px", "world_m", "visibility")
        },
    )
    plain, mended = clean(raw), clean(swapped)
    assert mended.is_repaired.any()
    assert not plain.is_repaired.any()
    legs = [LANDMARK[s, j] for s in ("left", "right") for j in LEG]
    assert np.allclose(plain.image_px[:, legs], mended.image_px[:, legs], equal_nan=True, atol=0.1)


def test_legs_are_exchanged_in_the_rows_asked_for_only():
    image = np.arange(4 * 33 * 2, dtype=float).reshape(4, 33, 2)
    out = exchange_legs(image, np.array([1, 2]))
    assert np.array_equal(out[[0, 3]], image[[0, 3]])
    assert np.array_equal(out[1, KNEE], image[1, LANDMARK["right", "knee"]])
    assert np.array_equal(out[1, 0], image[1, 0])
    assert np.array_equal(exchange_legs(out, np.array([1, 2])), image)


def _shoulders(depth_m: np.ndarray) -> np.ndarray:
    """World points of shoulders 0.4 m apart, the left one this much further away, (n, 33, 3)."""
    world_m = np.zeros((len(depth_m), 33, 3))
    world_m[:, LANDMARK["left", "shoulder"], 2] = depth_m
    world_m[:, LANDMARK["left", "shoulder"], 0] = np.sqrt(np.maximum(0.16 - depth_m**2, 0))
    return world_m


@pytest.mark.parametrize("way", [1, -1])
def test_a_trunk_that_turns_round_for_good_shows_its_other_side(way):
    time_s = np.arange(0, 20, 1 / 15)
    turning = 0.4 * way * np.cos(np.pi * np.clip((time_s - 8) / 2, 0, 1))
    shown = shown_side(_shoulders(turning), time_s)
    assert (shown[time_s < 8.5] == 1).all()
    assert (shown[time_s > 9.5] == -1).all()


@pytest.mark.parametrize("length_s", [0.2, 1.5])
def test_a_trunk_told_the_wrong_way_round_for_a_moment_has_not_turned(length_s):
    time_s = np.arange(0, 20, 1 / 15)
    depth_m = np.where((time_s > 8) & (time_s < 8 + length_s), -0.38, 0.38)
    assert (shown_side(_shoulders(depth_m), time_s) == 1).all()
    assert (shown_side(_shoulders(0.05 * np.sin(time_s)), time_s) == 1).all()
    assert (shown_side(np.full((len(time_s), 33, 3), np.nan), time_s) == 1).all()


def test_memory_of_the_clean_up_grows_with_the_clip_and_not_with_its_square():
    import tracemalloc

    peaks = []
    for n in (600, 2400):
        points = np.cumsum(np.random.default_rng(1).normal(0, 0.1, (n, 33, 5)), axis=0)
        time_s = np.arange(n) / 15
        tracemalloc.start()
        _resample(time_s, points, np.arange(0, time_s[-1], 1 / 30), 0.25)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 5 * peaks[0]


# A near leg that the model doubts


def _faint(rest, turn, visibility, near="left", far_visibility=0.005):
    """A set of three whose near knee, ankle, heel and toe the model gives this visibility."""
    camera = Camera(azimuth_deg=90 if near == "left" else -90)
    raw = film(repeated(rest, [turn] * 3, stay_s=1), camera)
    seen = raw.visibility.copy()
    far = "right" if near == "left" else "left"
    for side, value in ((near, visibility), (far, far_visibility)):
        for joint in ("knee", "ankle", "heel", "toe"):
            seen[:, 0, LANDMARK[side, joint]] = value
    return replace(raw, visibility=seen)


def _knee_seen(raw, side="left") -> float:
    return float(np.isfinite(clean(raw).image_px[:, LANDMARK[side, "knee"], 0]).mean())


def test_the_near_leg_of_a_person_who_lies_is_there_though_the_model_doubts_it():
    raw = _faint(HOOK_LYING, BRIDGE, 0.07)
    assert _knee_seen(raw) > 0.95
    request = Request(clip="made_up.mp4", exercise=load_exercise("bridge"), side="left")
    assert assess(raw, request).report.whole.n_complete == 3
    right = clean(raw).image_px[:, LANDMARK["right", "knee"]]
    assert np.isnan(right).all()


def test_a_leg_the_model_hardly_sees_or_whose_lengths_change_stays_missing():
    assert _knee_seen(_faint(HOOK_LYING, BRIDGE, 0.005)) == 0
    raw = _faint(HOOK_LYING, BRIDGE, 0.07)
    astray = raw.image_px.copy()
    half = len(raw.time_s) // 2
    astray[half:, 0, KNEE] += 0.5 * (
        astray[half:, 0, KNEE] - astray[half:, 0, LANDMARK["left", "hip"]]
    )
    seen = np.isfinite(clean(replace(raw, image_px=astray)).image_px[:, KNEE, 0])
    assert seen.mean() < 0.6


def test_the_leg_of_a_person_who_stands_is_missing_where_the_model_doubts_it():
    assert _knee_seen(_faint(STANDING, SQUAT, 0.15)) == 0


@pytest.mark.parametrize("near", ["left", "right"])
def test_of_two_doubted_legs_the_better_seen_is_there_also_where_nobody_is_seen_for_long(near):
    raw = _faint(HOOK_LYING, BRIDGE, 0.12, near, far_visibility=0.07)
    far = "right" if near == "left" else "left"
    assert (_knee_seen(raw, near), _knee_seen(raw, far)) == (1, 0)
    points = raw.image_px.copy()
    points[: int(0.6 * len(points))] = np.nan
    assert _knee_seen(replace(raw, image_px=points), near) == pytest.approx(0.4, abs=0.02)


def test_who_gets_up_after_lying_is_no_longer_taken_for_lying():
    lying, standing = (_faint(a, b, 0.07) for a, b in ((HOOK_LYING, BRIDGE), (STANDING, SQUAT)))
    n = int((standing.time_s < 1).sum())  # before the first squat
    points = np.concatenate([lying.image_px, standing.image_px[:n]])
    seen = np.concatenate([lying.visibility, standing.visibility[:n]])
    where = faint_but_steady(points[:, 0].astype(float), seen[:, 0], TrackSettings())[:, KNEE]
    assert where[: len(lying.time_s)].mean() > 0.9
    assert not where[len(lying.time_s) :].any()
