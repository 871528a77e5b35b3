"""Whether the attempts are those of the exercise at all: what feet, seat and posture contradict.

A clip told under another exercise's name still moves what drives the count. Each rule here names
one thing that the exercise cannot be done without; two attempts in three must contradict it. From
the side the posture at rest and the way that trunk, thigh and knee move are held against the
exercise's own figure, with wide margins: a shallow or stiff repetition is still the exercise.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES, Side
from formcheck.model.codes import Values, values_of
from formcheck.model.programme import Exercise
from formcheck.model.records import Finding, Track, View
from formcheck.motion.camera import off_side_deg
from formcheck.motion.kinematics import Series
from formcheck.motion.other_movements import trunk_behind_shares
from formcheck.motion.repetitions import Attempt
from formcheck.motion.working_leg import foot_steps, front_side, step_direction_deg, working_side_of

TOLD_LEAST_SHARE = 2 / 3
"""Another exercise is told where this share of the attempts agree."""
SPLIT_LEAST_SHARE = 0.15
"""From the side feet this far apart stand one in front of the other, share of stature (0.12 where
they stand side by side and the camera 30 deg off the side; a split stance is 0.35 and more)."""
LONG_SPLIT_LEAST_SHARE = 0.25
"""Feet this far apart through an attempt are no stance on two legs (0.34 and more in split squats
with truth; a foot set a little forward to stand up is 0.1)."""
LEVEL_MOST_SHARE, LEVEL_FROM_THE_SIDE_SHARE = 0.02, 0.025
"""Both feet stay where they are, on one level: between start and turn the ankles move against
each other by less than this share of stature (0.01 in squats with truth; a step is 0.05)."""
STAYED_MOST_SHARE = 0.04
"""A foot that moves less than this from start to turn did not step (0.11 and more in lunges with
truth, from any side; 0.03 in squats)."""
SWINGS_LEAST_SHARE = 0.12
"""A foot that the leg swings goes further than this (0.15 to 0.32 in the figures of curls, raises,
slides and extensions; a foot that rolls on its heel moves its ankle by 0.03)."""
CARRIED_HIP_LEAST_SHARE = 0.06
"""Over a planted foot the hip goes at least this far (0.1 and more in squats, lunges and bridges; a
hip on mat or chair stays within 0.03)."""
BENCH_SHOULDERS_LEAST_SHARE = 0.13
"""Shoulders this far above the ankle lie on a bench (0.19 to 0.3 in 8 hip thrusts with truth, -0.08
to 0.07 in 16 bridges)."""
LEVEL_TRUNK_MOST_DEG, BRIDGE_MOST_OFF_DEG = 20.0, 25.0
"""At rest a trunk on the floor is about level (a rolled camera turns it too); a camera further off
the side sees shoulders and feet from above at places of their own (common practice)."""
LEVEL_FEET_MOST_SHARE = 0.05
"""Feet on one floor in a bridge: the other one is at most this far above the working one (0.04 and
less in 7 clips of two feet; a free foot held low hovers higher)."""
SIDE_BY_SIDE_DEG = 20.0
"""The line between the feet points this near to sideways where they stand side by side (17 and
less in squats with truth; 23 to 55 where the free foot of one-leg exercises is)."""
BESIDE_MOST_SHARE = 0.13
"""And no further apart than this, seen from the side (0.12 in squats, 0.15 to 0.18 in single-leg
squats with truth)."""
LIFTED_LEAST_SHARE = 0.09
"""A foot this far above the other, share of stature, and not beside it, is off the floor; from the
side a far foot on the floor stands up to 0.1 higher in the picture, beside the near one."""
HIGH_LEAST_SHARE = 0.2
"""A foot this far above the other is off the floor wherever it stands (up to 0.1 in lunges with
truth, 0.16 before a camera two statures away; 0.23 and more in hinges)."""
LEVEL_CHANGE_LEAST_SHARE = 0.045
"""Seen from the front, a foot that goes up or down this far against the other leaves the floor
(0.01 in squats with truth, 0.05 to 0.08 in step-downs)."""
STEPPED_MOST_SHARE = 0.65
"""Feet that stand this much nearer at the start than at the turn were not split before (0.48 to
0.61 in reverse lunges with truth, 0.9 and more in split squats)."""
BENCH_LEAST_SHARE = 0.14
"""A rear foot this far above the front one stands on a bench (0.17 to 0.28 with truth; a rear foot
on the floor is up to 0.11)."""
AHEAD_LEAST_SHARE, AHEAD_LEAST_DEG = 0.08, 45.0
"""A foot that goes this far ahead or back, seen from the side, and comes to stand this far from
beside the other, steps that way (0.12 and more in lunges with truth, of which the attempt's start
leaves out a part; 60 deg and more)."""
ASIDE_LEAST_SHARE = 0.4
"""Seen from the front, feet this far apart at the turn stepped aside (0.49 and more in lateral
lunges with truth; 0.3 in squats, 0.12 in lunges straight ahead)."""
CARRIED_LEAST_SHARE = 0.2
"""On a wall the trunk lies at least this far behind the ankles, shares of leg length, where feet
alone carry nothing for long (0.3 to 0.5 in wall sits with truth, up to 0.15 in deep squats)."""
SEATED_LEAST_SHARE = 0.16
"""So it does on a seat, most of the way (90th percentile) while one sits: 0.17 to 0.36 in 16 clips
with truth, up to 0.15 in 44 squats. At the start alone 0.11 to 0.30 and up to 0.14."""
SITTING_S = (1.5, 0.5)
SITTING_KNEE_LEAST_SHARE = 0.85
"""About the start, before and after it, as long as the knee is bent by this much of its most."""

SPLIT_BEFORE_LEAST_SHARE = 0.9
"""Feet that were this far apart at the start, of where they are at the turn, did not step."""
REACHING_KNEE_LEAST_DEG = 55.0
"""A far foot bears weight where the near knee is bent by more: a hinge's is nearly straight."""

