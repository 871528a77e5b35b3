"""A finished result folder, taken up again: the same landmarks and settings, the same figures.

`analyze` leaves beside its report the landmark track and what was asked of it (request.json).
From the two every reported figure comes out again, with the parts of its interval.
"""

from pathlib import Path
from typing import Literal

from formcheck.files import storage
from formcheck.model.anatomy import Side
from formcheck.model.errors import FileError, UsageError
from formcheck.model.records import Analysis, RawTrack, Symmetry
from formcheck.model.request import Request
from formcheck.motion.symmetry import symmetry_of
from formcheck.run.pipeline import assess
from formcheck.run.result_folder import REQUEST_NAME, TRACK_NAME, read_request
from formcheck.run.settings import Settings


def reassess(folder: Path) -> Analysis:
    """The analysis of a result folder from its own landmarks, request and settings.

    Raises FileError when one of the folder's files is missing or damaged.
    """
    request, settings = read_request(folder)
    raw = storage.read_track(folder / TRACK_NAME)
    from formcheck.files.report_file import read_report

    created_at = read_report(folder / "report.json").created_at
    return assessed_again(folder, raw, request, settings, created_at=created_at)


def assessed_again(
    folder: Path, raw: RawTrack, request: Request, settings: Settings, *, created_at: str = ""
) -> Analysis:
    """As `assess`. Values that no stage can use are a fault of the folder's files: the same
    landmarks, request and settings went through once, when they were written."""
    try:
        return assess(raw, request, settings, created_at=created_at)
    except (ArithmeticError, LookupError, TypeError, ValueError) as error:
        raise FileError(
            f"{folder}: {REQUEST_NAME} and {TRACK_NAME} cannot be worked out again ({error}); run "
            "`formcheck analyze` again"
        ) from error


def compare_folders(
    first: Path, second: Path, involved: Side | None
) -> tuple[tuple[Symmetry, ...], dict[Literal["left", "right", "both"], int]]:
    """The two legs of one exercise from two result folders, the involved one over the other.

    With the rows goes the number of complete repetitions of each leg.

    Raises UsageError when they show the same leg, or different exercises, or no leg in common.
    """
    a, b = reassess(first), reassess(second)
    if a.report.exercise != b.report.exercise:
        raise UsageError(
            f"the folders show different exercises: {a.report.exercise} and {b.report.exercise}"
        )
    sides = {a.report.side, b.report.side}
    if sides != {"left", "right"}:
        raise UsageError(
            f"one folder must show the left and one the right leg; these show "
            f"{a.report.side} and {b.report.side}"
        )
    if involved is None:
        prescription = read_request(first)[0].prescription
        named = prescription.involved_side if prescription else None
        involved = named if named in ("left", "right") else None
    both = a.report.repetitions + b.report.repetitions
    rows = symmetry_of(both, involved)
    if not rows:
        raise UsageError("the two folders have no measured repetition of both legs to compare")
    return rows, {report.side: report.whole.n_complete for report in (a.report, b.report)}
