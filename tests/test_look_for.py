"""What is looked for in a repetition: found when it is there, silent when it is not."""

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
from exercise_cases import (
    BRIDGE,
    HOOK_LYING,
    ON_THE_BACK,
    ON_THE_SIDE,
    ONE_LEG,
    ONE_LEG_SQUAT,
    SITTING,
    SQUAT,
    STANDING,
    STEP_LEFT,
)
from skeleton import (
    FOREARM,
    THIGH,
    TRUNK,
    UPPER_ARM,
    Camera,
    Key,
    Movement,
    Posture,
    both,
    film,
    mirrored,
    one,
    repeated,
)

from formcheck.files.exercises import list_exercises, load_exercise
from formcheck.model.anatomy import LANDMARK, LEG
from formcheck.model.measures import MEASURES
from formcheck.model.programme import FEATURES
from formcheck.model.records import NotMeasurable
from formcheck.model.request import Request
from formcheck.run.pipeline import assess


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One thing to look for: a movement that shows it and one that does not.

    in_repetition : number of the repetition that shows it first.
    """

    feature: str
    exercise: str
    shown: Movement
    absent: Movement
    in_repetition: int = 1
    azimuth_deg: float = 90.0
    anchor: str = "left_ankle"
    roll_deg: float = 0.0
    code: str = field(default="")

    @property
    def label(self) -> str:
        return f"{self.feature} {self.exercise}"


def held(rest: Posture, start: Posture, end: Posture, hold_s: float = 6.0) -> Movement:
    """Two holds that drift from one posture to another."""
    keys = [Key(posture=rest, move_s=0, stay_s=1.5)]
    for _ in range(2):
        keys.append(Key(posture=start, move_s=1.2, stay_s=hold_s / 4))
        keys.append(Key(posture=end, move_s=hold_s / 2, stay_s=hold_s / 4))
        keys.append(Key(posture=rest, move_s=1.2, stay_s=1.5))
    return Movement(keys=tuple(keys))


LONG_SITTING = Posture(trunk=-8, **both(hip=94, knee=25, foot=None))
SET_QUAD = replace(LONG_SITTING, **both(hip=90, knee=0))
SLIPPED = replace(LONG_SITTING, **both(hip=92, knee=12))
WALL = Posture(**both(hip=20, knee=20))
SAT = Posture(**both(hip=92, knee=92))
STRAIGHT = replace(SITTING, left_knee=4, left_foot=None)
RAISED_HEEL = Posture(**both(foot=-30))
SUPINE = replace(ON_THE_BACK, **one("right", hip=135, knee=90, foot=0.0))
LEG_UP = replace(SUPINE, left_hip=125)
SIDE_UP = replace(ON_THE_SIDE, left_out=30)
BENT_CURL = Posture(
    trunk=90,
    left_arm=150,
    right_arm=150,
    left_knee=100,
    right_foot=None,
    **one("left", hip=-90, foot=None),
    right_hip=-90,
)
FLAT = replace(BENT_CURL, left_knee=0)
HINGE = Posture(trunk=70, **one("left", hip=4, knee=15), **one("right", hip=-70, foot=None))
TO_THE_LEFT = replace(SQUAT, **one("left", out=-14), **one("right", out=14))
UPRIGHT_STEP = replace(ONE_LEG_SQUAT, trunk_left=0, left_hip_lower=0, left_out=0, left_shank_out=0)

RISE = (
    SITTING,
    Posture(trunk=40, **both(hip=88, knee=95)),
    Posture(trunk=40, **both(hip=55, knee=72)),
    STANDING,
)


def stands(arms) -> Movement:
    """Two stands from a chair; arms : posture and how far up (0 to 1) -> the posture with arms."""
    way_up = [
        (a.toward(b, k / 4), (i + k / 4) / 3)
        for i, (a, b) in enumerate(zip(RISE, RISE[1:], strict=False))
        for k in range(4)
    ]
    way_up.append((STANDING, 1.0))
    keys = [Key(posture=arms(*way_up[0]), move_s=0, stay_s=1.2)]
    for _ in range(2):
        for posture, up in (*way_up[1:], *way_up[-2::-1]):
            stay_s = 1.0 if up in (0, 1) else 0
            keys.append(Key(posture=arms(posture, up), move_s=0.14, stay_s=stay_s))
    return Movement(keys=tuple(keys))


def with_wrists_on_the_thighs(posture: Posture, along=0.6, above=0.28) -> Posture:
    """Wrists at these shares of thigh length along the thigh and above its axis."""
    trunk, thigh = np.radians([posture.trunk, posture.left_hip])
    wrist = THIGH * (
        along * np.array([np.sin(thigh), -np.cos(thigh)])
        + above * np.array([np.cos(thigh), np.sin(thigh)])
    )
    reach = wrist - TRUNK * np.array([np.sin(trunk), np.cos(trunk)])
    far = np.linalg.norm(reach)
    bend = np.arccos((far**2 - UPPER_ARM**2 - FOREARM**2) / (2 * UPPER_ARM * FOREARM))
    upper = np.arctan2(reach[0], -reach[1]) - np.arcsin(FOREARM * np.sin(bend) / far)
    arm, elbow = np.degrees([upper + trunk, bend])
    return replace(posture, **both(arm=arm, elbow=elbow))


def pushes(posture: Posture, up: float) -> Posture:
    return with_wrists_on_the_thighs(posture) if up <= 0.7 else hangs(posture, up)


def hangs(posture: Posture, up: float) -> Posture:
    return replace(posture, **both(arm=posture.trunk))


SEEN = (
    Seen(
        feature="hands_on_thighs",
        exercise="sit_to_stand",
        shown=stands(pushes),
        absent=stands(hangs),
    ),
    Seen(
        feature="hold_broken",
        exercise="quad_set",
        anchor="hips",
        shown=Movement(
            keys=(
                Key(posture=LONG_SITTING, move_s=0, stay_s=1.5),
                Key(posture=SET_QUAD, move_s=1, stay_s=3),
                Key(posture=SLIPPED, move_s=0.5, stay_s=0.5),
                Key(posture=SET_QUAD, move_s=0.5, stay_s=3),
                Key(posture=LONG_SITTING, move_s=1, stay_s=1.5),
            )
        ),
        absent=repeated(LONG_SITTING, [SET_QUAD] * 2, stay_s=6),
    ),
    Seen(
        feature="thigh_lifts",
        exercise="quad_set",
        anchor="hips",
        shown=repeated(LONG_SITTING, [replace(SET_QUAD, left_hip=106)] * 2, stay_s=5),
        absent=repeated(LONG_SITTING, [SET_QUAD] * 2, stay_s=5),
    ),
    Seen(
        feature="slides_up",
        exercise="wall_sit",
        shown=held(WALL, SAT, Posture(**both(hip=76, knee=76))),
        absent=held(WALL, SAT, Posture(**both(hip=89, knee=89))),
    ),
    Seen(
        feature="hands_on_thighs",
        exercise="wall_sit",
        shown=held(WALL, *(with_wrists_on_the_thighs(SAT) for _ in range(2))),
        absent=held(*(replace(p, **both(arm=20, elbow=15)) for p in (WALL, SAT, SAT))),
    ),
    Seen(
        feature="hips_sag",
        exercise="bridge",
        anchor="left_shoulder",
        shown=held(HOOK_LYING, BRIDGE, replace(BRIDGE, trunk=-106, **both(hip=119))),
        absent=held(HOOK_LYING, BRIDGE, replace(BRIDGE, **both(hip=114))),
    ),
    Seen(
        feature="trunk_thigh_deg",
        exercise="bridge",
        anchor="left_shoulder",
        shown=repeated(HOOK_LYING, [replace(BRIDGE, **both(hip=85))] * 2, stay_s=3),
        absent=repeated(HOOK_LYING, [BRIDGE] * 2, stay_s=3),
    ),
    Seen(
        feature="lowering_faster_than_raising",
        exercise="seated_knee_extension",
        anchor="hips",
        shown=repeated(SITTING, [STRAIGHT] * 3, there_s=1.6, back_s=0.7),
        absent=repeated(SITTING, [STRAIGHT] * 3, there_s=1.2, back_s=1.4),
    ),
    Seen(
        feature="lowering_faster_than_raising",
        exercise="deadlift",
        shown=repeated(
            STANDING, [Posture(trunk=70, **both(hip=14, knee=22))] * 3, there_s=0.7, back_s=1.6
        ),
        absent=repeated(STANDING, [Posture(trunk=70, **both(hip=14, knee=22))] * 3),
    ),
    Seen(
        feature="quick_turn",
        exercise="calf_raise",
        anchor="left_toe",
        shown=repeated(STANDING, [RAISED_HEEL] * 3, there_s=0.4, stay_s=0, back_s=0.4),
        absent=repeated(STANDING, [RAISED_HEEL] * 3, stay_s=0.6),
    ),
    Seen(
        feature="fades",
        exercise="calf_raise",
        anchor="left_toe",
        in_repetition=3,
        shown=repeated(
            STANDING,
            [
                RAISED_HEEL,
                Posture(**both(foot=-28)),
                Posture(**both(foot=-18)),
                Posture(**both(foot=-16)),
            ],
        ),
        absent=repeated(
            STANDING, [RAISED_HEEL, Posture(**both(foot=-28)), Posture(**both(foot=-26))]
        ),
    ),
    Seen(
        feature="knee_bends",
        exercise="calf_raise",
        anchor="left_toe",
        shown=repeated(STANDING, [Posture(**both(foot=-30, knee=20, hip=10))] * 3),
        absent=repeated(STANDING, [Posture(**both(foot=-30, knee=6, hip=3))] * 3),
    ),
    Seen(
        feature="heel_lifts",
        exercise="squat",
        anchor="left_toe",
        shown=repeated(STANDING, [replace(SQUAT, **both(foot=-16))] * 3),
        absent=repeated(STANDING, [replace(SQUAT, **both(foot=-4))] * 3),
    ),
    Seen(
        feature="trunk_leans_further",
        exercise="squat",
        in_repetition=3,
        shown=repeated(STANDING, [SQUAT, replace(SQUAT, trunk=40), replace(SQUAT, trunk=52)]),
        absent=repeated(STANDING, [SQUAT, replace(SQUAT, trunk=40), replace(SQUAT, trunk=28)]),
    ),
    Seen(
        feature="thigh_lifts",
        exercise="seated_knee_extension",
        anchor="hips",
        shown=repeated(SITTING, [replace(STRAIGHT, left_hip=104)] * 3),
        absent=repeated(SITTING, [replace(STRAIGHT, left_hip=93)] * 3),
    ),
    Seen(
        feature="thigh_lifts",
        exercise="hamstring_curl",
        anchor="hips",
        shown=repeated(FLAT, [replace(BENT_CURL, left_hip=-108)] * 3),
        absent=repeated(FLAT, [BENT_CURL] * 3),
    ),
    Seen(
        feature="trunk_leans_back",
        exercise="seated_knee_extension",
        anchor="hips",
        shown=repeated(SITTING, [replace(STRAIGHT, trunk=-12)] * 3),
        absent=repeated(SITTING, [replace(STRAIGHT, trunk=0)] * 3),
    ),
    Seen(
        feature="knee_flexion_gain_deg",
        exercise="straight_leg_raise",
        anchor="hips",
        shown=repeated(SUPINE, [replace(LEG_UP, left_knee=22)] * 3),
        absent=repeated(SUPINE, [replace(LEG_UP, left_knee=2)] * 3),
    ),
    Seen(
        feature="leg_passes_other_thigh",
        exercise="straight_leg_raise",
        anchor="hips",
        shown=repeated(SUPINE, [replace(SUPINE, left_hip=148)] * 3),
        absent=repeated(SUPINE, [LEG_UP] * 3),
    ),
    Seen(
        feature="does_not_reach_seat",
        exercise="sit_to_stand",
        in_repetition=2,
        shown=Movement(
            keys=(
                Key(posture=SITTING, move_s=0, stay_s=1.5),
                Key(posture=STANDING, move_s=1, stay_s=1),
                Key(posture=SITTING, move_s=1, stay_s=1),
                Key(posture=STANDING, move_s=1, stay_s=1),
                Key(posture=Posture(trunk=20, **both(hip=68, knee=75)), move_s=1, stay_s=0.6),
                Key(posture=STANDING, move_s=1, stay_s=1),
                Key(posture=SITTING, move_s=1, stay_s=1.5),
            )
        ),
        absent=repeated(SITTING, [STANDING] * 3),
    ),
    Seen(
        feature="not_fully_up",
        exercise="sit_to_stand",
        in_repetition=3,
        shown=repeated(SITTING, [STANDING, STANDING, Posture(trunk=15, **both(hip=32, knee=40))]),
        absent=repeated(SITTING, [STANDING, STANDING, Posture(**both(hip=6, knee=8))]),
    ),
    Seen(
        feature="pelvis_rolls_back",
        exercise="hip_abduction_side_lying",
        anchor="hips",
        azimuth_deg=0,
        roll_deg=90,
        shown=repeated(ON_THE_SIDE, [replace(SIDE_UP, turned_left=40)] * 3),
        absent=repeated(ON_THE_SIDE, [replace(SIDE_UP, turned_left=15)] * 3),
    ),
    Seen(
        feature="leg_drifts_forward",
        exercise="hip_abduction_side_lying",
        anchor="hips",
        azimuth_deg=0,
        roll_deg=90,
        shown=repeated(ON_THE_SIDE, [replace(SIDE_UP, left_hip=35)] * 3),
        absent=repeated(ON_THE_SIDE, [replace(SIDE_UP, left_hip=10)] * 3),
    ),
    Seen(
        feature="toes_turn_up",
        exercise="hip_abduction_side_lying",
        anchor="hips",
        azimuth_deg=0,
        roll_deg=90,
        shown=repeated(ON_THE_SIDE, [replace(SIDE_UP, left_toe_out=50)] * 3),
        absent=repeated(ON_THE_SIDE, [replace(SIDE_UP, left_toe_out=10)] * 3),
    ),
    Seen(
        feature="shank_inclination_deg",
        exercise="wall_sit",
        code="shank_forward",
        shown=held(WALL, *[Posture(**both(hip=70, knee=95))] * 2),
        absent=held(WALL, SAT, SAT),
    ),
    Seen(
        feature="shank_inclination_deg",
        exercise="wall_sit",
        code="shank_back",
        shown=held(WALL, *[Posture(**both(hip=95, knee=70))] * 2),
        absent=held(WALL, SAT, SAT),
    ),
    Seen(
        feature="trunk_swing_leg_line_deg",
        exercise="single_leg_deadlift",
        shown=repeated(ONE_LEG, [replace(HINGE, right_hip=-25)] * 3),
        absent=repeated(ONE_LEG, [HINGE] * 3),
    ),
    Seen(
        feature="fppa_change_deg",
        exercise="step_down",
        azimuth_deg=0,
        shown=repeated(ONE_LEG, [replace(UPRIGHT_STEP, left_out=-18, left_shank_out=10)] * 3),
        absent=repeated(ONE_LEG, [UPRIGHT_STEP] * 3),
    ),
    Seen(
        feature="pelvic_obliquity_peak_deg",
        exercise="step_down",
        azimuth_deg=0,
        code="pelvis_drops",
        shown=repeated(ONE_LEG, [replace(UPRIGHT_STEP, left_hip_lower=-13)] * 3),
        absent=repeated(ONE_LEG, [UPRIGHT_STEP] * 3),
    ),
    Seen(
        feature="pelvic_obliquity_peak_deg",
        exercise="step_down",
        azimuth_deg=0,
        code="pelvis_opens",
        shown=repeated(ONE_LEG, [replace(UPRIGHT_STEP, left_hip_lower=13)] * 3),
        absent=repeated(ONE_LEG, [UPRIGHT_STEP] * 3),
    ),
    Seen(
        feature="trunk_lateral_inclination_peak_deg",
        exercise="step_down",
        azimuth_deg=0,
        code="trunk_leans_to_a_side",
        shown=repeated(ONE_LEG, [replace(UPRIGHT_STEP, trunk_left=18)] * 3),
        absent=repeated(ONE_LEG, [UPRIGHT_STEP] * 3),
    ),
    Seen(
        feature="trunk_lateral_inclination_peak_deg",
        exercise="step_down",
        azimuth_deg=0,
        code="trunk_leans_to_a_side_away",
        shown=repeated(ONE_LEG, [replace(UPRIGHT_STEP, trunk_left=-18)] * 3),
        absent=repeated(ONE_LEG, [UPRIGHT_STEP] * 3),
    ),
    Seen(
        feature="knee_medial_to_foot_share",
        exercise="lateral_lunge",
        azimuth_deg=0,
        anchor="right_ankle",
        shown=repeated(STANDING, [replace(STEP_LEFT, left_shank_out=24)] * 3),
        absent=repeated(STANDING, [replace(STEP_LEFT, left_shank_out=0)] * 3),
    ),
    Seen(
        feature="pelvis_shift_share",
        exercise="squat",
        azimuth_deg=0,
        code="pelvis_shifts_left",
        shown=repeated(STANDING, [TO_THE_LEFT] * 3),
        absent=repeated(STANDING, [SQUAT] * 3),
    ),
    Seen(
        feature="pelvis_shift_share",
        exercise="squat",
        azimuth_deg=0,
        code="pelvis_shifts_right",
        shown=repeated(STANDING, [mirrored(TO_THE_LEFT)] * 3),
        absent=repeated(STANDING, [SQUAT] * 3),
    ),
)

each_thing = pytest.mark.parametrize("seen", SEEN, ids=lambda s: s.code or s.label)


def report_of(seen: Seen, movement: Movement):
    raw = film(
        movement, Camera(azimuth_deg=seen.azimuth_deg), anchor=seen.anchor, roll_deg=seen.roll_deg
    )
    exercise = load_exercise(seen.exercise)
    side = None if exercise.working_leg == "both" and seen.azimuth_deg == 0 else "left"
    report = assess(raw, Request(clip=Path("x"), exercise=exercise, side=side)).report
    assert report.whole.n_complete == len(report.repetitions) > 0
    return report


def looks_of(seen: Seen):
    """The entries of the exercise file that this movement speaks to."""
    looks = [x for x in load_exercise(seen.exercise).look_for if x.feature == seen.feature]
    return [x for x in looks if not seen.code or x.code == seen.code]


@each_thing
def test_it_is_found_when_it_is_there_with_its_moment_and_the_files_words(seen: Seen):
    (look,) = looks_of(seen)
    report = report_of(seen, seen.shown)
    found = [
        (r.repetition, x) for r in report.repetitions for x in r.remarks if x.code == look.code
    ]
    assert found
    first, remark = found[0]
    assert first.number == seen.in_repetition
    assert report.exercise_words.remark(remark.code) == look.text
    for repetition, x in found:
        assert repetition.start_s <= x.at_s <= repetition.end_s


@each_thing
def test_nothing_is_said_of_a_movement_without_it(seen: Seen):
    report = report_of(seen, seen.absent)
    assert [x.code for r in report.repetitions for x in r.remarks] == []


def test_every_feature_has_a_movement_that_shows_it():
    assert set(FEATURES) <= {s.feature for s in SEEN}


def test_every_measure_that_is_looked_for_has_a_movement_that_shows_it():
    looked_for = {x.feature for e in list_exercises() for x in e.look_for} & set(MEASURES)
    assert looked_for <= {s.feature for s in SEEN}


def test_a_remark_on_a_measure_waits_until_the_whole_interval_is_past():
    near = replace(UPRIGHT_STEP, left_out=-6, left_shank_out=6)  # 12 deg, looked for above 10
    seen = next(s for s in SEEN if s.feature == "fppa_change_deg")
    report = report_of(seen, repeated(ONE_LEG, [near] * 3))
    value = next(v for v in report.repetitions[0].measures if v.key == "fppa_change_deg")
    assert value.low < 10 < value.value
    assert [x.code for r in report.repetitions for x in r.remarks] == []


@pytest.mark.parametrize(
    "arms",
    [
        lambda p, up: replace(p, **both(arm=0)),
        lambda p, up: replace(p, **both(arm=p.trunk + 5, elbow=15)),
        lambda p, up: replace(p, **both(arm=20, elbow=130)),
        lambda p, up: replace(p, **both(arm=85)),
        lambda p, up: with_wrists_on_the_thighs(p) if up < 0.1 else hangs(p, up),
    ],
    ids=["along the trunk", "a little bent", "crossed", "ahead", "in the lap while seated"],
)
def test_arms_that_do_not_push_on_the_thighs_are_not_hands_used(arms):
    report = assess_raw(film(stands(arms)), "sit_to_stand")
    assert len(report.repetitions) == 2
    assert [x.code for r in report.repetitions for x in r.remarks] == []


@pytest.mark.parametrize(
    ("above", "is_told"), [(0.1, False), (0.15, False), (0.2, True), (0.36, True), (0.42, False)]
)
def test_hands_are_on_the_thighs_at_the_height_of_their_top(above, is_told):
    # Before: wrists at the height of the thigh's axis were told, of hands that hang beside it.
    rising = stands(
        lambda p, up: with_wrists_on_the_thighs(p, above=above) if up <= 0.7 else hangs(p, up)
    )
    sitting = held(WALL, *(with_wrists_on_the_thighs(SAT, above=above) for _ in range(2)))
    for movement, exercise in ((rising, "sit_to_stand"), (sitting, "wall_sit")):
        report = assess_raw(film(movement), exercise)
        told = [[x.code for x in r.remarks] for r in report.repetitions]
        assert told == [["hands_on_thighs"] if is_told else []] * 2


def assess_raw(raw, exercise):
    return assess(
        raw, Request(clip=Path("x"), exercise=load_exercise(exercise), side="left")
    ).report


@pytest.mark.parametrize("to_s", [6.4, 6.6, 10.8])
def test_nothing_is_said_of_the_height_or_pace_of_a_raise_that_the_clip_cuts(to_s):
    raw = film(repeated(STANDING, [RAISED_HEEL] * 3), anchor="left_toe", to_s=to_s)
    last = assess_raw(raw, "calf_raise").repetitions[-1]
    assert not last.repetition.is_complete
    assert last.remarks == ()


@pytest.mark.parametrize("from_s", [1.7, 1.8, 1.9])
def test_a_trunk_is_compared_with_a_repetition_that_the_clip_does_not_cut(from_s):
    raw = film(repeated(STANDING, [SQUAT] * 3, stay_s=0), from_s=from_s + 1.2)
    report = assess_raw(raw, "squat")
    assert [r.repetition.is_complete for r in report.repetitions] == [False, True, True]
    assert [x.code for r in report.repetitions for x in r.remarks] == []


def test_a_first_stand_that_is_not_full_is_told_against_the_later_ones():
    half_up = Posture(trunk=20, **both(hip=35, knee=35))
    report = assess_raw(film(repeated(SITTING, [half_up, STANDING, STANDING])), "sit_to_stand")
    told = [[x.code for x in r.remarks] for r in report.repetitions]
    assert told == [["not_fully_up"], [], []]


def test_a_landmark_that_slips_for_a_moment_bends_no_knee():
    raw = film(repeated(STANDING, [RAISED_HEEL] * 3), anchor="left_toe")
    assert not any(r.remarks for r in assess_raw(raw, "calf_raise").repetitions)
    image = raw.image_px.copy()
    slipped = (raw.time_s >= 5.8) & (raw.time_s <= 6.3)
    image[slipped, :, LANDMARK["left", "ankle"], 0] += 130
    report = assess_raw(replace(raw, image_px=image), "calf_raise")
    assert len(report.repetitions) == 3
    assert not any(r.remarks for r in report.repetitions)


@pytest.mark.parametrize("from_s", [1.0, 1.1, 1.2, 1.3])
def test_a_leg_hidden_as_the_raise_begins_gives_a_bend_gained_or_says_that_it_was_hidden(from_s):
    raw = film(repeated(SUPINE, [LEG_UP] * 3), anchor="hips")
    seen = raw.visibility.copy()
    hidden = (raw.time_s >= from_s) & (raw.time_s <= from_s + 0.4)
    for joint in LEG:
        seen[hidden, :, LANDMARK["left", joint]] = 0
    report = assess_raw(replace(raw, visibility=seen), "straight_leg_raise")
    for r in report.repetitions:
        (gain,) = (v for v in r.measures if v.key == "knee_flexion_gain_deg")
        assert isinstance(gain, NotMeasurable) or abs(gain.value) < 1