KNEE_DEG = (-25.0, 175.0)
"""No knee bends beyond this (common practice), nor is one seen to, before a far camera."""

REST_MOST_DEG = {"trunk": 45.0, "thigh": 50.0, "knee": 60.0}
"""At rest, trunk and thigh lie within this of the figure's, and the knee is bent by as much (with
truth within 20, 30 and 30 deg; high seats and stiff knees take the rest)."""
MOVE_MOST_DEG, MOVE_MOST_TIMES = 45.0, 1.75
"""Each moves no further than this beyond the figure's own movement, and than this often as far,
nor by as much the other way (15 deg with truth)."""
ALIKE_LEAST = 0.8
"""Cosine between the movements of trunk, thigh and knee together and the figure's: 0.89 and more
in 60 clips with truth; squats against a deadlift, or the reverse, 0.7 to 0.8."""
MOVED_LEAST_DEG = 20.0
"""What moves by less than this altogether has no direction."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """What the rules look at in one attempt."""

    a: Attempt
    track: Track
    view: View
    all_series: Mapping[Side, Series]
    exercise: Exercise
    leg: Side

    def ankles(self, at: int) -> np.ndarray:
        """Of the left and the right leg in the picture, shares of stature, (2, 2)."""
        points: np.ndarray = self.track.image_px[at, [LANDMARK[s, "ankle"] for s in SIDES]]
        return points / self.view.person_height_px

    def moved(self) -> np.ndarray:
        """How far either ankle stands at the turn from where it stood at the start, (2,)."""
        moved: np.ndarray = np.hypot(*(self.ankles(self.a.turn) - self.ankles(self.a.start)).T)
        return moved

    def apart(self, at: int) -> np.ndarray:
        """From one ankle to the other, along and up the picture, without signs, (2,)."""
        ankles = self.ankles(at)
        apart: np.ndarray = np.abs(ankles[0] - ankles[1])
        return apart

    def apart_m(self, at: int) -> float:
        """From one ankle to the other by the model's world, metres."""
        ankles = self.track.world_m[at, [LANDMARK[s, "ankle"] for s in SIDES]]
        return float(np.linalg.norm(ankles[0] - ankles[1]))

    def from_beside_deg(self) -> float:
        """How far the line between the feet points from sideways, 0 to 90, by the model's world."""
        return abs(abs(step_direction_deg(self.a, self.track, self.view, "left")) - 90)

    @property
    def is_side(self) -> bool:
        return self.view.plane == "sagittal" and self.view.near_side is not None


