"""What is asked of one clip, and the settings of every stage."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from formcheck.anatomy import Side
from formcheck.camera import CameraSettings
from formcheck.circumstances import MeasurementSettings
from formcheck.pose import PoseSettings
from formcheck.programme import (
    Bound,
    Exercise,
    PrescribedExercise,
    Prescription,
)
from formcheck.quality import (
    QualitySettings,
)
from formcheck.records import (
    Context,
    GoniometerReading,
)
from formcheck.repetitions import RepetitionSettings
from formcheck.track import TrackSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The settings of every stage; echoed in the report."""

    pose: PoseSettings = field(default_factory=PoseSettings)
    track: TrackSettings = field(default_factory=TrackSettings)
    camera: CameraSettings = field(default_factory=CameraSettings)
    repetition: RepetitionSettings = field(default_factory=RepetitionSettings)
    measurement: MeasurementSettings = field(default_factory=MeasurementSettings)
    quality: QualitySettings = field(default_factory=QualitySettings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What is asked of one clip.

    side : the working leg; "both" where both work; None to take the near one.
    bounds : targets and limits in force, each with its kind. prescribed : the prescription's
    line, for the dose. moved_limits :
    (place in the list of repetitions, start_s, end_s) of those whose limits a person moved.
    readings : the patient's goniometer readings.
    """

    clip: Path
    exercise: Exercise
    side: Side | Literal["both"] | None = None
    is_mirrored: bool = False
    bounds: tuple[tuple[Literal["target", "limit"], Bound], ...] = ()
    prescribed: PrescribedExercise | None = None
    prescription: Prescription | None = None
    prescription_sha256: str | None = None
    context: Context = field(default_factory=Context)
    moved_limits: tuple[tuple[int, float, float], ...] = ()
    readings: tuple[GoniometerReading, ...] = ()
