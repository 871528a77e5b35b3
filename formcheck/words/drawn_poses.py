"""The poses that a figure is drawn in, at a prescription's own targets and limits.

A pose between (or a little beyond) the exercise file's two is found by turning every limb on,
so that no limb grows; the angle that is prescribed is met by bisection.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from formcheck.model.programme import Bound, Exercise, Figure, PrescribedExercise
from formcheck.words import wording
from formcheck.words.languages import gettext

Point = tuple[float, float]
Pose = dict[str, Point]

_LIMBS = (
    ("ankle", "toe"),
    ("ankle", "knee"),
    ("knee", "hip"),
    ("hip", "shoulder"),
    ("shoulder", "head"),
    ("shoulder", "elbow"),
    ("elbow", "wrist"),
    ("hip", "far_hip"),
    ("shoulder", "far_shoulder"),
    ("far_shoulder", "far_elbow"),
    ("far_elbow", "far_wrist"),
    ("far_hip", "far_knee"),
    ("hip", "far_knee"),
    ("far_knee", "far_ankle"),
    ("far_ankle", "far_toe"),
)
_ANCHORS = ("ankle", "toe", "hip", "shoulder", "knee")
"""Joints that may stay where they are, in the order in which ties are broken."""
_LEAST_STEP, _MOST_STEP = -0.6, 1.8
"""How far beyond rest (0) and turn (1) a pose may be sought."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnPose:
    """One drawing of the body: its pose, what it says below, and what it is drawn at.

    bound : the target or limit that it shows; None where it shows the exercise file's own pose.
    value : the measure's value in the drawing, in its unit.
    """

    pose: Pose
    label: str
    bound: Bound | None = None
    value: float | None = None


def drawn_poses(
    exercise: Exercise, line: PrescribedExercise | None = None
) -> tuple[DrawnPose, ...]:
    """Start, and the end of the movement: at the line's target and at its limit, where it has
    any that a drawing can show; else as the exercise file has it.

    None of them goes past a limit of the line: a target that would, drawn at another angle of
    the body, gives way to the drawing of the limit.
    """
    figure = exercise.figure
    last = gettext("hold") if exercise.kind == "hold" else gettext("furthest point")
    start = DrawnPose(pose=figure.rest, label=gettext("start"))
    ends: dict[str, DrawnPose] = {}
    for kind, bounds in (("target", line.targets), ("limit", line.limits)) if line else ():
        for bound in bounds:
            found = _at_bound(exercise, bound, kind)
            if found is not None and _is_of_rest(exercise, bound):
                # A start that keeps the limit stays as it is.
                if kind == "target" or (line and _is_past(exercise, line, start.pose)):
                    start = found
            elif found is not None:
                ends.setdefault(kind, found)
    if line and "target" in ends and _is_past(exercise, line, ends["target"].pose):
        del ends["target"]
    if not ends:
        ends["target"] = DrawnPose(pose=figure.turn, label=last)
    return (start, *ends.values())


def _is_past(exercise: Exercise, line: PrescribedExercise, pose: Pose) -> bool:
    for limit in line.limits:
        value = measured(limit.measure, exercise, pose)
        low, high = limit.band("limit")
        slack = 0.5 if limit.measure.endswith("_deg") else 0.005
        if value is not None and not low - slack <= value <= high + slack:
            return True
    return False


def measured(key: str, exercise: Exercise, pose: Pose) -> float | None:
    """A measure as the drawing shows it, in its unit; None where a drawing shows none.

    Angles are those of the picture, as the measures define them.
    """
    how = _HOW.get(quantity_drawn(key, exercise))
    figure = exercise.figure
    if how is None or (figure.plane != "sagittal" and key not in _FRONTAL):
        return None
    return how(pose, figure)


def quantity_drawn(key: str, exercise: Exercise) -> str:
    """The key, or for the level of a hold the angle that drives it."""
    if key == "plateau_level_deg":
        signals = {v.driving_signal for v in exercise.views if v.plane == exercise.figure.plane}
        return _LEVELS.get(next(iter(signals), ""), key)
    return key


_LEVELS = {
    "knee_flexion": "knee_flexion_peak_deg",
    "trunk_thigh": "trunk_thigh_deg",
    "trunk_inclination": "trunk_inclination_deg",
    "leg_elevation": "leg_elevation_peak_deg",
}
_FRONTAL = ("leg_elevation_peak_deg",)