Rule = Callable[[_Seen], Values | None]


def other_exercise(
    attempts: Sequence[Attempt],
    track: Track,
    view: View,
    all_series: Mapping[Side, Series],
    exercise: Exercise,
    leg: Side,
    findings: Sequence[Finding] = (),
) -> Finding | None:
    """That feet, seat or posture in most attempts contradict the exercise; None if not.

    leg : the one that is measured. Attempts in which a finding spoils a stretch are not asked.
    """
    spoilt = [f for f in findings if f.spoils == "stretch" and f.from_s is not None]

    def is_sound(a: Attempt) -> bool:
        start_s, end_s = track.time_s[a.start], track.time_s[a.end]
        return not any(f.from_s < end_s and f.to_s > start_s for f in spoilt)

    seen = [
        _Seen(a=a, track=track, view=view, all_series=all_series, exercise=exercise, leg=leg)
        for a in [a for a in attempts if a.is_complete] or attempts
        if is_sound(a)
    ]
    rules = _rules(exercise)
    told = [t for t in (_first(rules, s) for s in seen) if t is not None]
    if not told or len(told) < TOLD_LEAST_SHARE * len(seen):
        return None
    codes = [dict(t)["seen"] for t in told]
    return Finding(
        code="other_exercise",
        values=max(told, key=lambda t: codes.count(dict(t)["seen"])),
        from_s=float(track.time_s[attempts[0].start]),
        to_s=float(track.time_s[attempts[-1].end]),
        spoils="clip",
    )


def _first(rules: Sequence[Rule], s: _Seen) -> Values | None:
    return next((t for t in (rule(s) for rule in rules) if t is not None), None)


def _rules(exercise: Exercise) -> tuple[Rule, ...]:
    """The rules that hold for this exercise."""
    out: list[Rule] = []
    if exercise.position == "standing":
        out += {
            "stepping": [_steps, _steps_its_way],
            "staying": [_steps, _steps_its_way],
            "front": [_stands_split, _rear_foot],
            "on_step": [_on_a_step],
            "stance": [_on_one_leg] if exercise.kind == "repetition" else [],
            "both": [_on_two_legs],
        }.get(exercise.working_leg, [])
    if exercise.working_leg == "either":
        out.append(_foot_stays)
    if _is_lying_on_feet(exercise):
        out += [_other_foot_so, _shoulders_so]
    if "wall" in exercise.figure.props and exercise.kind == "hold":
        out.append(_on_a_wall)
    if exercise.position == "sitting":
        out.append(_on_a_seat)
    if exercise.figure.plane == "sagittal" and exercise.kind != "sequence":
        out += [_rests_so, _moves_so]
    return tuple(out)


def _told(seen: str, part: str = "", deg: float = 0.0, usual_deg: float = 0.0) -> Values:
    if not part:
        return values_of(seen=seen)
    return values_of(seen=seen, part=part, deg=round(deg) + 0.0, usual_deg=round(usual_deg) + 0.0)


# -- feet


def _is_split(s: _Seen) -> bool:
    """Whether one foot stands clearly in front of the other at the turn."""
    if s.view.plane == "sagittal" and s.apart(s.a.turn)[0] > SPLIT_LEAST_SHARE:
        return True
    return front_side(s.a, s.track, s.view) is not None


def _steps(s: _Seen) -> Values | None:
    """A lunge steps, and both feet stand on the floor at its turn."""
    if s.apart(s.a.turn)[1] > HIGH_LEAST_SHARE:
        return _told("one_foot_lifted")
    if foot_steps(s.a, s.track, s.view) is not False:
        return None
    # A step toward the camera moves no foot in the picture, but brings the feet apart.
    stays = s.moved().max() < STAYED_MOST_SHARE
    before, there = s.apart_m(s.a.start), s.apart_m(s.a.turn)
    was_split = before > SPLIT_BEFORE_LEAST_SHARE * there
    is_split = _is_split(s) and not (stays and (s.is_side or was_split))
    return None if is_split else _told("no_step")


