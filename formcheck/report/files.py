"""The report as files: report.json and reps.csv (report_html.py lays out the page).

report.json is the record `Report` as a mapping with the keys of the closed vocabulary, no
others; the other files are views of it. Numbers are rounded here, once: 2 decimals for degrees
and centimetres, 3 for seconds and shares. A missing number is null, never NaN.
"""

import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path

from formcheck.files import storage
from formcheck.files.schema_version import is_newer_minor, schema_fault, warn_newer_minor
from formcheck.model.errors import FileError
from formcheck.model.measures import MEASURES
from formcheck.model.records import (
    REPORT_SCHEMA,
    Analysis,
    AssessedRepetition,
    ExerciseWords,
    Measured,
    Report,
    Symmetry,
    Value,
)
from formcheck.motion.camera import within_180_deg
from formcheck.report.columns import CSV_REASON, check_columns
from formcheck.words.finding_words import finding_words
from formcheck.words.refusal_words import refusal_words
from formcheck.words.set_words import bound_text, check_sentence, set_sentence
from formcheck.words.wording import known

_DECIMALS = {"deg": 2, "cm": 2, "deg/min": 2, "s": 3, "share": 3, "1": 3}


def _rounded(value: float | None, decimals: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), decimals) + 0.0  # + 0.0: no negative zero


def _seconds(value: float | None) -> float | None:
    return _rounded(value, 3)


def _of_unit(key: str, value: float | None) -> float | None:
    return _rounded(value, _DECIMALS[MEASURES[key].unit])


def _interval(value: Value, decimals: int) -> dict:
    value = known(value)
    if isinstance(value, Measured):
        return {
            "value": _rounded(value.value, decimals),
            "low": _rounded(value.low, decimals),
            "high": _rounded(value.high, decimals),
        }
    return {"not_measurable": refusal_words(value, "clinician")}


def measure_mapping(value: Value) -> dict:
    """A measure as the report has it: value, low and high, or not_measurable with its reason."""
    return _interval(value, _DECIMALS[MEASURES[value.key].unit])


def _repetition_mapping(assessed: AssessedRepetition, said: ExerciseWords) -> dict:
    r = assessed.repetition
    return {
        "number": r.number,
        "side": r.side,
        "part": r.part,
        "start_s": _seconds(r.start_s),
        "turn_s": _seconds(r.turn_s),
        "end_s": _seconds(r.end_s),
        "complete": r.is_complete,
        "measures": {m.key: measure_mapping(m) for m in assessed.measures},
        "checks": [
            {
                "measure": c.measure,
                "kind": c.kind,
                "bound": bound_text(c.bound),
                "outcome": c.outcome,
                "text": check_sentence(c, assessed, "clinician"),
            }
            for c in assessed.checks
        ],
        "findings": [
            {"code": f.code, "at_s": _seconds(f.at_s), "text": said.remark(f.code)}
            for f in assessed.remarks
        ],
    }


def symmetry_mapping(symmetry: tuple[Symmetry, ...] | None) -> dict | None:
    if symmetry is None:
        return None
    return {
        s.key: {
            "kind": s.kind,
            "involved": s.involved,
            # An index is in per cent whatever the measure's own unit is.
            **(_interval(s.value, 1) if s.kind == "index" else measure_mapping(s.value)),
        }
        for s in symmetry
    }


def plain(value):
    """A setting as JSON can hold it: records and mappings as objects, tuples as arrays."""
    if isinstance(value, Path):
        return value.name  # reports carry no machine's folders
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, tuple | list | set | frozenset):
        items = sorted(value) if isinstance(value, set | frozenset) else value
        return [plain(v) for v in items]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if value is None or isinstance(value, bool | int | float | str):
        return value
    return str(value)


def _settings_mapping(report: Report) -> dict:
    """Settings as used, with what else decided the result: the side's origin, the libraries."""
    return {
        **{key: plain(value) for key, value in report.settings},
        "side_was_chosen": report.side_was_chosen,
        "pose_mode": report.source.mode,
        "pose_rate_hz": plain(report.source.rate_hz),
        "library_versions": dict(report.source.library_versions),
    }