def _is_of_rest(exercise: Exercise, bound: Bound) -> bool:
    """Whether the bound is on the end of the movement where it begins: the greatest bend of an
    extension, the least of a flexion."""
    key = bound.measure
    if key not in ("knee_flexion_peak_deg", "knee_flexion_least_deg"):
        return False
    bends = _knee(exercise.figure.turn) >= _knee(exercise.figure.rest)
    return bends == (key == "knee_flexion_least_deg")


def _at_bound(exercise: Exercise, bound: Bound, kind: str) -> DrawnPose | None:
    figure = exercise.figure
    aim = _drawn_value(bound)
    if aim is None or measured(bound.measure, exercise, figure.turn) is None:
        return None

    def off(step: float) -> float:
        value = measured(bound.measure, exercise, _between(figure, step))
        return (value if value is not None else math.inf) - aim

    step = _root(off, 0.0 if _is_of_rest(exercise, bound) else 1.0)
    if step is None:
        return None
    pose = _between(figure, step)
    # The tolerance stands in the list beside it: here it would not fit.
    words = wording.bound_words(replace(bound, tolerance=0.0))
    if kind == "limit":
        words = gettext("not past %(bound)s", bound=wording.ends_words(bound))
    return DrawnPose(
        pose=pose, label=words, bound=bound, value=measured(bound.measure, exercise, pose)
    )


def _drawn_value(bound: Bound) -> float | None:
    """Where a bound is drawn: at its end, in the middle of a range."""
    ends = [x for x in (bound.at_least, bound.at_most) if x is not None]
    return sum(ends) / len(ends) if ends else None


def _root(off: Callable[[float], float], near: float) -> float | None:
    """The step where a function of it is zero, the nearest to `near`; None where there is none."""
    n = 48
    steps = [_LEAST_STEP + (_MOST_STEP - _LEAST_STEP) * k / n for k in range(n + 1)]
    values = [off(s) for s in steps]
    brackets = [
        (a, b)
        for a, b, u, v in zip(steps, steps[1:], values, values[1:], strict=False)
        if u == 0 or u * v < 0
    ]
    if not brackets:
        return None
    low, high = min(brackets, key=lambda b: abs((b[0] + b[1]) / 2 - near))
    for _ in range(40):
        middle = (low + high) / 2
        if off(low) * off(middle) <= 0:
            high = middle
        else:
            low = middle
    return (low + high) / 2


# -- the same body from ahead

_HALF_WIDTHS = {
    "head": 0.0,
    "shoulder": 8.5,
    "elbow": 10.5,
    "wrist": 9.0,
    "hip": 4.5,
    "knee": 4.8,
    "ankle": 5.2,
    "toe": 6.5,
}
"""How far a joint stands from the middle of the body, in the figure's own unit: shoulders and
hips as wide as Drillis and Contini (1966), the rest standing easily (common practice)."""


def from_ahead(pose: Pose) -> Pose:
    """A side view's pose as a camera straight ahead sees it: the heights, facing the reader.

    The leg nearer in the side view stands at the reader's left.
    """
    front: Pose = {}
    for joint, half in _HALF_WIDTHS.items():
        if joint not in pose:
            continue
        front[joint] = (50 - half, pose[joint][1])
        if half:
            far = f"far_{joint}"
            front[far] = (50 + half, pose.get(far, pose[joint])[1])
    return front


# -- a pose between two


def _between(figure: Figure, step: float) -> Pose:
    """The pose at a step from rest (0) to turn (1)."""
    rest, turn = figure.rest, figure.turn
    if step in (0.0, 1.0):
        return dict(rest if step == 0.0 else turn)
    anchor = min(_ANCHORS, key=lambda j: round(math.dist(rest[j], turn[j]), 0))
    pose: Pose = {anchor: _mix(rest[anchor], turn[anchor], step)}
    limbs = [limb for limb in _LIMBS if set(limb) <= set(rest)]
    if "far_hip" in rest:
        limbs.remove(("hip", "far_knee"))
    while limbs:
        for limb in limbs:
            near = [j for j in limb if j in pose]
            if near:
                a = near[0]
                b = limb[1] if limb[0] == a else limb[0]
                pose.setdefault(b, _turned(pose[a], rest[a], rest[b], turn[a], turn[b], step))
                limbs.remove(limb)
                break
        else:
            break
    pose |= {j: _mix(rest[j], turn[j], step) for j in rest if j not in pose}
    if "wall" in figure.props:
        # The back stays at the wall, wherever the feet then are.
        shift = turn["hip"][0] - pose["hip"][0]
        pose = {j: (x + shift, y) for j, (x, y) in pose.items()}
    _stand_far_foot(pose, rest, turn, step)
    return _in_the_box(pose)