def _way_of(exercise: Exercise) -> str | None:
    """Which way this lunge steps, by the figure: ahead, aside, back, turned; None = several."""
    if exercise.kind == "sequence":
        return None
    if exercise.working_leg == "staying":
        return "back"
    return {"sagittal": "ahead", "frontal": "aside"}.get(exercise.figure.plane, "turned")


def _steps_its_way(s: _Seen) -> Values | None:
    """Ahead, aside or back, as far as the picture shows it; turned ones go aside or back."""
    wanted = _way_of(s.exercise)
    moved = s.moved()
    if wanted is None or not np.isfinite(moved).any():
        return None
    if s.view.plane == "frontal":
        is_aside = s.apart(s.a.turn)[0] > ASIDE_LEAST_SHARE
        return _told("steps_aside") if is_aside and wanted in ("ahead", "back") else None
    if not s.is_side:
        return None
    mover = int(np.nanargmax(moved))
    gone = (s.ankles(s.a.turn) - s.ankles(s.a.start))[mover, 0] * s.view.facing_x
    is_along = s.from_beside_deg() > AHEAD_LEAST_DEG
    if wanted == "aside" and is_along and s.apart(s.a.turn)[0] > LONG_SPLIT_LEAST_SHARE:
        return _told("one_foot_in_front")
    if gone > AHEAD_LEAST_SHARE and is_along and wanted in ("back", "turned"):
        return _told("steps_ahead")
    return _told("steps_back") if gone < -AHEAD_LEAST_SHARE and wanted == "ahead" else None


def _stands_split(s: _Seen) -> Values | None:
    """A split squat has one foot in front of the other, and both stay."""
    if not np.isfinite(s.apart(s.a.turn)).all():
        return None
    if not _is_split(s):
        # The rear ankle may be taken for the front one at the turn: the feet stay where they were.
        was_split = s.is_side and s.apart(s.a.start)[0] > SPLIT_LEAST_SHARE
        return None if was_split else _told("feet_side_by_side")
    before, there = s.apart(s.a.start)[0], s.apart(s.a.turn)[0]
    is_new = s.is_side and before < STEPPED_MOST_SHARE * there
    return _told("foot_steps") if is_new and foot_steps(s.a, s.track, s.view) else None


def _rear_foot(s: _Seen) -> Values | None:
    """The rear foot stands on a bench or on the floor, as in the figure."""
    turn = s.exercise.figure.turn
    if not s.is_side or "far_ankle" not in turn:
        return None
    front = SIDES.index(s.leg)
    ends = [s.ankles(at)[front, 1] - s.ankles(at)[1 - front, 1] for at in (s.a.start, s.a.turn)]
    if not np.isfinite(ends).any():
        return None
    up = float(np.nanmean(ends))
    if turn["far_ankle"][1] - turn["ankle"][1] > 100 * LIFTED_LEAST_SHARE:
        return _told("rear_foot_low") if up < BENCH_LEAST_SHARE else None
    return _told("rear_foot_raised") if up > BENCH_LEAST_SHARE else None


def _on_a_step(s: _Seen) -> Values | None:
    """On a step one foot goes up or down against the other, near it."""
    if _reaches_far(s):
        return _told("one_foot_in_front")
    ends = [s.ankles(at) for at in (s.a.start, s.a.turn)]
    change = (ends[1][0] - ends[1][1]) - (ends[0][0] - ends[0][1])
    is_front = s.view.plane == "frontal"
    if not np.hypot(*change) < (LEVEL_MOST_SHARE if is_front else LEVEL_FROM_THE_SIDE_SHARE):
        return None
    if not is_front and s.from_beside_deg() > SIDE_BY_SIDE_DEG:
        return None
    return _told("feet_level")


