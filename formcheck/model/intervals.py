"""How good each number is: named parts, shared and own, combined; and decisions under them.

Combination: JCGM 100:2008 (root sum of squares, coverage factor 1.96 for 95 %). Decisions:
JCGM 106:2012, guard bands. Widths come from published single-camera figures and from the
project's own validation on rendered figures; no value is ever corrected by them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from formcheck.model.measures import MEASURES
from formcheck.model.records import Measured, Outcome, Part

COVERAGE_FACTOR = 1.96
"""Normal 95 % (JCGM 100, 6.3.3)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorModel:
    """Standard uncertainties that one measure carries before its circumstances are added.

    shared : the same all through a clip (landmark definition, pose model)
    own : differs from repetition to repetition (the model wanders with pose and clothes)
    """

    shared: float
    own: float
    source: str


_SIDE_KNEE = (
    "lateral single-camera squats: SD 3.5 deg in tight trousers, 6.4 in others (Cosoli 2026); "
    "spread on the sample clips, decision 7"
)
_OWN_VALIDATION = "spread on the sample clips, decision 7"
_RANDOM_CLIPS = "spread on 112 random rendered clips, decisions 65 and 70"

ERROR_MODELS: dict[str, ErrorModel] = {
    "knee_flexion": ErrorModel(shared=4.4, own=1.8, source=_SIDE_KNEE),
    "thigh_inclination": ErrorModel(shared=4.2, own=1.8, source=_OWN_VALIDATION),
    "shank_inclination": ErrorModel(shared=3.8, own=1.5, source=_RANDOM_CLIPS),
    "trunk_inclination": ErrorModel(shared=5.8, own=1.5, source=_RANDOM_CLIPS),
    "trunk_thigh": ErrorModel(shared=4.5, own=1.8, source=_OWN_VALIDATION),
    "trunk_swing_leg_line": ErrorModel(shared=5.0, own=2.0, source=_OWN_VALIDATION),
    "rear_knee_height": ErrorModel(shared=0.06, own=0.03, source=_OWN_VALIDATION),
    "knee_over_toe": ErrorModel(shared=0.15, own=0.05, source=_OWN_VALIDATION),
    "leg_elevation": ErrorModel(shared=0.0, own=1.5, source=_OWN_VALIDATION),
    "heel_height": ErrorModel(shared=0.08, own=0.03, source=_OWN_VALIDATION),
    "fppa": ErrorModel(
        shared=2.7,
        own=2.0,
        source="SEM 2.72 to 3.01 deg of 2-D FPPA (Munro 2012); spread on the sample clips, "
        "decision 7",
    ),
    "knee_medial_to_foot": ErrorModel(shared=0.06, own=0.03, source=_OWN_VALIDATION),
    "knee_separation": ErrorModel(shared=0.07, own=0.03, source=_OWN_VALIDATION),
    "pelvic_obliquity": ErrorModel(shared=0.0, own=2.0, source=_OWN_VALIDATION),
    "pelvis_shift": ErrorModel(shared=0.04, own=0.02, source=_OWN_VALIDATION),
    "trunk_lateral_inclination": ErrorModel(shared=1.5, own=1.0, source=_OWN_VALIDATION),
    "hip_drop": ErrorModel(shared=0.04, own=0.015, source=_OWN_VALIDATION),
    "time": ErrorModel(shared=0.0, own=0.05, source=_OWN_VALIDATION),
    "phase_time": ErrorModel(shared=0.0, own=0.19, source=_RANDOM_CLIPS),
    "pause_time": ErrorModel(shared=0.0, own=0.2, source=_RANDOM_CLIPS),
    "hold_time": ErrorModel(shared=0.0, own=0.2, source=_RANDOM_CLIPS),
}
"""Quantity -> its error model, in the quantity's unit."""

NEAR_STRAIGHT_STANDARD_DEG = 5.5
NEAR_STRAIGHT_FROM_DEG, NEAR_STRAIGHT_END_DEG = 30.0, 90.0
NEAR_STRAIGHT_SOURCE = (
    "three points through joint centres read 4 to 6 deg more than the bones near straight, 4 to "
    "10 deg on the sample clips, 8 to 13 in hinges with a knee bent by 20 to 30 deg on random "
    "clips; fades to nothing from 30 to 90 deg (decisions 7 and 70)"
)


