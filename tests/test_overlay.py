import hashlib
import io
import math
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from builders import (
    VIEW,
    Motion,
    build_analysis,
    build_repetitions,
    figure_px,
    measured,
    write_figure_clip,
)
from make_clips import odd_width

from formcheck.model.errors import ClipError, OutputError
from formcheck.overlay.painting import Painter, hide_faces, lettering, thumbnail, write_overlay
from formcheck.overlay.plan import END_RANGE_S, Plan, phase_words, strip_place
from formcheck.report.page import render_html
from formcheck.video import VideoWriter, open_video
from formcheck.words import wording

MOTION = Motion(n_repetitions=1)


def stamps_s(path):
    with open_video(path) as reader:
        return [
            Fraction(f.stamp - reader.first_stamp) * Fraction(*reader.time_base)
            for f in reader.frames()
        ]


def pictures(path):
    with open_video(path) as reader:
        return [(f.time_s, f.rgb()) for f in reader.frames()]


def figure_face(time_s, size=(320, 240)):
    points = figure_px(MOTION.flexion_deg(np.array([time_s])), width_px=size[0], height_px=size[1])
    return points[0, :11].mean(0)


def sharpness(rgb, center, radius=11):
    """High-frequency energy about a point: mean squared difference of neighbours."""
    x, y = (round(c) for c in center)
    area = rgb[y - radius : y + radius, x - radius : x + radius].mean(-1)
    return float((np.diff(area, axis=0) ** 2).mean() + (np.diff(area, axis=1) ** 2).mean())


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("clip") / "figure.mp4"
    return path, build_analysis(MOTION, clip=write_figure_clip(path, MOTION))


@pytest.fixture(scope="module")
def annotated(clip, tmp_path_factory):
    path, analysis = clip
    out = tmp_path_factory.mktemp("out") / "annotated.mp4"
    write_overlay(analysis, path, out)
    return out


def test_the_video_has_the_clips_frames_at_the_clips_times(clip, annotated):
    assert stamps_s(annotated) == stamps_s(clip[0])


def test_uneven_frame_times_stay_as_they_are(tmp_path):
    path, out = tmp_path / "uneven.mp4", tmp_path / "annotated.mp4"
    made = write_figure_clip(path, MOTION, jitter=True)
    write_overlay(build_analysis(MOTION, clip=made), path, out)
    times = stamps_s(out)
    assert times == stamps_s(path)
    assert len({b - a for a, b in pairwise(times)}) > 5


def test_an_odd_size_is_padded_by_a_pixel(clip, tmp_path):
    path, out = tmp_path / "odd.mp4", tmp_path / "annotated.mp4"
    odd_width(clip[0], path, width=213)
    with open_video(path) as reader:
        assert reader.width_px == 213
        for _ in reader.frames():
            pass
        made = reader.clip()
    write_overlay(build_analysis(MOTION, clip=made), path, out)
    with open_video(out) as reader:
        assert (reader.width_px, reader.height_px) == (214, 160)
    assert stamps_s(out) == stamps_s(path)


def test_no_picture_shows_a_face_that_could_be_read(clip, annotated):
    for (t, before), (_, after) in zip(pictures(clip[0]), pictures(annotated), strict=True):
        face = figure_face(t)
        assert sharpness(before, face) > 1000
        assert sharpness(after, face) < 0.02 * sharpness(before, face), f"at {t} s"


def test_faces_are_kept_when_that_is_asked_for(clip, tmp_path):
    out = tmp_path / "annotated.mp4"
    write_overlay(*clip[::-1], out, is_face_blurred=False)
    for t, rgb in pictures(out)[::10]:
        assert sharpness(rgb, figure_face(t)) > 1000


def test_what_is_hidden_keeps_no_more_than_a_few_cells():
    random = np.random.default_rng(1)
    rgb = random.integers(0, 256, (200, 200, 3), dtype=np.uint8)
    other = random.integers(0, 256, (200, 200, 3), dtype=np.uint8)
    for picture in (rgb, other):
        hide_faces(picture, [(100.0, 100.0, 40.0)])
    inside = rgb[75:125, 75:125].astype(float)
    assert sharpness(rgb, (100, 100), 25) < 5
    # Two quite different heads with the same few averages look nearly alike.
    assert np.abs(inside - other[75:125, 75:125]).mean() < 6


