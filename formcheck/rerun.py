"""A finished result folder, taken up again: the same landmarks and settings, the same figures.

`analyze` leaves beside its report the landmark track and what was asked of it (request.json).
From the two every reported figure comes out again, with the parts of its interval.
"""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from formcheck import storage
from formcheck.anatomy import Side
from formcheck.errors import FileError, UsageError
from formcheck.kinematics import build_series
from formcheck.measures import MEASURES
from formcheck.pipeline import Request, Settings, assess
from formcheck.records import Analysis, GoniometerReading, RawTrack, Symmetry
from formcheck.schema_version import is_newer_minor, schema_fault, warn_newer_minor
from formcheck.symmetry import symmetry_of
from formcheck.video import shown_name

REQUEST_SCHEMA = "formcheck.request/1.0"
REQUEST_NAME = "request.json"
TRACK_NAME = "track.parquet"


def request_json(request: Request, settings: Settings) -> str:
    """request.json: what was asked, with the exercise and the prescription in full."""
    from formcheck.schema import record_to_mapping

    body = {
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
    from formcheck.schema import record_from_mapping

    path = folder / REQUEST_NAME
    try:
        body = _parsed(path)
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


def _parsed(path: Path) -> object:
    """The content of a JSON file of ours. Raises OSError, and ValueError for anything that is no
    JSON, holds NaN or infinity, or is nested without end."""

    def refuse(constant: str):
        raise ValueError(f"{constant} is no number")

    try:
        return json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)
    except RecursionError as error:
        raise ValueError("nested too deeply") from error


def reassess(folder: Path) -> Analysis:
    """The analysis of a result folder from its own landmarks, request and settings.

    Raises FileError when one of the folder's files is missing or damaged.
    """
    request, settings = read_request(folder)
    raw = storage.read_track(folder / TRACK_NAME)
    from formcheck.report import read_report

    created_at = read_report(folder / "report.json")["created_at"]
    return _assessed(folder, raw, request, settings, created_at=created_at)


def _assessed(
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
) -> tuple[tuple[Symmetry, ...], dict[Side, int]]:
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


CALIBRATION_SCHEMA = "formcheck.calibration/1.0"
READING_LIMITS_DEG = (-30.0, 170.0)
"""Widest knee flexion that a goniometer reads (common practice, as `calibrate` takes it)."""


def read_readings(path: Path) -> tuple[GoniometerReading, ...]:
    """The patient's goniometer readings in a calibration file.

    Raises FileError when the file is damaged or of another major version.
    """
    from formcheck.schema import record_from_mapping

    try:
        body = _parsed(path)
    except OSError as error:
        raise FileError(f"{path}: cannot be read ({error.strerror}); check the name") from error
    except ValueError as error:
        raise FileError(
            f"{path}: is not JSON; name a file that `formcheck calibrate` wrote"
        ) from error
    fault = schema_fault(body.get("schema") if isinstance(body, dict) else None, CALIBRATION_SCHEMA)
    if fault:
        raise FileError(f"{path}: schema: {fault}")
    readings = record_from_mapping(
        tuple[GoniometerReading, ...], body.get("readings", []), str(path)
    )
    least, greatest = READING_LIMITS_DEG
    for n, r in enumerate(readings):
        if not (least <= r.reading_deg <= greatest and abs(r.seen_deg) <= 180):
            raise FileError(
                f"{path}: readings.{n}: {r.reading_deg:g} deg read where {r.seen_deg:g} deg was "
                f"seen; a reading lies between {least:g} and {greatest:g} deg"
            )
    return readings


def add_reading(
    folder: Path, path: Path, *, at_s: float, reading_deg: float, taken_by: str, taken_on: str
) -> GoniometerReading:
    """Adds a goniometer reading for a moment of a measured clip to a patient's calibration file.

    Raises UsageError where the moment has no side-view knee angle, FileError for damaged files.
    """
    from formcheck.schema import record_to_mapping

    request, settings = read_request(folder)
    raw = storage.read_track(folder / TRACK_NAME)
    analysis = _assessed(folder, raw, replace(request, readings=()), settings)
    report, track = analysis.report, analysis.track
    seen = analysis.seen_at(at_s)
    side, view = seen.leg, seen.view
    if view.plane != "sagittal" or side != view.near_side:
        raise UsageError(
            "a reading needs a clip seen from the side, with the measured leg near the camera"
        )
    knee_deg = build_series(track, view, side).knee_flexion_deg
    around = (np.abs(track.time_s - at_s) <= 0.1) & seen.is_here
    if not np.isfinite(knee_deg[around]).any():
        raise UsageError(f"--at {at_s:g}: the knee is not seen at that moment; choose another")
    reading = GoniometerReading(
        side=side, model=report.source.model, reading_deg=reading_deg,
        seen_deg=round(float(np.nanmedian(knee_deg[around])), 2), at_s=at_s,
        clip_sha256=report.clip.sha256, taken_on=taken_on, taken_by=taken_by,
    )  # fmt: skip
    earlier = read_readings(path) if path.exists() else ()
    body = {
        "schema": CALIBRATION_SCHEMA,
        "readings": [record_to_mapping(r) for r in (*earlier, reading)],
    }
    storage.write_text(path, json.dumps(body, indent=1) + "\n")
    return reading
