"""The pose models' bundles on disk, checked against the manifest on every load."""

import hashlib
import json
from pathlib import Path

from formcheck.model.errors import ModelError

MODELS_SCHEMA = "formcheck.models/1.0"
MODEL_NAMES = ("lite", "full", "heavy")


def models_folder() -> Path:
    """Where the bundles are: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "_models"
    return inside if inside.is_dir() else package.parent / "models"


def read_bundle(name: str) -> tuple[bytes, str]:
    """The bundle's bytes and sha256, after holding them against the manifest.

    Raises ModelError when it is missing or differs.
    """
    entry = manifest_entry(name)
    path = models_folder() / entry["file"]
    try:
        content = path.read_bytes()
    except OSError as error:
        raise ModelError(
            f"{path}: the pose model cannot be read ({error.strerror}); install formcheck again"
        ) from error
    found = hashlib.sha256(content).hexdigest()
    if found != entry["sha256"]:
        raise ModelError(
            f"{path}: the pose model is damaged (sha256 {found[:12]}... where the manifest says "
            f"{entry['sha256'][:12]}...); install formcheck again"
        )
    return content, found


def manifest_entry(name: str) -> dict:
    """What the manifest says of a bundle. Raises ModelError when it says nothing readable."""
    path = models_folder() / "manifest.json"
    try:
        manifest = json.loads(path.read_text(encoding="utf-8"))
        if manifest["schema"] != MODELS_SCHEMA:
            raise ModelError(
                f"{path}: is {manifest['schema']}, and this program reads {MODELS_SCHEMA}; "
                "install formcheck again"
            )
        return next(entry for entry in manifest["bundles"] if entry["name"] == name)
    except (OSError, ValueError, KeyError, TypeError, StopIteration) as error:
        raise ModelError(
            f"{path}: does not name the pose model {name!r}; install formcheck again"
        ) from error
