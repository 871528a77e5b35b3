"""report.json of version 1.1, key by key: what pydantic checks, and the JSON Schema shows.

`report_file` turns these records into the family of `Report` and back.
"""

from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from annotated_types import MinLen

from formcheck.model.anatomy import Side
from formcheck.model.codes import FindingCode, RefusalCode, Scalar
from formcheck.model.records import CheckKind, Outcome, Where

Sides = Literal["left", "right", "both"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelEntry:
    name: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartEntry:
    """A part of intervals; measures name it by its place in the list."""

    name: str
    kind: Literal["shared", "own"]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ProvenanceEntry:
    version: str
    pose_model: ModelEntry
    settings: dict[str, Any]
    prescription_sha256: str | None
    interval_parts: tuple[PartEntry, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipEntry:
    file: str
    sha256: str
    duration_s: float | None
    n_frames: int
    width_px: int
    height_px: int
    rotation_deg: int
    n_frames_lost: int
    mirrored: bool
    frame_rate_hz: float | None
    time_base: tuple[int, int]
    first_stamp: int
    capture_rate_hz: float | None
    quantizer: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ExerciseEntry:
    """What the exercise's own file says; remarks : code -> sentence."""

    name: str
    kind: Literal["repetition", "hold", "sequence"]
    camera: str
    remarks: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class PainEntry:
    before: int | None
    during: int | None
    after: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ContextEntry:
    load_kg: float | None
    support: str | None
    step_height_cm: float | None
    seat_height_cm: float | None
    effort: int | None
    pain: PainEntry
    stature_cm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundEntry:
    """A target or a limit in force."""

    kind: CheckKind
    measure: str
    at_least: float | None
    at_most: float | None
    tolerance: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckEntry(BoundEntry):
    """A target or a limit held against a measure."""

    outcome: Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleEntry:
    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewEntry:
    plane: Literal["sagittal", "frontal", "oblique", "unknown"]
    azimuth_deg: AngleEntry
    near_side: Side | None
    person_height_px: float | None
    roll_deg: float | None
    facing_x: Literal[-1, 0, 1]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingEntry:
    """Something that spoils the clip or a stretch of it: a code with its values."""

    code: FindingCode
    values: dict[str, Scalar]
    from_s: float | None
    to_s: float | None
    spoils: Literal["nothing", "stretch", "clip"]


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityEntry:
    usable: bool
    findings: tuple[FindingEntry, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredEntry:
    """A value with its 95 % interval; parts : [place in `interval_parts`, standard uncertainty]."""

    value: float
    low: float
    high: float
    at_s: float | None = None
    parts: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusalEntry:
    """Why there is no value: a code with its values."""

    not_measurable: RefusalCode
    values: dict[str, Scalar] = field(default_factory=dict)


ValueEntry = MeasuredEntry | RefusalEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class RemarkEntry:
    code: str
    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionEntry:
    """leg : whose the measures are; other_leg : the other knee, seen from the front."""

    number: int
    side: Sides
    part: str | None
    start_s: float
    turn_s: float
    end_s: float
    turn_from_s: float
    turn_to_s: float
    complete: bool
    measures: dict[str, ValueEntry]
    checks: tuple[CheckEntry, ...]
    findings: tuple[RemarkEntry, ...]
    leg: Side | None = None
    other_leg: dict[str, ValueEntry] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseEntry:
    prescribed: int | None
    done: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SetMeasureEntry:
    """A measure over the set; change : fitted from the first to the last repetition."""

    mean: float | None
    sd: float | None
    first: float | None
    last: float | None
    change: ValueEntry | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SymmetryEntry(MeasuredEntry):
    """One leg against the other; an index is in per cent whatever the measure's own unit is."""

    kind: Literal["index", "difference"]
    involved: Side | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SymmetryRefusalEntry(RefusalEntry):
    """Why one leg is not put against the other."""

    kind: Literal["index", "difference"]
    involved: Side | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TallyEntry:
    kind: CheckKind
    outcome: Outcome
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NumbersEntry:
    """The repetitions, by number, that came to an outcome."""

    outcome: Outcome
    repetitions: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionEntry(CheckEntry):
    """A bound held against all repetitions; where : the mean beside it."""

    where: Where
    numbers: tuple[NumbersEntry, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldEntry:
    """A measure over the repetitions of one leg; extreme : of the one that went furthest."""

    measure: str
    side: Sides
    part: str | None
    n: int
    mean: MeasuredEntry
    extreme: MeasuredEntry
    extreme_number: int
    decisions: tuple[DecisionEntry, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservedEntry:
    """A remark over the set, with the mean of the measure that it rests on."""

    code: str
    side: Sides
    repetitions: tuple[int, ...]
    rests_on: str | None
    mean: MeasuredEntry | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldEntry:
    """The longest hold beside what was asked."""

    held: MeasuredEntry
    level: MeasuredEntry | None
    n: int
    asked_s: float | None
    asked_level: BoundEntry | None
    level_is: Where | None
    level_sure: bool
    time_is: Where | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FactsEntry:
    """What the sentence about the set says, counts apart."""

    complete_of_side: tuple[int, int] | None
    tallies: tuple[TallyEntry, ...]
    n_not_visible: int
    longest_hold_s: float | None
    judged: bool
    n_left_out: int
    told: tuple[ToldEntry, ...] = ()
    observed: tuple[ObservedEntry, ...] = ()
    held: HeldEntry | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SetEntry:
    n_repetitions: int
    n_complete: int
    n_met: int
    dose: DoseEntry
    measures: dict[str, SetMeasureEntry]
    symmetry: dict[str, SymmetryEntry | SymmetryRefusalEntry] | None
    checks: tuple[CheckEntry, ...]
    facts: FactsEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportEntry:
    """A measured set of one exercise: report.json as formcheck writes it."""

    schema: str
    created_at: str
    provenance: ProvenanceEntry
    clip: ClipEntry
    exercise: Annotated[str, MinLen(1)]
    exercise_words: ExerciseEntry
    side: Sides
    context: ContextEntry
    bounds: tuple[BoundEntry, ...]
    view: ViewEntry
    quality: QualityEntry
    repetitions: tuple[RepetitionEntry, ...]
    set: SetEntry
