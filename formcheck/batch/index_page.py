"""The page over a batch: a row a clip, sorted and filtered in the browser, opened from disk."""

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from urllib.parse import quote

from formcheck.batch.clips import readable
from formcheck.batch.one_clip import THUMBNAIL_NAME
from formcheck.batch.tables import ClipResult, clip_row
from formcheck.files import storage
from formcheck.model.records import Report
from formcheck.words.wording import exercise_name, view_words

INDEX_NAME = "index.html"


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    label: str
    is_number: bool = False


COLUMNS = (
    Column(label="Clip"),
    Column(label="Patient"),
    Column(label="Exercise"),
    Column(label="Side"),
    Column(label="View"),
    Column(label="Repetitions", is_number=True),
    Column(label="Met", is_number=True),
    Column(label="Status"),
    Column(label="Result"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexRow:
    """What the page shows of one clip, as text; addresses are relative to the page."""

    file: str
    patient: str
    exercise: str
    side: str
    view: str
    n_complete: str
    n_met: str
    status: str
    words: str
    href: str
    thumbnail: str


def index_html(results: Sequence[ClipResult]) -> str:
    """The page as text: complete by itself but for the thumbnails beside the results."""
    import jinja2

    environment = jinja2.Environment(
        autoescape=True,
        loader=jinja2.FunctionLoader(_asset),
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
    )
    rows = [_row(result) for result in results]
    n = {s: sum(row.status == s for row in rows) for s in _STATUSES}
    return environment.get_template("batch.html.j2").render(
        rows=rows,
        columns=COLUMNS,
        statuses=[s for s in _STATUSES if n[s]],
        exercises=sorted({row.exercise for row in rows if row.exercise}),
        n_measured=n["measured"],
        n_failed=n["failed"],
        sentence=", ".join(f"{n[s]} {s}" for s in _STATUSES if n[s]) + "." if rows else "No clips.",
        css=_asset("theme.css") + _asset("report.css") + _asset("batch.css"),
        script=_asset("batch.js"),
    )


def write_index(results: Sequence[ClipResult], out: Path) -> None:
    """Writes index.html. Raises OutputError."""
    storage.write_text(out / INDEX_NAME, index_html(results))


_STATUSES = ("measured", "failed", "skipped", "waiting")


def _row(result: ClipResult) -> IndexRow:
    row = clip_row(result)
    words = row["text"] if result.report else row["reason"]
    if result.report and not row["usable"]:
        words = f"Not usable. {words}"
    met = "" if row["n_met"] is None or not _is_judged(result) else str(row["n_met"])
    return IndexRow(
        file=readable(result.clip.file),
        patient=readable(row["patient"] or ""),
        exercise=exercise_name(row["exercise"]) if result.report else readable(row["exercise"]),
        side=readable(row["side"] or ""),
        view=_view(result.report) if result.report else "",
        n_complete="" if row["n_complete"] is None else str(row["n_complete"]),
        n_met=met,
        status=result.status,
        words=readable(words or ""),
        href=_address(result, "report.html") if result.report else "",
        thumbnail=_address(result, THUMBNAIL_NAME) if result.has_thumbnail else "",
    )


def _view(report: Report) -> str:
    azimuth_deg = report.view.azimuth_deg
    return view_words(report.view.plane, azimuth_deg if math.isfinite(azimuth_deg) else None)


def _is_judged(result: ClipResult) -> bool:
    return result.report is not None and any(r.checks for r in result.report.repetitions)


def _address(result: ClipResult, name: str) -> str:
    # Bytes, not letters: a name on disk need not be UTF-8, and an address can say so.
    return quote(os.fsencode(f"results/{result.clip.file}/{name}"))


def _asset(name: str) -> str:
    return (files("formcheck") / "assets" / name).read_text(encoding="utf-8")
