"""The small picture of a set for lists: the end range of the repetition that matters most."""

from pathlib import Path

from formcheck.clinic.folder import DataFolder
from formcheck.files.storage import write_atomically
from formcheck.model.errors import ClipError
from formcheck.model.records import Analysis, AssessedRepetition, CheckKind, Outcome, Report
from formcheck.overlay.painting import thumbnail

PICTURE_NAME = "thumbnail.jpg"

_GRAVEST: tuple[tuple[CheckKind, Outcome], ...] = (
    ("limit", "passed"),
    ("limit", "possibly_passed"),
    ("target", "not_reached"),
)


def picture_path(folder: DataFolder, uid: str) -> Path:
    """Where the picture of a set lies, if it has one."""
    return folder.result(uid) / PICTURE_NAME


def repetition_shown(report: Report) -> AssessedRepetition | None:
    """The repetition that stands for a set: the first in which a limit was passed, possibly
    passed, or a target not reached; then the first with a remark; then the first whole one."""
    repetitions = report.repetitions
    for kind, outcome in _GRAVEST:
        for r in repetitions:
            if any((c.kind, c.outcome) == (kind, outcome) for c in r.checks):
                return r
    whole = [r for r in repetitions if r.repetition.is_complete]
    return next((r for r in whole if r.remarks), next(iter(whole or repetitions), None))


def keep_picture(analysis: Analysis, clip: Path, folder: Path) -> None:
    """Writes the picture of a set that was measured into its folder, faces hidden; of a clip
    without a repetition its middle. A clip that cannot be read once more has none."""
    try:
        data = thumbnail(analysis, clip, repetition_shown(analysis.report))
    except ClipError:
        return
    with write_atomically(folder / PICTURE_NAME) as beside:
        beside.write_bytes(data)
