"""What is read off a repetition that is hidden in part, cut, pulsed, noisy or not square on."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from exercise_cases import (
    HALF_SQUAT,
    LUNGE,
    ON_THE_BACK,
    ONE_LEG_SQUAT,
    SITTING,
    SPLIT_STANCE,
    SQUAT,
    STANDING,
    STEP_LEFT,
)
from skeleton import Camera, Key, Movement, Posture, both, film, one, repeated
from told import why

from formcheck.files.exercises import load_exercise
from formcheck.model.anatomy import LANDMARK
from formcheck.model.programme import Bound
from formcheck.model.records import Context, Measured, NotMeasurable
from formcheck.model.request import Request
from formcheck.motion.circumstances import MeasurementSettings
from formcheck.motion.readings import largest_at, rests_beside
from formcheck.motion.repetitions import Attempt
from formcheck.run.pipeline import assess

WALL_SIT_REST, WALL_SIT = Posture(**both(hip=20, knee=20)), Posture(**both(hip=88, knee=88))


def report_of(exercise, raw, *bounds, side="left"):
    return assess(
        raw,
        Request(
            clip=Path("made_up.mp4"), exercise=load_exercise(exercise), side=side, bounds=bounds
        ),
    ).report


def value(repetition, key):
    return next(v for v in repetition.measures if v.key == key)


def outcomes(report):
    return [c.outcome for r in report.repetitions for c in r.checks]


def holds(found: Measured, truth: float) -> bool:
    return found.low <= truth <= found.high


# -- a bounce at the turn


@pytest.mark.parametrize("azimuth_deg", [90, 0])
def test_what_is_read_at_the_turn_of_a_pulsed_squat_is_its_bottom(azimuth_deg):
    dip = STANDING.toward(SQUAT, 0.7)
    keys = [Key(posture=STANDING, move_s=0, stay_s=1.2)]
    for _ in range(2):
        keys += [
            Key(posture=SQUAT, move_s=1.2, stay_s=0.3),
            Key(posture=dip, move_s=0.7, stay_s=0.1),
            Key(posture=SQUAT, move_s=0.7, stay_s=0.3),
            Key(posture=STANDING, move_s=1.2, stay_s=1.2),
        ]
    raw = film(Movement(keys=tuple(keys)), Camera(azimuth_deg=azimuth_deg))
    limit = ("limit", Bound(measure="thigh_inclination_deg", at_least=20))
    report = report_of("squat", raw, limit)
    assert report.whole.n_complete == 2
    for found in report.repetitions:
        if azimuth_deg == 90:
            # Thigh to the floor: hip flexed by 85 to a trunk 35 deg forward leaves 5 deg.
            assert value(found, "thigh_inclination_deg").value == pytest.approx(5, abs=1)
            assert value(found, "trunk_inclination_deg").value == pytest.approx(35, abs=1)
        else:
            plain = report_of("squat", film(repeated(STANDING, [SQUAT]), Camera(azimuth_deg=0)))
            assert value(found, "hip_drop_share").value == pytest.approx(
                value(plain.repetitions[0], "hip_drop_share").value, abs=0.02
            )
    assert outcomes(report) == ["passed" if azimuth_deg == 90 else "not_visible"] * 2


# -- hidden parts


@pytest.mark.parametrize("half_s", [0.15, 0.2, 0.25])
def test_a_peak_is_not_read_beside_a_bottom_that_was_hidden(half_s):
    raw = film(repeated(STANDING, [SQUAT] * 2, there_s=1.5, back_s=1.5, stay_s=0.05), Camera())
    image = raw.image_px.copy()
    ankle, knee = LANDMARK["left", "ankle"], LANDMARK["left", "knee"]
    for k in range(2):
        bottom_s = 1.2 * (k + 1) + k * 3.05 + 1.525
        at = np.flatnonzero(np.abs(raw.time_s - bottom_s) < half_s)
        image[at, 0, ankle] = image[at, 0, knee] + 0.72 * (image[at, 0, ankle] - image[at, 0, knee])
    limit = ("limit", Bound(measure="knee_flexion_peak_deg", at_most=100))
    target = ("target", Bound(measure="knee_flexion_peak_deg", at_least=98))
    report = report_of("squat", replace(raw, image_px=image), limit, target)
    assert report.whole.n_complete == 2
    for found in report.repetitions:
        peak = value(found, "knee_flexion_peak_deg")
        assert isinstance(peak, NotMeasurable) or holds(peak, 105)
    assert set(outcomes(report)) == {"not_visible"}


def test_a_blink_on_the_way_hides_no_peak():
    raw = film(repeated(STANDING, [SQUAT]), Camera())
    seen = raw.visibility.copy()
    seen[(raw.time_s > 1.5) & (raw.time_s < 1.8), 0, LANDMARK["left", "ankle"]] = 0.02
    (found,) = report_of("squat", replace(raw, visibility=seen)).repetitions
    assert value(found, "knee_flexion_peak_deg").value == pytest.approx(105, abs=1)


@pytest.mark.parametrize("how", ["unseen", "slipped"])
def test_a_blink_ends_no_hold(how):
    raw = film(repeated(WALL_SIT_REST, [WALL_SIT], stay_s=12), Camera())
    image, seen = raw.image_px.copy(), raw.visibility.copy()
    at = np.flatnonzero((raw.time_s > 8) & (raw.time_s < 8.3))
    ankle = LANDMARK["left", "ankle"]
    if how == "unseen":
        seen[at, 0, ankle] = 0.02
    else:
        image[at, 0, ankle] += np.float32([0, -30])
    band = ("target", Bound(measure="knee_flexion_peak_deg", at_least=75, at_most=105))
    targets = [
        ("target", Bound(measure=k, at_least=10)) for k in ("plateau_hold_s", "hold_in_band_s")
    ]
    raw = replace(raw, image_px=image, visibility=seen)
    (found,) = report_of("wall_sit", raw, band, *targets).repetitions
    assert value(found, "plateau_hold_s").value == pytest.approx(12.4, abs=0.3)
    assert value(found, "hold_in_band_s").value == pytest.approx(12.6, abs=0.3)
    assert [c.outcome for c in found.checks] == ["reached"] * 3


def test_what_was_not_seen_for_seconds_is_a_doubt_about_the_hold():
    raw = film(repeated(WALL_SIT_REST, [WALL_SIT], stay_s=12), Camera())
    image = raw.image_px.copy()
    at = np.flatnonzero((raw.time_s > 8) & (raw.time_s < 10))
    image[at, 0, LANDMARK["left", "ankle"]] += np.float32([0, -30])
    target = ("target", Bound(measure="plateau_hold_s", at_least=10))
    report = report_of("wall_sit", replace(raw, image_px=image), target)
    held = value(report.repetitions[0], "plateau_hold_s")
    assert held.high >= 12.3 > held.value
    assert "time not seen" in {p.name for p in held.parts}
    assert outcomes(report) == ["borderline"]


def _wall_sit_hidden(from_s, to_s, *bounds):
    raw = film(repeated(WALL_SIT_REST, [WALL_SIT], stay_s=12), Camera())
    image = raw.image_px.copy()
    at = np.flatnonzero((raw.time_s > from_s) & (raw.time_s < to_s))
    image[at, 0, LANDMARK["left", "ankle"]] += np.float32([0, -30])
    band = ("target", Bound(measure="knee_flexion_peak_deg", at_least=75, at_most=105))
    (found,) = report_of("wall_sit", replace(raw, image_px=image), band, *bounds).repetitions
    return found


@pytest.mark.parametrize("key", ["hold_in_band_s", "hold_in_band_total_s"])
@pytest.mark.parametrize(
    ("from_s", "to_s", "outcome"),
    [(6, 8, "borderline"), (5, 9, "borderline"), (4, 11, "not_visible")],
)
def test_time_in_a_band_that_was_not_seen_is_not_told_as_missed(key, from_s, to_s, outcome):
    found = _wall_sit_hidden(from_s, to_s, ("target", Bound(measure=key, at_least=11)))
    assert found.checks[-1].outcome == outcome
    in_band = value(found, key)
    if outcome == "borderline":
        assert in_band.high == pytest.approx(12.7, abs=0.1)
        assert "time not seen" in {p.name for p in in_band.parts}


def test_what_was_seen_of_a_hold_is_not_taken_from_it_for_what_was_not():
    keys = ("plateau_hold_s", "hold_in_band_s", "hold_in_band_total_s")
    targets = [("target", Bound(measure=k, at_least=5.0)) for k in keys]
    found = _wall_sit_hidden(6, 8, *targets)
    assert [c.outcome for c in found.checks] == ["reached"] * 4


def test_a_sample_seen_between_two_gaps_lets_no_peak_hide():
    bend = 100 * np.sin(np.pi * np.arange(91) / 90)
    for gaps in ([(36, 54)], [(33, 35), (36, 54), (55, 57)], [(33, 34), (36, 54), (56, 57)]):
        seen = bend.copy()
        for a, b in gaps:
            seen[a:b] = np.nan
        s = SimpleNamespace(
            settings=MeasurementSettings(), frame_s=1 / 15, series=SimpleNamespace(grid_hz=30.0)
        )
        assert largest_at(s, seen) is None
        assert largest_at(s, -seen) in (0, 90)


def test_where_two_people_may_be_the_patient_no_time_is_measured_either():
    raw = film(repeated(STANDING, [SQUAT] * 3), Camera())
    bottom_s = [1.2 + 0.65 + k * 4.2 for k in range(3)]
    people = {
        name: np.repeat(getattr(raw, name), 2, axis=1)
        for name in ("image_px", "world_m", "visibility")
    }
    people["image_px"][:, 1, :, 0] += 200
    alone = ~((raw.time_s > bottom_s[1] - 1.2) & (raw.time_s < bottom_s[1] + 2.5))
    for values in people.values():
        values[alone, 1] = np.nan
    report = report_of("squat", replace(raw, **people))
    assert "second_person" in {f.code for f in report.findings}
    for key in ("lowering_s", "pause_s", "raising_s"):
        kinds = [isinstance(value(r, key), Measured) for r in report.repetitions]
        assert kinds == [True, False, True], key


# -- a clip that cuts


def test_of_a_cut_repetition_only_what_was_seen_is_measured():
    movement = repeated(STANDING, [SQUAT] * 3)
    raw = film(movement, Camera(), from_s=2.0, to_s=movement.duration_s - 3.4)
    report = report_of("squat", raw)
    first, _, last = report.repetitions
    assert (first.repetition.is_complete, last.repetition.is_complete) == (False, False)
    assert isinstance(value(first, "lowering_s"), NotMeasurable)
    assert isinstance(value(first, "raising_s"), Measured)
    assert value(first, "knee_flexion_peak_deg").value == pytest.approx(105, abs=1)
    for key in ("knee_flexion_peak_deg", "raising_s", "pause_s", "range_deg"):
        assert isinstance(value(last, key), NotMeasurable), key
    assert "cut off" in why(value(last, "raising_s"))


# -- time


@pytest.mark.parametrize("move_s", [0.8, 1.5, 3.0, 4.0])
def test_lowering_and_raising_last_as_long_as_the_body_moves(move_s):
    movement = repeated(STANDING, [SQUAT] * 2, there_s=move_s, stay_s=1.0, back_s=move_s)
    for found in report_of("squat", film(movement, Camera())).repetitions:
        for key, truth in (("lowering_s", move_s), ("raising_s", move_s), ("pause_s", 1.0)):
            assert value(found, key).value == pytest.approx(truth, abs=0.1 + 0.04 * move_s), key
            assert holds(value(found, key), truth), key


def test_a_tempo_done_as_prescribed_is_not_told_as_missed():
    movement = repeated(STANDING, [SQUAT] * 2, there_s=3.3, stay_s=1.0, back_s=3.3)
    bounds = (
        ("target", Bound(measure="lowering_s", at_least=3)),
        ("target", Bound(measure="pause_s", at_most=1.5)),
    )
    assert "not_reached" not in outcomes(report_of("squat", film(movement, Camera()), *bounds))


@pytest.mark.parametrize("wobble_deg", [0, 4, 8])
def test_a_stance_goes_on_while_the_free_foot_moves_in_the_air(wobble_deg):
    free = Posture(**one("right", hip=20, knee=50, foot=None))
    keys = [Key(posture=STANDING, move_s=0, stay_s=2), Key(posture=free, move_s=1, stay_s=2)]
    for k in range(8):
        moved = replace(free, right_knee=50 + (wobble_deg if k % 2 else -wobble_deg))
        keys.append(Key(posture=moved, move_s=1, stay_s=1))
    keys += [Key(posture=free, move_s=0.5, stay_s=1), Key(posture=STANDING, move_s=1, stay_s=2)]
    target = ("target", Bound(measure="plateau_hold_s", at_least=18))
    raw = film(Movement(keys=tuple(keys)), Camera(azimuth_deg=0))
    report = report_of("single_leg_stance", raw, target)
    (found,) = report.repetitions
    # From the foot a tenth of its length up, early in the first move, to the same in the last.
    assert value(found, "plateau_hold_s").value == pytest.approx(20.5, abs=0.6)
    assert outcomes(report) == ["reached"]


@pytest.mark.parametrize(
    ("level", "came_to"),
    [
        (90, ["reached", "reached"]),
        (96, ["reached", "borderline"]),
        (103, ["borderline", "borderline"]),
    ],
)
def test_time_in_a_band_is_as_doubtful_as_the_level_and_never_longer_than_the_hold(level, came_to):
    turn = Posture(**both(hip=level, knee=level))
    bounds = (
        ("target", Bound(measure="knee_flexion_peak_deg", at_least=75, at_most=105)),
        ("target", Bound(measure="hold_in_band_s", at_least=15)),
    )
    raw = film(repeated(WALL_SIT_REST, [turn], stay_s=20), Camera())
    report = report_of("wall_sit", raw, *bounds)
    assert outcomes(report) == came_to
    found = report.repetitions[0]
    in_band = value(found, "hold_in_band_s")
    assert in_band.high <= found.repetition.end_s - found.repetition.start_s + 0.1
    assert 0 <= in_band.low <= in_band.value


# -- zero levels


@pytest.mark.parametrize("move_s", [0.6, 1.0, 1.5])
def test_the_rest_before_a_raise_is_not_the_raise_before_it(move_s):
    rest = replace(ON_THE_BACK, right_hip=135, right_knee=90, right_foot=0.0)
    raised = replace(rest, left_hip=128)
    movement = repeated(rest, [raised] * 4, rest_s=0.05, there_s=move_s, stay_s=0.3, back_s=move_s)
    report = report_of("straight_leg_raise", film(movement, Camera(), anchor="hips"))
    risen = [value(r, "leg_elevation_peak_deg").value for r in report.repetitions]
    assert risen == pytest.approx([38] * 4, abs=0.8)


@pytest.mark.parametrize("rest_s", [0.1, 0.6, 1.2])
def test_heel_height_counts_from_the_flat_foot_wherever_the_heel_rests(rest_s):
    down, up = Posture(**both(foot=20)), Posture(**both(foot=-30))
    keys = [Key(posture=STANDING, move_s=0, stay_s=1.5)]
    for _ in range(4):
        keys += [
            Key(posture=up, move_s=0.9, stay_s=0.5),
            Key(posture=down, move_s=1.2, stay_s=rest_s),
        ]
    keys.append(Key(posture=STANDING, move_s=0.6, stay_s=0.5))
    raw = film(Movement(keys=tuple(keys)), Camera(), anchor="left_toe")
    report = report_of("calf_raise", raw)
    assert report.whole.n_complete >= 3
    for found in report.repetitions:
        if not found.repetition.is_complete:
            continue
        # A foot turned by 30 and by 20 deg about the toes: sin 30, sin 20 of its length.
        assert holds(value(found, "heel_height_peak_share"), 0.5)
        assert value(found, "heel_height_peak_share").value == pytest.approx(0.5, abs=0.05)
        assert value(found, "heel_drop_share").value == pytest.approx(0.34, abs=0.015)


UP = Posture(**both(foot=-30))


def _raises(n=3):
    movement = repeated(STANDING, [UP] * n, rest_s=1.2, there_s=0.9, stay_s=1, back_s=1.2)
    return film(movement, Camera(), anchor="left_toe")


def _heights(raw):
    report = report_of("calf_raise", raw)
    return [value(r, "heel_height_peak_share").value for r in report.repetitions]


@pytest.mark.parametrize("share", [0.85, 0.4, -0.25])
def test_toes_that_the_model_moves_with_the_heel_lower_and_raise_none(share):
    """Toes stay on the floor; their landmark followed the heel by up to 0.9 of its rise."""
    raw = _raises()
    image, rng = raw.image_px.copy(), np.random.default_rng(2)
    heel, toe = (image[:, 0, LANDMARK["left", j], 1] for j in ("heel", "toe"))
    risen = heel[:20].mean() - heel
    toe -= share * risen + (rng.normal(0, 0.05, len(risen)) * risen)
    assert _heights(replace(raw, image_px=image)) == pytest.approx([0.5] * 3, abs=0.06)


@pytest.mark.parametrize(("hold_s", "share"), [(13, 0.7), (15, 0.8), (15, 0.9), (30, 0.6)])
def test_a_long_hold_on_the_toes_is_one_raise_of_its_height(hold_s, share):
    movement = repeated(STANDING, [UP] * 2, rest_s=2, there_s=0.9, stay_s=hold_s, back_s=1.2)
    raw = film(movement, Camera(noise_px=0.5), anchor="left_toe")
    image = raw.image_px.copy()
    heel, toe = (image[:, 0, LANDMARK["left", j], 1] for j in ("heel", "toe"))
    toe -= share * (heel[:20].mean() - heel)
    assert _heights(replace(raw, image_px=image)) == pytest.approx([0.5] * 2, abs=0.07)


@pytest.mark.parametrize(("moves_px", "period_s"), [(6, 3), (10, 3), (20, 7)])
def test_over_a_camera_that_moves_the_heel_rises_over_the_toes_as_they_are_seen(moves_px, period_s):
    raw = _raises(5)
    image = raw.image_px.copy()
    image[..., 1] += moves_px * np.sin(2 * np.pi * raw.time_s / period_s)[:, None, None]
    assert _heights(replace(raw, image_px=image)) == pytest.approx([0.5] * 5, abs=0.05)


@pytest.mark.parametrize("moved_share", [-0.3, 0.3])
def test_a_foot_set_down_elsewhere_between_raises_starts_from_where_it_stands(moved_share):
    raw = _raises()
    image = raw.image_px.copy()
    foot_px = np.ptp(image[0, 0, [LANDMARK["left", j] for j in ("heel", "toe")], 0])
    image[raw.time_s > 4.8, ..., 1] += moved_share * foot_px
    assert _heights(replace(raw, image_px=image)) == pytest.approx([0.5] * 3, abs=0.05)


# -- a camera not square on, and jitter


@pytest.mark.parametrize("azimuth_deg", [-15, -5, 5, 10, 20])
def test_hips_that_go_back_are_no_shift_to_a_camera_off_the_front(azimuth_deg):
    rest = replace(STANDING, **both(out=8))
    turn = Posture(trunk=50, **both(hip=75, knee=80, out=8))
    report = report_of("squat", film(repeated(rest, [turn] * 2), Camera(azimuth_deg=azimuth_deg)))
    for found in report.repetitions:
        assert holds(value(found, "pelvis_shift_share"), 0.0)
        assert not [m for m in found.remarks if m.code.startswith("pelvis_shifts")]


@pytest.mark.parametrize("roll_deg", [-4, 3, 4, 8])
def test_a_camera_tilted_sideways_bends_and_shifts_nobody(roll_deg):
    turn = replace(SQUAT, **both(out=8))
    raw = film(
        repeated(replace(STANDING, **both(out=8)), [turn] * 2),
        Camera(azimuth_deg=0, roll_deg=roll_deg),
    )
    for found in report_of("squat", raw).repetitions:
        for key in ("pelvis_shift_share", "trunk_lateral_inclination_peak_deg"):
            assert holds(value(found, key), 0.0), key


TILTED = [
    ("squat", 90, "knee_over_toe_share", STANDING, SQUAT, "left_ankle"),
    ("split_squat", 90, "rear_knee_height_share", SPLIT_STANCE, LUNGE, "left_ankle"),
    ("lateral_lunge", 0, "knee_medial_to_foot_share", STANDING, STEP_LEFT, "right_ankle"),
]


@pytest.mark.parametrize(
    ("exercise", "azimuth_deg", "key", "rest", "turn", "anchor"), TILTED, ids=[t[2] for t in TILTED]
)
@pytest.mark.parametrize("roll_deg", [-8, -4, 4, 8])
def test_a_tilted_camera_widens_the_distances_that_it_turns(
    exercise, azimuth_deg, key, rest, turn, anchor, roll_deg
):
    def read(tilt_deg):
        camera = Camera(azimuth_deg=azimuth_deg, roll_deg=tilt_deg)
        raw = film(repeated(rest, [turn] * 2), camera, anchor=anchor)
        return [value(r, key) for r in report_of(exercise, raw).repetitions]

    for level, tilted in zip(read(0), read(roll_deg), strict=True):
        assert abs(tilted.value - level.value) > 0.03, "it does turn them"
        assert holds(tilted, level.value)
        assert all(p.standard > 0.02 for p in tilted.parts if p.name == "camera tilted")


def shaken(raw, joint, amount_px):
    image = np.array(raw.image_px)
    shake = np.random.default_rng(3).normal(0, amount_px, (len(image), 2, 2))
    image[:, 0, [LANDMARK[side, joint] for side in ("left", "right")]] += shake
    return replace(raw, image_px=image)


@pytest.mark.parametrize(
    ("key", "joint", "other"),
    [
        ("trunk_inclination_deg", "shoulder", "knee"),
        ("shank_inclination_deg", "ankle", "shoulder"),
        ("thigh_inclination_deg", "hip", "ankle"),
    ],
)
def test_an_angle_carries_the_jitter_of_its_own_joints(key, joint, other):
    raw = film(repeated(STANDING, [SQUAT] * 2), Camera(azimuth_deg=90))

    def jitter(track):
        found = value(report_of("squat", track).repetitions[0], key)
        return next(p.standard for p in found.parts if p.name == "landmark jitter")

    calm = jitter(raw)
    assert jitter(shaken(raw, joint, 4.0)) > calm + 0.3
    assert jitter(shaken(raw, other, 4.0)) == pytest.approx(calm, abs=0.05)


@pytest.mark.parametrize(
    "key", ["thigh_inclination_deg", "shank_inclination_deg", "trunk_inclination_deg"]
)
def test_what_a_plane_leaves_in_doubt_is_its_own_and_not_the_whole_loss(key):
    raw = film(repeated(STANDING, [SQUAT] * 2), Camera(azimuth_deg=65))
    names = {p.name for p in value(report_of("squat", raw).repetitions[0], key).parts}
    assert "plane of the leg" in names
    assert "camera off the side" not in names


def test_a_raise_in_centimetres_is_as_sure_as_in_degrees():
    rest = replace(ON_THE_BACK, right_knee=80)
    raw = film(repeated(rest, [replace(rest, left_hip=128)] * 2), Camera(), anchor="hips")
    exercise = load_exercise("straight_leg_raise")
    context = Context(stature_cm=170)
    bounds = [("limit", Bound(measure="leg_elevation_peak_cm", at_most=200))]
    request = Request(
        clip=Path("made_up.mp4"), exercise=exercise, side="left", bounds=bounds, context=context
    )
    (first, _) = assess(raw, request).report.repetitions
    deg, cm = value(first, "leg_elevation_peak_deg"), value(first, "leg_elevation_peak_cm")
    by_name = [{p.name: p.standard for p in v.parts} for v in (deg, cm)]
    assert set(by_name[0]) <= set(by_name[1])
    # A leg of 0.5 of stature, and more where it is seen longer: centimetres for a degree.
    per_deg = by_name[1]["landmark jitter"] / by_name[0]["landmark jitter"]
    assert 170 * 0.4 * np.radians(1) < per_deg < 170 * 0.6 * np.radians(1)
    own = "landmarks" if "landmarks" in by_name[0] else next(iter(by_name[0]))
    assert by_name[1][own] == pytest.approx(per_deg * by_name[0][own], rel=1e-6)


@pytest.mark.parametrize(("stature_px", "jitter_px"), [(480, 2.0), (250, 1.0), (170, 1.5)])
def test_jitter_of_small_people_lowers_no_pelvis(stature_px, jitter_px):
    level = replace(ONE_LEG_SQUAT, left_hip_lower=0, trunk_left=0, left_out=0, left_shank_out=0)
    raw = film(
        repeated(STANDING, [level] * 3),
        Camera(azimuth_deg=0, stature_px=stature_px, noise_px=jitter_px, seed=4),
    )
    report = report_of("single_leg_squat", raw)
    for found in report.repetitions:
        lowered = value(found, "pelvic_obliquity_peak_deg")
        assert isinstance(lowered, NotMeasurable) or holds(lowered, 0.0)
        assert not [m for m in found.remarks if m.code.startswith("pelvis")]


def test_a_half_squat_is_still_told_from_a_deep_one_under_all_these_doubts():
    target = ("target", Bound(measure="thigh_inclination_deg", at_most=0, tolerance=10))
    deep = report_of("squat", film(repeated(STANDING, [SQUAT]), Camera()), target)
    half = report_of("squat", film(repeated(STANDING, [HALF_SQUAT]), Camera()), target)
    assert (outcomes(deep), outcomes(half)) == (["reached"], ["not_reached"])


# -- what is most at rest: the knee on a chair

BACK, OUT = replace(SITTING, left_knee=96), replace(SITTING, left_knee=4, left_foot=None)


def _knee(report, k=0):
    """(largest, least, range) of knee flexion in a repetition, as Measured or NotMeasurable."""
    keys = ("knee_flexion_peak_deg", "knee_flexion_least_deg", "range_deg")
    return [value(report.repetitions[k], key) for key in keys]


def _extensions(*keys, **more):
    movement = Movement(keys=tuple(Key(posture=p, move_s=m, stay_s=s) for p, m, s in keys))
    return film(movement, Camera(), anchor="hips", **more)


def test_the_largest_least_and_range_of_an_extension_take_in_the_rest():
    raw = _extensions((SITTING, 0, 1.5), (OUT, 1.2, 2), (SITTING, 1.2, 1.5))
    largest, least, span = _knee(report_of("seated_knee_extension", raw))
    assert (largest.value, least.value, span.value) == pytest.approx((90, 4, 86), abs=0.5)
    # The moment that is named shows what is named.
    assert largest.at_s < 1.5 or largest.at_s > 5.9


@pytest.mark.parametrize("deeper_after", [True, False])
def test_of_two_rests_the_one_that_is_further_counts(deeper_after):
    first, last = (SITTING, BACK) if deeper_after else (BACK, SITTING)
    raw = _extensions((first, 0, 1.5), (OUT, 1.2, 2), (last, 1.2, 1.5))
    assert _knee(report_of("seated_knee_extension", raw))[0].value == pytest.approx(96, abs=0.5)


def test_a_rest_that_is_hidden_or_outside_the_clip_is_not_told():
    keys = ((SITTING, 0, 1.5), (OUT, 1.2, 2), (BACK, 1.2, 1.5))
    raw = _extensions(*keys)
    seen = raw.visibility.copy()
    seen[raw.time_s > 5.75, 0, LANDMARK["left", "knee"]] = 0.05
    hidden = _knee(report_of("seated_knee_extension", replace(raw, visibility=seen)))[0]
    assert not isinstance(hidden, Measured) or hidden.value < 94
    cut = _knee(report_of("seated_knee_extension", _extensions(*keys, from_s=2.1)))[0]
    assert cut.value == pytest.approx(96, abs=0.5)  # the rest after is there


def test_the_rest_after_ends_where_the_next_repetition_begins():
    part = replace(SITTING, left_knee=70)
    raw = _extensions(
        (SITTING, 0, 1.5), (part, 1, 0.3), (SITTING, 0.4, 0), (OUT, 0.4, 1.5), (SITTING, 1.2, 1.5)
    )
    report = report_of("seated_knee_extension", raw)
    assert len(report.repetitions) == 2
    assert _knee(report)[1].value == pytest.approx(70, abs=1)


@pytest.mark.parametrize(
    ("start_s", "end_s", "largest_deg"),
    [
        (None, 5.6, 96),  # the rest before is there, if only the end was moved
        (1.8, None, 90),  # and the rest after
        (1.8, 5.6, 82.5),  # where the knee is at 1.8 s; at 5.6 s it is at 77.4
    ],
)
def test_beside_a_limit_that_a_person_moved_nothing_but_what_lies_within_is_read(
    start_s, end_s, largest_deg
):
    raw = _extensions((BACK, 0, 1.5), (OUT, 1.2, 2), (SITTING, 1.2, 1.5))
    exercise = load_exercise("seated_knee_extension")
    was = report_of("seated_knee_extension", raw).repetitions[0].repetition
    limits = (0, start_s or was.start_s, end_s or was.end_s)
    request = Request(
        clip=Path("made_up.mp4"), exercise=exercise, side="left", moved_limits=(limits,)
    )
    found = [v.value for v in _knee(assess(raw, request).report)]
    assert found == pytest.approx([largest_deg, 4, largest_deg - 4], abs=0.7)


@pytest.mark.parametrize(
    ("start_s", "end_s", "shorter"), [(None, 5.3, "lowering_s"), (2.1, None, "raising_s")]
)
def test_a_phase_ends_at_the_limit_that_a_person_moved(start_s, end_s, shorter):
    raw = _extensions((BACK, 0, 1.5), (OUT, 1.2, 2), (SITTING, 1.2, 1.5))
    whole = report_of("seated_knee_extension", raw).repetitions[0]
    was = whole.repetition
    request = Request(
        clip=Path("made_up.mp4"),
        exercise=load_exercise("seated_knee_extension"),
        side="left",
        moved_limits=((0, start_s or was.start_s, end_s or was.end_s),),
    )
    moved = assess(raw, request).report.repetitions[0]
    for key in ("raising_s", "lowering_s"):
        less_s = value(whole, key).value - value(moved, key).value
        cut_s = (start_s - was.start_s) if start_s else (was.end_s - end_s)
        assert less_s == pytest.approx(cut_s if key == shorter else 0, abs=0.2), key


ATTEMPT = Attempt(
    start=5,
    turn_from=7,
    turn_to=9,
    end=11,
    rest_before=0,
    rest_after=0,
    extreme=0,
    is_complete=True,
)


def _beside(values, **more):
    """Levels of the rests beside ATTEMPT, at 10 samples/s."""
    s = {
        "settings": MeasurementSettings(rest_window_s=0.5),
        "series": SimpleNamespace(grid_hz=10.0),
        "is_hidden": np.zeros(len(values), bool),
        "previous_end": None,
        "next_start": None,
        "attempt": ATTEMPT,
    }
    setting = SimpleNamespace(**s | more)
    return [level for _, level in rests_beside(setting, np.asarray(values, float))]


RESTS = [90.0] * 5 + [80, 40, 4, 4, 4, 40, 80] + [96.0] * 5
"""ATTEMPT and its two rests."""


def test_rests_are_read_beside_a_repetition_where_they_are_seen():
    hidden = np.arange(len(RESTS)) >= 10
    assert _beside(RESTS) == [90, 96]
    assert _beside(RESTS, is_hidden=hidden) == [90]
    assert _beside([np.nan] * 7 + RESTS[7:]) == [96]


@pytest.mark.parametrize(
    ("flag", "left"),
    [
        ("is_cut_before", [96]),
        ("is_start_moved", [96]),
        ("is_cut_after", [90]),
        ("is_end_moved", [90]),
    ],
)
def test_beside_a_cut_or_moved_limit_there_is_no_rest(flag, left):
    assert _beside(RESTS, attempt=replace(ATTEMPT, **{flag: True})) == left


def test_rests_are_not_read_beyond_the_repetitions_before_and_after():
    values = [30.0] * 4 + [90, 80, 40, 4, 4, 4, 40, 80, 96] + [20.0] * 4
    assert _beside(values, previous_end=4, next_start=12) == [80, 80]
