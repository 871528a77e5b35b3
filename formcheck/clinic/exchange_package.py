"""The exchange file itself: a sealed zip with a closed list of names, written and opened.

Sizes are limited by what is read, not by what the file says of itself; checksums are compared;
the seal is made with the patient's exchange key, so what was tampered with or comes from
elsewhere is refused. Nothing in the file ever becomes part of a path.
"""

import hashlib
import hmac
import json
import os
import secrets
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from formcheck.clinic import Clinic
from formcheck.clinic.database import now
from formcheck.clinic.days import moment_fault
from formcheck.clinic.folder import RECORDING_SUFFIXES, UID, need_room
from formcheck.clinic.patients import Patient, find_patient
from formcheck.clinic.sets import MOST_RECORDING_BYTES
from formcheck.files.locks import open_bytes, take
from formcheck.files.schema_version import schema_fault
from formcheck.files.storage import output_error, write_all, write_atomically
from formcheck.files.strict_json import read_json
from formcheck.model.errors import FileError
from formcheck.words.languages import gettext

EXCHANGE_SCHEMA = "formcheck.exchange/1.1"
SUFFIX = ".formcheck"
MADE_BY_PHONE = "phone"
"""What a set says that was sealed by a patient's page for a phone, with that page's own key."""
_MANIFEST = "manifest.json"
_LIMITS = {
    "manifest.json": 200_000,
    "set.json": 2_000_000,
    "plan.json": 2_000_000,
    "prescription.toml": 2_000_000,
    **{f"recording{suffix}": MOST_RECORDING_BYTES for suffix in RECORDING_SUFFIXES},
}
"""Every name that may stand in an exchange file, with the most bytes it may hold."""
MOST_BYTES = 650_000_000
MOST_RATIO = 60
"""A text packed tighter than this is no text of ours; recordings are stored unpacked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """An exchange file whose sizes, names, checksums and seal were found right."""

    manifest: Mapping[str, Any]
    contents: Mapping[str, bytes]
    recording: Path | None


def _seal(manifest: Mapping[str, Any], key: str) -> str:
    body = {k: v for k, v in manifest.items() if k != "seal"}
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hmac.new(key.encode(), text.encode(), hashlib.sha256).hexdigest()


def phone_key(key: str) -> str:
    """The key of a patient's page for a phone, made from the exchange key, which it does not tell:
    it seals sets alone, so that who gets hold of the page can never write a plan with it."""
    return hmac.new(key.encode(), b"formcheck page for a phone", hashlib.sha256).hexdigest()


def write_package(
    target: Path, kind: str, patient: Patient, texts: Mapping[str, bytes], files: Mapping[str, Path]
) -> None:
    entries = [
        {"name": n, "bytes": len(b), "sha256": hashlib.sha256(b).hexdigest()}
        for n, b in texts.items()
    ]
    for name, path in files.items():
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        entries.append({"name": name, "bytes": path.stat().st_size, "sha256": digest})
    manifest = {
        "schema": EXCHANGE_SCHEMA,
        "kind": kind,
        "id": secrets.token_hex(16),
        "patient": patient.code,
        "made_at": now(),
        "files": entries,
    }
    manifest["seal"] = _seal(manifest, patient.exchange_key)
    with write_atomically(Path(target)) as beside:
        with zipfile.ZipFile(beside, "w", zipfile.ZIP_STORED) as archive:
            archive.writestr(_MANIFEST, json.dumps(manifest, indent=1))
            for name, content in texts.items():
                archive.writestr(name, content)
            for name, path in files.items():
                archive.write(path, name)


class ForeignFile(FileError):
    """A file that is not taken in. why : the message that goes on after its name, in English."""

    why = ""


def foreign(source: Path, why: str, **values: Any) -> ForeignFile:
    """A file that is not taken in, and why: a message that goes on after the file's name."""
    error = ForeignFile(f"{source.name}: {gettext(why, **values)}")
    error.why = why
    return error


def _damaged(source: Path) -> FileError:
    return foreign(source, "is damaged; ask for it again")


def _checked_names(archive: zipfile.ZipFile, source: Path) -> dict[str, zipfile.ZipInfo]:
    infos = archive.infolist()
    names = [i.filename for i in infos]
    if len(infos) > len(_LIMITS) or len(set(names)) != len(names):
        raise foreign(source, "holds more than an exchange file does; do not use it")
    total = 0
    for info in infos:
        if info.filename not in _LIMITS:
            raise foreign(source, "holds a file that no exchange file of ours holds")
        if info.flag_bits & 0x1 or info.compress_type not in (
            zipfile.ZIP_STORED,
            zipfile.ZIP_DEFLATED,
        ):
            raise foreign(source, "is packed in a way that we do not use")
        if info.file_size > _LIMITS[info.filename]:
            raise foreign(source, "%(name)s is far too large", name=info.filename)
        if info.file_size > MOST_RATIO * max(info.compress_size, 1) + 1000:
            raise foreign(source, "%(name)s is packed too tightly to be ours", name=info.filename)
        total += info.file_size
    if total > MOST_BYTES:
        raise foreign(source, "is far too large")
    return {i.filename: i for i in infos}


