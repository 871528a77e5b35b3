"""report.json: a report written, and read back into the same records.

Numbers are rounded on the way (`report_rounding`); a missing number is null in the file and NaN in
the record. A file of version 1.0 is read too.
"""

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from formcheck.files import storage
from formcheck.files.report_entries import entry_of
from formcheck.files.report_records import report_of_entries
from formcheck.files.report_rounding import as_written, readable
from formcheck.files.schema_version import is_newer_minor, schema_fault, warn_newer_minor
from formcheck.model.errors import FileError
from formcheck.model.measures import MEASURES
from formcheck.model.records import REPORT_SCHEMA, Report


def report_mapping(report: Report) -> dict[str, Any]:
    """The report as a mapping, keys in the order of the vocabulary.

    Raises:
        KeyError: a measure outside the closed list of measures.
    """
    return asdict(entry_of(as_written(report)))


def report_json(report: Report) -> str:
    """The text of report.json: same report, same bytes; one newline at the end."""
    return json.dumps(report_mapping(report), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def write_report(report: Report, path: Path) -> None:
    """Write report.json. Raises OutputError; the file is whole or not there."""
    storage.write_text(Path(path), readable(report_json(report)))


def report_from_mapping(mapping: object, file: str = "report.json") -> Report:
    """The report that a mapping holds, checked; one of version 1.0 is read too.

    Raises:
        FileError: another kind or major version, or anything amiss (all of it listed).
    """
    if not isinstance(mapping, dict):
        raise FileError(f"{file}: not a report; choose a report.json of formcheck")
    found = mapping.get("schema")
    if fault := schema_fault(found, REPORT_SCHEMA):
        raise FileError(f"{file}: schema {fault}")
    found = str(found)
    if is_newer_minor(found, REPORT_SCHEMA):
        warn_newer_minor(file, found, REPORT_SCHEMA)
        mapping = _without_unknown(mapping)
    if found == "formcheck.report/1.0":
        from formcheck.files.report_1_0 import report_of_1_0

        return report_of_1_0(mapping, file)
    return report_of_entries(mapping, file)


def read_report(path: Path) -> Report:
    """The report in a report.json, of this version or of 1.0.

    Raises:
        FileError: no such file, not JSON, another version, or anything amiss in it.
    """
    path = Path(path)
    return report_from_mapping(read_report_json(path), str(path))


def read_report_json(path: Path) -> object:
    """The JSON of a report's file, unchecked. Raises FileError when it cannot be read."""

    def refuse(constant: str) -> None:
        raise ValueError(f"{constant} is no number")

    try:
        return json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)
    except OSError as e:
        raise FileError(f"{path}: cannot be read ({e.strerror}); check the path") from e
    except (ValueError, RecursionError) as e:
        raise FileError(f"{path}: not JSON ({e}); analyse the clip again") from e


def _without_unknown(mapping: dict[str, Any]) -> dict[str, Any]:
    """A newer minor version's mapping without the measures and codes that are unknown here."""
    from copy import deepcopy
    from typing import get_args

    from formcheck.model.codes import FindingCode, RefusalCode

    out = deepcopy(mapping)
    findings, refusals = get_args(FindingCode), get_args(RefusalCode)

    def is_known(entry: object) -> bool:
        return isinstance(entry, dict) and entry.get("measure") in MEASURES

    def known_values(of: object) -> dict[str, Any]:
        return {
            key: {**value, "not_measurable": "no_value"}
            if isinstance(value, dict) and value.get("not_measurable", "no_value") not in refusals
            else value
            for key, value in (of if isinstance(of, dict) else {}).items()
            if key in MEASURES
        }

    def mend(holder: object, key: str, change: Callable[[Any], Any]) -> None:
        if isinstance(holder, dict) and isinstance(holder.get(key), dict | list):
            holder[key] = change(holder[key])

    def known_checks(of: list[Any]) -> list[Any]:
        return list(filter(is_known, of))

    mend(
        out.get("quality"),
        "findings",
        lambda of: [f for f in of if isinstance(f, dict) and f.get("code") in findings],
    )
    mend(out, "bounds", known_checks)
    facts = out["set"].get("facts") if isinstance(out.get("set"), dict) else None
    mend(facts, "told", known_checks)
    for holder in (*(out.get("repetitions") or ()), out.get("set")):
        mend(holder, "measures", known_values)
        mend(holder, "other_leg", known_values)
        mend(holder, "symmetry", known_values)
        mend(holder, "checks", known_checks)
    return out
