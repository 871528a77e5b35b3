"""What is asked of one clip."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from formcheck.model.anatomy import Side
from formcheck.model.programme import Bound, Exercise, PrescribedExercise, Prescription
from formcheck.model.records import GoniometerReading
from formcheck.model.stated import Context


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
