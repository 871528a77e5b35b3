"""The closed list of measures: key, unit, the views that support it, definition.

A report may carry these keys and no others. Zero and positive sense are defined here once.
"""

from dataclasses import dataclass
from typing import Any, Literal

Plane = Literal["sagittal", "frontal", "oblique"]
PLANES: tuple[Plane, ...] = ("sagittal", "frontal", "oblique")

_SIDE = frozenset({"sagittal"})
_FRONT = frozenset({"frontal"})
_ANY = frozenset(PLANES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One measure of the vocabulary.

    `at` says where in the repetition it is read: at the turn, at its largest or least, over
    the plateau of a hold, or over the whole repetition ("tempo"). `symmetry` says how two
    legs are compared: "index" (involved over uninvolved, more is better, true zero),
    "difference" or None.
    """

    key: str
    unit: Literal["deg", "s", "share", "cm", "deg/min", "1"]
    label: str
    views: frozenset[str]
    at: Literal["turn", "peak", "least", "plateau", "tempo", "set"]
    symmetry: Literal["index", "difference"] | None
    definition: str


def _m(
    key: str, unit: Any, label: str, views: frozenset[str], at: Any, symmetry: Any, definition: str
) -> Measure:
    return Measure(
        key=key,
        unit=unit,
        label=label,
        views=views,
        at=at,
        symmetry=symmetry,
        definition=definition,
    )


_ALL = (
    _m(
        "knee_flexion_peak_deg",
        "deg",
        "Largest knee flexion",
        _SIDE,
        "peak",
        "difference",
        "Largest rotation between thigh and shank axes; 0 = full extension, positive = flexion, "
        "negative = hyperextension.",
    ),
    _m(
        "knee_flexion_least_deg",
        "deg",
        "Least knee flexion",
        _SIDE,
        "least",
        "difference",
        "Knee flexion at the straightest point reached (the active extension deficit of an "
        "extension exercise); negative = hyperextension.",
    ),
    _m(
        "knee_flexion_gain_deg",
        "deg",
        "Knee bend gained in the raise",
        _SIDE,
        "peak",
        "difference",
        "Largest knee flexion while the leg is raised minus knee flexion at rest just before.",
    ),
    _m(
        "thigh_inclination_deg",
        "deg",
        "Thigh to the floor",
        _SIDE,
        "turn",
        "difference",
        "Thigh axis to the horizontal; 0 = parallel to the floor, positive = hip above knee.",
    ),
    _m(
        "shank_inclination_deg",
        "deg",
        "Shank to the vertical",
        _SIDE,
        "turn",
        "difference",
        "Shank axis to the vertical; positive = knee forward of ankle.",
    ),
    _m(
        "trunk_inclination_deg",
        "deg",
        "Trunk to the vertical",
        _SIDE,
        "turn",
        "difference",
        "Mid-hip to mid-shoulder axis to the vertical; positive = leaning forward. Two points "
        "make a line: spine shape is not measured.",
    ),
    _m(
        "trunk_thigh_deg",
        "deg",
        "Trunk to thigh",
        _SIDE,
        "turn",
        "difference",
        "Rotation between trunk and thigh axes; 0 = in line, positive = hip flexed, negative = "
        "past the line.",
    ),
    _m(
        "trunk_swing_leg_line_deg",
        "deg",
        "Trunk to swing leg",
        _SIDE,
        "turn",
        "difference",
        "Angle between the trunk axis and the swing leg's hip-to-ankle axis; 0 = in line, "
        "positive = hip flexed.",
    ),
    _m(
        "rear_knee_height_share",
        "share",
        "Rear knee above the floor",
        _SIDE,
        "turn",
        "difference",
        "Height of the rear knee above the front ankle, share of the front shank's length.",
    ),
    _m(
        "knee_over_toe_share",
        "share",
        "Knee past the toe",
        _SIDE,
        "turn",
        "difference",
        "Horizontal distance from toe tip to knee joint centre along the foot's direction, share "
        "of foot length; positive = past the toe. The joint centre lies some centimetres behind "
        "the front of the kneecap.",
    ),
    _m(
        "knee_over_toe_cm",
        "cm",
        "Knee past the toe",
        _SIDE,
        "turn",
        "difference",
        "As knee_over_toe_share, in centimetres, when stature is given.",
    ),
    _m(
        "fppa_at_turn_deg",
        "deg",
        "Knee projection angle at the turn",
        _FRONT,
        "turn",
        "difference",
        "Frontal plane projection angle: hip-knee line to knee-ankle line; positive = valgus "
        "(knee medial), negative = varus. From pose hip points: not comparable with norms from "
        "ASIS or thigh markers.",
    ),
    _m(
        "fppa_peak_deg",
        "deg",
        "Largest knee projection angle",
        _FRONT,
        "peak",
        "difference",
        "Largest frontal plane projection angle of the repetition.",
    ),
    _m(
        "fppa_change_deg",
        "deg",
        "Inward change of the knee",
        _FRONT,
        "peak",
        "difference",
        "Largest frontal plane projection angle minus that of the posture at the start of the "
        "repetition.",
    ),
    _m(
        "knee_medial_to_foot_share",
        "share",
        "Knee inward of the foot",
        _FRONT,
        "turn",
        "difference",
        "Horizontal distance by which the knee stands medial of the ankle, share of shank "
        "length; for abducted legs.",
    ),
    _m(
        "knee_separation_ratio_least",
        "1",
        "Knees apart over ankles apart",
        _FRONT,
        "least",
        None,
        "Least knee-to-knee over ankle-to-ankle distance in a two-leg stance.",
    ),
    _m(
        "pelvic_obliquity_peak_deg",
        "deg",
        "Pelvis tilt, front view",
        _FRONT,
        "peak",
        "difference",
        "Hip line to the horizontal, relative to standing, largest in size with its sign. "
        "Single-leg work: positive = swing side lower (drops), negative = higher (opens). "
        "Two-leg work: positive = the patient's left side lower.",
    ),
    _m(
        "pelvis_shift_share",
        "share",
        "Pelvis shift",
        _FRONT,
        "turn",
        "difference",
        "Hip midpoint from ankle midpoint sideways, share of stance width; positive = toward "
        "the patient's left.",
    ),
    _m(
        "trunk_lateral_inclination_peak_deg",
        "deg",
        "Trunk lean to the side",
        _FRONT,
        "peak",
        "difference",
        "Trunk axis to the vertical in a front view, largest in size; positive = toward the "
        "working side.",
    ),
    _m(
        "hip_drop_share",
        "share",
        "Hips lowered",
        frozenset({"frontal", "oblique"}),
        "turn",
        "difference",
        "Fall of the hip midpoint from standing, share of leg length.",
    ),
    _m(
        "leg_elevation_peak_deg",
        "deg",
        "Leg raised",
        _SIDE,
        "peak",
        "index",
        "Hip-to-ankle line to the floor, as the rise from rest.",
    ),
    _m(
        "leg_elevation_peak_cm",
        "cm",
        "Heel raised",
        _SIDE,
        "peak",
        "index",
        "Rise of the heel from rest in centimetres, when stature is given.",
    ),
    _m(
        "heel_height_peak_share",
        "share",
        "Heel height",
        _SIDE,
        "peak",
        "index",
        "Heel above flat-foot standing, share of foot length.",
    ),
    _m(
        "heel_drop_share",
        "share",
        "Heel below the step",
        _SIDE,
        "least",
        "index",
        "Heel below flat-foot standing (a step edge), share of foot length, as a positive drop.",
    ),
    _m(
        "plateau_hold_s",
        "s",
        "Held near its own level",
        _ANY,
        "plateau",
        "index",
        "Longest unbroken time within 5 deg of the repetition's own plateau; in a one-leg "
        "stance until the free foot touches.",
    ),
    _m(
        "plateau_level_deg",
        "deg",
        "Level held",
        _SIDE,
        "plateau",
        "difference",
        "Median of the driving angle over the plateau.",
    ),
    _m(
        "hold_in_band_s",
        "s",
        "Held inside the target band",
        _SIDE,
        "plateau",
        "index",
        "Longest unbroken time inside the target's tolerance band.",
    ),
    _m(
        "hold_in_band_total_s",
        "s",
        "Total inside the target band",
        _SIDE,
        "plateau",
        "index",
        "All time inside the target's tolerance band.",
    ),
    _m(
        "hold_drift_deg_per_min",
        "deg/min",
        "Drift during the hold",
        _SIDE,
        "plateau",
        "difference",
        "Slope of the driving angle over the plateau.",
    ),
    _m(
        "lowering_s",
        "s",
        "Lowering",
        _ANY,
        "tempo",
        None,
        "Seconds of lowering, while the body moves (faster than 5 % of its fastest).",
    ),
    _m(
        "pause_s",
        "s",
        "Pause",
        _ANY,
        "tempo",
        None,
        "Seconds at the turn, between the two movements.",
    ),
    _m(
        "raising_s",
        "s",
        "Raising",
        _ANY,
        "tempo",
        None,
        "Seconds of raising, while the body moves (faster than 5 % of its fastest).",
    ),
    _m(
        "rest_s",
        "s",
        "Rest after",
        _ANY,
        "tempo",
        None,
        "From this repetition's end to the next one's start.",
    ),
    _m(
        "range_deg",
        "deg",
        "Range",
        _SIDE,
        "tempo",
        "index",
        "Largest minus smallest value of the driving angle within the repetition.",
    ),
    _m(
        "range_share",
        "share",
        "Range",
        _ANY,
        "tempo",
        "index",
        "Largest minus smallest value of the driving height within the repetition.",
    ),
    _m(
        "n_in_30_s",
        "1",
        "Stands in 30 s",
        _ANY,
        "set",
        "index",
        "Stands counted in 30 seconds (30-second chair stand).",
    ),
    _m(
        "time_for_five_s",
        "s",
        "Five stands",
        _ANY,
        "set",
        None,
        "Time for five stands (five-times sit-to-stand), to the fifth full stand.",
    ),
)

MEASURES: dict[str, Measure] = {m.key: m for m in _ALL}
"""Every measure by its key."""


_SIDE_LYING_FRONTAL = frozenset({"leg_elevation_peak_deg", "leg_elevation_peak_cm", "range_deg"})


def is_supported(key: str, plane: str, position: str = "standing") -> bool:
    """Whether a measure can be read from a plane by a person in a position.

    Side lying is the one position whose leg is raised in the body's frontal plane: there the
    frontal view gives the leg's elevation, and the sagittal view does not.
    """
    if position == "side_lying" and key in _SIDE_LYING_FRONTAL:
        return plane == "frontal"
    return plane in MEASURES[key].views