def test_a_circle_over_the_edge_or_outside_is_no_trouble():
    rgb = np.random.default_rng(2).integers(0, 256, (60, 80, 3), dtype=np.uint8)
    kept = rgb.copy()
    hide_faces(rgb, [(-100.0, 20.0, 30.0), (40.0, 500.0, 50.0)])
    assert (rgb == kept).all()
    hide_faces(rgb, [(0.0, 0.0, 20.0), (79.0, 59.0, 500.0), (40.0, 30.0, 0.4)])
    assert not (rgb == kept).all()


def test_nothing_outside_the_circles_is_touched_by_hiding():
    rgb = np.random.default_rng(3).integers(0, 256, (100, 100, 3), dtype=np.uint8)
    kept = rgb.copy()
    hide_faces(rgb, [(50.0, 50.0, 20.0)])
    y, x = np.mgrid[:100, :100]
    outside = np.hypot(x - 50, y - 50) > 22
    assert (rgb[outside] == kept[outside]).all()


def test_the_outcome_is_drawn_in_its_colour_only_after_the_turn(clip):
    painter, plan = Painter(640, 480, clip[1]), Plan(clip[1])
    r = clip[1].report.repetitions[0].repetition
    colour = np.array(wording.outcome_words("reached", "target").colour)

    def amount(time_s):
        rgb = np.zeros((480, 640, 3), np.uint8)
        painter.paint(rgb, plan.at(time_s))
        return int((rgb == colour).all(-1).sum())

    assert amount(r.turn_from_s) == amount(r.turn_s) == 0
    assert amount(r.turn_to_s + 0.1) > 200
    assert amount(r.end_s) > 200


def test_the_strip_of_words_reaches_the_video(annotated):
    for _, rgb in pictures(annotated)[::7]:
        dark = np.abs(rgb[:14].astype(int) - lettering.PANEL).max(-1) < 25
        bottom = np.abs(rgb[-14:].astype(int) - lettering.PANEL).max(-1) < 25
        assert max(dark.mean(), bottom.mean()) > 0.5


def test_the_measured_leg_is_drawn_from_hip_to_toe(clip, annotated):
    t, rgb = pictures(annotated)[0]
    points = figure_px(MOTION.flexion_deg(np.array([t])), width_px=320, height_px=240)[0]
    middle = (points[23] + points[25]) / 2
    x, y = (round(c) for c in middle)
    patch = rgb[y - 1 : y + 2, x - 1 : x + 2].astype(int).mean((0, 1))
    assert patch[0] > patch[2] + 60  # yellow: much red, little blue


def test_the_end_range_border_comes_and_goes_once_a_repetition():
    analysis = build_analysis(Motion(n_repetitions=4))
    plan = Plan(analysis)
    shown = [plan.at(t).is_end_range for t in np.arange(0, analysis.report.clip.duration_s, 0.02)]
    assert int(np.abs(np.diff(np.array(shown, int))).sum()) == 8
    assert sum(shown) * 0.02 == pytest.approx(4 * END_RANGE_S, abs=0.1)


def test_the_same_clip_gives_the_same_pictures_to_encode(clip, tmp_path, monkeypatch):
    path, analysis = clip
    runs = []

    def keep(self, rgb, stamp, duration=None):
        runs[-1].append((stamp, duration, hashlib.sha256(rgb.tobytes()).hexdigest()))
        return write(self, rgb, stamp, duration)

    write = VideoWriter.write
    monkeypatch.setattr(VideoWriter, "write", keep)
    for _ in range(2):
        runs.append([])
        write_overlay(analysis, path, tmp_path / "a.mp4")
    assert runs[0] == runs[1]
    assert len(runs[0]) == analysis.report.clip.n_frames


def test_progress_counts_every_frame(clip, tmp_path):
    path, analysis = clip
    seen = []
    write_overlay(analysis, path, tmp_path / "a.mp4", progress=lambda *step: seen.append(step))
    n = analysis.report.clip.n_frames
    assert seen == [("video", k + 1, n) for k in range(n)]


def test_a_stop_from_the_outside_ends_all_threads(clip, tmp_path):
    path, analysis = clip

    def stop(_stage, done, _total):
        if done == 5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_overlay(analysis, path, tmp_path / "a.mp4", progress=stop)


def test_a_clip_that_is_gone_is_a_clip_error(clip, tmp_path):
    with pytest.raises(ClipError):
        write_overlay(clip[1], tmp_path / "gone.mp4", tmp_path / "a.mp4")


