"""The closed list of measures: key, unit, the views that support it, definition.

A report may carry these keys and no others. Zero and positive sense are defined here once.
"""

from dataclasses import dataclass
from typing import Literal

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
    "difference" or None. `possible` are the widest values that a body or a set can show: common
    practice, set wide of published joint ranges; a bound outside is a slip of the pen (times:
    0 s to an hour). `patient_label` is its name in a patient's words.
    """

    key: str
    unit: Literal["deg", "s", "share", "cm", "deg/min", "1"]
    label: str
    views: frozenset[str]
    at: Literal["turn", "peak", "least", "plateau", "tempo", "set"]
    symmetry: Literal["index", "difference"] | None
    definition: str
    possible: tuple[float, float]
    patient_label: str


_ANGLE = (-180.0, 180.0)
_TIME = (0.0, 3600.0)


def _m(
    key: str,
    unit: Literal["deg", "s", "share", "cm", "deg/min", "1"],
    label: str,
    views: frozenset[str],
    at: Literal["turn", "peak", "least", "plateau", "tempo", "set"],
    symmetry: Literal["index", "difference"] | None,
    definition: str,
    *,
    patient_label: str,
    possible: tuple[float, float] | None = None,
) -> Measure:
    return Measure(
        key=key,
        unit=unit,
        label=label,
        views=views,
        at=at,
        symmetry=symmetry,
        definition=definition,
        possible=possible or (_TIME if unit == "s" else _ANGLE),
        patient_label=patient_label,
    )


_ALL = (
    _m(
        "knee_flexion_peak_deg",
        "deg",
        "Largest knee flexion",
        _SIDE,
        "peak",
        "difference",
        "Largest rotation between thigh and shank axes, the rest before and after included; "
        "0 = full extension, positive = flexion, negative = hyperextension.",
        possible=(-20.0, 170.0),
        patient_label="How far the knee bends",
    ),
    _m(
        "knee_flexion_least_deg",
        "deg",
        "Least knee flexion (active extension deficit)",
        _SIDE,
        "least",
        "difference",
        "Knee flexion at the straightest point reached, the rest before and after included (the "
        "active extension deficit of an extension exercise); negative = hyperextension.",
        possible=(-20.0, 170.0),
        patient_label="How much bend is left at the straightest point",
    ),
    _m(
        "knee_flexion_gain_deg",
        "deg",
        "Extensor lag (change from rest)",
        _SIDE,
        "peak",
        "difference",
        "Largest knee flexion while the leg is raised minus knee flexion at rest just before.",
        possible=(-30.0, 170.0),
        patient_label="How much the knee bends as the leg rises",
    ),
    _m(
        "thigh_inclination_deg",
        "deg",
        "Thigh inclination",
        _SIDE,
        "turn",
        "difference",
        "Thigh axis to the horizontal; 0 = parallel to the floor, positive = hip above knee.",
        possible=(-60.0, 90.0),
        patient_label="How far the thigh is above level",
    ),
    _m(
        "shank_inclination_deg",
        "deg",
        "Shank inclination",
        _SIDE,
        "turn",
        "difference",
        "Shank axis to the vertical; positive = knee forward of ankle.",
        possible=(-90.0, 90.0),
        patient_label="How far the shin leans forward",
    ),
    _m(
        "ankle_dorsiflexion_peak_deg",
        "deg",
        "Largest ankle dorsiflexion with the foot flat",
        _SIDE,
        "peak",
        "difference",
        "Largest inclination of the shank to the vertical while the heel is no more than a tenth "
        "of foot length above flat standing (closed chain); 0 = shank upright, positive = knee "
        "forward of ankle.",
        possible=(-30.0, 70.0),
        patient_label="How far the ankle bends with the foot flat",
    ),
    _m(
        "trunk_inclination_deg",
        "deg",
        "Trunk inclination",
        _SIDE,
        "turn",
        "difference",
        "Mid-hip to mid-shoulder axis to the vertical; positive = leaning forward. Two points "
        "make a line: spine shape is not measured.",
        possible=(-60.0, 150.0),
        patient_label="How far the trunk leans forward",
    ),
    _m(
        "trunk_thigh_deg",
        "deg",
        "Trunk-thigh angle",
        _SIDE,
        "turn",
        "difference",
        "Rotation between trunk and thigh axes; 0 = in line, positive = hip flexed, negative = "
        "past the line.",
        possible=(-60.0, 160.0),
        patient_label="How far the hips are bent",
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
        possible=(-90.0, 160.0),
        patient_label="How far trunk and free leg are from one line",
    ),
    _m(
        "rear_knee_height_share",
        "share",
        "Rear knee height",
        _SIDE,
        "turn",
        "difference",
        "Height of the rear knee above the front ankle, share of the front shank's length.",
        possible=(-0.5, 2.0),
        patient_label="Height of the rear knee",
    ),
    _m(
        "knee_over_toe_share",
        "share",
        "Knee over toe",
        _SIDE,
        "turn",
        "difference",
        "Horizontal distance from toe tip to knee joint centre along the foot's direction, share "
        "of foot length; positive = past the toe. The joint centre lies some centimetres behind "
        "the front of the kneecap.",
        possible=(-3.0, 3.0),
        patient_label="How far the knee goes past the toes",
    ),
    _m(
        "knee_over_toe_cm",
        "cm",
        "Knee over toe",
        _SIDE,
        "turn",
        "difference",
        "As knee_over_toe_share, in centimetres, when stature is given.",
        possible=(-80.0, 80.0),
        patient_label="How far the knee goes past the toes",
    ),
    _m(
        "fppa_at_turn_deg",
        "deg",
        "Frontal plane projection angle (FPPA) at end range",
        _FRONT,
        "turn",
        "difference",
        "Frontal plane projection angle: hip-knee line to knee-ankle line; positive = valgus "
        "(knee medial), negative = varus. From pose hip points: not comparable with norms from "
        "ASIS or thigh markers.",
        possible=(-60.0, 60.0),
        patient_label="How far the knee stands inward at the lowest point",
    ),
    _m(
        "fppa_peak_deg",
        "deg",
        "Largest frontal plane projection angle (FPPA)",
        _FRONT,
        "peak",
        "difference",
        "Largest frontal plane projection angle of the repetition.",
        possible=(-60.0, 60.0),
        patient_label="How far the knee goes inward",
    ),
    _m(
        "fppa_change_deg",
        "deg",
        "Change in FPPA (inward drift)",
        _FRONT,
        "peak",
        "difference",
        "Largest frontal plane projection angle minus that of the posture at the start of the "
        "repetition.",
        possible=(-60.0, 60.0),
        patient_label="How much the knee moves inward",
    ),
    _m(
        "knee_medial_to_foot_share",
        "share",
        "Knee medial to the foot",
        _FRONT,
        "turn",
        "difference",
        "Horizontal distance by which the knee stands medial of the ankle, share of shank "
        "length; for abducted legs.",
        possible=(-1.5, 1.5),
        patient_label="How far the knee stands inward of the foot",
    ),
    _m(
        "knee_separation_ratio_least",
        "1",
        "Knee separation ratio (knees over ankles)",
        _FRONT,
        "least",
        None,
        "Least knee-to-knee over ankle-to-ankle distance in a two-leg stance.",
        possible=(0.0, 4.0),
        patient_label="How far the knees stay apart",
    ),
    _m(
        "pelvic_obliquity_peak_deg",
        "deg",
        "Pelvic obliquity (drop / hike)",
        _FRONT,
        "peak",
        "difference",
        "Hip line to the horizontal less that at rest between the repetitions, largest in size "
        "with its sign. "
        "Single-leg work: positive = swing side lower (drops), negative = higher (opens). "
        "Two-leg work: positive = the patient's left side lower.",
        possible=(-45.0, 45.0),
        patient_label="How far the pelvis tips to a side",
    ),
    _m(
        "pelvis_shift_share",
        "share",
        "Lateral pelvic shift",
        _FRONT,
        "turn",
        "difference",
        "Hip midpoint from ankle midpoint sideways, share of stance width; positive = toward "
        "the patient's left.",
        possible=(-1.5, 1.5),
        patient_label="How far the pelvis shifts to a side",
    ),
    _m(
        "trunk_lateral_inclination_peak_deg",
        "deg",
        "Lateral trunk lean",
        _FRONT,
        "peak",
        "difference",
        "Trunk axis to the vertical in a front view, where it is furthest from how it stands; "
        "positive = toward the working side.",
        possible=(-90.0, 90.0),
        patient_label="How far the trunk leans to a side",
    ),
    _m(
        "hip_drop_share",
        "share",
        "Hip descent",
        frozenset({"frontal", "oblique"}),
        "turn",
        "difference",
        "Fall of the hip midpoint from standing, share of leg length.",
        possible=(-0.5, 1.2),
        patient_label="How far the hips come down",
    ),
    _m(
        "leg_elevation_peak_deg",
        "deg",
        "Leg elevation",
        _SIDE,
        "peak",
        "index",
        "Hip-to-ankle line to the floor, as the rise from rest; lying on the side, from the front.",
        possible=(0.0, 130.0),
        patient_label="How far the leg rises",
    ),
    _m(
        "leg_elevation_peak_cm",
        "cm",
        "Heel elevation",
        _SIDE,
        "peak",
        "index",
        "Rise of the heel from rest in centimetres, when stature is given.",
        possible=(0.0, 150.0),
        patient_label="How high the heel rises",
    ),
    _m(
        "heel_height_peak_share",
        "share",
        "Heel height",
        _SIDE,
        "peak",
        "index",
        "Highest heel above flat-foot standing, the rest before and after included, "
        "share of foot length.",
        possible=(0.0, 1.2),
        patient_label="How high the heel rises",
    ),
    _m(
        "heel_drop_share",
        "share",
        "Heel drop below the step",
        _SIDE,
        "least",
        "index",
        "Lowest heel below flat-foot standing (a step edge), the rest before and after included, "
        "share of foot length, as a positive drop.",
        possible=(0.0, 1.0),
        patient_label="How far the heel sinks below the step",
    ),
    _m(
        "plateau_hold_s",
        "s",
        "Hold time",
        _ANY,
        "plateau",
        "index",
        "Longest unbroken time within 5 deg of the repetition's own plateau; in a one-leg "
        "stance until the free foot touches.",
        patient_label="How long the position is held",
    ),
    _m(
        "plateau_level_deg",
        "deg",
        "Angle of the hold",
        _SIDE,
        "plateau",
        "difference",
        "Median of the driving angle over the plateau.",
        possible=(-60.0, 170.0),
        patient_label="Angle of the hold",
    ),
    _m(
        "hold_in_band_s",
        "s",
        "Hold time in the target band",
        _SIDE,
        "plateau",
        "index",
        "Longest unbroken time inside the target's tolerance band.",
        patient_label="How long the hold stays at the planned angle",
    ),
    _m(
        "hold_in_band_total_s",
        "s",
        "Total time in the target band",
        _SIDE,
        "plateau",
        "index",
        "All time inside the target's tolerance band.",
        patient_label="Time at the planned angle, all together",
    ),
    _m(
        "hold_drift_deg_per_min",
        "deg/min",
        "Drift of the hold",
        _SIDE,
        "plateau",
        "difference",
        "Slope of the driving angle over the plateau.",
        possible=(-600.0, 600.0),
        patient_label="How much the hold drifts",
    ),
    _m(
        "lowering_s",
        "s",
        "Lowering",
        _ANY,
        "tempo",
        None,
        "Seconds of lowering, while the body moves (faster than 5 % of its fastest).",
        patient_label="Time for lowering",
    ),
    _m(
        "pause_s",
        "s",
        "Pause",
        _ANY,
        "tempo",
        None,
        "Seconds at the turn, between the two movements.",
        patient_label="Time of the pause",
    ),
    _m(
        "raising_s",
        "s",
        "Raising",
        _ANY,
        "tempo",
        None,
        "Seconds of raising, while the body moves (faster than 5 % of its fastest).",
        patient_label="Time for raising",
    ),
    _m(
        "rest_s",
        "s",
        "Rest after",
        _ANY,
        "tempo",
        None,
        "From this repetition's end to the next one's start.",
        patient_label="Rest before the next one",
    ),
    _m(
        "range_deg",
        "deg",
        "Range of movement, angle",
        _SIDE,
        "tempo",
        "index",
        "Largest minus smallest value, within the repetition and at the rest before and after, of "
        "the angle by which repetitions are counted.",
        possible=(0.0, 180.0),
        patient_label="How far the movement goes",
    ),
    _m(
        "range_share",
        "share",
        "Range of movement, height",
        _ANY,
        "tempo",
        "index",
        "Largest minus smallest value, within the repetition and at the rest before and after, of "
        "the height by which repetitions are counted.",
        possible=(0.0, 1.5),
        patient_label="How far the movement goes",
    ),
    _m(
        "n_in_30_s",
        "1",
        "Stands in 30 s",
        _ANY,
        "set",
        "index",
        "Stands counted in 30 seconds (30-second chair stand).",
        possible=(0.0, 60.0),
        patient_label="Stands in 30 seconds",
    ),
    _m(
        "time_for_five_s",
        "s",
        "Five stands",
        _ANY,
        "set",
        None,
        "Time for five stands (five-times sit-to-stand), to the fifth full stand.",
        patient_label="Time for five stands",
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
