"""The folder that a run leaves: its report, table, page, video, landmarks and request."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

from formcheck.files import storage
from formcheck.files.schema_version import is_newer_minor, schema_fault, warn_newer_minor
from formcheck.model.errors import FileError
from formcheck.model.measures import MEASURES
from formcheck.model.records import Analysis
from formcheck.model.request import Request
from formcheck.run.settings import Settings
from formcheck.video import shown_name

Progress = Callable[[str, int, int | None], None]

REQUEST_SCHEMA = "formcheck.request/1.0"
REQUEST_NAME = "request.json"
TRACK_NAME = "track.parquet"


VIDEO_NAME = "annotated.mp4"


def result_files(out: Path) -> tuple[Path, ...]:
    """The files that `write_results` may write into a folder."""
    names = (VIDEO_NAME, TRACK_NAME, REQUEST_NAME, "reps.csv", "report.html", "report.json")
    return tuple(out / name for name in names)


def write_results(
    analysis: Analysis,
    request: Request,
    settings: Settings,
    out: Path,
    *,
    with_video: bool = True,
    is_face_blurred: bool = True,
    progress: Progress | None = None,
) -> None:
    """Writes the report, its table, page, video, landmarks and request into the folder `out`.

    Each file appears under its name only when it is whole; report.json is written last, so a
    folder with a report is a finished one. Raises OutputError, and UsageError when the clip
    itself stands where a result would.
    """
    from formcheck.files.report_file import write_report
    from formcheck.report import files as report

    storage.refuse_to_overwrite((request.clip,), result_files(out))
    storage.make_folder(out)
    with_stale = out / VIDEO_NAME
    if with_video:
        from formcheck.overlay.painting import write_overlay

        with storage.write_atomically(with_stale) as beside:
            write_overlay(
                analysis, request.clip, beside, is_face_blurred=is_face_blurred, progress=progress
            )
    elif (out / REQUEST_NAME).exists():
        # An earlier run's video would show other outcomes than this report. In a folder that
        # holds no results of ours, a video of this name is not ours either.
        with_stale.unlink(missing_ok=True)
    storage.write_track(analysis.raw, out / TRACK_NAME)
    storage.write_text(out / REQUEST_NAME, request_json(request, settings))
    report.write_csv(analysis.report, out / "reps.csv")
    report.write_html(
        analysis.report, analysis.trace, out / "report.html", VIDEO_NAME if with_video else None
    )
    write_report(analysis.report, out / "report.json")


def request_json(request: Request, settings: Settings) -> str:
    """request.json: what was asked, with the exercise and the prescription in full."""
    from formcheck.files.schema import record_to_mapping

    body: dict[str, Any] = {
        "schema": REQUEST_SCHEMA,
        # Reports carry no machine's paths, so neither does this.
        "request": record_to_mapping(replace(request, clip=Path(shown_name(request.clip)))),
        "settings": record_to_mapping(settings),
    }
    # The number of threads changes the time taken, never the outcome.
    body["settings"]["pose"]["n_threads"] = None
    return json.dumps(body, indent=1, ensure_ascii=False) + "\n"


def read_request(folder: Path) -> tuple[Request, Settings]:
    """What was asked of the clip that this folder holds the results of.

    Raises FileError when the file is missing, damaged or of another major version.
    """
    from formcheck.files.schema import record_from_mapping

    path = folder / REQUEST_NAME
    try:
        body = parsed_json(path)
    except OSError as error:
        raise FileError(
            f"{path}: cannot be read ({error.strerror}); name a folder that "
            "`formcheck analyze` wrote"
        ) from error
    except ValueError as error:
        raise FileError(f"{path}: is not JSON; run `formcheck analyze` again") from error
    fault = schema_fault(body.get("schema") if isinstance(body, dict) else None, REQUEST_SCHEMA)
    if fault:
        raise FileError(f"{path}: schema: {fault}")
    if is_newer_minor(body["schema"], REQUEST_SCHEMA):
        warn_newer_minor(str(path), body["schema"], REQUEST_SCHEMA)
    request = record_from_mapping(Request, body.get("request"), str(path))
    for n, (_, bound) in enumerate(request.bounds):
        if bound.measure not in MEASURES or bound.at_least is bound.at_most is None:
            raise FileError(f"{path}: bounds.{n}: no bound on a measure of formcheck")
    return request, record_from_mapping(Settings, body.get("settings"), str(path))


def parsed_json(path: Path) -> Any:
    """The content of a JSON file of ours. Raises OSError, and ValueError for anything that is no
    JSON, holds NaN or infinity, or is nested without end."""

    def refuse(constant: str) -> NoReturn:
        raise ValueError(f"{constant} is no number")

    try:
        return json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)
    except RecursionError as error:
        raise ValueError("nested too deeply") from error
