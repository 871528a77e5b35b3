"""The functions of the Python interface."""

from collections.abc import Callable, Mapping
from pathlib import Path

from formcheck.api.found import MeasuredSet
from formcheck.files import prescriptions, report_file
from formcheck.files.exercises import load_exercise
from formcheck.files.storage import default_cache_folder
from formcheck.model.programme import BoundOfKind, Exercise, Prescription
from formcheck.model.stated import Context
from formcheck.run import pipeline
from formcheck.run.calibration_file import read_readings
from formcheck.run.request import (
    GivenPrescription,
    checked_bound,
    read_given_prescription,
    request_for,
)
from formcheck.run.settings import Settings


def analyze(
    clip: str | Path,
    exercise: str | Path | Exercise,
    side: str | None = None,
    *,
    prescription: str | Path | Prescription | None = None,
    at_least: Mapping[str, float] | None = None,
    at_most: Mapping[str, float] | None = None,
    mirrored: bool = False,
    calibration: str | Path | None = None,
    context: Context = Context(),
    settings: Settings = Settings(),
    cache: bool = True,
    progress: Callable[[str, int, int | None], None] | None = None,
) -> MeasuredSet:
    """The measured set in a recorded clip.

    Parameters
    ----------
    clip : the recorded video.
    exercise : its id in the catalogue, an exercise file, or what `read_exercise` gave.
    side : the patient's working leg, "left", "right" or "both"; None to take the near one.
    prescription : the patient's prescription, a file or what `read_prescription` gave; the set
        is held against its targets and limits.
    at_least, at_most : more targets and limits, {measure: value in the measure's unit}.
    mirrored : whether the recording is mirrored, as a selfie preview is.
    calibration : the patient's goniometer readings, a file of `formcheck calibrate`.
    context : what a camera cannot know, as load or stature; what it leaves out is taken from
        the prescription.
    settings : of every stage; echoed in the report.
    cache : whether the landmarks are kept, for a quick second run on the same clip.
    progress : called with (stage, number done, number in all or None).

    Raises
    ------
    UsageError
        No such exercise, measure or side.
    ClipError
        The clip cannot be read, or shows no person.
    FileError
        The exercise, prescription or calibration file is at fault.
    ModelError
        The pose model or a system library is missing or damaged.
    """
    bounds: list[BoundOfKind] = []
    bounds += [checked_bound("target", key, value) for key, value in (at_least or {}).items()]
    bounds += [checked_bound("limit", key, value) for key, value in (at_most or {}).items()]
    request = request_for(
        Path(clip),
        exercise,
        side=side,
        prescription=_given(prescription),
        bounds=tuple(bounds),
        is_mirrored=mirrored,
        readings=read_readings(Path(calibration)) if calibration is not None else (),
        context=context,
    )
    analysis = pipeline.analyze(
        request, settings, cache_dir=default_cache_folder() if cache else None, progress=progress
    )
    return MeasuredSet(analysis.report, analysis=analysis, request=request, settings=settings)


def read_exercise(name_or_path: str | Path) -> Exercise:
    """One exercise: by its id in the catalogue, or from a file (a path, or ending in .toml).

    Raises
    ------
    UsageError
        An unknown name, with near ones.
    FileError
        The file is at fault, with every fault of it.
    """
    return load_exercise(name_or_path)


def read_prescription(path: str | Path) -> Prescription:
    """The prescription in a file.

    Raises
    ------
    FileError
        The file is at fault, with every fault of it.
    """
    return prescriptions.read_prescription(Path(path))


def read_report(path: str | Path) -> MeasuredSet:
    """The measured set in a report.json, or in the result folder that holds one.

    Raises
    ------
    FileError
        No such file, no report, of another major version, or at fault.
    """
    path = Path(path)
    return MeasuredSet(report_file.read_report(path / "report.json" if path.is_dir() else path))


def _given(prescription: str | Path | Prescription | None) -> GivenPrescription | None:
    if prescription is None:
        return None
    if isinstance(prescription, Prescription):
        return GivenPrescription(record=prescription)
    return read_given_prescription(Path(prescription))
