"""The frozen records that travel between the stages, in the order of the flow.

video -> Clip; pose -> RawTrack; track -> Track; movement, camera -> View; kinematics ->
Series; repetitions -> Repetition; uncertainty -> Measured; assessment -> Check; Report.
Arrays are read-only; NaN is "not seen"; image positions are pixels of the picture as shown
(after rotation), x to the right, y down; world positions are metres, x right in the picture,
y down, z away from the camera.
"""

from dataclasses import dataclass, fields
from typing import Any, Literal

import numpy as np

from formcheck.model.anatomy import N_LANDMARKS, Side
from formcheck.model.codes import FindingCode, RefusalCode, Scalar, Spoils, Values
from formcheck.model.programme import Bound
from formcheck.model.stated import Context

REPORT_SCHEMA = "formcheck.report/1.1"
TRACK_SCHEMA = "formcheck.track/1.0"


def _seal(record: Any) -> None:
    for f in fields(record):
        value = getattr(record, f.name)
        if isinstance(value, np.ndarray):
            value.setflags(write=False)


def _require(condition: bool, message: str) -> None:
    if not condition:
        raise ValueError(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """A recorded video as its file describes it.

    `time_base` is (numerator, denominator) of a presentation stamp; `first_stamp` the first
    frame's. Times in all records are seconds after the first frame. Width and height are those
    of the picture as shown. `n_frames_lost` counts frames that failed to decode.
    """

    file: str
    """File name without folder: reports carry no machine's paths."""
    sha256: str
    duration_s: float
    n_frames: int
    n_frames_lost: int
    width_px: int
    height_px: int
    rotation_deg: int
    frame_rate_hz: float
    time_base: tuple[int, int]
    first_stamp: int
    is_mirrored: bool = False
    capture_rate_hz: float | None = None  # pictures a second, by the file's own tag
    quantizer: float | None = None  # of H.264, 0 to 51, mean of the first pictures


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseSource:
    """Which model made a track, and how: part of a track's identity."""

    model: str
    sha256: str
    mode: Literal["image", "video"]
    rate_hz: float
    library_versions: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RawTrack:
    """Landmarks as the pose model gave them, one row per frame looked at.

    image_px : (n, p, 33, 2) float32, pixels; NaN where person p was not found
    world_m : (n, p, 33, 3) float32, metres, origin at the hips' centre
    visibility : (n, p, 33) float32, 0 to 1
    time_s : (n,) float64, seconds after the clip's first frame, strictly increasing
    stamp : (n,) int64, presentation stamps
    brightness, contrast, sharpness, change : (n,) float32, of a small grey picture: mean and
        standard deviation (0 to 255), Laplacian variance, mean absolute change since the last
    border_change : (n,) float32, of the outer border only, which a person in the middle leaves
    left_out : (from, to) seconds in which the patient is not at the place of the set
    """

    clip: Clip
    source: PoseSource
    time_s: np.ndarray
    stamp: np.ndarray
    image_px: np.ndarray
    world_m: np.ndarray
    visibility: np.ndarray
    brightness: np.ndarray
    contrast: np.ndarray
    sharpness: np.ndarray
    change: np.ndarray
    border_change: np.ndarray
    left_out: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        n, p = self.image_px.shape[:2]
        _require(self.time_s.shape == (n,), "time_s and image_px differ in length")
        _require(bool(np.all(np.diff(self.time_s) > 0)), "time_s does not increase")
        _require(self.image_px.shape == (n, p, N_LANDMARKS, 2), "image_px is not (n, p, 33, 2)")
        _require(self.world_m.shape == (n, p, N_LANDMARKS, 3), "world_m is not (n, p, 33, 3)")
        _require(self.visibility.shape == (n, p, N_LANDMARKS), "visibility is not (n, p, 33)")
        _seal(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One person's landmarks on an even grid, cleaned and smoothed.

    time_s : (n,) seconds; grid_hz its rate
    image_px : (n, 33, 2); world_m : (n, 33, 3); NaN where missing
    visibility : (n, 33)
    is_filled : (n, 33) bool, short gaps filled by interpolation
    is_repaired : (n,) bool, left and right legs exchanged back
    noise_px : (33,) standard deviation of a sample's jitter; NaN where never seen
    rows : (frames looked at,) row of this person among the people of the raw track, -1 where
        not found; None where the track was made otherwise
    """

    time_s: np.ndarray
    grid_hz: float
    image_px: np.ndarray
    world_m: np.ndarray
    visibility: np.ndarray
    is_filled: np.ndarray
    is_repaired: np.ndarray
    noise_px: np.ndarray
    rows: np.ndarray | None = None

    def __post_init__(self) -> None:
        n = len(self.time_s)
        _require(self.image_px.shape == (n, N_LANDMARKS, 2), "image_px is not (n, 33, 2)")
        _require(self.world_m.shape == (n, N_LANDMARKS, 3), "world_m is not (n, 33, 3)")
        _require(bool(np.all(np.diff(self.time_s) > 0)), "time_s does not increase")
        _seal(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One named part of an interval: a standard uncertainty in the measure's unit.

    `shared` parts are the same all through a clip (definition, model, azimuth, scale); `own`
    parts differ from repetition to repetition (landmark noise, time grid).
    """

    name: str
    standard: float
    kind: Literal["shared", "own"]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A value with its 95 % interval and the parts that the interval is built from."""

    key: str
    value: float
    low: float
    high: float
    parts: tuple[Part, ...] = ()
    at_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NotMeasurable:
    """A measure that this clip cannot give, and why: a code with its values."""

    key: str
    code: RefusalCode
    values: Values = ()


Value = Measured | NotMeasurable


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that spoils the clip, or a stretch of it: a code with its values."""

    code: FindingCode
    values: Values = ()
    from_s: float | None = None
    to_s: float | None = None
    spoils: Spoils = "nothing"

    def value(self, name: str) -> Scalar:
        """The value of this name. Raises KeyError where the finding has none such."""
        return dict(self.values)[name]

    @property
    def name(self) -> str:
        """The code; of a finding kept as an older file told it, the code that the file gave."""
        return str(self.value("code")) if self.code == "as_written" else self.code


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Where the camera stands in relation to the person.

    azimuth: 0 = in front of the person, 90 = at their left, -90 = at their right, 180 = behind.
    """

    plane: Literal["sagittal", "frontal", "oblique", "unknown"]
    azimuth_deg: float
    azimuth_low_deg: float
    azimuth_high_deg: float
    near_side: Side | None
    person_height_px: float
    roll_deg: float
    facing_x: Literal[-1, 0, 1]
    """Direction the person faces along the picture's x axis (+1 right, -1 left, 0 neither)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Repetition:
    """One attempt in time, seconds: [start, end], the turn in between.

    `turn_from_s` to `turn_to_s` is the stretch near the extreme: the first phase goes before it,
    the last one follows.
    """

    number: int
    part: str | None
    side: Literal["left", "right", "both"]
    start_s: float
    turn_s: float
    end_s: float
    turn_from_s: float
    turn_to_s: float
    is_complete: bool


CheckKind = Literal["target", "limit"]
Outcome = Literal[
    # of a target, by the best estimate: "borderline" within its own standard uncertainty
    "reached",
    "borderline",
    "not_reached",
    # of a limit, by the whole 95 % interval
    "kept",
    "possibly_passed",
    "passed",
    # of either
    "not_visible",
    "not_judged",
]
_CODES_OF_0_1: dict[tuple[CheckKind, str], Outcome] = {
    ("target", "met"): "reached",
    ("target", "not_met"): "not_reached",
    ("target", "undecided"): "borderline",
    ("limit", "undecided"): "possibly_passed",
}


def outcome_of_code(kind: CheckKind, code: str) -> str:
    """The code of an outcome as it is called today; formcheck 0.1 called some otherwise."""
    return _CODES_OF_0_1.get((kind, code), code)


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One bound held against one measure of one repetition, or of the set as a whole."""

    kind: CheckKind
    bound: Bound
    outcome: Outcome

    @property
    def measure(self) -> str:
        return self.bound.measure


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """Something worth a look in a repetition, at a moment; the code is the exercise file's."""

    code: str
    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AssessedRepetition:
    """A repetition with its measures, checks and remarks.

    leg : the one that the measures of a leg are of; None where a file does not tell. other_leg :
    the other knee's place, in a front view of an exercise for both legs.
    """

    repetition: Repetition
    measures: tuple[Value, ...]
    checks: tuple[Check, ...] = ()
    remarks: tuple[Remark, ...] = ()
    leg: Side | None = None
    other_leg: tuple[Value, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SetMeasure:
    """One measure over the set: mean, consistency (SD), first and last, and the trend.

    `change_over_set` is the fitted change from the first to the last repetition, on own noise
    only; None below three repetitions.
    """

    key: str
    mean: float
    sd: float | None
    first: float
    last: float
    change_over_set: Measured | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GoniometerReading:
    """Knee flexion read by a clinician with a goniometer at a moment of a clip.

    seen_deg : what formcheck saw at that moment, by this pose model, without any reading.
    """

    side: Side
    model: str
    reading_deg: float
    seen_deg: float
    at_s: float
    clip_sha256: str
    taken_on: str
    """Date, ISO 8601."""
    taken_by: str
    """Initials."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Symmetry:
    """One measure, one leg against the other, with its interval."""

    key: str
    kind: Literal["index", "difference"]
    involved: Side | None
    """None where nobody named it: the value is then the left leg's against the right's."""
    value: Measured | NotMeasurable


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """How many complete repetitions come to this outcome of their targets, or of their limits."""

    kind: CheckKind
    outcome: Outcome
    n: int


Where = Literal["below", "within", "above"]
"""Where a best estimate lies beside what was asked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetDecision:
    """A bound on repetitions held against all of them together.

    outcome : a target's by the mean over the repetitions, whose own noise shrinks with their
    number; a limit's the gravest of its repetitions. where : the mean beside the bound.
    numbers : for each outcome of a repetition, the numbers that came to it.
    """

    kind: CheckKind
    bound: Bound
    outcome: Outcome
    where: Where
    numbers: tuple[tuple[Outcome, tuple[int, ...]], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldMeasure:
    """A measure of one leg over the complete repetitions of a set, as the first line tells it.

    n : repetitions that have it. mean : the best estimate over them; its interval carries what
    they share as it is, and their own parts by the root of their number. extreme : the one that
    went furthest, towards a limit where there is one, and its number.
    """

    key: str
    side: Literal["left", "right", "both"]
    part: str | None
    n: int
    mean: Measured
    extreme: Measured
    extreme_number: int
    decisions: tuple[SetDecision, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """A remark over the set: its code, the repetitions that it was made of, and the mean of the
    measure that it rests on (None where it rests on none)."""

    code: str
    side: Literal["left", "right", "both"]
    numbers: tuple[int, ...]
    mean: Measured | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldAs:
    """The longest hold of a set beside what was asked.

    level : where the angle of the hold was seen. asked_s, asked_level : as prescribed, None where
    not. level_is, time_is : where the best estimates lie; None where nothing was asked, or it was
    not seen. is_level_sure : whether the level is off by more than its own error, or within.
    """

    held: Measured
    level: Measured | None
    n: int
    asked_s: float | None = None
    asked_level: Bound | None = None
    level_is: Where | None = None
    is_level_sure: bool = True
    time_is: Where | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SetFacts:
    """What the sentence about a set says, counts apart.

    of_side : complete ones of the left and of the right leg; None where they are not told apart.
    n_not_visible : checks of complete repetitions that could not be seen. longest_hold_s : of a
    hold; None for other exercises. is_judged : whether anybody set a bound. n_left_out : entries
    that a clinician left out. told : what was prescribed, else what the exercise is about.
    observed : remarks by repetition. held : of a hold.
    """

    of_side: tuple[int, int] | None
    tallies: tuple[Tally, ...]
    n_not_visible: int
    longest_hold_s: float | None
    is_judged: bool
    n_left_out: int = 0
    told: tuple[ToldMeasure, ...] = ()
    observed: tuple[Observed, ...] = ()
    held: HeldAs | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AssessedSet:
    """The set as a whole; `checks` are of the bounds on measures of the whole set."""

    n_repetitions: int
    n_complete: int
    n_met: int
    dose_prescribed: int | None
    dose_done: int
    measures: tuple[SetMeasure, ...]
    symmetry: tuple[Symmetry, ...] | None
    checks: tuple[Check, ...]
    facts: SetFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class ExerciseWords:
    """What the exercise's own file says and the report's reader needs: the report stands without
    the file.

    remarks : (code, sentence) of the remarks that the report makes.
    """

    name: str
    kind: Literal["repetition", "hold", "sequence"]
    camera: str
    remarks: tuple[tuple[str, str], ...] = ()

    def remark(self, code: str) -> str:
        return dict(self.remarks)[code]


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """Everything that is reported of one clip: report.json is this record as a mapping."""

    created_at: str
    version: str
    source: PoseSource
    settings: tuple[tuple[str, object], ...]
    prescription_sha256: str | None
    clip: Clip
    exercise: str
    exercise_words: ExerciseWords
    side: Literal["left", "right", "both"]
    side_was_chosen: bool
    """True when no side was given and the near leg was taken."""
    context: Context
    bounds: tuple[tuple[CheckKind, Bound], ...]
    """The targets and limits in force."""
    view: View
    is_usable: bool
    findings: tuple[Finding, ...]
    repetitions: tuple[AssessedRepetition, ...]
    whole: AssessedSet


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """The driving signal over time, for plots and the overlay.

    time_s, value : (n,), NaN where not measured; `unit` deg or share; `label` in words.
    """

    time_s: np.ndarray
    value: np.ndarray
    unit: Literal["deg", "share"]
    label: str
    key: str

    def __post_init__(self) -> None:
        _require(self.time_s.shape == self.value.shape, "time_s and value differ in length")
        _seal(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenLeg:
    """The leg that was measured in a stretch of the clip, and from where it was seen.

    is_here : (n,) bool, the samples of the track that the stretch takes
    knee_flexion_deg : (n,) degrees, as the measures are read from it; NaN where not seen from the
        side
    """

    leg: Side
    view: View
    is_here: np.ndarray
    knee_flexion_deg: np.ndarray

    def __post_init__(self) -> None:
        _seal(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """The outcome of one run: the report, and what its pictures are drawn from."""

    report: Report
    trace: Trace
    track: Track
    raw: RawTrack
    seen: tuple[SeenLeg, ...]
    """One, or two where the person turned round; the report's view is the first one's."""

    @property
    def bounds(self) -> tuple[tuple[CheckKind, Bound], ...]:
        return self.report.bounds

    def seen_at(self, time_s: float) -> SeenLeg:
        """The leg that was measured at a moment, and from where it was seen; else the first."""
        k = int(np.argmin(np.abs(self.track.time_s - time_s)))
        return next((s for s in self.seen if s.is_here[k]), self.seen[0])
