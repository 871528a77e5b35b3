"""The settings of every stage from landmarks to measures."""

from dataclasses import dataclass, field

from formcheck.motion.camera import CameraSettings
from formcheck.motion.circumstances import MeasurementSettings
from formcheck.motion.findings import QualitySettings
from formcheck.motion.place import PlaceSettings
from formcheck.motion.repetitions import RepetitionSettings
from formcheck.motion.track import TrackSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionSettings:
    """The settings of every stage after the landmarks."""

    place: PlaceSettings = field(default_factory=PlaceSettings)
    track: TrackSettings = field(default_factory=TrackSettings)
    camera: CameraSettings = field(default_factory=CameraSettings)
    repetition: RepetitionSettings = field(default_factory=RepetitionSettings)
    measurement: MeasurementSettings = field(default_factory=MeasurementSettings)
    quality: QualitySettings = field(default_factory=QualitySettings)