def _read_entry(
    archive, info: zipfile.ZipInfo, source: Path, into: Path | None
) -> tuple[bytes, str]:
    """(content, sha256); the content is empty when it went into a file. What is read counts, not
    what the entry says of its size."""
    digest, left, kept = hashlib.sha256(), _LIMITS[info.filename], []
    handle = None
    if into is not None:
        handle = open_bytes(into, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        take(handle)  # a server that starts now takes the file for no stray
    try:
        with archive.open(info) as reader:
            while block := reader.read(1 << 20):
                left -= len(block)
                if left < 0:
                    raise foreign(source, "%(name)s is far too large", name=info.filename)
                digest.update(block)
                if handle is None:
                    kept.append(block)
                else:
                    write_all(handle, block)
        if handle is not None:
            os.fsync(handle)
    except OSError as error:
        raise output_error(error, into) if into else _damaged(source) from error
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError) as error:
        raise _damaged(source) from error
    finally:
        if handle is not None:
            os.close(handle)
    return b"".join(kept), digest.hexdigest()


def _manifest_of(content: bytes, source: Path) -> dict:
    try:
        manifest = read_json(content)
        files = {f["name"]: (int(f["bytes"]), str(f["sha256"])) for f in manifest["files"]}
        good = (
            manifest["kind"] in ("set", "plan")
            and isinstance(manifest["patient"], str)
            and isinstance(manifest["seal"], str)
            and UID.fullmatch(manifest["id"])
            and _MANIFEST not in files
        )
    except (ValueError, KeyError, TypeError) as error:
        raise foreign(source, "is no exchange file of formcheck") from error
    if fault := schema_fault(manifest.get("schema"), EXCHANGE_SCHEMA):
        raise foreign(source, "schema %(fault)s", fault=fault)
    if not good:
        raise foreign(source, "is no exchange file of formcheck")
    if fault := moment_fault(manifest.get("made_at")):
        raise foreign(source, "its time %(fault)s", fault=fault)
    return manifest


def open_package(clinic: Clinic, source: Path, *, key: str | None = None) -> Opened:
    """The content of an exchange file, all of it checked.

    key : the exchange key to check the seal with; else that of the patient whom the file names.
    A plan for a patient who is not here yet brings its key along: the first file is trusted, as
    it came by the clinic's own safe channel, and every later one must carry the same key.

    Raises FileError when it is tampered with, foreign, or damaged.
    """
    source = Path(source)
    try:
        if not source.is_file():
            raise foreign(source, "there is no such file; check the path")
        archive = zipfile.ZipFile(source)
    except PermissionError as error:
        raise foreign(source, "may not be read; change its permissions") from error
    except (OSError, zipfile.BadZipFile, NotImplementedError, ValueError) as error:
        raise foreign(source, "is no exchange file, or is damaged; ask for it again") from error
    recording = None
    with archive:
        infos = _checked_names(archive, source)
        if _MANIFEST not in infos:
            raise foreign(source, "is no exchange file of formcheck")
        manifest = _manifest_of(_read_entry(archive, infos[_MANIFEST], source, None)[0], source)
        listed = {f["name"]: f for f in manifest["files"]}
        if listed.keys() != infos.keys() - {_MANIFEST}:
            raise foreign(source, "does not hold what it says; do not use it")
        texts = {"set": {"set.json"}, "plan": {"plan.json", "prescription.toml"}}[manifest["kind"]]
        recordings = listed.keys() - texts
        if not texts <= listed.keys() or len(recordings) != (manifest["kind"] == "set"):
            raise foreign(source, "does not hold what such a file holds")
        contents = {}
        for name in sorted(texts):
            contents[name], digest = _read_entry(archive, infos[name], source, None)
            _compare(listed[name], len(contents[name]), digest, source)
        _check_seal(clinic, manifest, contents, key, source)
        try:
            for name in recordings:
                need_room(clinic.folder, infos[name].file_size)
                suffix = Path(name).suffix
                recording = clinic.folder.uploads / f"{secrets.token_hex(16)}{suffix}.part"
                _, digest = _read_entry(archive, infos[name], source, recording)
                _compare(listed[name], recording.stat().st_size, digest, source)
        except BaseException:
            if recording is not None:
                recording.unlink(missing_ok=True)
            raise
    return Opened(manifest=manifest, contents=contents, recording=recording)


def _compare(entry: Mapping[str, Any], n_bytes: int, digest: str, source: Path) -> None:
    if entry["bytes"] != n_bytes or not hmac.compare_digest(str(entry["sha256"]), digest):
        raise foreign(
            source, "%(name)s was changed after it was packed; do not use it", name=entry["name"]
        )


def _check_seal(clinic, manifest, contents, key, source) -> None:
    if key is None:
        patient = find_patient(clinic, manifest["patient"])
        if patient is not None:
            key = patient.exchange_key
        elif manifest["kind"] == "plan":
            key = plan_of(contents, source)["exchange_key"]
        else:
            raise foreign(
                source,
                "is of %(code)s, a patient who is not in this clinic",
                code=manifest["patient"][:40],
            )
    if manifest["kind"] == "set" and manifest.get("made_by") == MADE_BY_PHONE:
        key = phone_key(key)
    if not hmac.compare_digest(manifest["seal"], _seal(manifest, key)):
        raise foreign(
            source,
            "was not packed with this patient's key: it comes from elsewhere, or was changed",
        )


def plan_of(contents, source: Path) -> dict:
    try:
        plan = read_json(contents["plan.json"])
        good = (
            isinstance(plan["exchange_key"], str)
            and len(plan["exchange_key"]) == 64
            and isinstance(plan["saved_by"], str)
            and isinstance(plan["sets"], list)
            and len(plan["sets"]) <= 20_000
        )
    except (ValueError, KeyError, TypeError) as error:
        raise foreign(source, "its plan cannot be read") from error
    if not good:
        raise foreign(source, "its plan cannot be read")
    return plan
