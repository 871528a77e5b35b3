"""The tables of a batch: a row a clip, and a row a repetition of all the clips.

Rows stand in the order of the clips' files and hold nothing that differs between two runs on
the same clips: no times of day, no durations of the work.
"""

import csv
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from formcheck.batch.clips import DESCRIPTION_NAME, BatchClip, readable
from formcheck.batch.one_clip import THUMBNAIL_NAME, result_folder
from formcheck.files import storage
from formcheck.files.report_file import read_report
from formcheck.model.records import Measured, Report
from formcheck.report import columns
from formcheck.words.first_line import set_sentence
from formcheck.words.wording import safe_cell

SUMMARY_NAME = "summary"

_CLIP_COLUMNS = (
    ("file", str),
    ("status", str),
    ("reason", str),
    ("exercise", str),
    ("side", str),
    ("patient", str),
    ("prescription", str),
    ("mirrored", str),
    ("view", str),
    ("usable", bool),
    ("n_repetitions", int),
    ("n_complete", int),
    ("n_met", int),
    ("duration_s", float),
    ("n_frames", int),
    ("n_frames_lost", int),
    ("findings", str),
    ("text", str),
    ("clip_sha256", str),
    ("result", str),
)
_REPETITION_COLUMNS = (
    ("file", str),
    ("patient", str),
    ("exercise", str),
    ("view", str),
    ("usable", bool),
    ("number", int),
    ("side", str),
    ("part", str),
    ("start_s", float),
    ("turn_s", float),
    ("end_s", float),
    ("complete", bool),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipResult:
    """A clip with how it ended and, when it was measured, what its report says.

    status : "measured", "failed", "skipped" or "waiting" (the run was stopped before).
    """

    clip: BatchClip
    status: str
    reason: str = ""
    report: Report | None = None
    has_thumbnail: bool = False


def with_report(clip: BatchClip, out: Path) -> ClipResult:
    """A measured clip with its report, read from the clip's result folder.

    Raises FileError when the report cannot be read.
    """
    folder = result_folder(out, clip.file)
    return ClipResult(
        clip=clip,
        status="measured",
        report=_needed(read_report(folder / "report.json")),
        has_thumbnail=(folder / THUMBNAIL_NAME).is_file(),
    )


def _needed(report: Report) -> Report:
    # Thousands of reports are held at once: what no table shows is let go.
    return replace(
        report,
        settings=(),
        repetitions=tuple(
            replace(
                r,
                measures=tuple(
                    replace(m, parts=()) if isinstance(m, Measured) else m for m in r.measures
                ),
            )
            for r in report.repetitions
        ),
    )


def clip_row(result: ClipResult) -> dict:
    """The row of clips.csv; a value that the clip does not have is None."""
    clip, report = result.clip, result.report
    row = {
        "file": safe_path(clip.file),
        "status": result.status,
        "reason": result.reason,
        "exercise": clip.exercise,
        "side": clip.side,
        "patient": clip.patient,
        "prescription": clip.prescription,
        "mirrored": clip.mirrored,
    }
    if report is not None:
        row |= {
            "exercise": report.exercise,
            "side": report.side,
            "view": report.view.plane,
            "usable": report.is_usable,
            "n_repetitions": report.whole.n_repetitions,
            "n_complete": report.whole.n_complete,
            "n_met": report.whole.n_met,
            "duration_s": _or_none(report.clip.duration_s),
            "n_frames": report.clip.n_frames,
            "n_frames_lost": report.clip.n_frames_lost,
            "findings": "; ".join(f.name for f in report.findings),
            "text": set_sentence(report, "clinician"),
            "clip_sha256": report.clip.sha256,
            "result": safe_path(f"results/{clip.file}"),
        }
    return {name: row.get(name) for name, _ in _CLIP_COLUMNS}


def repetition_rows(result: ClipResult) -> list[dict]:
    """The clip's rows of the summary: its repetitions with their measures and checks."""
    report = result.report
    if report is None:
        return []
    of_clip = {
        "file": safe_path(result.clip.file),
        "patient": result.clip.patient,
        "exercise": report.exercise,
        "view": report.view.plane,
        "usable": report.is_usable,
    }
    return [of_clip | row for row in columns.repetition_rows(report)]


def _or_none(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _summary_columns(rows: Iterable[dict]) -> list[tuple[str, type]]:
    """Columns that any row has, in the order of the list of measures."""
    return [*_REPETITION_COLUMNS, *columns.in_order(name for row in rows for name in row)]


def write_tables(results: Sequence[ClipResult], out: Path) -> None:
    """Writes clips.csv, summary.csv and summary.parquet. Raises OutputError."""
    write_csv([clip_row(r) for r in results], _CLIP_COLUMNS, out / DESCRIPTION_NAME)
    rows = [row for r in results for row in repetition_rows(r)]
    wanted = _summary_columns(rows)
    write_csv(rows, wanted, out / f"{SUMMARY_NAME}.csv")
    storage.write_table(
        out / f"{SUMMARY_NAME}.parquet",
        [(name, kind, [_of_kind(kind, row.get(name)) for row in rows]) for name, kind in wanted],
    )


def write_csv(rows: Iterable[dict], columns: Sequence[tuple[str, type]], path: Path) -> None:
    """Writes rows as CSV in UTF-8, atomically; None is an empty cell, a truth yes or no."""
    with storage.write_atomically(path) as beside:
        with beside.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow([name for name, _ in columns])
            for row in rows:
                writer.writerow([_cell(row.get(name)) for name, _ in columns])


def _of_kind(kind: type, value: object):
    if value is None:
        return None
    return _text(value) if kind is str else kind(value)


def _cell(value: object) -> object:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not isinstance(value, str):
        return value
    return safe_cell(_text(value))


def _text(value: str) -> str:
    """The text as valid UTF-8, whatever bytes a name or a description held."""
    return value if value.isascii() else readable(value)


def safe_path(file: str) -> str:
    """The path below its folder, such that no spreadsheet takes it for a formula."""
    text = readable(file)
    return f"./{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text