def test_a_place_that_cannot_be_written_is_an_output_error(clip, tmp_path):
    with pytest.raises(OutputError):
        write_overlay(clip[1], clip[0], tmp_path / "no such folder" / "a.mp4")


def test_a_failure_while_encoding_is_told_and_ends_the_run(clip, tmp_path, monkeypatch):
    def full(self, *_):
        raise OutputError("no space left to write it")

    monkeypatch.setattr("formcheck.video.VideoWriter.write", full)
    with pytest.raises(OutputError, match="no space left"):
        write_overlay(*clip[::-1], tmp_path / "a.mp4")


def test_a_thumbnail_is_the_end_range_with_the_face_hidden(clip):
    from PIL import Image

    path, analysis = clip
    repetition = analysis.report.repetitions[0]
    data = thumbnail(analysis, path, repetition)
    picture = Image.open(io.BytesIO(data))
    assert picture.format == "JPEG"
    assert picture.size == (240, 180)
    face = figure_face(repetition.repetition.turn_s) * 0.75
    assert sharpness(np.array(picture), face, 8) < 150
    shown = np.array(
        Image.open(io.BytesIO(thumbnail(analysis, path, repetition, is_face_blurred=False)))
    )
    assert sharpness(shown, face, 8) > 1000


def test_a_thumbnail_without_repetitions_is_the_middle_of_the_clip(clip):
    assert thumbnail(clip[1], clip[0], None).startswith(b"\xff\xd8")


# What is shown when


def test_words_follow_the_repetition_through_its_phases():
    motion = Motion(n_repetitions=2)
    analysis = build_analysis(motion)
    plan, r = Plan(analysis), motion.repetition(0)
    assert plan.at(0.0).title == "Squat"
    assert plan.at(r.start_s + 0.1).title == "Rep 1 of 2"
    assert plan.at(r.start_s + 0.1).phase == "lowering"
    assert plan.at(r.turn_s).phase == "end range"
    assert plan.at(r.turn_to_s + 0.1).phase == "raising"
    assert plan.at(r.turn_s).outcomes == ()
    assert plan.at(r.turn_to_s + 0.1).outcomes[0].words == "target reached"
    assert plan.at(motion.repetition(1).start_s + 0.1).title == "Rep 2 of 2"


def test_a_movement_that_starts_by_raising_is_said_so():
    made = build_analysis(Motion(n_repetitions=2))
    upside = replace(made.track, image_px=480 - made.track.image_px)
    assert phase_words(made) == ("lowering", "raising")
    assert phase_words(replace(made, track=upside)) == ("raising", "lowering")


def test_a_movement_along_the_floor_is_told_by_the_joint():
    made = build_analysis(Motion(n_repetitions=2))
    still = replace(made.track, image_px=np.full_like(made.track.image_px, 100.0))
    assert phase_words(replace(made, track=still)) == ("bending", "straightening")


def hold_analysis():
    motion = Motion(n_repetitions=1, pause_s=8.0)
    made = build_repetitions(motion)[0]
    values = (*made.measures, measured("plateau_hold_s", 8.2, 0.2))
    return motion, build_analysis(motion, repetitions=(replace(made, measures=values),))


def test_a_hold_is_timed_while_it_lasts_and_told_after():
    motion, analysis = hold_analysis()
    plan, r = Plan(analysis), motion.repetition(0)
    assert plan.at(r.turn_from_s + 3.0).phase == "hold"
    assert plan.at(r.turn_from_s + 3.0).timer == "3.0 s"
    assert plan.at(r.turn_to_s + 0.2).timer == "held 8.2 s"


def test_the_angle_shown_is_the_measured_one_at_its_joint():
    analysis = build_analysis(MOTION)
    angle = Plan(analysis).at(MOTION.repetition(0).turn_s).angle
    assert angle.text == "90°"
    drawn = math.degrees(math.acos(np.dot(angle.from_ray, angle.to_ray)))
    assert drawn == pytest.approx(90.0, abs=1.0)


def test_where_the_signal_is_missing_no_number_is_shown():
    made = build_analysis(MOTION)
    value = made.trace.value * math.nan
    assert Plan(replace(made, trace=replace(made.trace, value=value))).at(1.0).angle is None


