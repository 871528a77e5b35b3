"""The built wheel works by itself: in a new environment, away from the checkout."""

import hashlib
import importlib.util
import json
import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import make_clips
import pytest

ROOT = Path(__file__).parent.parent
SAMPLE = ROOT / "sample_clips" / "squat_side.mp4"


def _run(*command, cwd, **environment):
    kept = {k: v for k, v in os.environ.items() if k not in {"PYTHONPATH", "VIRTUAL_ENV"}}
    done = subprocess.run(
        [str(part) for part in command],
        capture_output=True,
        text=True,
        cwd=cwd,
        env={**kept, **environment},
        timeout=1200,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    if importlib.util.find_spec("hatchling") is None:
        pytest.fail("hatchling is not installed: install the test extra")
    folder = tmp_path_factory.mktemp("wheel")
    _run(
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "--quiet",
        "--disable-pip-version-check",
        "--no-deps",
        "--no-build-isolation",
        "--wheel-dir",
        folder,
        ROOT,
        cwd=folder,
    )
    (path,) = folder.glob("*.whl")
    return path


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("clip") / "squat.mp4"
    make_clips.trimmed(SAMPLE, path, 1.0, 5.5)
    return path


def _analyze(environment, clip, tmp_path):
    """Analyses the clip with the installed command, and checks that nothing of the checkout ran."""
    where = _run(
        environment / "bin" / "python",
        "-c",
        "import formcheck; print(formcheck.__file__)",
        cwd=tmp_path,
    ).stdout
    assert where.startswith(str(environment))
    out = tmp_path / "out"
    done = _run(
        environment / "bin" / "formcheck",
        "analyze",
        clip,
        "--exercise",
        "squat",
        "--pose-model",
        "lite",
        "--out",
        out,
        cwd=tmp_path,
        XDG_CACHE_HOME=str(tmp_path / "cache"),
    )
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert report["schema"] == "formcheck.report/1.1"
    assert report["provenance"]["pose_model"]["name"] == "lite"
    assert len(report["repetitions"]) == 1
    assert {"report.html", "reps.csv", "annotated.mp4"} <= {p.name for p in out.iterdir()}
    assert done.stderr == ""


def test_the_wheel_holds_models_exercises_and_licences_and_no_test(wheel):
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    models = {f"formcheck/_models/pose_{name}.task" for name in ("lite", "full", "heavy")}
    assert models <= names
    assert {"formcheck/_models/manifest.json", "formcheck/_models/NOTICE.md"} <= names
    for path in (ROOT / "formcheck").rglob("*"):
        if path.is_file() and "__pycache__" not in path.parts:
            assert str(path.relative_to(ROOT)) in names
    assert [name for name in names if name.endswith("dist-info/licenses/LICENSE")]
    assert not [name for name in names if "test" in name.split("/")[0] or "make_bundles" in name]


def test_the_wheel_says_what_it_is_made_of(wheel):
    with zipfile.ZipFile(wheel) as archive:
        (name,) = (n for n in archive.namelist() if "/sboms/" in n)
        assert name.startswith("formcheck-")
        bill = json.loads(archive.read(name))
    assert (bill["bomFormat"], bill["specVersion"]) == ("CycloneDX", "1.6")
    versions = {c["name"]: c.get("version") for c in bill["components"]}
    listed = (ROOT / ".ci" / "requirements.txt").read_text("utf-8")
    assert f"mediapipe=={versions['mediapipe']}" in listed
    assert f"sqlalchemy=={versions['sqlalchemy']}" in listed
    models = [c for c in bill["components"] if c["type"] == "machine-learning-model"]
    for model in models:
        content = (ROOT / "models" / model["name"]).read_bytes()
        assert hashlib.sha256(content).hexdigest() == model["hashes"][0]["content"]
    assert len(models) == 3


def test_the_installed_wheel_analyses_a_clip(wheel, clip, tmp_path):
    environment = tmp_path / "environment"
    venv.create(environment, with_pip=False, symlinks=True)
    python = environment / "bin" / "python"
    _run(
        sys.executable,
        "-m",
        "pip",
        "--python",
        python,
        "install",
        "--quiet",
        "--no-deps",
        "--no-index",
        "--disable-pip-version-check",
        wheel,
        cwd=tmp_path,
    )
    # The libraries come from here; files named in a .pth file bring no editable installs along.
    (site,) = environment.glob("lib/*/site-packages")
    (site / "libraries.pth").write_text(sysconfig.get_path("purelib") + "\n")
    _analyze(environment, clip, tmp_path)


@pytest.mark.slow
def test_the_wheel_with_its_declared_dependencies_analyses_a_clip(wheel, clip, tmp_path):
    environment = tmp_path / "environment"
    venv.create(environment, with_pip=True)
    locked = (ROOT / ".ci" / "requirements.txt").read_text(encoding="utf-8").splitlines()
    constraints = tmp_path / "constraints.txt"  # without hashes: the wheel itself has none
    constraints.write_text("\n".join(x.rstrip(" \\") for x in locked if "==" in x) + "\n")
    _run(
        environment / "bin" / "python",
        "-m",
        "pip",
        "install",
        "--quiet",
        "--disable-pip-version-check",
        "--constraint",
        constraints,
        wheel,
        cwd=tmp_path,
    )
    _analyze(environment, clip, tmp_path)
