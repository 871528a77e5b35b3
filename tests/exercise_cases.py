"""Every exercise as key postures with the values that its measures then have: the table.

A case is one exercise from one camera: rest, a good turn, a turn that falls short. `expect` are
the true values at the good turn, read off the postures (angles are those written there).
"""

from dataclasses import dataclass, field, replace

import numpy as np
from skeleton import FOOT, HEEL_BEHIND_ANKLE, LEG, SHANK, THIGH, Posture, both, one

from formcheck.model.anatomy import Side
from formcheck.model.programme import Bound


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One exercise from one camera.

    short_outcome : what the target says of the short turn.
    elsewhere_deg : azimuth of a camera whose view cannot give `expect`; None where people lie
        and only the far side of the body is such a view.
    is_counted_elsewhere : the view from there still supports count and tempo.
    working : the leg that works, where the target's side is given.
    """

    exercise: str
    rest: Posture
    good: Posture
    short: Posture
    expect: dict[str, float]
    target: Bound
    short_outcome: str = "not_reached"
    side: Side = "left"
    azimuth_deg: float = 90.0
    elsewhere_deg: float | None = 0.0
    is_counted_elsewhere: bool = True
    stay_s: float = 0.8
    short_stay_s: float | None = None
    anchor: str = "left_ankle"
    roll_deg: float = 0.0
    n: int = 3
    name: str = field(default="")

    @property
    def label(self) -> str:
        return self.name or self.exercise


def reach(measure: str, at_least: float | None = None, at_most: float | None = None, **more):
    """A target bound."""
    return Bound(measure=measure, at_least=at_least, at_most=at_most, **more)


def knee_over_toe(shank_deg: float) -> float:
    """Knee past the toe of a flat foot under a shank leaning forward, share of foot length."""
    return (SHANK * np.sin(np.radians(shank_deg)) - (FOOT - HEEL_BEHIND_ANKLE)) / FOOT


def rear_knee_height(front_hip: float, front_knee: float, rear_hip: float) -> float:
    """Rear knee above the front ankle, share of shank length."""
    cos = lambda deg: np.cos(np.radians(deg))  # noqa: E731
    front_ankle = THIGH * cos(front_hip) + SHANK * cos(front_hip - front_knee)
    return (front_ankle - THIGH * cos(rear_hip)) / SHANK


STANDING = Posture()
SQUAT = Posture(trunk=35, **both(hip=85, knee=105))
FRONT_SQUAT = Posture(trunk=28, **both(hip=62, knee=80))
"""From the front a thigh that lies level has no direction: no projection angle any deeper."""
HALF_SQUAT = Posture(trunk=20, **both(hip=40, knee=55))
SITTING = Posture(trunk=5, **both(hip=90, knee=90))
LUNGE = Posture(trunk=8, **one("left", hip=78, knee=88), **one("right", hip=-12, knee=75, foot=-60))
SHORT_LUNGE = Posture(
    trunk=4, **one("left", hip=40, knee=48), **one("right", hip=-15, knee=35, foot=-40)
)
SPLIT_STANCE = Posture(**one("left", hip=22, knee=12), **one("right", hip=-22, knee=10, foot=-30))
FRONT_LUNGE = replace(LUNGE, left_hip=58, left_knee=70)
LUNGE_VALUES = {
    "knee_flexion_peak_deg": 88,
    "thigh_inclination_deg": 12,
    "shank_inclination_deg": 10,
    "trunk_inclination_deg": 8,
    "rear_knee_height_share": rear_knee_height(78, 88, -12),
    "knee_over_toe_share": knee_over_toe(10),
}
ON_THE_BACK = Posture(trunk=-90, left_arm=5, right_arm=5, **both(hip=90, foot=None))
OTHER_KNEE_BENT = one("right", hip=135, knee=90, foot=0.0)
HOOK_LYING = Posture(trunk=-90, left_arm=5, right_arm=5, **both(hip=135, knee=90))
BRIDGE = Posture(trunk=-112, left_arm=-5, right_arm=-5, **both(hip=112, knee=76))
HALF_BRIDGE = Posture(trunk=-101, left_arm=-5, right_arm=-5, **both(hip=129, knee=84))
OTHER_LEG_OUT = one("right", knee=0, foot=None)
ON_BENCH = Posture(trunk=-50, up=0.25, **both(hip=115, knee=100))
THRUST = Posture(trunk=-90, up=0.25, **both(hip=90, knee=90))
HALF_THRUST = Posture(trunk=-70, up=0.25, **both(hip=104, knee=95))
ON_THE_FRONT = Posture(trunk=90, left_arm=150, right_arm=150, **both(hip=-90, foot=None))
ON_THE_SIDE = Posture(left_arm=20, right_arm=150)
ONE_LEG = Posture(**one("right", hip=12, knee=25, foot=None))
ONE_LEG_SQUAT = Posture(
    trunk=12,
    trunk_left=5,
    left_hip_lower=-6,
    **one("left", hip=38, knee=62, out=-7, shank_out=6),
    **one("right", hip=15, knee=45, foot=None),
)
ONE_LEG_SHORT = Posture(
    trunk=5, **one("left", hip=27, knee=44), **one("right", hip=12, knee=35, foot=None)
)
FRONT_VALUES = {
    "fppa_at_turn_deg": 13,
    "fppa_peak_deg": 13,
    "fppa_change_deg": 13,
    "pelvic_obliquity_peak_deg": 6,
    "trunk_lateral_inclination_peak_deg": 5,
}
STEP_LEFT = Posture(
    **one("left", hip=50, knee=60, out=40, shank_out=10), **one("right", hip=5, knee=8, out=40)
)
STEP_LEFT_SHORT = Posture(
    **one("left", hip=25, knee=30, out=30, shank_out=10), **one("right", hip=5, knee=8, out=27)
)
STEP_BACK_AND_OUT = Posture(
    turned_left=60,
    **one("left", hip=-45, knee=40, out=35, foot=-20),
    **one("right", hip=58, knee=85, out=0),
)
STEP_BACK_SHORT = Posture(
    turned_left=50,
    **one("left", hip=-30, knee=25, out=25, foot=-20),
    **one("right", hip=38, knee=55, out=0),
)


def hips_fall(turn: Posture, anchor: str, rest: Posture = STANDING) -> float:
    """Fall of the hips' midpoint from rest, share of leg length, from the posture itself."""
    from skeleton import Key, Movement, body_points

    heights = [
        body_points(
            Movement(keys=(Key(posture=p, move_s=0, stay_s=1),)).numbers(np.zeros(1)), anchor
        )[0, 23:25, 2].mean()
        for p in (rest, turn)
    ]
    return (heights[0] - heights[1]) / LEG