def report_mapping(report: Report) -> dict:
    """The report as a mapping, keys in the order of the vocabulary.

    Raises:
        KeyError: a measure outside the closed list of measures.
    """
    clip, view, whole, context = report.clip, report.view, report.whole, report.context
    return {
        "schema": REPORT_SCHEMA,
        "created_at": report.created_at,
        "provenance": {
            "version": report.version,
            "pose_model": {"name": report.source.model, "sha256": report.source.sha256},
            "settings": _settings_mapping(report),
            "prescription_sha256": report.prescription_sha256,
        },
        "clip": {
            "file": clip.file,
            "sha256": clip.sha256,
            "duration_s": _seconds(clip.duration_s),
            "n_frames": clip.n_frames,
            "width_px": clip.width_px,
            "height_px": clip.height_px,
            "rotation_deg": clip.rotation_deg,
            "n_frames_lost": clip.n_frames_lost,
            "mirrored": clip.is_mirrored,
        },
        "exercise": report.exercise,
        "side": report.side,
        "context": {
            "load_kg": plain(context.load_kg),
            "support": context.support,
            "step_height_cm": plain(context.step_height_cm),
            "seat_height_cm": plain(context.seat_height_cm),
            "effort": context.effort,
            "pain": {
                "before": context.pain.before,
                "during": context.pain.during,
                "after": context.pain.after,
            },
        },
        "view": {
            "plane": view.plane,
            "azimuth_deg": {
                "value": _rounded(view.azimuth_deg, 2),
                # Behind the person an interval goes over 180: from 170, say, to -170.
                "low": _rounded(within_180_deg(view.azimuth_low_deg), 2),
                "high": _rounded(within_180_deg(view.azimuth_high_deg), 2),
            },
            "near_side": view.near_side,
            "person_height_px": _rounded(view.person_height_px, 1),
        },
        "quality": {
            "usable": report.is_usable,
            "findings": [
                {
                    "code": f.code,
                    "text": finding_words(f, report.exercise_words, "terminal"),
                    "from_s": _seconds(f.from_s),
                    "to_s": _seconds(f.to_s),
                }
                for f in report.findings
            ],
        },
        "repetitions": [_repetition_mapping(r, report.exercise_words) for r in report.repetitions],
        "set": {
            "n_repetitions": whole.n_repetitions,
            "n_complete": whole.n_complete,
            "n_met": whole.n_met,
            "dose": {"prescribed": whole.dose_prescribed, "done": whole.dose_done},
            "measures": {
                m.key: {
                    "mean": _of_unit(m.key, m.mean),
                    "sd": _of_unit(m.key, m.sd),
                    "first": _of_unit(m.key, m.first),
                    "last": _of_unit(m.key, m.last),
                }
                for m in whole.measures
            },
            "symmetry": symmetry_mapping(whole.symmetry),
            "text": set_sentence(report, "clinician"),
        },
    }


def _write_text(path: Path, text: str) -> None:
    # A file name may hold bytes that are no UTF-8: "?" stands for each of them.
    storage.write_text(Path(path), text.encode("utf-8", "replace").decode("utf-8"))


