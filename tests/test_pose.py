"""Pose: landmarks in order, equal whatever the threads, and quiet about it."""

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from types import SimpleNamespace

import make_clips
import numpy as np
import pytest

from formcheck.files.packages import missing
from formcheck.model.anatomy import LANDMARK
from formcheck.model.errors import ClipError, ModelError, UsageError
from formcheck.pose import bundles as pose_bundles
from formcheck.pose import landmarker as pose
from formcheck.pose import looking
from formcheck.pose.landmarker import PoseSettings, estimate

SAMPLE = Path(__file__).parent.parent / "sample_clips" / "squat_side.mp4"
LITE = PoseSettings(model="lite", rate_hz=15, n_threads=2)


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    """The sample clip's seconds 1 to 3.5."""
    path = tmp_path_factory.mktemp("pose") / "squat.mp4"
    make_clips.trimmed(SAMPLE, path, 1.0, 3.5)
    return path


@pytest.fixture(scope="module")
def raw(clip):
    return estimate(clip, LITE)


def _same(a, b):
    return all(
        np.array_equal(getattr(a, name), getattr(b, name), equal_nan=True)
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
    )


def test_the_track_holds_one_person_within_the_picture(raw):
    assert raw.image_px.shape[1] == 1
    assert np.isfinite(raw.image_px).all()
    hips = raw.image_px[:, 0, [LANDMARK["left", "hip"], LANDMARK["right", "hip"]]]
    assert (hips > 0).all()
    assert (hips < (raw.clip.width_px, raw.clip.height_px)).all()
    nose_y = raw.image_px[:, 0, 0, 1]
    ankle_y = raw.image_px[:, 0, LANDMARK["left", "ankle"], 1]
    assert (ankle_y - nose_y > 0.3 * raw.clip.height_px).all()


def test_world_landmarks_are_metres_about_the_hips(raw):
    hips = raw.world_m[:, 0, [LANDMARK["left", "hip"], LANDMARK["right", "hip"]]].mean(axis=1)
    assert np.abs(hips).max() < 0.05
    shank = np.linalg.norm(
        raw.world_m[:, 0, LANDMARK["left", "knee"]] - raw.world_m[:, 0, LANDMARK["left", "ankle"]],
        axis=1,
    )
    assert 0.2 < np.median(shank) < 0.6


def test_every_second_frame_of_a_30_hz_clip_is_looked_at_at_15_hz(raw):
    assert raw.clip.n_frames == 76
    assert len(raw.time_s) == 38
    np.testing.assert_allclose(np.diff(raw.time_s), 1 / 15, atol=0.002)
    seconds = (raw.stamp - raw.stamp[0]) * raw.clip.time_base[0] / raw.clip.time_base[1]
    np.testing.assert_allclose(seconds, raw.time_s, atol=1e-9)


def test_a_rate_above_the_clips_looks_at_every_frame_once(clip):
    every = estimate(clip, PoseSettings(model="lite", rate_hz=1000))
    assert len(every.time_s) == every.clip.n_frames == 76


def test_the_source_says_which_model_made_the_track(raw):
    assert raw.source.model == "lite"
    assert raw.source.sha256 == pose_bundles.read_bundle("lite")[1]
    assert raw.source.mode == "image"
    assert dict(raw.source.library_versions).keys() == {"av", "mediapipe", "opencv-contrib-python"}


@pytest.mark.parametrize("n_threads", [1, 3])
def test_the_number_of_threads_changes_no_bit(clip, raw, n_threads):
    assert _same(raw, estimate(clip, PoseSettings(model="lite", rate_hz=15, n_threads=n_threads)))


def test_what_came_before_changes_no_landmark_in_image_mode(clip, raw):
    sparse = estimate(clip, PoseSettings(model="lite", rate_hz=7.5))
    shared, of_raw, of_sparse = np.intersect1d(raw.stamp, sparse.stamp, return_indices=True)
    assert len(shared) == len(sparse.stamp)
    assert np.array_equal(raw.image_px[of_raw], sparse.image_px[of_sparse])


def test_room_for_more_people_changes_nothing_where_one_is(clip, raw):
    assert _same(raw, estimate(clip, PoseSettings(model="lite", rate_hz=15, n_people=1)))


def test_two_people_are_both_found(clip, tmp_path):
    both = tmp_path / "both.mp4"
    make_clips.second_person(clip, clip, both)
    track = estimate(both, PoseSettings(model="lite", rate_hz=4))
    assert track.image_px.shape[1] >= 2
    n_found = np.isfinite(track.image_px[:, :, 0, 0]).sum(axis=1)
    assert (n_found >= 2).mean() > 0.8
    hip_x = np.sort(track.image_px[n_found >= 2, :2, LANDMARK["left", "hip"], 0], axis=1)
    assert (np.diff(hip_x, axis=1) > 60).all()


