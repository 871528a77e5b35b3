"""Makes the pose bundles again from the published packages and checks every byte.

    python models/make_bundles.py --out FOLDER

Needs Python 3.9 to 3.12, npm and pip; touches nothing but FOLDER. It fetches the landmark
networks from the npm package `@mediapipe/pose` and the person detector from the Python package
`mediapipe` 0.10.21, checks their sha256, adds the image-normalisation metadata and stores each
pair in a zip. That release's metadata writer is used because later releases ship it broken; it
wants old dependencies, hence the environment of its own. The outcome is compared with
manifest.json, so a bundle that differs in one byte is an error.
"""

import argparse
import hashlib
import json
import subprocess
import sys
import tarfile
import tempfile
import time
import venv
from pathlib import Path

HERE = Path(__file__).resolve().parent
MANIFEST = json.loads((HERE / "manifest.json").read_text(encoding="utf-8"))
DETECTOR_MEAN_AND_STD = (127.5, 127.5)
LANDMARKS_MEAN_AND_STD = (0.0, 255.0)


def sha256(data):
    return hashlib.sha256(data).hexdigest()


def require_sha256(data, expected, what):
    if sha256(data) != expected:
        sys.exit(f"{what}: sha256 is {sha256(data)}, expected {expected}")


def fetch(folder):
    """Folder with the four source networks, and the Python that holds the metadata writer."""
    packages = MANIFEST["source_packages"]
    parts = folder / "parts"
    parts.mkdir()
    npm = packages["npm"]
    subprocess.run(
        ["npm", "pack", "--silent", f"{npm['name']}@{npm['version']}"],
        cwd=folder,
        check=True,
        stdout=subprocess.DEVNULL,
    )
    (archive,) = folder.glob("*.tgz")
    with tarfile.open(archive) as tar:
        for name in (b["landmarks"]["source"] for b in MANIFEST["bundles"]):
            (parts / name).write_bytes(tar.extractfile(f"package/{name}").read())
    environment = folder / "environment"
    venv.create(environment, with_pip=True)
    python = environment / "bin" / "python"
    wheel = packages["pypi"]
    subprocess.run(
        [python, "-m", "pip", "install", "--quiet", f"{wheel['name']}=={wheel['version']}"],
        check=True,
    )
    (detector,) = environment.glob("lib/*/site-packages/mediapipe/modules/pose_detection/*.tflite")
    (parts / detector.name).write_bytes(detector.read_bytes())
    for bundle in MANIFEST["bundles"]:
        for part in (bundle["detector"], bundle["landmarks"]):
            data = (parts / part["source"]).read_bytes()
            require_sha256(data, part["source_sha256"], part["source"])
    return parts, python


def with_metadata(data, mean_and_std):
    """The network with the note on how its input picture is normalised."""
    from mediapipe.tasks.python.metadata.metadata_writers.metadata_writer import MetadataWriter

    mean, std = mean_and_std
    writer = MetadataWriter.create(bytearray(data))
    writer.add_general_info("pose", "")
    writer.add_image_input([mean], [std])
    return bytes(writer.populate()[0])


def assemble(parts, out):
    """Writes the bundles into `out`; runs inside the environment that `fetch` made."""
    import zipfile

    from mediapipe.tasks.python.metadata.metadata_writers.model_asset_bundle_utils import (
        create_model_asset_bundle,
    )

    for bundle in MANIFEST["bundles"]:
        networks = {}
        for kind, norm in (
            ("detector", DETECTOR_MEAN_AND_STD),
            ("landmarks", LANDMARKS_MEAN_AND_STD),
        ):
            part = bundle[kind]
            networks[part["file"]] = with_metadata((parts / part["source"]).read_bytes(), norm)
            require_sha256(networks[part["file"]], part["sha256"], f"{bundle['file']}: {kind}")
        # A zip keeps the time of each entry: give it the one on record, or no two would be equal.
        stamp = time.strptime(bundle["stored_at"], "%Y-%m-%dT%H:%M:%S")
        zipfile.time.localtime = lambda *_, stamp=stamp: stamp
        path = out / bundle["file"]
        create_model_asset_bundle(networks, str(path))
        require_sha256(path.read_bytes(), bundle["sha256"], bundle["file"])
        print(f"{path}: {path.stat().st_size} bytes, as in the manifest")


def main():
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--out", type=Path, required=True, help="folder for the bundles")
    arguments.add_argument("--parts", type=Path, help=argparse.SUPPRESS)
    given = arguments.parse_args()
    out = given.out.resolve()
    out.mkdir(parents=True, exist_ok=True)
    if given.parts:
        assemble(given.parts, out)
        return
    with tempfile.TemporaryDirectory() as folder:
        parts, python = fetch(Path(folder))
        subprocess.run([python, __file__, "--out", out, "--parts", parts], check=True)


if __name__ == "__main__":
    main()
