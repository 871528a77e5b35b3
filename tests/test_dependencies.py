"""The lists of exact versions are whole, the bill of materials is theirs, the audit finds."""

import importlib.util
import json
import re
import subprocess
import sys
import zipfile
from importlib.metadata import requires
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

CI = Path(__file__).parent.parent / ".ci"


def _sbom():
    spec = importlib.util.spec_from_file_location("sbom", CI / "sbom.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_pinned_version_is_in_the_bill_and_no_other():
    sbom = _sbom()
    requirements = (CI / "requirements.txt").read_text("utf-8")
    lines = re.findall(r"^[^\s#][^=]*==", requirements, re.M)
    assert len(sbom.pins(requirements)) == len(lines) > 30
    kept = (CI / "sbom.cdx.json").read_text("utf-8")
    assert kept == sbom.text(), "run python .ci/sbom.py"
    assert "--hash=sha256:" in requirements


def _asked_for(asked: Requirement) -> list[Requirement]:
    """What a requirement asks for on this machine, with its extras, as its metadata says."""
    named = asked.extras or {""}
    further = [Requirement(text) for text in requires(asked.name) or ()]
    return [
        r for r in further if not r.marker or any(r.marker.evaluate({"extra": x}) for x in named)
    ]


@pytest.mark.parametrize(
    ("file", "root"),
    [("requirements.txt", "formcheck"), ("requirements-test.txt", "formcheck[test]")],
)
def test_the_lists_are_whole_for_they_are_installed_unresolved(file, root):
    pinned = {canonicalize_name(n): v for n, v, _ in _sbom().pins((CI / file).read_text("utf-8"))}
    waiting, seen = [Requirement(root)], set()
    while waiting:
        asked = waiting.pop()
        name = canonicalize_name(asked.name)
        if name != "formcheck":
            assert name in pinned, f"{asked} is not in {file}"
            assert asked.specifier.contains(pinned[name], prereleases=True), asked
        if (name, *sorted(asked.extras)) not in seen:
            seen.add((name, *sorted(asked.extras)))
            waiting += _asked_for(asked)
    assert len(seen) > 30


def _audit(tmp_path, *advisories) -> subprocess.CompletedProcess:
    file, listed = tmp_path / "advisories.zip", tmp_path / "requirements.txt"
    with zipfile.ZipFile(file, "w") as archive:
        for n, advisory in enumerate(advisories):
            archive.writestr(f"A-{n}.json", json.dumps({"id": f"A-{n}", **advisory}))
    listed.write_text("some_thing==1.4.0 \\\n    --hash=sha256:00\nother==2.0 ; os_name == 'nt'\n")
    return subprocess.run(
        [sys.executable, CI / "audit", file, listed], capture_output=True, text=True, cwd=CI
    )


def _of(name: str, ecosystem: str = "PyPI", **affected) -> dict:
    return {"affected": [{"package": {"ecosystem": ecosystem, "name": name}, **affected}]}


def _range(*events) -> dict:
    return {"ranges": [{"type": "ECOSYSTEM", "events": list(events)}]}


@pytest.mark.parametrize(
    ("advisory", "is_found"),
    [
        (_of("Some-Thing", versions=["1.3.0", "1.4.0"]), True),
        (_of("some-thing", versions=["1.3.0"]), False),
        (_of("some-thing", **_range({"introduced": "0"}, {"fixed": "1.4.1"})), True),
        (_of("some-thing", **_range({"introduced": "0"}, {"fixed": "1.4.0"})), False),
        (_of("some-thing", **_range({"introduced": "1.5"})), False),
        (_of("some-thing", **_range({"introduced": "1.0"}, {"last_affected": "1.4.0"})), True),
        (_of("some-thing", "npm", versions=["1.4.0"]), False),
        (_of("unlisted", versions=["1.4.0"]), False),
        ({"withdrawn": "2026", **_of("other", versions=["2.0"])}, False),
    ],
)
def test_the_audit_finds_what_an_advisory_speaks_of(tmp_path, advisory, is_found):
    done = _audit(tmp_path, advisory)
    assert (done.returncode, "A-0" in done.stdout) == (int(is_found), is_found), done.stderr


def test_a_file_without_advisories_is_no_clean_audit(tmp_path):
    assert _audit(tmp_path).returncode == 2
