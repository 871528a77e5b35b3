"""What a clinician writes: exercises and prescriptions, as frozen records.

Nothing here reads a file; `schema.py` maps these records to and from TOML and JSON Schema.
An exercise is data with a closed vocabulary: no expressions, no code hooks.
"""

import math
from dataclasses import dataclass, field, fields
from datetime import date
from typing import Annotated, Literal

from annotated_types import Ge, Gt, Le, MaxLen, MinLen

from formcheck.model.anatomy import Side
from formcheck.model.measures import Plane

EXERCISE_SCHEMA = "formcheck.exercise/1.1"
PRESCRIPTION_SCHEMA = "formcheck.prescription/1.1"
TEMPLATE_SCHEMA = "formcheck.template/1.0"

MOST_PRESCRIBED = 40
"""Lines of a prescription; nobody does more exercises (common practice)."""

Signal = Literal[
    "knee_flexion",
    "trunk_inclination",
    "trunk_thigh",
    "leg_elevation",
    "leg_abduction",
    "heel_height",
    "hip_height",
    "shoulder_height",
]
"""What can drive an exercise: angles in degrees; heights as a share of leg length (heel
height: of foot length)."""

Position = Literal[
    "standing",
    "sitting",
    "long_sitting",
    "supine",
    "hook_lying",
    "prone",
    "side_lying",
    "bench_supported",
]
FEATURES: dict[str, str] = {
    "hold_broken": "The driving signal leaves its plateau and comes back within one hold.",
    "slides_up": "Knee flexion at the end of the hold is smaller than at its start by more "
    "than `above`, deg.",
    "hips_sag": "The trunk-thigh angle at the end of the hold is larger than at its start by "
    "more than `above`, deg.",
    "lowering_faster_than_raising": "Seconds of lowering over seconds of raising, each between "
    "rest and a tenth of the range from the turn, are less than `below`, a ratio.",
    "quick_turn": "The driving signal stays at the turn, within a tenth of its range, for less "
    "than `below`, s.",
    "fades": "The driving range is less than `below` times the largest of the set so far.",
    "heel_lifts": "The working heel rises above its height at rest, and over the toes, by more "
    "than `above`, share of foot length, and the ankle with it.",
    "knee_bends": "Knee flexion of the working leg rises above its value at rest by more than "
    "`above`, deg.",
    "thigh_lifts": "The thigh turns upward from its direction at rest by more than `above`, deg.",
    "trunk_leans_further": "Trunk inclination at the turn is larger than in the set's first "
    "repetition by more than `above`, deg.",
    "trunk_leans_back": "Trunk inclination falls below its value at rest by more than `above`, "
    "deg.",
    "leg_passes_other_thigh": "The raised leg is steeper than the other, bent leg's thigh by "
    "more than `above`, deg.",
    "hands_on_thighs": "A wrist that is seen stays nearer to its place on top of the thigh than "
    "`below`, share of thigh length.",
    "does_not_reach_seat": "The hips stay above the seated height at the start of the set by "
    "more than `above`, share of leg length.",
    "not_fully_up": "Hip height at the turn is less than the highest of the set by more than "
    "`above`, share of leg length.",
    "pelvis_rolls_back": "The seen length of the hip line shrinks from the start of the "
    "repetition by more than `above`, share of that length.",
    "leg_drifts_forward": "The seen length of the raised leg shrinks from the start of the "
    "repetition by more than `above`, share of that length.",
    "toes_turn_up": "The foot's heel-to-toe line turns upward from the start of the repetition "
    "by more than `above`, deg.",
}
"""What can be looked for apart from measures: name -> when it is said. Closed: an exercise
file may use these and no others."""