def _near_straight_share(value_deg: float) -> float:
    faded = NEAR_STRAIGHT_END_DEG - NEAR_STRAIGHT_FROM_DEG
    return float(np.clip((NEAR_STRAIGHT_END_DEG - value_deg) / faded, 0, 1))


def near_straight_part(value_deg: float) -> Part:
    """The landmark offset that an absolute knee angle carries near full extension.

    Whole up to 30 deg, none from 90 deg on: at the bottom of a squat landmarks agree within
    0 to 3 deg, near straight they read 4 to 13 deg too much.
    """
    return Part(
        name="landmark offset near straight",
        standard=NEAR_STRAIGHT_STANDARD_DEG * _near_straight_share(value_deg),
        kind="shared",
        source=NEAR_STRAIGHT_SOURCE,
    )


BENT_TO_STRAIGHT_STANDARD_DEG = 6.2
BENT_TO_STRAIGHT_SOURCE = (
    "landmarks sit differently at a bent and a straight knee: ranges read 6 to 9 deg too small on "
    "the sample clips (decisions 7 and 70)"
)

LIFTED_PELVIS_STANDARD_DEG = 4.5
RAISED_LEG_STANDARD_DEG = 2.6


def lifted_pelvis_part() -> Part:
    """What a bent knee carries while the person lies on the back and lifts the pelvis."""
    return Part(
        name="landmarks of a lifted pelvis",
        standard=LIFTED_PELVIS_STANDARD_DEG,
        kind="shared",
        source="bent knees of bridges read 4 to 15 deg too much on random clips (decision 70)",
    )


def raised_leg_part() -> Part:
    """What a bend gained in a raise carries because hip landmarks move as the hip bends."""
    return Part(
        name="landmarks of a raised leg",
        standard=RAISED_LEG_STANDARD_DEG,
        kind="shared",
        source="within a clip gains err alike, by up to 5 deg either way on random clips "
        "(decision 70)",
    )


BOTH_ENDS_STANDARD_DEG = 2.0


def both_ends_part() -> Part:
    """What the range of an angle at the hip carries because landmarks move as the hip bends."""
    return Part(
        name="landmarks at both ends of a range",
        standard=BOTH_ENDS_STANDARD_DEG,
        kind="shared",
        source="ranges of bridges and hinges read 2 to 5 deg too small on random clips "
        "(decision 70)",
    )


def shortened_part(quantity: str, seen_share: float) -> Part:
    """What the landmarks' own error grows to in a leg that the picture shows shortened.

    seen_share : of the leg's length (of the thigh's, from the front) that the picture shows. The
    same error across it is that much more of an angle.
    """
    grown = float(np.sqrt(max(1 / max(seen_share, 0.1) ** 2 - 1, 0.0)))
    return Part(
        name="leg seen shortened",
        standard=ERROR_MODELS[quantity].shared * grown,
        kind="shared",
        source="landmark error over the share of the leg that the picture shows (decision 70)",
    )


PELVIS_HIDDEN_STANDARD_DEG = 4.0


def pelvis_hidden_part(lean_deg: float) -> Part:
    """What the hip line carries on one leg under a trunk that leans to the camera."""
    return Part(
        name="pelvis under a leaning trunk",
        standard=PELVIS_HIDDEN_STANDARD_DEG * abs(float(np.sin(np.radians(lean_deg)))),
        kind="shared",
        source="single-leg hinges from the front err by 2 to 6 deg on random clips (decision 70)",
    )


def bent_to_straight_part(least_deg: float, largest_deg: float) -> Part:
    """What a range of knee flexion carries because its two ends do not share the same offset."""
    straight, bent = (_near_straight_share(v) for v in (least_deg, largest_deg))
    return Part(
        name="landmark offset between bent and straight",
        standard=BENT_TO_STRAIGHT_STANDARD_DEG * (straight - bent),
        kind="shared",
        source=BENT_TO_STRAIGHT_SOURCE,
    )


def projected_flexion_deg(flexion_deg: float, off_side_deg: float) -> float:
    """What a camera off the side sees of a knee flexed evenly about the vertical, degrees.

    Orthographic: each half of the angle shrinks to atan(tan(half) cos(off)). A camera 0, 15, 30
    and 45 deg off sees 90 deg as 90, 88.0, 81.8 and 70.5.
    """
    half_rad = np.radians(flexion_deg / 2)
    shrunk_rad = np.arctan(np.tan(half_rad) * np.cos(np.radians(off_side_deg)))
    return float(2 * np.degrees(shrunk_rad))