def test_video_mode_follows_one_person_and_repeats_exactly(clip, raw):
    settings = PoseSettings(model="lite", rate_hz=15, mode="video")
    first, second = estimate(clip, settings), estimate(clip, settings)
    assert _same(first, second)
    assert first.image_px.shape[1] == 1
    assert not np.array_equal(first.image_px, raw.image_px)
    assert np.nanmedian(np.abs(first.image_px - raw.image_px)) < 4


def test_an_odd_width_gives_nearly_the_same_landmarks(clip, tmp_path):
    odd = tmp_path / "odd.mp4"
    make_clips.odd_width(clip, odd)
    track = estimate(odd, LITE)
    assert track.clip.width_px == 333
    assert np.isfinite(track.image_px).all()


def test_a_clip_without_a_person_gives_rows_of_missing_values(tmp_path):
    path = tmp_path / "empty.mp4"
    plain = ((i, i / 30, np.full((120, 160, 3), 90 + i, np.uint8)) for i in range(20))
    make_clips.write(path, plain)
    track = estimate(path, LITE)
    assert track.image_px.shape[1] == 1
    assert np.isnan(track.image_px).all()
    assert np.isnan(track.visibility).all()
    assert (np.diff(track.brightness) > 0).all()


def test_progress_reaches_the_number_of_pictures(clip):
    calls = []
    estimate(clip, LITE, progress=lambda *call: calls.append(call))
    assert [done for _, done, _ in calls] == list(range(1, 39))
    assert {stage for stage, _, _ in calls} == {"pose"}
    assert all(abs(expected - 38) <= 1 for _, _, expected in calls)


def test_loaded_models_serve_several_clips(clip, raw):
    models = pose.load_models(LITE)
    try:
        for _ in range(2):
            assert _same(raw, estimate(clip, LITE, models=models))
    finally:
        for model in models:
            model.close()


def test_a_fault_midway_ends_the_threads_and_passes_on(clip):
    def stop(_stage, done, _expected):
        if done == 5:
            raise KeyboardInterrupt

    before = threading.active_count()
    with pytest.raises(KeyboardInterrupt):
        estimate(clip, LITE, progress=stop)
    assert threading.active_count() <= before


def test_a_missing_clip_is_a_clip_error(tmp_path):
    with pytest.raises(ClipError, match="no such file"):
        estimate(tmp_path / "none.mp4", LITE)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"model": "huge"}, "choose lite, full or heavy"),
        ({"mode": "live"}, "choose image or video"),
        ({"rate_hz": 0}, "above 0"),
        ({"rate_hz": float("nan")}, "above 0"),
        ({"n_people": 0}, "from 1 to"),
        ({"n_threads": 0}, "1 or more"),
    ],
)
def test_settings_that_cannot_be_are_refused_in_words(change, words):
    with pytest.raises(UsageError, match=words):
        PoseSettings(**change)


def test_the_identity_of_a_track_changes_with_all_that_changes_landmarks():
    base = pose.track_identity(PoseSettings())
    changes = ({"model": "full"}, {"mode": "video"}, {"rate_hz": 10}, {"n_people": 1})
    others = [pose.track_identity(PoseSettings(**change)) for change in changes]
    assert len({json.dumps(identity) for identity in (base, *others)}) == 5
    assert pose.track_identity(PoseSettings(n_threads=1)) == base


@pytest.mark.parametrize(
    "error",
    [
        OSError("libEGL.so.1: cannot open shared object file: No such file or directory"),
        ImportError("libGL.so.1: cannot open shared object file: No such file or directory"),
    ],
)
def test_a_missing_system_library_is_named_with_the_packages_to_install(monkeypatch, error):
    def create(_options):
        raise error

    _, vision = pose._mediapipe()
    if isinstance(error, OSError):
        monkeypatch.setattr(vision.PoseLandmarker, "create_from_options", create)
    else:
        monkeypatch.setitem(sys.modules, "mediapipe", None)
    with pytest.raises(ModelError) as caught:
        pose.PoseModel(LITE)
    if isinstance(error, OSError):
        assert "libEGL.so.1" in str(caught.value)
        assert "libegl1 libgles2 libgl1" in str(caught.value)
    else:
        assert "-m pip install 'mediapipe" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "libGL.so.1" in str(missing(ImportError("libGL.so.1: cannot open"), "MediaPipe"))


RUN_AND_COMPLAIN = """
import os, sys
from formcheck.pose.native_messages import native_messages_held
from formcheck.pose.landmarker import PoseSettings, estimate
for mode in ("image", "video"):
    estimate(sys.argv[1], PoseSettings(model="lite", rate_hz=5, mode=mode))
with native_messages_held():
    os.write(2, b"W0000 00:00:1.5 7 a.cc:1] a note\\nE0000 00:00:1.5 7 a.cc:1] a fault\\n")
    print("said by Python", file=sys.stderr)
print("after", file=sys.stderr)
"""