WorkingLeg = Literal["both", "either", "stepping", "staying", "front", "on_step", "stance", "top"]
Text = Annotated[str, MinLen(1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class SourcedNumber:
    """A threshold with the place it comes from; no number stands without its source."""

    value: float
    source: Text


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """A bound on one measure, as a target (to reach) or a limit (not to pass).

    At least one of `at_least` and `at_most` is given; both make a range. `tolerance` widens a
    target's band on either side (for instance thigh parallel, 0 deg, tolerance 10).
    """

    measure: Text
    at_least: float | None = None
    at_most: float | None = None
    tolerance: Annotated[float, Ge(0)] = 0.0
    source: str = ""

    @property
    def bound(self) -> "Bound":
        """The bound alone, as a report holds it."""
        return Bound(**{f.name: getattr(self, f.name) for f in fields(Bound)})

    def band(self, kind: Literal["target", "limit"]) -> tuple[float, float]:
        """(low, high) that a value is held against, infinite on an open side."""
        widen = self.tolerance if kind == "target" else 0.0
        low = -math.inf if self.at_least is None else self.at_least - widen
        high = math.inf if self.at_most is None else self.at_most + widen
        return low, high


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit(Bound):
    """A limit as it is prescribed: a bound, and how the clinic says it."""

    words: Annotated[str, MaxLen(300)] = ""
    """The clinic's own words for the patient ("do not bend past 90 degrees, even on a good day"),
    shown in place of a sentence made from the numbers."""


BoundOfKind = tuple[Literal["target", "limit"], Bound]
"""A bound that is to be reached, or one that is not to be passed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExerciseView:
    """How one camera plane sees the exercise.

    `least_range` is in the signal's unit (deg, or share); a smaller movement is no attempt.
    """

    plane: Plane
    driving_signal: Signal
    direction: Literal["rises", "falls"]
    least_range: SourcedNumber
    measures: Annotated[tuple[str, ...], MinLen(1)]
    driving_leg: Literal["working", "other"] = "working"
    """Whose leg drives: the working one, or the other (the free foot of a one-leg stance)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LookFor:
    """Something worth a look in a repetition: a measure or a series past a value.

    `feature` is a measure's key that the same view lists, or one of FEATURES.
    """

    code: Text
    view: Plane
    feature: Text
    above: float | None = None
    below: float | None = None
    source: Text
    text: Text
    """Plain words for the patient."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dose:
    """Sets, repetitions and times; None where the exercise does not use it."""

    sets: Annotated[int, Ge(1), Le(20)] | None = None
    repetitions: Annotated[int, Ge(1), Le(200)] | None = None
    hold_s: Annotated[float, Gt(0), Le(600)] | None = None
    rest_s: Annotated[float, Ge(0), Le(900)] | None = None
    text: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualRange:
    """Between which knee flexions an exercise usually moves (0 = straight), with the source."""

    least_deg: Annotated[float, Ge(-20), Le(170)]
    most_deg: Annotated[float, Ge(-20), Le(170)]
    source: Text


REQUIRED_FIGURE_JOINTS = ("head", "shoulder", "hip", "knee", "ankle", "toe")
FIGURE_JOINTS = (
    *REQUIRED_FIGURE_JOINTS,
    "elbow",
    "wrist",
    "far_shoulder",
    "far_elbow",
    "far_wrist",
    "far_hip",
    "far_knee",
    "far_ankle",
    "far_toe",
)
"""The points that a figure is drawn through; `far` is the other side of the body."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A stick figure at rest and at the turn, and where the camera stands.

    Each pose maps a joint name (head, shoulder, elbow, wrist, hip, knee, ankle, toe; with
    far_knee, far_ankle, far_toe for the other leg; front views add far_shoulder, far_elbow,
    far_wrist, far_hip) to x, y in a box 100 wide, 100 high, y up, floor at 0, facing right
    (side views) or facing the reader (front views).
    """

    plane: Plane
    rest: dict[str, tuple[float, float]]
    turn: dict[str, tuple[float, float]]
    props: tuple[Literal["wall", "chair", "bench", "step", "mat", "roll", "rail"], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Exercise:
    """One exercise of the catalogue."""

    schema: Text
    id: Annotated[str, MinLen(1)]
    name: Text
    also_called: tuple[str, ...] = ()
    summary: Text
    position: Position
    also_positions: tuple[Position, ...] = ()
    """Positions in which the same exercise is done as well (a curl lying or standing)."""
    kind: Literal["repetition", "hold", "sequence"]
    parts: tuple[str, ...] = ()
    working_leg: WorkingLeg
    first_phase: Literal["lowering", "raising"]
    support_level: Annotated[int, Ge(1), Le(5)]
    views: Annotated[tuple[ExerciseView, ...], MinLen(1)]
    camera: Text
    """Where the camera goes, in words for the patient."""
    usual_dose: Dose
    end_goal: tuple[Bound, ...] = ()
    """The usual end goal, shown and never judged without a prescription."""
    usual_knee_flexion: UsualRange | None = None
    """Of the working leg; what a limit of a prescription is held against when a step is named."""
    look_for: tuple[LookFor, ...] = ()
    cues: tuple[Text, ...]
    cautions: tuple[Text, ...] = ()
    cannot_tell: tuple[Text, ...] = ()
    easier: tuple[str, ...] = ()
    harder: tuple[str, ...] = ()
    figure: Figure
    is_timed_when_unseen: bool = False
    """The movement may be below what can be seen (quad setting): equal ones count down to half
    of the least range (decision 4), and what is not seen at all is timed, not measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tempo:
    """Prescribed seconds of lowering, pause and raising."""

    lowering_s: Annotated[float, Ge(0), Le(60)] | None = None
    pause_s: Annotated[float, Ge(0), Le(600)] | None = None
    raising_s: Annotated[float, Ge(0), Le(60)] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmedSet:
    """A set that is to be filmed, and from where."""

    set_number: Annotated[int, Ge(1), Le(20)]
    view: Plane


@dataclass(frozen=True, slots=True, kw_only=True)
class PrescribedExercise:
    """One line of a programme: the dose, the targets and limits of one exercise."""

    exercise: Text
    sets: Annotated[int, Ge(1), Le(20)]
    repetitions: Annotated[int, Ge(1), Le(200)]
    hold_s: Annotated[float, Gt(0), Le(600)] | None = None
    hold_while_easy: bool = False
    """Held for as long as it is easy; `hold_s` is then the most, and no target."""
    rest_s: Annotated[float, Ge(0), Le(900)] | None = None
    frequency: str = ""
    """Days and times in words, read by `model.schedule`: "twice a day, 3 times a week"."""
    load_kg: Annotated[float, Ge(0), Le(500)] | None = None
    tempo: Tempo | None = None
    effort_aim: Annotated[int, Ge(0), Le(10)] | None = None
    sides: tuple[Literal["left", "right", "both"], ...] = ("both",)
    support_allowed: str = ""
    step_height_cm: Annotated[float, Gt(0), Le(60)] | None = None
    seat_height_cm: Annotated[float, Gt(0), Le(90)] | None = None
    targets: tuple[Bound, ...] = ()
    limits: tuple[Limit, ...] = ()
    cue_at_limit: bool = False
    """Whether a sound is asked for, while a set is filmed, near a limit on how far the knee
    bends: late, and no safety device (`motion.depth_cue`)."""
    pain_limit: Annotated[int, Ge(0), Le(10)] | None = None
    easier: str = ""
    harder: str = ""
    film: tuple[FilmedSet, ...] = ()
    notes: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prescription:
    """A programme for one patient, who is known by a code only."""

    schema: Text
    patient: Annotated[str, MinLen(1)]
    involved_side: Literal["left", "right", "both", "none"]
    prescribed_by: Text
    """Initials."""
    valid_from: date
    review_on: date | None = None
    condition: str = ""
    surgery_on: date | None = None
    weight_bearing: str = ""
    brace: str = ""
    goals: str = ""
    passive_extension_deg: Annotated[float, Ge(-30), Le(90)] | None = None
    """Passive knee extension measured by the clinician (0 = straight, positive = deficit)."""
    exercises: Annotated[tuple[PrescribedExercise, ...], MinLen(1), MaxLen(MOST_PRESCRIBED)] = (
        field(default=())
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgrammeTemplate:
    """A programme to begin a prescription from: a start for the clinician, never a protocol.

    A line whose exercise is done by one leg and that names no sides stands for the involved leg.
    """

    schema: Text
    name: Text
    source: Text
    """Where it comes from, or "common practice"."""
    about: Text
    """For whom it is a start, in a sentence or two for the clinician."""
    to_decide: tuple[Text, ...] = ()
    """What the clinician settles before it is used: the surgeon's limits, weight bearing."""
    condition: str = ""
    """Put into the prescription, where the clinician completes it."""
    exercises: Annotated[tuple[PrescribedExercise, ...], MinLen(1), MaxLen(MOST_PRESCRIBED)]

    def as_prescription(self) -> Prescription:
        """The template as a prescription for nobody, for what is asked of a whole programme."""
        return Prescription(
            schema=PRESCRIPTION_SCHEMA,
            patient="T-1",
            involved_side="left",
            prescribed_by="-",
            valid_from=date(2025, 1, 1),
            condition=self.condition,
            exercises=self.exercises,
        )


__all__ = [
    "Bound",
    "Dose",
    "Exercise",
    "ExerciseView",
    "Figure",
    "FilmedSet",
    "Limit",
    "LookFor",
    "PrescribedExercise",
    "Prescription",
    "ProgrammeTemplate",
    "Side",
    "SourcedNumber",
    "Tempo",
    "UsualRange",
]
