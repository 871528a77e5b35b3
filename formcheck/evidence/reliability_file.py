"""reliability.json read again: the smallest detectable changes of a clinic's own recordings."""

import json
from collections.abc import Mapping
from pathlib import Path

from formcheck.files.schema_version import is_newer_minor, schema_fault, warn_newer_minor
from formcheck.model.errors import FileError

RELIABILITY_SCHEMA = "formcheck.reliability/1.0"
RELIABILITY_NAME = "reliability.json"
FEW_SUBJECTS = 10
"""Below this many legs the figures are marked as uncertain, and no change is held against them
(common practice: 30 or more are wanted, fewer than 10 tell little)."""


def read_reliability(path: Path) -> dict:
    """The mapping of a reliability.json.

    Raises FileError: no such file, not JSON, another version, or no list of measures.
    """
    try:
        mapping = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FileError(f"{path}: cannot be read ({error.strerror}); check the path") from error
    except ValueError as error:
        raise FileError(f"{path}: not JSON ({error}); run formcheck reliability again") from error
    found = mapping.get("schema") if isinstance(mapping, dict) else None
    if fault := schema_fault(found, RELIABILITY_SCHEMA):
        raise FileError(f"{path}: schema {fault}")
    if is_newer_minor(found, RELIABILITY_SCHEMA):
        warn_newer_minor(path.name, found, RELIABILITY_SCHEMA)
    if not isinstance(mapping.get("measures"), list):
        raise FileError(f"{path}: measures: missing; run formcheck reliability again")
    return mapping


def mdc95_of(mapping: Mapping, exercise: str, measure: str) -> float | None:
    """The smallest detectable change of a measure in a reliability mapping, or None.

    None, too, where it is of fewer than FEW_SUBJECTS legs: of two legs it may come out as next to
    nothing, and every change would be larger than it.
    """
    for entry in mapping["measures"]:
        if entry.get("exercise") == exercise and entry.get("measure") == measure:
            if int(entry.get("n_subjects", FEW_SUBJECTS)) < FEW_SUBJECTS:
                return None
            value = (entry.get("repeatability") or {}).get("mdc95")
            return float(value) if value is not None else None
    return None