def _reaches_far(s: _Seen) -> bool:
    """Whether both feet bear weight at the turn, far from each other in the picture."""
    along, up = s.apart(s.a.turn)
    if s.is_side:
        knee = s.all_series[s.view.near_side or s.leg].knee_flexion_deg[s.a.turn]
        return bool(along > LONG_SPLIT_LEAST_SHARE and knee > REACHING_KNEE_LEAST_DEG)
    is_down = up < BENCH_LEAST_SHARE
    return bool(s.view.plane == "frontal" and along > ASIDE_LEAST_SHARE and is_down)


def _on_one_leg(s: _Seen) -> Values | None:
    """On one leg the other foot is not on the floor, beside the standing one or far from it."""
    if _reaches_far(s):
        return _told("one_foot_in_front" if s.is_side else "steps_aside")
    if all(v.driving_signal in ("heel_height", "hip_height") for v in s.exercise.views):
        return None  # a free foot may hover beside the heel that rises
    if not s.is_side:
        return None  # from the front a foot held before the other one stands beside it
    is_beside = s.from_beside_deg() < SIDE_BY_SIDE_DEG
    stays = s.moved().max() < STAYED_MOST_SHARE
    along, up = s.apart(s.a.turn)
    is_low = up < LIFTED_LEAST_SHARE and along < BESIDE_MOST_SHARE
    return _told("two_feet") if is_beside and stays and is_low else None


def _on_two_legs(s: _Seen) -> Values | None:
    """On two legs neither foot is far in front of the other, or off the floor."""
    ends = np.stack([s.apart(at) for at in (s.a.start, s.a.turn)])
    is_off = s.from_beside_deg() > 1.5 * SIDE_BY_SIDE_DEG
    if s.is_side and (ends[:, 0] > LONG_SPLIT_LEAST_SHARE).all():
        return _told("one_foot_in_front")
    if ends[1, 1] > HIGH_LEAST_SHARE:
        return _told("one_foot_lifted")
    if is_off and (ends[:, 1] > LIFTED_LEAST_SHARE).all():
        return _told("one_foot_lifted")
    if s.view.plane != "frontal":
        return None
    up = [s.ankles(at)[0, 1] - s.ankles(at)[1, 1] for at in (s.a.start, s.a.turn)]
    changes = abs(up[1] - up[0]) > LEVEL_CHANGE_LEAST_SHARE
    return _told("one_foot_lifted") if changes else None


def _foot_stays(s: _Seen) -> Values | None:
    """Where the leg swings about its knee or hip its foot moves; on a planted foot it does not.

    By the figure: a curl, a raise or a slide takes the foot along. The reverse is not asked: a leg
    that is lifted where its foot should stay is a fault of that exercise, which is looked for.
    """
    if not s.is_side or s.leg != s.view.near_side or not s.exercise.figure.turn:
        return None
    foot, hip = (
        float(np.hypot(*(points[s.a.turn] - points[s.a.start]))) / s.view.person_height_px
        for points in (s.track.image_px[:, LANDMARK[s.leg, j]] for j in ("ankle", "hip"))
    )
    rest = s.exercise.figure.rest
    turn = {**rest, **s.exercise.figure.turn}
    drawn = float(np.hypot(*np.subtract(turn["ankle"], rest["ankle"]))) / 100
    # Of hip and foot the one that is not planted moves, however stiff the knee.
    is_planted = foot < STAYED_MOST_SHARE and hip > max(CARRIED_HIP_LEAST_SHARE, 2 * foot)
    return _told("foot_stays") if drawn > SWINGS_LEAST_SHARE and is_planted else None


def _is_lying_on_feet(exercise: Exercise) -> bool:
    """Whether the hips are lifted over feet and shoulders that carry them: bridges."""
    rest, turn = exercise.figure.rest, exercise.figure.turn
    rises = "hip" in turn and turn["hip"][1] > rest["hip"][1]
    return exercise.position in ("supine", "hook_lying", "bench_supported") and rises