CASES = (
    Case(
        exercise="quad_set",
        rest=Posture(trunk=-8, **both(hip=94, knee=8, foot=None)),
        good=Posture(trunk=-8, **both(hip=90, knee=-2, foot=None)),
        short=Posture(trunk=-8, **both(hip=90, knee=-2, foot=None)),
        expect={"knee_flexion_least_deg": -2, "plateau_level_deg": -2},
        target=reach("plateau_hold_s", at_least=5),
        stay_s=6,
        short_stay_s=2.5,
        anchor="hips",
        elsewhere_deg=None,
    ),
    Case(
        exercise="straight_leg_raise",
        rest=replace(ON_THE_BACK, **OTHER_KNEE_BENT),
        good=replace(ON_THE_BACK, left_hip=128, **OTHER_KNEE_BENT),
        short=replace(ON_THE_BACK, left_hip=110, **OTHER_KNEE_BENT),
        expect={"leg_elevation_peak_deg": 38, "knee_flexion_gain_deg": 0},
        target=reach("leg_elevation_peak_deg", at_least=30),
        anchor="hips",
        elsewhere_deg=None,
    ),
    Case(
        exercise="seated_knee_extension",
        rest=SITTING,
        good=replace(SITTING, left_knee=4, left_foot=None),
        short=replace(SITTING, left_knee=50, left_foot=None),
        expect={
            "knee_flexion_least_deg": 4,
            "knee_flexion_peak_deg": 90,
            "thigh_inclination_deg": 0,
            "trunk_inclination_deg": 5,
            "plateau_level_deg": 4,
        },
        target=reach("knee_flexion_least_deg", at_most=25),
        stay_s=3,
        anchor="hips",
        is_counted_elsewhere=False,
    ),
    Case(
        exercise="short_arc_quad",
        rest=replace(ON_THE_BACK, left_hip=110, left_knee=46),
        good=replace(ON_THE_BACK, left_hip=110, left_knee=3),
        short=replace(ON_THE_BACK, left_hip=110, left_knee=33),
        expect={"knee_flexion_least_deg": 3, "knee_flexion_peak_deg": 46, "plateau_level_deg": 3},
        target=reach("knee_flexion_least_deg", at_most=18),
        stay_s=3,
        anchor="hips",
        elsewhere_deg=None,
    ),
    Case(
        exercise="terminal_knee_extension",
        rest=Posture(**both(hip=20, knee=42)),
        good=Posture(),
        short=Posture(**both(hip=15, knee=30)),
        expect={"knee_flexion_least_deg": 0, "knee_flexion_peak_deg": 42, "plateau_level_deg": 0},
        target=reach("knee_flexion_least_deg", at_most=15),
        stay_s=3,
        is_counted_elsewhere=False,
    ),
    Case(
        exercise="heel_slide",
        rest=ON_THE_BACK,
        good=replace(ON_THE_BACK, left_hip=140, left_knee=100, left_foot=None),
        short=replace(ON_THE_BACK, left_hip=120, left_knee=60, left_foot=None),
        expect={"knee_flexion_peak_deg": 100, "knee_flexion_least_deg": 0},
        target=reach("knee_flexion_peak_deg", at_least=90),
        anchor="hips",
        elsewhere_deg=None,
    ),
    Case(
        exercise="hip_abduction_side_lying",
        rest=ON_THE_SIDE,
        good=replace(ON_THE_SIDE, left_out=30),
        short=replace(ON_THE_SIDE, left_out=13),
        expect={"leg_elevation_peak_deg": 30},
        target=reach("leg_elevation_peak_deg", at_least=20),
        azimuth_deg=0,
        roll_deg=90,
        anchor="hips",
        elsewhere_deg=None,
    ),
    Case(
        exercise="hamstring_curl",
        rest=ON_THE_FRONT,
        good=replace(ON_THE_FRONT, left_knee=105),
        short=replace(ON_THE_FRONT, left_knee=60),
        expect={"knee_flexion_peak_deg": 105, "knee_flexion_least_deg": 0},
        target=reach("knee_flexion_peak_deg", at_least=90),
        anchor="hips",
        elsewhere_deg=None,
    ),
    Case(
        exercise="hamstring_curl",
        name="hamstring_curl standing",
        rest=STANDING,
        good=Posture(**one("left", knee=95, foot=None)),
        short=Posture(**one("left", knee=60, foot=None)),
        expect={"knee_flexion_peak_deg": 95, "knee_flexion_least_deg": 0},
        target=reach("knee_flexion_peak_deg", at_least=85),
        anchor="right_ankle",
        is_counted_elsewhere=False,
    ),
    Case(
        exercise="bridge",
        rest=HOOK_LYING,
        good=BRIDGE,
        short=HALF_BRIDGE,
        expect={"trunk_thigh_deg": 0, "knee_flexion_peak_deg": 90, "plateau_level_deg": 0},
        target=reach("trunk_thigh_deg", at_least=0, at_most=0, tolerance=15),
        stay_s=3,
        anchor="left_shoulder",
        elsewhere_deg=None,
    ),
    Case(
        exercise="single_leg_bridge",
        rest=replace(HOOK_LYING, **OTHER_LEG_OUT),
        good=replace(BRIDGE, **OTHER_LEG_OUT),
        short=replace(HALF_BRIDGE, **OTHER_LEG_OUT),
        expect={"trunk_thigh_deg": 0, "knee_flexion_peak_deg": 90, "plateau_level_deg": 0},
        target=reach("trunk_thigh_deg", at_least=0, at_most=0, tolerance=15),
        stay_s=3,
        anchor="left_shoulder",
        elsewhere_deg=None,
    ),
    Case(
        exercise="hip_thrust",
        rest=ON_BENCH,
        good=THRUST,
        short=HALF_THRUST,
        expect={"trunk_thigh_deg": 0, "knee_flexion_peak_deg": 100, "plateau_level_deg": 0},
        target=reach("trunk_thigh_deg", at_least=0, at_most=0, tolerance=15),
        stay_s=3,
        anchor="left_shoulder",
        elsewhere_deg=45,
    ),
    Case(
        exercise="wall_sit",
        rest=Posture(**both(hip=20, knee=20)),
        good=Posture(**both(hip=92, knee=92)),
        short=Posture(**both(hip=60, knee=60)),
        expect={
            "knee_flexion_peak_deg": 92,
            "plateau_level_deg": 92,
            "thigh_inclination_deg": -2,
            "shank_inclination_deg": 0,
            "trunk_inclination_deg": 0,
            "hold_drift_deg_per_min": 0,
        },
        target=reach("plateau_level_deg", at_least=90, at_most=90, tolerance=13),
        stay_s=8,
        n=2,
    ),
    Case(
        exercise="squat",
        rest=STANDING,
        good=SQUAT,
        short=HALF_SQUAT,
        expect={
            "knee_flexion_peak_deg": 105,
            "thigh_inclination_deg": 5,
            "shank_inclination_deg": 20,
            "trunk_inclination_deg": 35,
            "knee_over_toe_share": knee_over_toe(20),
        },
        target=reach("thigh_inclination_deg", at_most=6, tolerance=10),
    ),
    Case(
        exercise="squat",
        name="squat from the front",
        rest=STANDING,
        good=replace(FRONT_SQUAT, trunk_left=4, left_out=-9, left_shank_out=3),
        short=HALF_SQUAT,
        expect={
            "fppa_at_turn_deg": 12,
            "fppa_peak_deg": 12,
            "fppa_change_deg": 12,
            "trunk_lateral_inclination_peak_deg": 4,
            "pelvic_obliquity_peak_deg": 0,
            "hip_drop_share": hips_fall(
                replace(FRONT_SQUAT, left_out=-9, left_shank_out=3), "left_ankle"
            ),
        },
        target=reach("hip_drop_share", at_least=0.18),
        azimuth_deg=0,
        elsewhere_deg=90,
    ),
    Case(
        exercise="sit_to_stand",
        rest=SITTING,
        good=STANDING,
        short=Posture(trunk=20, **both(hip=45, knee=45)),
        expect={
            "knee_flexion_peak_deg": 90,
            "knee_flexion_least_deg": 0,
            "trunk_inclination_deg": 0,
        },
        target=reach("knee_flexion_least_deg", at_most=16),
    ),
    Case(
        exercise="calf_raise",
        rest=STANDING,
        good=Posture(**both(foot=-30)),
        short=Posture(**both(foot=-7)),
        expect={"heel_height_peak_share": 0.5, "heel_drop_share": 0, "knee_flexion_peak_deg": 0},
        target=reach("heel_height_peak_share", at_least=0.3),
        anchor="left_toe",
    ),
    Case(
        exercise="single_leg_calf_raise",
        rest=ONE_LEG,
        good=replace(ONE_LEG, left_foot=-30),
        short=replace(ONE_LEG, left_foot=-7),
        expect={"heel_height_peak_share": 0.5, "heel_drop_share": 0, "knee_flexion_peak_deg": 0},
        target=reach("heel_height_peak_share", at_least=0.3),
        anchor="left_toe",
    ),
    Case(
        exercise="deadlift",
        rest=STANDING,
        good=Posture(trunk=70, **both(hip=14, knee=22)),
        short=Posture(trunk=40, **both(hip=8, knee=12)),
        expect={
            "trunk_inclination_deg": 70,
            "knee_flexion_peak_deg": 22,
            "thigh_inclination_deg": 76,
            "shank_inclination_deg": 8,
        },
        target=reach("trunk_inclination_deg", at_least=60),
    ),
    Case(
        exercise="forward_lunge",
        rest=STANDING,
        good=LUNGE,
        short=SHORT_LUNGE,
        expect=LUNGE_VALUES,
        target=reach("knee_flexion_peak_deg", at_least=75),
        anchor="right_toe",
    ),
    Case(
        exercise="reverse_lunge",
        rest=STANDING,
        good=LUNGE,
        short=SHORT_LUNGE,
        expect=LUNGE_VALUES,
        target=reach("knee_flexion_peak_deg", at_least=75),
    ),
    Case(
        exercise="split_squat",
        rest=SPLIT_STANCE,
        good=LUNGE,
        short=SHORT_LUNGE,
        expect=LUNGE_VALUES,
        target=reach("thigh_inclination_deg", at_most=13, tolerance=10),
    ),
    Case(
        exercise="split_squat",
        name="split_squat from the front",
        rest=SPLIT_STANCE,
        good=replace(FRONT_LUNGE, left_out=-8, left_shank_out=5, left_hip_lower=6, trunk_left=3),
        short=SHORT_LUNGE,
        expect={"pelvic_obliquity_peak_deg": -6, "trunk_lateral_inclination_peak_deg": 3},
        target=reach("hip_drop_share", at_least=0.11),
        short_outcome="borderline",
        azimuth_deg=0,
        elsewhere_deg=90,
    ),
    Case(
        exercise="rear_foot_elevated_split_squat",
        rest=replace(SPLIT_STANCE, right_hip=-18, right_knee=60, right_foot=-90),
        good=replace(LUNGE, right_hip=-5, right_knee=105, right_foot=-100),
        short=replace(SHORT_LUNGE, right_hip=-12, right_knee=80, right_foot=-95),
        expect=LUNGE_VALUES | {"rear_knee_height_share": rear_knee_height(78, 88, -5)},
        target=reach("knee_flexion_peak_deg", at_least=75),
    ),
    Case(
        exercise="lateral_lunge",
        rest=STANDING,
        good=STEP_LEFT,
        short=STEP_LEFT_SHORT,
        expect={
            "hip_drop_share": hips_fall(STEP_LEFT, "right_ankle"),
            # Only the shank's sideways share counts: its foot stands outward of the knee.
            "knee_medial_to_foot_share": 0.1711,
            "trunk_lateral_inclination_peak_deg": 0,
        },
        target=reach("hip_drop_share", at_least=0.12),
        short_outcome="borderline",
        azimuth_deg=0,
        elsewhere_deg=90,
        anchor="right_ankle",
    ),
    Case(
        exercise="rotational_lunge",
        rest=STANDING,
        good=STEP_BACK_AND_OUT,
        short=STEP_BACK_SHORT,
        expect={"hip_drop_share": hips_fall(STEP_BACK_AND_OUT, "right_ankle")},
        target=reach("hip_drop_share", at_least=0.15),
        short_outcome="borderline",
        azimuth_deg=40,
        elsewhere_deg=90,
        anchor="right_ankle",
    ),
    Case(
        exercise="single_leg_deadlift",
        rest=ONE_LEG,
        good=Posture(trunk=70, **one("left", hip=4, knee=15), **one("right", hip=-70, foot=None)),
        short=Posture(trunk=40, **one("left", hip=3, knee=12), **one("right", hip=-40, foot=None)),
        expect={
            "trunk_inclination_deg": 70,
            "knee_flexion_peak_deg": 15,
            "trunk_swing_leg_line_deg": 0,
        },
        target=reach("trunk_inclination_deg", at_least=60),
    ),
    Case(
        exercise="single_leg_deadlift",
        name="single_leg_deadlift from the front",
        rest=ONE_LEG,
        good=Posture(
            trunk=35,
            left_hip_lower=-13,
            **one("left", hip=4, knee=15),
            **one("right", hip=-45, foot=None),
        ),
        short=Posture(
            trunk=35,
            left_hip_lower=1,
            **one("left", hip=4, knee=15),
            **one("right", hip=-45, foot=None),
        ),
        expect={"pelvic_obliquity_peak_deg": 13},
        target=reach("pelvic_obliquity_peak_deg", at_least=5),
        azimuth_deg=0,
        elsewhere_deg=90,
    ),
    Case(
        exercise="single_leg_squat",
        rest=ONE_LEG,
        good=ONE_LEG_SQUAT,
        short=ONE_LEG_SHORT,
        expect=FRONT_VALUES | {"hip_drop_share": hips_fall(ONE_LEG_SQUAT, "left_ankle", ONE_LEG)},
        target=reach("fppa_at_turn_deg", at_least=1),
        short_outcome="borderline",
        azimuth_deg=0,
        elsewhere_deg=90,
    ),
    Case(
        exercise="single_leg_squat",
        name="single_leg_squat from the side",
        rest=ONE_LEG,
        good=replace(ONE_LEG_SQUAT, trunk_left=0, left_hip_lower=0, left_out=0, left_shank_out=0),
        short=replace(ONE_LEG_SHORT, left_hip=20, left_knee=34),
        expect={
            "knee_flexion_peak_deg": 62,
            "thigh_inclination_deg": 52,
            "shank_inclination_deg": 24,
            "trunk_inclination_deg": 12,
        },
        target=reach("knee_flexion_peak_deg", at_least=48, at_most=76),
    ),
    Case(
        exercise="step_down",
        rest=ONE_LEG,
        good=ONE_LEG_SQUAT,
        short=ONE_LEG_SHORT,
        expect=FRONT_VALUES | {"hip_drop_share": hips_fall(ONE_LEG_SQUAT, "left_ankle", ONE_LEG)},
        target=reach("fppa_at_turn_deg", at_least=1),
        short_outcome="borderline",
        azimuth_deg=0,
        elsewhere_deg=90,
    ),
    Case(
        exercise="step_up",
        rest=Posture(trunk=15, **one("left", hip=55, knee=70), **one("right", hip=5, knee=5)),
        good=Posture(
            trunk_left=-6,
            left_hip_lower=7,
            **one("left", out=-6, shank_out=2),
            **one("right", hip=20, knee=45),
        ),
        short=Posture(trunk=5, **one("left", hip=20, knee=30), **one("right", hip=15, knee=30)),
        expect={
            "fppa_at_turn_deg": 8,
            "fppa_peak_deg": 8,
            "pelvic_obliquity_peak_deg": -7,
            "trunk_lateral_inclination_peak_deg": -6,
        },
        target=reach("fppa_at_turn_deg", at_least=1),
        short_outcome="borderline",
        azimuth_deg=0,
        elsewhere_deg=90,
    ),
    Case(
        exercise="single_leg_stance",
        rest=STANDING,
        good=Posture(trunk_left=4, left_hip_lower=-3, **one("right", hip=20, knee=50, foot=None)),
        short=Posture(trunk_left=4, left_hip_lower=-3, **one("right", hip=20, knee=50, foot=None)),
        expect={"pelvic_obliquity_peak_deg": 3, "trunk_lateral_inclination_peak_deg": 4},
        target=reach("plateau_hold_s", at_least=6),
        azimuth_deg=0,
        elsewhere_deg=90,
        stay_s=8,
        short_stay_s=3,
        n=2,
    ),
)
"""Every exercise but the multidirectional lunge, which has its own tests."""