def azimuth_part(loss: float) -> Part:
    """The loss that an uncorrected oblique view may bring, as a rectangular distribution.

    loss : the largest error from the camera standing off the side (JCGM 100, 4.3.7).
    """
    return Part(
        name="camera off the side",
        standard=abs(loss) / np.sqrt(3),
        kind="shared",
        source="orthographic projection; JCGM 100:2008, 4.3.7",
    )


def leg_plane_part(standard: float) -> Part:
    """What the leg's own plane and the camera's height and lens leave in doubt of its angles."""
    return Part(
        name="plane of the leg",
        standard=abs(standard),
        kind="shared",
        source="cues of this clip, carried through the projection (decision 60)",
    )


FRONT_LEAK = "camera off the front"


def hips_away_part(standard: float) -> Part:
    """What hips that come nearer or go away seem to fall or rise for a camera above or below."""
    return Part(
        name="hips away from the camera",
        standard=standard,
        kind="shared",
        source="perspective of the camera; JCGM 100:2008, 4.3.7",
    )


def front_leak_part(largest: float) -> Part:
    """What a knee that goes forward adds sideways to a camera not straight ahead (rectangular).

    largest : the whole of that shift in the measure's unit. A camera 15 deg off the front sees a
    deep squat's knee some 40 deg inward of a hip-ankle line that is straight.
    """
    return Part(
        name=FRONT_LEAK,
        standard=abs(largest) / np.sqrt(3),
        kind="shared",
        source="orthographic projection; JCGM 100:2008, 4.3.7",
    )


def model_parts(quantity: str, *, is_change: bool = False, scale: float = 1.0) -> tuple[Part, ...]:
    """The parts that a quantity carries in any clip; a change within a clip has own ones only.

    scale : factor from the model's unit to the measure's (a share into centimetres).
    """
    model = ERROR_MODELS[quantity]
    parts = []
    if not is_change and model.shared:
        parts.append(
            Part(
                name="pose model and landmark definition",
                standard=model.shared * scale,
                kind="shared",
                source=model.source,
            )
        )
    if model.own:
        parts.append(
            Part(
                name="pose model from repetition to repetition",
                standard=model.own * scale * (np.sqrt(2) if is_change else 1.0),
                kind="own",
                source=model.source,
            )
        )
    return tuple(parts)


def noise_part(standard: float) -> Part:
    """Landmark jitter as seen in this clip, carried into the measure."""
    return Part(
        name="landmark jitter",
        standard=float(standard),
        kind="own",
        source="second differences of this clip's landmarks",
    )


LANDMARK_GRAIN_PX = 1.0
"""Standard uncertainty of a landmark from the picture's grain: about a pixel, however large the
person is in it (chosen on sample clips made smaller, decision 7)."""


def grain_part(per_px: float) -> Part:
    """What a small person in the picture adds: the same pixel is more of an angle.

    per_px : degrees (or the measure's unit) for a pixel at each landmark.
    """
    return Part(
        name="size in the picture",
        standard=LANDMARK_GRAIN_PX * per_px,
        kind="shared",
        source="person's size in this clip; decision 7",
    )


def time_part(frame_s: float, n_ends: int = 2) -> Part:
    """The frame distance at each end of a time span (rectangular)."""
    return Part(
        name="time grid",
        standard=float(frame_s / np.sqrt(12) * np.sqrt(n_ends)),
        kind="own",
        source="frame times of this clip; JCGM 100:2008, 4.3.7",
    )


def tilt_part(tilt_deg: float) -> Part:
    """What a camera that seems tilted adds to an angle to the floor or the vertical.

    Gravity is taken as the picture's vertical; a person's lean at rest cannot be told from the
    camera's, so the whole of it is doubt (rectangular), not a correction.
    """
    return Part(
        name="camera tilted",
        standard=abs(tilt_deg) / np.sqrt(3),
        kind="shared",
        source="lean of the standing person in this clip; JCGM 100:2008, 4.3.7",
    )


def sampling_part(fall: float) -> Part:
    """What a peak may lose by falling between two frames (rectangular).

    fall : drop from the peak to its neighbours one frame away; a parabola through them lies at
    most a quarter of it above the sample.
    """
    return Part(
        name="peak between two frames",
        standard=abs(fall) / 4 / np.sqrt(3),
        kind="own",
        source="frame times of this clip; JCGM 100:2008, 4.3.7",
    )