def _other_foot_so(s: _Seen) -> Values | None:
    """In a bridge the other foot is on the floor or held up, as in the figure."""
    if not s.is_side or s.leg != s.view.near_side:
        return None
    own = SIDES.index(s.leg)
    up = np.array([s.ankles(at)[own, 1] - s.ankles(at)[1 - own, 1] for at in (s.a.start, s.a.turn)])
    if not np.isfinite(up).any():
        return None
    at = {**s.exercise.figure.rest, **s.exercise.figure.turn}
    is_drawn_up = (
        "far_ankle" in at and at["far_ankle"][1] - at["ankle"][1] > 100 * LIFTED_LEAST_SHARE
    )
    if is_drawn_up:
        return _told("two_feet") if np.nanmax(up) < LEVEL_FEET_MOST_SHARE else None
    return _told("one_foot_lifted") if np.nanmin(up) > BENCH_LEAST_SHARE else None


def _shoulders_so(s: _Seen) -> Values | None:
    """In a bridge the shoulders lie on the floor or on a bench, as in the figure."""
    if not s.is_side or off_side_deg(s.view.azimuth_deg) > BRIDGE_MOST_OFF_DEG:
        return None
    shoulder, hip, ankle = (
        s.track.image_px[s.a.start, LANDMARK[s.view.near_side or s.leg, j]]
        for j in ("shoulder", "hip", "ankle")
    )
    up = (ankle - shoulder)[1] / s.view.person_height_px
    trunk = np.abs(hip - shoulder)
    is_level = trunk[1] < np.tan(np.radians(LEVEL_TRUNK_MOST_DEG)) * trunk[0]
    rest = s.exercise.figure.rest
    is_drawn_up = rest["shoulder"][1] - rest["ankle"][1] > 100 * BENCH_SHOULDERS_LEAST_SHARE
    if is_drawn_up:
        return _told("shoulders_low") if up < BENCH_SHOULDERS_LEAST_SHARE else None
    return _told("shoulders_raised") if up > BENCH_SHOULDERS_LEAST_SHARE and not is_level else None


# -- what carries the body


def _behind_shares(s: _Seen, where: slice) -> np.ndarray:
    """How far the trunk lies behind the ankles, (m,), leg lengths; the camera's place taken out."""
    if not s.is_side:
        return np.full(where.stop - where.start, np.nan)
    near = s.all_series[s.view.near_side or s.leg]
    behind = trunk_behind_shares(where, s.track, s.view, near)
    return behind / max(float(np.cos(np.radians(off_side_deg(s.view.azimuth_deg)))), 0.5)


def _on_a_wall(s: _Seen) -> Values | None:
    behind = _behind_shares(s, slice(s.a.turn, s.a.turn + 1))[0]
    return _told("no_wall") if behind < CARRIED_LEAST_SHARE else None


def _on_a_seat(s: _Seen) -> Values | None:
    """Somewhere about the start: the trunk comes forward while one still sits, a squat never
    has it behind the feet."""
    before, after = (round(t * s.track.grid_hz) for t in SITTING_S)
    where = slice(max(s.a.start - before, 0), min(s.a.start + after + 1, len(s.track.time_s)))
    knee = s.all_series[s.view.near_side or s.leg].knee_flexion_deg[where]
    behind = _behind_shares(s, where)[knee > SITTING_KNEE_LEAST_SHARE * _most(knee)]
    known = behind[np.isfinite(behind)]
    is_over_feet = len(known) and np.percentile(known, 90) < SEATED_LEAST_SHARE
    return _told("no_seat") if is_over_feet else None


