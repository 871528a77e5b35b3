"""Writes what follows from the list of measures anew: the schemas, and the table of the documents.

python tests/write_lists.py
"""

import json
import re
from pathlib import Path

from formcheck.files.report_schema import report_json_schema
from formcheck.files.schema import KINDS, json_schema_text
from formcheck.model.measures import MEASURES, PLANES, Measure

PACKAGE = Path(__file__).resolve().parent.parent / "formcheck"


def row(measure: Measure) -> str:
    """A measure's row in the table of the documents."""
    without_unit = "count" if measure.key.startswith("n_") else "ratio"
    unit = without_unit if measure.unit == "1" else measure.unit
    views = ", ".join(plane for plane in PLANES if plane in measure.views)
    return f"| `{measure.key}` | {unit} | {views} | {measure.definition} |\n"


def with_rows(page: str) -> str:
    """The page of the measures with its table anew."""
    table = re.compile(r"^(?:\| `\w+` \| .*\|\n)+", flags=re.MULTILINE)
    return table.sub(lambda _: "".join(map(row, MEASURES.values())), page, count=1)


def main() -> None:
    schemas = PACKAGE / "assets/schemas"
    for kind in KINDS:
        (schemas / f"{kind}.schema.json").write_text(json_schema_text(kind), encoding="utf-8")
    text = json.dumps(report_json_schema(), ensure_ascii=False, indent=2) + "\n"
    (schemas / "report.json").write_text(text, encoding="utf-8")
    page = PACKAGE / "docs/researchers/measures.md"
    page.write_text(with_rows(page.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
