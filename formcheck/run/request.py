"""What is asked of a clip, as one record: the command line, a batch, the clinic and the Python
interface all come through `request_for`.
"""

import difflib
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from numbers import Real
from pathlib import Path
from typing import Any, Literal, TypeVar, cast

from formcheck.files.exercises import load_exercise
from formcheck.files.file_rules import possible_range
from formcheck.files.prescriptions import file_sha256, prescribed_line, read_prescription, side_of
from formcheck.files.schema import exercise_path
from formcheck.model.errors import FormcheckError, UsageError
from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound, BoundOfKind, Exercise, PrescribedExercise, Prescription
from formcheck.model.records import GoniometerReading
from formcheck.model.request import Request
from formcheck.model.stated import Context
from formcheck.motion.assessment import prescribed_bounds

SIDES_OR_BOTH: tuple[Literal["left", "right", "both"], ...] = ("left", "right", "both")
_Read = TypeVar("_Read")


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenPrescription:
    """A prescription with what a report and its exercise files need to know of its file.

    file : where it was read from; exercise files that it names stand beside it.
    """

    record: Prescription
    sha256: str | None = None
    file: str = ""


def read_given_prescription(path: Path) -> GivenPrescription:
    """The prescription in a file, with its checksum. Raises FileError with every fault of it."""
    return GivenPrescription(
        record=read_prescription(path), sha256=file_sha256(path), file=str(path)
    )


class FilesReadOnce:
    """Exercise and prescription files of many requests: each is read once, its faults kept too."""

    def __init__(self) -> None:
        self._read: dict[tuple[object, str | Path], Any] = {}

    def exercise(self, name: str | Path) -> Exercise:
        """As `load_exercise`."""
        return self._once(load_exercise, name)

    def prescription(self, path: Path) -> GivenPrescription:
        """As `read_given_prescription`."""
        return self._once(read_given_prescription, path)

    def _once(self, read: Callable[[Any], _Read], name: str | Path) -> _Read:
        key = read, name
        if key not in self._read:
            try:
                self._read[key] = read(name)
            except FormcheckError as error:
                self._read[key] = error
        found = self._read[key]
        if isinstance(found, FormcheckError):
            raise found
        return cast(_Read, found)


def request_for(
    clip: Path,
    exercise: str | Path | Exercise,
    *,
    side: str | None = None,
    prescription: GivenPrescription | None = None,
    is_prescribed: bool = True,
    bounds: tuple[BoundOfKind, ...] = (),
    context: Context = Context(),
    readings: tuple[GoniometerReading, ...] = (),
    is_mirrored: bool = False,
    folder: Path = Path(),
    files: FilesReadOnce | None = None,
) -> Request:
    """What is asked of one clip.

    Parameters
    ----------
    exercise : its id, a file, or the record. A file's name that the prescription writes is looked
        for beside the prescription when it does not exist as it stands.
    side : the patient's working leg, "left", "right" or "both"; None or "" to take the line's own
        leg where the prescription names just one, else the near one.
    is_prescribed : whether an exercise that the prescription does not hold is an error; else the
        set is measured and not judged.
    bounds : targets and limits besides the prescription's, which come first.
    context : load, heights, effort and pain; what it leaves out is taken from the prescription.
    readings : the patient's goniometer readings.
    folder : from where the name of an exercise file is meant.
    files : keeps the exercise files that were read, for the next request.

    Raises
    ------
    UsageError
        No such exercise, side or line of the prescription.
    FileError
        The exercise's file is at fault, with every fault of it.
    """
    side = checked_side(side)
    files = files or FilesReadOnce()
    line = None
    if isinstance(exercise, Exercise):
        record, named = exercise, exercise.id
    else:
        record, named = _exercise_and_name(exercise, folder, prescription, files)
    if prescription is not None:
        line = _line(prescription.record, named, side, is_prescribed)
    if prescription is not None and line is not None:
        side = checked_side(side_of(line, side))
        bounds = prescribed_bounds(line, record, prescription.record, side) + bounds
        context = _with_the_lines(context, line)
    return Request(
        clip=clip,
        exercise=record,
        side=side,
        is_mirrored=is_mirrored,
        bounds=bounds,
        prescribed=line,
        prescription=prescription.record if prescription else None,
        prescription_sha256=prescription.sha256 if prescription else None,
        context=context,
        readings=readings,
    )


def checked_side(side: str | None) -> Literal["left", "right", "both"] | None:
    """The side when it is one; None for none. Raises UsageError for any other word."""
    if not side:
        return None
    for known in SIDES_OR_BOTH:
        if side == known:
            return known
    raise UsageError(
        f"side {side!r}: write left, right or both (the patient's own), or leave it out"
    )


def no_measure(key: str) -> str:
    """That a key is no measure, with the nearest ones that are."""
    near = difflib.get_close_matches(key, MEASURES, n=2, cutoff=0.5)
    hint = f"; did you mean {' or '.join(near)}?" if near else ""
    return f"{key!r} is no measure of formcheck{hint}"


def checked_bound(kind: Literal["target", "limit"], key: str, value: float) -> BoundOfKind:
    """A target (at least) or a limit (at most) on a measure of the repetition.

    Raises UsageError for an unknown measure, one of the whole set, or a value out of its range.
    """
    if key not in MEASURES:
        raise UsageError(no_measure(key))
    if MEASURES[key].at == "set":
        raise UsageError(f"{key} is of the whole set; no bound can be set on it")
    if isinstance(value, bool) or not isinstance(value, Real):
        raise UsageError(f"{value!r} is no bound for {key}; give a number")
    if not math.isfinite(value):
        raise UsageError(f"{value:g} is no bound for {key}; give a number")
    least, greatest = possible_range(key)
    if not least <= value <= greatest:
        raise UsageError(f"{value:g} is not possible for {key}; give {least:g} to {greatest:g}")
    value = value + 0.0  # no minus before a zero
    if kind == "target":
        return kind, Bound(measure=key, at_least=value)
    return kind, Bound(measure=key, at_most=value)


def _exercise_and_name(
    exercise: str | Path, folder: Path, prescription: GivenPrescription | None, files: FilesReadOnce
) -> tuple[Exercise, str]:
    """(the exercise, what the prescription calls it): a line names an id, or a file beside it."""
    name = str(exercise)
    if not name.endswith(".toml"):
        record = files.exercise(exercise)
        return record, record.id
    path = folder / name
    for line in prescription.record.exercises if prescription else ():
        if prescription and line.exercise.endswith(".toml"):
            beside = exercise_path(line.exercise, prescription.file)
            if path.is_file() and beside.is_file() and path.samefile(beside):
                return files.exercise(path), line.exercise
            if line.exercise == name:
                return files.exercise(path if path.is_file() else beside), name
    record = files.exercise(path)
    return record, record.id


def _line(
    prescription: Prescription, exercise: str, side: str | None, is_prescribed: bool
) -> PrescribedExercise | None:
    try:
        return prescribed_line(prescription, exercise, side)
    except UsageError:
        if is_prescribed:
            raise
        return None


def _with_the_lines(context: Context, line: PrescribedExercise) -> Context:
    """The context, with the heights of the prescription's line where it has none.

    The load is not taken from there: what was planned is not what was lifted.
    """
    return replace(
        context,
        **{
            name: getattr(line, name)
            for name in ("step_height_cm", "seat_height_cm")
            if getattr(context, name) is None
        },
    )