def _most(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(known.max()) if len(known) else float("nan")


# -- posture, against the figure


def _posture_deg(s: _Seen, at: int) -> dict[str, float]:
    """Trunk to the vertical, thigh from straight down, knee flexion, of the near leg."""
    series = s.all_series[s.view.near_side or s.leg]
    return {
        "trunk": float(series.trunk_inclination_deg[at]),
        "thigh": 90 - float(series.thigh_inclination_deg[at]),
        "knee": float(series.knee_flexion_deg[at]),
    }


def _figure_deg(exercise: Exercise, joints: Mapping[str, tuple[float, float]]) -> dict[str, float]:
    """The same of a pose of the exercise's figure; joints that stay are those at rest."""
    at = {k: np.array(v, float) for k, v in {**exercise.figure.rest, **joints}.items()}
    trunk, thigh = at["shoulder"] - at["hip"], at["knee"] - at["hip"]
    shank = at["ankle"] - at["knee"]
    swing = np.degrees([np.arctan2(v[0], -v[1]) for v in (thigh, shank)])
    return {
        "trunk": float(np.degrees(np.arctan2(trunk[0], trunk[1]))),
        "thigh": abs(float(swing[0])),
        "knee": float((swing[0] - swing[1] + 180) % 360 - 180),
    }


def _is_human(posture_deg: Mapping[str, float]) -> bool:
    """Whether a knee bends so: what no knee does is a landmark astray, and no other exercise."""
    least, most = KNEE_DEG
    return least < posture_deg["knee"] < most


def _is_compared(s: _Seen) -> bool:
    """Whether the near leg is the one that works, seen from the side from its rest on, with a
    figure to match."""
    if not s.is_side or s.a.is_cut_before:
        return False
    rule = s.exercise.working_leg
    if rule in ("both", "stepping", "staying"):
        works = working_side_of(s.a, s.track, s.view, rule, s.leg)
        return rule == "both" or works == s.view.near_side
    return s.leg == s.view.near_side


def _parts(exercise: Exercise) -> tuple[str, ...]:
    """What is compared: on the floor the trunk may be propped up as it likes."""
    is_upright = exercise.position in ("standing", "sitting") and not exercise.also_positions
    return ("trunk", "thigh", "knee") if is_upright else ("thigh", "knee")


def _rests_so(s: _Seen) -> Values | None:
    """At rest the body is about where the figure has it: seated, standing, legs straight, bent."""
    if not _is_compared(s) or s.exercise.also_positions:
        return None
    own, figure = _posture_deg(s, s.a.start), _figure_deg(s.exercise, {})
    if not all(_is_human(p) for p in (own, _posture_deg(s, s.a.turn))):
        return None
    for part in _parts(s.exercise):
        if abs(own[part] - figure[part]) > REST_MOST_DEG[part]:
            return _told("rests_otherwise", part, own[part], figure[part])
    return None


def _moves_so(s: _Seen) -> Values | None:
    """Trunk, thigh and knee move about as the figure's do, however far."""
    if not _is_compared(s):
        return None
    parts = _parts(s.exercise)
    rest, turn = _posture_deg(s, s.a.start), _posture_deg(s, s.a.turn)
    if not (_is_human(rest) and _is_human(turn)):
        return None
    figure = [_figure_deg(s.exercise, joints) for joints in ({}, s.exercise.figure.turn)]
    own = np.array([turn[p] - rest[p] for p in parts])
    drawn = np.array([figure[1][p] - figure[0][p] for p in parts])
    free = np.maximum(MOVE_MOST_DEG, (MOVE_MOST_TIMES - 1) * np.abs(drawn))
    beyond = np.maximum(
        own - np.maximum(drawn, 0) - np.where(drawn > 0, free, MOVE_MOST_DEG),
        np.minimum(drawn, 0) - own - np.where(drawn < 0, free, MOVE_MOST_DEG),
    )
    most = int(np.argmax(np.nan_to_num(beyond, nan=-np.inf)))
    if beyond[most] > 0:
        return _told("moves_otherwise", parts[most], own[most], drawn[most])
    lengths = float(np.linalg.norm(own)), float(np.linalg.norm(drawn))
    if s.exercise.position not in ("standing", "sitting") or not min(lengths) > MOVED_LEAST_DEG:
        return None
    if own @ drawn < ALIKE_LEAST * lengths[0] * lengths[1]:
        apart = np.abs(own / lengths[0] - drawn / lengths[1])
        most = int(np.argmax(apart))
        return _told("moves_otherwise", parts[most], own[most], drawn[most])
    return None
