"""Figures: bodies that could be, drawings that are well formed and readable."""

import math
import re
import xml.etree.ElementTree as ET

import pytest

from formcheck.files.exercises import list_exercises, load_exercise
from formcheck.model.programme import REQUIRED_FIGURE_JOINTS
from formcheck.words.figures import camera_svg, exercise_svg, props, segments, text_figure

SVG = "{http://www.w3.org/2000/svg}"
every = pytest.mark.parametrize("exercise", list_exercises(), ids=lambda e: e.id)


def lengths(pose):
    return {(a, b): math.dist(pose[a], pose[b]) for a, b, _ in segments(pose)}


@every
def test_no_limb_grows_from_rest_to_turn(exercise):
    rest, turn = lengths(exercise.figure.rest), lengths(exercise.figure.turn)
    assert set(rest) == set(turn)
    for limb in rest:
        ratio = turn[limb] / rest[limb]
        if exercise.figure.plane == "frontal":
            # From the front a bent limb is seen shorter: only the longest it can be is fixed.
            assert max(rest[limb], turn[limb]) <= 28
        else:
            assert 0.85 <= ratio <= 1.15, limb


@every
def test_thigh_and_shank_have_a_body_s_proportions(exercise):
    for pose in (exercise.figure.rest, exercise.figure.turn):
        thigh = math.dist(pose["hip"], pose["knee"])
        shank = math.dist(pose["knee"], pose["ankle"])
        trunk = math.dist(pose["hip"], pose["shoulder"])
        if exercise.figure.plane != "frontal":
            # 0.245, 0.246 and 0.288 of stature (Drillis and Contini 1966).
            assert thigh / shank == pytest.approx(0.245 / 0.246, rel=0.15)
            assert trunk / thigh == pytest.approx(0.288 / 0.245, rel=0.15)


@every
def test_nothing_is_drawn_below_the_floor_or_outside_the_box(exercise):
    for pose in (exercise.figure.rest, exercise.figure.turn):
        assert set(pose) >= set(REQUIRED_FIGURE_JOINTS)
        for x, y in pose.values():
            assert 0 <= x <= 100
            assert 0 <= y <= 100


@every
def test_somebody_touches_the_floor_or_what_stands_on_it(exercise):
    for pose in (exercise.figure.rest, exercise.figure.turn):
        lowest = min(y for _, y in pose.values())
        assert lowest <= 6 or exercise.figure.props


@every
def test_the_knee_of_a_side_figure_bends_forward_only(exercise):
    if exercise.figure.plane == "frontal" or exercise.position == "prone":
        return
    for pose in (exercise.figure.rest, exercise.figure.turn):
        (hx, hy), (kx, ky), (ax, ay) = (pose[j] for j in ("hip", "knee", "ankle"))
        thigh, shank = math.atan2(ky - hy, kx - hx), math.atan2(ay - ky, ax - kx)
        bend = math.degrees((thigh - shank + math.pi) % (2 * math.pi) - math.pi)
        assert -4 <= bend <= 150


@every
def test_the_drawing_is_well_formed_and_says_what_it_shows(exercise):
    for view in exercise.views:
        root = ET.fromstring(exercise_svg(exercise, view.plane))
        title, about = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
        assert title.text == exercise.name
        assert exercise.summary in about.text
        assert root.get("role") == "img"
        assert root.get("aria-labelledby") == f"{title.get('id')} {about.get('id')}"
        assert len(root.findall(f".//{SVG}line")) > 10
        assert "<style" not in exercise_svg(exercise, view.plane)
        ET.fromstring(camera_svg(exercise, view.plane))


def luminance(colour):
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_strokes_keep_a_contrast_of_at_least_4_5_to_1_with_white():
    colours = set(re.findall(r'stroke="(#[0-9a-f]{6})"', exercise_svg(load_exercise("wall_sit"))))
    assert len(colours) >= 3
    for colour in colours:
        assert 1.05 / (luminance(colour) + 0.05) >= 4.5


def test_the_camera_moves_with_the_view():
    squat = load_exercise("squat")
    drawings = {exercise_svg(squat, plane) for plane in ("sagittal", "frontal", "oblique")}
    assert len(drawings) == 3
    assert "camera low" in exercise_svg(load_exercise("bridge"))
    assert "camera at hip height" in exercise_svg(squat)


def test_two_figures_on_one_page_have_ids_of_their_own():
    squat = load_exercise("squat")
    ids = re.findall(
        r' id="([^"]+)"', exercise_svg(squat, name="a") + exercise_svg(squat, name="b")
    )
    assert len(ids) == len(set(ids)) == 4


@pytest.mark.parametrize(
    ("exercise", "n"),
    [
        ("wall_sit", 1),
        ("seated_knee_extension", 4),
        ("hip_thrust", 1),
        ("step_up", 1),
        ("short_arc_quad", 2),
        ("squat", 0),
        ("calf_raise", 2),
    ],
)
def test_wall_chair_bench_step_roll_and_rail_stand_on_the_floor(exercise, n):
    placed = props(load_exercise(exercise).figure)
    assert len(placed) == n
    for prop in placed:
        assert prop.width > 0
        assert prop.height > 0
        assert 0 <= prop.x <= 100


@every
def test_the_figure_in_characters_shows_both_poses_and_the_camera(exercise):
    for is_unicode in (True, False):
        text = text_figure(exercise, is_unicode=is_unicode)
        assert "start" in text
        assert ("hold" if exercise.kind == "hold" else "furthest point") in text
        assert "[camera]" in text
        assert max(map(len, text.splitlines())) <= 80
    rows = text_figure(exercise).splitlines()
    rows = rows[: next(n for n, row in enumerate(rows) if "start" in row)]
    halves = [row[:30].rstrip() for row in rows], [row[33:] for row in rows]
    assert halves[0] != halves[1]
    assert all("".join(half).strip() for half in halves)
