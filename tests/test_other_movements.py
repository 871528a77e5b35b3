"""Movements that drive the knee as far as a squat does and are none."""

import pytest
from skeleton import Camera, Key, Movement, Posture, both, film, repeated
from told import told

from formcheck.files.exercises import load_exercise
from formcheck.model.request import Request
from formcheck.run.pipeline import assess

STANDING = Posture()
SQUAT = Posture(trunk=35, **both(hip=75, knee=95))
SEATED = Posture(trunk=5, **both(hip=88, knee=88))
BENT = Posture(trunk=80, **both(hip=10, knee=28))


def squats(movement, **camera):
    raw = film(movement, Camera(azimuth_deg=90, **camera))
    report = assess(raw, Request(clip="made_up.mp4", exercise=load_exercise("squat"))).report
    return report, [f for f in report.findings if f.code == "other_movement"]


def with_other(other: Posture, up: float = 0.0) -> Movement:
    """Two squats, the other movement, and a third squat."""
    first = repeated(STANDING, [SQUAT, SQUAT])
    keys = [*first.keys, Key(posture=other, move_s=1.2, stay_s=0.8)]
    keys += [Key(posture=STANDING, move_s=1.2, stay_s=1.0), *repeated(STANDING, [SQUAT]).keys[1:]]
    return Movement(keys=tuple(keys))


def test_three_squats_are_three_repetitions_and_nothing_else():
    report, other = squats(repeated(STANDING, [SQUAT] * 3))
    assert report.whole.n_complete == 3
    assert other == []


@pytest.mark.parametrize(
    ("posture", "words"), [(SEATED, "sitting down"), (BENT, "a bend")], ids=["seat", "bend"]
)
def test_sitting_down_and_bending_are_not_counted(posture, words):
    report, other = squats(with_other(posture))
    assert report.whole.n_complete == 3
    assert [words in told(f, report) for f in other] == [True]
    # A rest and two squats with their rests take 9.6 s; the movement comes next.
    assert 9.4 < other[0].from_s < 10.2


def test_a_jump_is_not_counted():
    dip = Posture(trunk=20, **both(hip=40, knee=50))
    air = Posture(up=0.15)
    first = repeated(STANDING, [SQUAT, SQUAT])
    keys = (
        *first.keys,
        Key(posture=dip, move_s=0.5, stay_s=0.05),
        Key(posture=air, move_s=0.3, stay_s=0.05),
        Key(posture=dip, move_s=0.3, stay_s=0.05),
        Key(posture=STANDING, move_s=0.6, stay_s=1.2),
    )
    report, other = squats(Movement(keys=keys), rate_hz=30)
    assert report.whole.n_complete == 2
    assert any("jump" in told(f, report) for f in other)


def test_a_deep_upright_squat_over_the_feet_is_still_a_squat():
    upright = Posture(trunk=20, **both(hip=78, knee=110))
    report, other = squats(repeated(STANDING, [upright] * 2))
    assert report.whole.n_complete == 2
    assert other == []


@pytest.mark.parametrize("azimuth_deg", [90, 0], ids=["side", "front"])
@pytest.mark.parametrize("tempo_s", [(1, 2, 1), (2, 5, 2), (3, 5, 3)], ids=str)
def test_a_long_pause_at_the_bottom_makes_no_jump_of_standing_up(tempo_s, azimuth_deg):
    down_s, pause_s, up_s = tempo_s
    movement = repeated(
        STANDING, [SQUAT] * 5, rest_s=0.1, there_s=down_s, stay_s=pause_s, back_s=up_s
    )
    raw = film(movement, Camera(azimuth_deg=azimuth_deg))
    report = assess(raw, Request(clip="made_up.mp4", exercise=load_exercise("squat"))).report
    assert [f for f in report.findings if f.code == "other_movement"] == []
    assert report.whole.n_repetitions == 5