def test_where_the_leg_is_missing_no_leg_is_drawn():
    made = build_analysis(MOTION)
    gone = replace(made.track, image_px=made.track.image_px * math.nan)
    scene = Plan(replace(made, track=gone)).at(1.0)
    assert np.isnan(scene.legs[0]).all()
    rgb = np.full((480, 640, 3), 77, np.uint8)
    Painter(640, 480, made).paint(rgb, replace(scene, is_end_range=False))
    assert (rgb[100:400] == 77).all()


def part_of(track, samples):
    names = ("time_s", "image_px", "world_m", "visibility", "is_filled", "is_repaired")
    return replace(track, **{name: getattr(track, name)[samples] for name in names})


def test_in_the_walks_that_are_left_out_no_leg_is_drawn():
    # Before: the first leg of the set stood in the picture while its owner walked there.
    made = build_analysis(MOTION)
    t = made.track.time_s
    plan = Plan(replace(made, track=part_of(made.track, slice(15, -15))))
    for at_s, is_drawn in ((0.1, False), (t[15], True), (t[-16], True), (t[-1], False)):
        assert np.isfinite(plan.at(at_s).legs[0]).all() == is_drawn, at_s


@pytest.mark.parametrize("n", [0, 1])
def test_a_track_of_next_to_nothing_draws_nothing(n):
    made = build_analysis(Motion(n_repetitions=2))
    track = part_of(made.track, slice(n))
    trace = replace(made.trace, time_s=made.trace.time_s[:n], value=made.trace.value[:n])
    short = replace(made, track=track, trace=trace)
    scene = Plan(short).at(1.5)
    assert np.isnan(scene.legs[0]).all()
    assert scene.angle is None
    assert strip_place(replace(short, track=track), 40) in ("top", "bottom")
    assert "Squat" in render_html(short.report, short.trace)


def test_only_the_near_leg_is_drawn_from_the_side_and_both_from_the_front():
    made = build_analysis(Motion(n_repetitions=0), side="both")
    front = build_analysis(
        Motion(n_repetitions=0), side="both", view=replace(VIEW, plane="frontal", near_side=None)
    )
    assert len(Plan(made).at(0.1).legs) == 1
    assert len(Plan(front).at(0.1).legs) == 2


def test_the_strip_of_words_goes_where_the_body_is_not():
    made = build_analysis(MOTION)
    low = replace(made.track, image_px=made.track.image_px + np.array([0, 60]))
    high = replace(made.track, image_px=made.track.image_px - np.array([0, 60]))
    assert strip_place(replace(made, track=low), 40) == "top"
    assert strip_place(replace(made, track=high), 40) == "bottom"


@pytest.mark.parametrize("size", [(640, 480), (480, 640), (320, 240), (1920, 1080), (161, 121)])
def test_words_fit_and_are_large_enough_on_any_picture(size):
    analysis = build_analysis(Motion(n_repetitions=60))
    painter = Painter(*size, analysis)
    assert painter.font_px >= min(0.036 * size[1], 0.039 * size[0])
    worst = tuple(
        wording.outcome_words(*o) for o in (("possibly_passed", "limit"), ("not_reached", "target"))
    )
    strip = painter._draw_strip("Rep 60 of 60, rotational", "straightening", "held 120.0 s", worst)
    assert strip.shape == (painter.strip_px, size[0], 3)
    assert (strip == 255).any()


def test_every_outcome_has_words_a_shape_of_its_own_and_enough_contrast():
    outcomes = [
        wording.outcome_words(name, kind)
        for kind, names in {
            "target": ("reached", "not_reached", "borderline", "not_visible", "not_judged"),
            "limit": ("kept", "passed", "possibly_passed"),
        }.items()
        for name in names
    ]
    assert len({o.shape for o in outcomes}) == len(outcomes)
    assert len({o.words for o in outcomes}) == len(outcomes)
    for o in outcomes:
        linear = [
            c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4
            for c in (v / 255 for v in o.colour)
        ]
        luminance = float(np.dot(linear, (0.2126, 0.7152, 0.0722)))
        assert 1.05 / (luminance + 0.05) >= 4.5
        picture = lettering.shape(o.shape, 20, o.colour)
        assert (picture < 200).any()


def test_the_degree_sign_is_a_letter_of_the_shipped_font():
    with_sign, without = lettering.words("90°", 20), lettering.words("90", 20)
    assert with_sign.shape[1] > without.shape[1]
    missing = lettering.words("90\ue000", 20)
    assert not np.array_equal(with_sign, missing)
