"""Writes .ci/sbom.cdx.json: what formcheck is made of, in the CycloneDX format (1.6).

    python .ci/sbom.py

Taken from .ci/requirements.txt (exact versions; their hashes stand there) and from the list of the
pose models. `.ci/lock` runs it; the wheel carries the file under `.dist-info/sboms`.
"""

import json
import re
import tomllib
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parent
BUILD_ONLY = ("hatchling", "pathspec", "pluggy", "trove-classifiers")
"""Needed to build formcheck, not to run it."""


def pins(requirements: str) -> list[tuple[str, str, str]]:
    """(name, version, marker) of every line of a list of exact versions."""
    line = r"^([A-Za-z0-9._-]+)==([^\s;\\]+)(?:\s*;\s*([^\\\n]+?))?\s*\\?$"
    found = re.findall(line, requirements, re.M)
    return [(name.lower(), version, marker) for name, version, marker in found]


def component(name: str, version: str, marker: str) -> dict:
    purl = f"pkg:pypi/{name}@{version}"
    made = {"type": "library", "bom-ref": purl, "name": name, "version": version, "purl": purl}
    if name in BUILD_ONLY:
        made["scope"] = "excluded"
    if marker:
        made["properties"] = [{"name": "formcheck:marker", "value": marker}]
    return made


def models() -> list[dict]:
    listed = json.loads((ROOT / "models" / "manifest.json").read_text(encoding="utf-8"))
    return [
        {
            "type": "machine-learning-model",
            "bom-ref": f"model:{bundle['file']}",
            "name": bundle["file"],
            "hashes": [{"alg": "SHA-256", "content": bundle["sha256"]}],
            "licenses": [{"license": {"id": bundle["licence"]}}],
        }
        for bundle in listed["bundles"]
    ]


def bill() -> dict:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    listed = pins((HERE / "requirements.txt").read_text(encoding="utf-8"))
    return {
        "$schema": "http://cyclonedx.org/schema/bom-1.6.schema.json",
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {
            "component": {
                "type": "application",
                "bom-ref": "formcheck",
                "name": project["name"],
                "version": project["version"],
                "licenses": [{"license": {"id": project["license"]}}],
            }
        },
        "components": [component(*pin) for pin in listed] + models(),
    }


def text() -> str:
    return json.dumps(bill(), indent=1) + "\n"


if __name__ == "__main__":
    (HERE / "sbom.cdx.json").write_text(text(), encoding="utf-8")