def _mix(a: Point, b: Point, step: float) -> Point:
    return a[0] + (b[0] - a[0]) * step, a[1] + (b[1] - a[1]) * step


def _turned(
    at: Point, rest_a: Point, rest_b: Point, turn_a: Point, turn_b: Point, step: float
) -> Point:
    """The far end of a limb that begins at a place, turned from its direction at rest."""
    was = math.atan2(rest_b[1] - rest_a[1], rest_b[0] - rest_a[0])
    becomes = math.atan2(turn_b[1] - turn_a[1], turn_b[0] - turn_a[0])
    turn = (becomes - was + math.pi) % (2 * math.pi) - math.pi
    length = _mix((math.dist(rest_a, rest_b), 0), (math.dist(turn_a, turn_b), 0), step)[0]
    angle = was + turn * step
    return at[0] + length * math.cos(angle), at[1] + length * math.sin(angle)


def _stand_far_foot(pose: Pose, rest: Pose, turn: Pose, step: float) -> None:
    """A far foot that stays where it stands is put there again; its knee bends to reach it."""
    if "far_ankle" not in pose or "far_hip" in pose:
        return
    if math.dist(rest["far_toe"], turn["far_toe"]) > 3:
        return
    foot = _mix(rest["far_ankle"], turn["far_ankle"], step)
    hip, knee = pose["hip"], pose["far_knee"]
    thigh, shank = math.dist(hip, knee), math.dist(knee, pose["far_ankle"])
    reach = math.dist(hip, foot)
    if not abs(thigh - shank) < reach < thigh + shank:
        return
    along = math.acos((thigh**2 + reach**2 - shank**2) / (2 * thigh * reach))
    line = math.atan2(foot[1] - hip[1], foot[0] - hip[0])
    places = [
        (hip[0] + thigh * math.cos(line + s * along), hip[1] + thigh * math.sin(line + s * along))
        for s in (-1, 1)
    ]
    pose["far_knee"] = min(places, key=lambda p: math.dist(p, knee))
    pose["far_ankle"] = foot
    pose["far_toe"] = _mix(rest["far_toe"], turn["far_toe"], step)


def _in_the_box(pose: Pose) -> Pose:
    """The pose moved into the box as far as it fits, never through the floor."""
    xs, ys = [p[0] for p in pose.values()], [p[1] for p in pose.values()]
    dx = max(-min(xs), 0.0) or min(100 - max(xs), 0.0)
    dy = max(-min(ys), 0.0) or min(100 - max(ys), 0.0)
    return {j: (x + dx, y + dy) for j, (x, y) in pose.items()}


# -- measures of a drawing


def _angle(a: Point, b: Point) -> float:
    return math.degrees(math.atan2(b[1] - a[1], b[0] - a[0]))


def _included(a: Point, at: Point, b: Point) -> float:
    return abs((_angle(at, a) - _angle(at, b) + 180) % 360 - 180)


def _knee(pose: Pose) -> float:
    return 180 - _included(pose["hip"], pose["knee"], pose["ankle"])


def _rise(pose: Pose, figure: Figure) -> float:
    """How far the whole leg has turned from its direction at rest."""
    rest = figure.rest
    return abs(
        (_angle(pose["hip"], pose["ankle"]) - _angle(rest["hip"], rest["ankle"]) + 180) % 360 - 180
    )


def _heel(pose: Pose, figure: Figure) -> float:
    foot = math.dist(figure.rest["ankle"], figure.rest["toe"])
    return (pose["ankle"][1] - figure.rest["ankle"][1]) / foot


_HOW: dict[str, Callable[[Pose, Figure], float]] = {
    "knee_flexion_peak_deg": lambda p, f: _knee(p),
    "knee_flexion_least_deg": lambda p, f: _knee(p),
    "thigh_inclination_deg": lambda p, f: math.degrees(
        math.asin((p["hip"][1] - p["knee"][1]) / math.dist(p["hip"], p["knee"]))
    ),
    "shank_inclination_deg": lambda p, f: math.degrees(
        math.atan2(p["knee"][0] - p["ankle"][0], p["knee"][1] - p["ankle"][1])
    ),
    "trunk_inclination_deg": lambda p, f: math.degrees(
        math.atan2(p["shoulder"][0] - p["hip"][0], p["shoulder"][1] - p["hip"][1])
    ),
    "trunk_thigh_deg": lambda p, f: 180 - _included(p["shoulder"], p["hip"], p["knee"]),
    "leg_elevation_peak_deg": _rise,
    "heel_height_peak_share": _heel,
}
"""How a measure is read from a drawing of the body from the side (a leg raised sideways: from
the front)."""
