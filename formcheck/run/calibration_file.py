"""A patient's goniometer readings: the calibration file, read and added to."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from formcheck.files import storage
from formcheck.files.schema import record_from_mapping, record_to_mapping
from formcheck.files.schema_version import schema_fault
from formcheck.model.errors import FileError, UsageError
from formcheck.model.records import GoniometerReading
from formcheck.run.rerun import assessed_again
from formcheck.run.result_folder import TRACK_NAME, parsed_json, read_request

CALIBRATION_SCHEMA = "formcheck.calibration/1.0"
READING_LIMITS_DEG = (-30.0, 170.0)
"""Widest knee flexion that a goniometer reads (common practice, as `calibrate` takes it)."""


def read_readings(path: Path) -> tuple[GoniometerReading, ...]:
    """The patient's goniometer readings in a calibration file.

    Raises FileError when the file is damaged or of another major version.
    """
    try:
        body = parsed_json(path)
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
    request, settings = read_request(folder)
    raw = storage.read_track(folder / TRACK_NAME)
    analysis = assessed_again(folder, raw, replace(request, readings=()), settings)
    report, track = analysis.report, analysis.track
    seen = analysis.seen_at(at_s)
    side, view = seen.leg, seen.view
    if view.plane != "sagittal" or side != view.near_side:
        raise UsageError(
            "a reading needs a clip seen from the side, with the measured leg near the camera"
        )
    knee_deg = seen.knee_flexion_deg
    around = (np.abs(track.time_s - at_s) <= 0.1) & seen.is_here
    if not np.isfinite(knee_deg[around]).any():
        raise UsageError(f"--at {at_s:g}: the knee is not seen at that moment; choose another")
    reading = GoniometerReading(
        side=side,
        model=report.source.model,
        reading_deg=reading_deg,
        seen_deg=round(float(np.nanmedian(knee_deg[around])), 2),
        at_s=at_s,
        clip_sha256=report.clip.sha256,
        taken_on=taken_on,
        taken_by=taken_by,
    )
    earlier = read_readings(path) if path.exists() else ()
    body = {
        "schema": CALIBRATION_SCHEMA,
        "readings": [record_to_mapping(r) for r in (*earlier, reading)],
    }
    storage.write_text(path, json.dumps(body, indent=1) + "\n")
    return reading
