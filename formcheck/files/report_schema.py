"""The JSON Schema of report.json, made of the records that read it."""

import json
from importlib import resources
from typing import Any

from formcheck.files.report_layout import ReportEntry
from formcheck.model.measures import MEASURES
from formcheck.model.records import REPORT_SCHEMA

_BY_MEASURE = {("RepetitionEntry", "measures"), ("SetEntry", "measures"), ("SetEntry", "symmetry")}


def report_json_schema() -> dict[str, Any]:
    """The JSON Schema: closed records, measures by name; a report of version 1.0 is valid too."""
    from pydantic import TypeAdapter

    made = TypeAdapter(ReportEntry).json_schema()
    entries = made.pop("$defs")
    for name, entry in {**entries, "ReportEntry": made}.items():
        _finish(name, entry)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:formcheck:report:1.1",
        "title": "formcheck report",
        "oneOf": [{"$ref": "#/$defs/ReportEntry"}, {"$ref": "urn:formcheck:report:1.0"}],
        "$defs": {
            "key": {"enum": list(MEASURES)},
            "ReportEntry": made,
            **entries,
            "report_1_0": _of_1_0(),
        },
    }


def report_json_schema_text() -> str:
    """The JSON Schema as it is shipped."""
    return json.dumps(report_json_schema(), indent=2, ensure_ascii=False) + "\n"


def _of_1_0() -> dict[str, Any]:
    shipped = resources.files("formcheck") / "assets" / "schemas" / "report-1.0.json"
    schema: dict[str, Any] = json.loads(shipped.read_text(encoding="utf-8"))
    return schema


def _finish(name: str, entry: dict[str, Any]) -> None:
    if entry.get("type") != "object":
        return
    properties = entry.get("properties", {})
    if properties:
        entry["additionalProperties"] = False
    if entry.get("description", "").startswith(f"{name}("):  # made up where there is no docstring
        entry.pop("description")
    elif "description" in entry:
        entry["description"] = " ".join(entry["description"].split())
    for key, value in properties.items():
        if key == "measure":
            value.clear()
            value["$ref"] = "#/$defs/key"
        elif (name, key) in _BY_MEASURE:
            for one in (value, *value.get("anyOf", ())):
                if one.get("type") == "object":
                    one["propertyNames"] = {"$ref": "#/$defs/key"}
        elif (name, key) == ("ReportEntry", "schema"):
            value["const"] = REPORT_SCHEMA
        elif key == "sha256":
            value["pattern"] = "^[0-9a-f]{64}$"