def combined(parts: Iterable[Part], kind: str | None = None) -> float:
    """Standard uncertainty of the parts together (root sum of squares), or of one kind only."""
    return float(np.sqrt(sum(p.standard**2 for p in parts if kind in (None, p.kind))))


_NOT_BELOW_ZERO = {"s", "1"}


def measured(key: str, value: float, parts: Iterable[Part], at_s: float | None = None) -> Measured:
    """The value with its 95 % interval from the parts; that of a time or count stops at zero."""
    kept = tuple(p for p in parts if p.standard > 0)
    half = COVERAGE_FACTOR * combined(kept)
    low, high = value - half, value + half
    if MEASURES[key].unit in _NOT_BELOW_ZERO:
        low = max(low, 0.0)
    return Measured(key=key, value=float(value), low=low, high=high, parts=kept, at_s=at_s)


UNSEEN_TIME = "time not seen"
"""The part of a time that may have gone on where landmarks were missing: all of it, or none."""


def standard_of(value: Measured) -> float:
    """The standard uncertainty of a value, from its interval's upper end.

    The lower end of a time stops at zero and would tell too little.
    """
    return (value.high - value.value) / COVERAGE_FACTOR


def _within_error(value: Measured) -> tuple[float, float]:
    """The value less and plus its standard uncertainty; up to all that may not have been seen."""
    below = above = standard_of(value)
    if value.low > 0 or MEASURES[value.key].unit not in _NOT_BELOW_ZERO:
        below = (value.value - value.low) / COVERAGE_FACTOR
    if any(p.name == UNSEEN_TIME for p in value.parts):
        above = value.high - value.value
    return value.value - below, value.value + above


def decide(kind: str, value: Measured, at_least: float | None, at_most: float | None) -> Outcome:
    """The outcome of a bound (JCGM 106:2012).

    A target by the best estimate and its standard uncertainty u (simple acceptance, 8.2):
    "reached" when it lies at least u inside the bound, "not_reached" when at least u outside,
    "borderline" between. A limit by guard bands (8.3): "kept" only when the whole 95 % interval
    is inside, "passed" when the whole of it is beyond, else "possibly_passed".

    Raises ValueError for a kind other than target and limit, or without any bound.
    """
    if at_least is None and at_most is None:
        raise ValueError("a bound needs at_least or at_most")
    if kind not in ("target", "limit"):
        raise ValueError(f"a bound is a target or a limit, not {kind!r}")
    lower = -np.inf if at_least is None else at_least
    upper = np.inf if at_most is None else at_most
    low, high = _within_error(value) if kind == "target" else (value.low, value.high)
    if lower <= low and high <= upper:
        return "reached" if kind == "target" else "kept"
    if high <= lower or low >= upper if kind == "target" else high < lower or low > upper:
        return "not_reached" if kind == "target" else "passed"
    return "borderline" if kind == "target" else "possibly_passed"


def over_repetitions(values: Sequence[Measured]) -> Measured:
    """The mean of a measure over repetitions, with its 95 % interval.

    Shared parts stay as they are (the mean of each), own ones are as many draws: the root of
    their summed squares, over n. A value that tells no parts counts as shared throughout. Raises
    ValueError without a value.
    """
    if not values:
        raise ValueError("no value to take the mean of")
    n, key = len(values), values[0].key
    shared: dict[tuple[str, str], float] = {}
    own = 0.0
    for v in values:
        told = v.parts or (
            Part(name="interval", standard=standard_of(v), kind="shared", source="as reported"),
        )
        for p in told:
            # What was not seen of one repetition is no draw that another one makes up for.
            if p.kind == "shared" or p.name == UNSEEN_TIME:
                name = p.name, p.source
                shared[name] = shared.get(name, 0.0) + p.standard / n
            else:
                own += p.standard**2
    parts = [
        Part(name=name, standard=standard, kind="shared", source=source)
        for (name, source), standard in shared.items()
    ]
    own_part = Part(
        name="own parts of the repetitions",
        standard=float(np.sqrt(own) / n),
        kind="own",
        source=f"root sum of squares over {n}; JCGM 100:2008, 4.2.3",
    )
    value = float(np.mean([v.value for v in values]))
    mean = measured(key, value, [*parts, own_part])
    seen = measured(key, value, [*(p for p in parts if p.name != UNSEEN_TIME), own_part])
    return replace(mean, low=seen.low)