def report_json(report: Report) -> str:
    """The text of report.json: same report, same bytes; one newline at the end."""
    return json.dumps(report_mapping(report), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def write_json(report: Report, path: Path) -> None:
    """Write report.json. Raises OutputError; the file is whole or not there."""
    _write_text(path, report_json(report))


# Reading back

_KEYS = {
    "": (
        "schema",
        "created_at",
        "provenance",
        "clip",
        "exercise",
        "side",
        "context",
        "view",
        "quality",
        "repetitions",
        "set",
    ),
    "provenance": ("version", "pose_model", "settings", "prescription_sha256"),
    "clip": (
        "file",
        "sha256",
        "duration_s",
        "n_frames",
        "width_px",
        "height_px",
        "rotation_deg",
        "n_frames_lost",
        "mirrored",
    ),
    "context": ("load_kg", "support", "step_height_cm", "seat_height_cm", "effort", "pain"),
    "view": ("plane", "azimuth_deg", "near_side", "person_height_px"),
    "quality": ("usable", "findings"),
    "set": ("n_repetitions", "n_complete", "n_met", "dose", "measures", "symmetry", "text"),
}
_REPETITION_KEYS = (
    "number",
    "side",
    "part",
    "start_s",
    "turn_s",
    "end_s",
    "complete",
    "measures",
    "checks",
    "findings",
)


def _missing(mapping: object, keys: tuple[str, ...], place: str) -> list[str]:
    if not isinstance(mapping, dict):
        return [f"{place or 'the file'}: not an object"]
    dot = f"{place}." if place else ""
    return [f"{dot}{key}: missing" for key in keys if key not in mapping]


def parse_report(mapping: object, file: str = "report.json") -> dict:
    """The mapping of a report, checked for its version and its keys.

    Raises:
        FileError: another kind or major version, or keys missing (all of them listed).
    """
    if not isinstance(mapping, dict):
        raise FileError(f"{file}: not a report; choose a report.json of formcheck")
    schema = mapping.get("schema")
    if fault := schema_fault(schema, REPORT_SCHEMA):
        raise FileError(f"{file}: schema {fault}")
    if is_newer_minor(schema, REPORT_SCHEMA):
        warn_newer_minor(file, schema, REPORT_SCHEMA)
    faults = _missing(mapping, _KEYS[""], "")
    for place, keys in _KEYS.items():
        if place and place in mapping:
            faults += _missing(mapping[place], keys, place)
    repetitions = mapping.get("repetitions", [])
    if isinstance(repetitions, list):
        for i, repetition in enumerate(repetitions):
            faults += _missing(repetition, _REPETITION_KEYS, f"repetitions[{i}]")
    else:
        faults.append("repetitions: not an array")
    if faults:
        listed = tuple(f"{file}: {fault}; analyse the clip again" for fault in faults)
        raise FileError(listed[0], listed)
    return mapping


def read_report(path: Path) -> dict:
    """The mapping of a report.json.

    Raises:
        FileError: no such file, not JSON, another version, or keys missing.
    """
    path = Path(path)
    try:
        mapping = json.loads(path.read_text(encoding="utf-8"))
    except OSError as e:
        raise FileError(f"{path}: cannot be read ({e.strerror}); check the path") from e
    except (ValueError, RecursionError) as e:
        raise FileError(f"{path}: not JSON ({e}); analyse the clip again") from e
    return parse_report(mapping, str(path))


# reps.csv

_FIXED_COLUMNS = ("number", "side", "part", "start_s", "turn_s", "end_s", "complete")


def _cell(text: str) -> str:
    # A spreadsheet takes a text that starts like this for a formula.
    return "'" + text if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


def _check_columns(repetition: AssessedRepetition) -> list[tuple[str, str, str]]:
    """(column, bound, outcome) of each check."""
    names = check_columns((c.measure, c.kind) for c in repetition.checks)
    return [
        (name, bound_text(c.bound), c.outcome)
        for name, c in zip(names, repetition.checks, strict=True)
    ]


def csv_rows(report: Report) -> list[dict[str, object]]:
    """Rows of reps.csv, one a repetition; every row has the same columns in the same order.

    A measure has four columns: its key (the unit is the key's ending), `_low`, `_high` and
    `_not_measurable` with the reason. A check has two: `KEY_target` or `KEY_limit` with the
    bound, and the same with `_outcome`.
    """
    keys = list(dict.fromkeys(m.key for r in report.repetitions for m in r.measures))
    checks = list(dict.fromkeys(c for r in report.repetitions for c, _, _ in _check_columns(r)))
    rows = []
    for assessed in report.repetitions:
        mapping = _repetition_mapping(assessed, report.exercise_words)
        row = {column: mapping[column] for column in _FIXED_COLUMNS}
        row["part"] = _cell(row["part"] or "")
        row["complete"] = "yes" if row["complete"] else "no"
        for key in keys:
            measure = mapping["measures"].get(key, {})
            row[key] = measure.get("value")
            row[f"{key}_low"] = measure.get("low")
            row[f"{key}_high"] = measure.get("high")
            row[f"{key}_{CSV_REASON}"] = _cell(measure.get("not_measurable", ""))
        found = {column: (bound, outcome) for column, bound, outcome in _check_columns(assessed)}
        for column in checks:
            bound, outcome = found.get(column, ("", ""))
            row[column], row[f"{column}_outcome"] = _cell(bound), outcome
        row["findings"] = _cell(
            "; ".join(f"{f['text']} (at {f['at_s']} s)" for f in mapping["findings"])
        )
        rows.append(row)
    return rows


def write_csv(report: Report, path: Path) -> None:
    """Write reps.csv: a row a repetition, a column a measure with its low and high.

    Raises OutputError; the file is whole or not there.
    """
    rows = csv_rows(report)
    columns = list(rows[0]) if rows else [*_FIXED_COLUMNS, "findings"]
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    _write_text(path, text.getvalue())


def write_html(analysis: Analysis, path: Path, video_name: str | None = None) -> None:
    """Write report.html, complete by itself; `video_name` is the video beside it, if any.

    Raises OutputError; the file is whole or not there.
    """
    from formcheck.report.page import render_html

    _write_text(path, render_html(analysis, video_name))
