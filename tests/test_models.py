"""The pose bundles: as the manifest says, and refused when they are not."""

import hashlib
import json
import zipfile

import pytest

from formcheck.model.errors import ModelError
from formcheck.pose import bundles as pose_bundles
from formcheck.pose import landmarker as pose

FOLDER = pose_bundles.models_folder()
MANIFEST = json.loads((FOLDER / "manifest.json").read_text(encoding="utf-8"))
BUNDLES = {entry["name"]: entry for entry in MANIFEST["bundles"]}


@pytest.fixture
def copied_models(tmp_path, monkeypatch):
    """A folder with the manifest and the lite bundle, for damaging, used in place of the real."""
    for name in ("manifest.json", "pose_lite.task"):
        (tmp_path / name).write_bytes((FOLDER / name).read_bytes())
    monkeypatch.setattr(pose_bundles, "models_folder", lambda: tmp_path)
    return tmp_path


def test_the_manifest_names_every_model_that_can_be_chosen():
    assert MANIFEST["schema"] == pose_bundles.MODELS_SCHEMA
    assert set(BUNDLES) == set(pose_bundles.MODEL_NAMES)
    assert all(entry["licence"] == "Apache-2.0" for entry in BUNDLES.values())


@pytest.mark.parametrize("name", pose_bundles.MODEL_NAMES)
def test_a_bundle_and_its_parts_are_as_the_manifest_says(name):
    entry = BUNDLES[name]
    path = FOLDER / entry["file"]
    content = path.read_bytes()
    assert len(content) == entry["size"]
    assert hashlib.sha256(content).hexdigest() == entry["sha256"]
    with zipfile.ZipFile(path) as bundle:
        parts = {part: hashlib.sha256(bundle.read(part)).hexdigest() for part in bundle.namelist()}
        assert all(info.compress_type == zipfile.ZIP_STORED for info in bundle.infolist())
    assert parts == {entry[kind]["file"]: entry[kind]["sha256"] for kind in _KINDS}


_KINDS = ("detector", "landmarks")


def test_the_three_bundles_share_one_detector():
    assert len({entry["detector"]["sha256"] for entry in BUNDLES.values()}) == 1


def test_reading_a_bundle_gives_its_sha256():
    content, sha256 = pose_bundles.read_bundle("lite")
    assert sha256 == BUNDLES["lite"]["sha256"] == hashlib.sha256(content).hexdigest()


def test_one_changed_byte_in_a_bundle_is_refused(copied_models):
    path = copied_models / "pose_lite.task"
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    with pytest.raises(ModelError, match=r"damaged .*install formcheck again"):
        pose.PoseModel(pose.PoseSettings(model="lite"))


def test_a_cut_off_bundle_is_refused(copied_models):
    path = copied_models / "pose_lite.task"
    path.write_bytes(path.read_bytes()[:1000])
    with pytest.raises(ModelError, match="damaged"):
        pose_bundles.read_bundle("lite")


def test_a_missing_bundle_is_named(copied_models):
    with pytest.raises(ModelError, match=r"pose_full\.task.*cannot be read"):
        pose_bundles.read_bundle("full")


@pytest.mark.parametrize(
    "text", ["", "[]", "null", "{}", '{"schema": "formcheck.models/1.0"}', "\x00"]
)
def test_a_damaged_manifest_is_a_model_error(copied_models, text):
    (copied_models / "manifest.json").write_text(text)
    with pytest.raises(ModelError, match=r"manifest\.json"):
        pose_bundles.read_bundle("lite")


def test_a_manifest_of_another_major_version_is_refused_with_both_named(copied_models):
    (copied_models / "manifest.json").write_text('{"schema": "formcheck.models/2.0", "bundles":[]}')
    with pytest.raises(ModelError, match=r"formcheck\.models/2\.0.*formcheck\.models/1\.0"):
        pose_bundles.read_bundle("lite")


def test_the_notice_tells_origin_and_licence_of_the_models():
    notice = (FOLDER / "NOTICE.md").read_text(encoding="utf-8")
    for package in MANIFEST["source_packages"].values():
        assert package["name"] in notice
        assert package["version"] in notice
    assert "Apache License 2.0" in notice
    assert "GNU General Public License" in notice
