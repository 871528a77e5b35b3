"""The report as files beside report.json: reps.csv and report.html."""

import csv
import io
from pathlib import Path

from formcheck.files import storage
from formcheck.files.report_rounding import as_written
from formcheck.model.records import Report, Trace
from formcheck.report.columns import FIXED_COLUMNS, columns_found, repetition_rows
from formcheck.words.wording import safe_cell


def _write_text(path: Path, text: str) -> None:
    # A file name may hold bytes that are no UTF-8: "?" stands for each of them.
    storage.write_text(Path(path), text.encode("utf-8", "replace").decode("utf-8"))


def csv_rows(report: Report) -> list[dict[str, object]]:
    """Rows of reps.csv, one a repetition; every row has the same columns in the same order.

    The columns are those of `repetition_rows`, and `findings`, what is worth a look.
    """
    report = as_written(report)
    rows = repetition_rows(report)
    columns = columns_found(rows)
    out = []
    for row, assessed in zip(rows, report.repetitions, strict=True):
        said = report.exercise_words
        told = "; ".join(f"{said.remark(m.code)} (at {m.at_s} s)" for m in assessed.remarks)
        cells = {**{column: row.get(column, "") for column in columns}, "findings": told}
        cells["part"] = cells["part"] or ""
        cells["complete"] = "yes" if cells["complete"] else "no"
        out.append({k: safe_cell(v) if isinstance(v, str) else v for k, v in cells.items()})
    return out


def write_csv(report: Report, path: Path) -> None:
    """Write reps.csv: a row a repetition, a column a measure with its low and high.

    Raises OutputError; the file is whole or not there.
    """
    rows = csv_rows(report)
    columns = list(rows[0]) if rows else [*FIXED_COLUMNS, "findings"]
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    _write_text(path, text.getvalue())


def write_html(report: Report, trace: Trace, path: Path, video_name: str | None = None) -> None:
    """Write report.html, complete by itself; `video_name` is the video beside it, if any.

    Raises OutputError; the file is whole or not there.
    """
    from formcheck.report.page import render_html

    _write_text(path, render_html(report, trace, video_name))