def statistics(rgb):
    """Grey level, contrast and sharpness of one picture in which nobody is."""
    frame = SimpleNamespace(time_s=0.0, stamp=0)
    look, _ = looking._described(frame, None, looking._small_grey(rgb), None)
    return np.array([look.brightness, look.contrast, look.sharpness])


def test_black_bars_about_a_picture_make_it_neither_dark_nor_blurred():
    # Before: a portrait clip in a messenger's landscape frame was told as blurred.
    grain = np.random.default_rng(3).integers(90, 200, (120, 90, 1), np.uint8)
    picture = np.repeat(grain, 3, axis=2)
    for black in (0, 16):
        framed = np.full((120, 160, 3), black, np.uint8)
        framed[:, 35:125] = picture
        assert statistics(framed) == pytest.approx(statistics(picture), rel=0.02)
        letterboxed = np.full((200, 90, 3), black, np.uint8)
        letterboxed[40:160] = picture
        assert statistics(letterboxed) == pytest.approx(statistics(picture), rel=0.02)


def test_a_lamp_in_a_dark_room_leaves_it_dark():
    for dark in (np.full((120, 160, 3), 12, np.uint8), np.zeros((120, 160, 3), np.uint8)):
        for rows, columns in ((slice(60, 63), slice(80, 83)), (slice(20, 60), slice(20, 60))):
            room = dark.copy()
            room[rows, columns] = 230
            assert statistics(room)[0] == pytest.approx(room.mean(), rel=0.05)
    night = np.random.default_rng(1).integers(0, 20, (120, 160, 1), np.uint8).repeat(3, axis=2)
    night[:, 70:90] = 200  # a bright door
    assert statistics(night)[0] == pytest.approx(night.mean(), rel=0.05)


def test_a_picture_that_is_all_dark_stays_what_it_is():
    dark = np.full((120, 160, 3), 12, np.uint8)
    assert statistics(dark)[0] == pytest.approx(12)


def test_native_notes_stay_off_stderr_and_native_errors_do_not(clip):
    done = subprocess.run(
        [sys.executable, "-c", RUN_AND_COMPLAIN, clip], capture_output=True, text=True, check=True
    )
    assert done.stderr.splitlines() == [
        "E0000 00:00:1.5 7 a.cc:1] a fault",
        "said by Python",
        "after",
    ]
    assert done.stdout == ""


def test_picture_statistics_mean_what_they_say():
    rng = np.random.default_rng(5)
    sharp = rng.integers(0, 255, (96, 160, 3), np.uint8)
    flat = np.full((96, 160, 3), 100, np.uint8)
    grey, still = looking._small_grey(sharp), looking._small_grey(flat)
    assert looking._laplacian_variance(still) == 0
    assert looking._laplacian_variance(grey) > 1000
    assert still.mean() == 100
    moved = still.copy()
    moved[20:70, 40:120] += 50
    people = pose.People(image_px=None, world_m=None, visibility=None)
    frame = type("Frame", (), {"time_s": 0.0, "stamp": 0})
    first, before = looking._described(frame, people, still, None)
    second, _ = looking._described(frame, people, moved, before)
    assert np.isnan(first.change)
    assert second.change == pytest.approx(50 * 50 * 80 / (96 * 160))
    assert second.border_change == 0


def test_pictures_are_shrunk_to_160_wide_and_tiny_ones_are_left():
    assert looking._small_grey(np.zeros((1080, 1920, 3), np.uint8)).shape == (90, 160)
    assert looking._small_grey(np.zeros((1, 2, 3), np.uint8)).shape == (1, 2)
    assert np.isnan(looking._laplacian_variance(np.zeros((1, 2), np.float32)))
    assert looking._border((1, 2)).all()


def test_ctrl_c_while_models_load_leaves_none_open(monkeypatch):
    opened, closed = [], []

    class Model:
        def __init__(self, _settings):
            opened.append(self)
            os.kill(os.getpid(), signal.SIGINT)

        def close(self):
            closed.append(self)

    monkeypatch.setattr(pose, "PoseModel", Model)
    handler = signal.getsignal(signal.SIGINT)
    with pytest.raises(KeyboardInterrupt):
        pose.load_models(PoseSettings(n_threads=3))
    assert len(opened) == 3
    assert closed == opened
    assert signal.getsignal(signal.SIGINT) is handler


def test_a_program_stopped_while_a_native_library_starts_does_not_wait_for_it():
    code = """
import sys, threading
import formcheck.cli
def starts():
    threading.Thread(target=threading.Event().wait).start()  # as a library that never ends
    raise KeyboardInterrupt
formcheck.cli._register_commands = starts
formcheck.cli.main()
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 130
    assert done.stderr == "formcheck: stopped; no half-written file was left behind\n"
