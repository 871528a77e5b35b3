"""A backup of the whole data folder as one file, and the way back, checked before it counts."""

import contextlib
import hashlib
import json
import os
import secrets
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from formcheck.clinic.database import Clinic, copy_database, is_sound, now, open_clinic
from formcheck.clinic.folder import (
    RECORDING_SUFFIXES,
    UID,
    data_folder,
    default_data_folder,
    holds_foreign_files,
    refuse_inside,
    remove_folder,
    serving,
)
from formcheck.files.locks import open_bytes
from formcheck.files.schema_version import schema_fault
from formcheck.files.storage import make_folder, output_error, write_atomically
from formcheck.files.strict_json import read_json
from formcheck.model.errors import FileError, OutputError, UsageError

BACKUP_SCHEMA = "formcheck.backup/1.0"
_DATABASE, _MANIFEST = "clinic.db", "manifest.json"
RESULT_NAMES = (
    "report.json",
    "reps.csv",
    "report.html",
    "track.parquet",
    "request.json",
    "trace.json",
    "between_days.json",
    "moved.json",
    "annotated.mp4",
)
"""The files that a set's result folder may hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupContent:
    """What a backup holds."""

    made_at: str
    n_files: int
    n_bytes: int


def backup(clinic: Clinic, target: Path) -> BackupContent:
    """Writes the backup, while the clinic may be in use, and reads it back to check it.

    The database is copied first: every recording that it names is in the backup too, unless it
    was deleted meanwhile. Raises UsageError for a target inside the data folder, where it would
    be lost with it or stand in the database's place; OutputError when it cannot be written.
    """
    target = Path(target)
    refuse_inside(target, clinic.folder)
    made_at = now()
    entries: list[dict] = []
    with tempfile.TemporaryDirectory(dir=clinic.folder.root, prefix=".backup-") as scratch:
        copy = Path(scratch) / _DATABASE
        copy_database(clinic.folder.database, copy)
        with write_atomically(target, is_private=True) as beside:
            with zipfile.ZipFile(beside, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
                for name, path in [(_DATABASE, copy), *_files(clinic)]:
                    with contextlib.suppress(FileNotFoundError):
                        entries.append(_put(archive, name, path))
                manifest = {"schema": BACKUP_SCHEMA, "made_at": made_at, "files": entries}
                archive.writestr(_MANIFEST, json.dumps(manifest, indent=1))
    return check_backup(target)


def _files(clinic: Clinic) -> list[tuple[str, Path]]:
    found = [(f"recordings/{p.name}", p) for p in sorted(clinic.folder.recordings.iterdir())]
    for folder in sorted(clinic.folder.results.iterdir()):
        if UID.fullmatch(folder.name):
            found += [
                (f"results/{folder.name}/{name}", folder / name)
                for name in RESULT_NAMES
                if (folder / name).exists()
            ]
    return [(name, path) for name, path in found if _is_name(name)]


def _is_name(name: str) -> bool:
    """Whether a name is one that a backup of ours may hold: no other ever becomes a path."""
    if name == _DATABASE:
        return True
    parts = PurePosixPath(name).parts
    if len(parts) == 2 and parts[0] == "recordings":
        stem, dot, suffix = parts[1].partition(".")
        return bool(UID.fullmatch(stem)) and dot + suffix in RECORDING_SUFFIXES
    return (
        len(parts) == 3
        and parts[0] == "results"
        and bool(UID.fullmatch(parts[1]))
        and parts[2] in RESULT_NAMES
    )


def _put(archive: zipfile.ZipFile, name: str, path: Path) -> dict:
    digest, n = hashlib.sha256(), 0
    with (
        path.open("rb") as source,
        archive.open(zipfile.ZipInfo(name), "w", force_zip64=True) as into,
    ):
        for block in iter(lambda: source.read(1 << 20), b""):
            into.write(block)
            digest.update(block)
            n += len(block)
    return {"name": name, "bytes": n, "sha256": digest.hexdigest()}


def _manifest(archive: zipfile.ZipFile, source: Path) -> dict:
    try:
        if archive.getinfo(_MANIFEST).file_size > 50_000_000:
            raise ValueError
        manifest = read_json(archive.read(_MANIFEST))
        files = manifest["files"]
        good = all(
            isinstance(f["name"], str)
            and isinstance(f["bytes"], int)
            and isinstance(f["sha256"], str)
            and _is_name(f["name"])
            for f in files
        )
    except (KeyError, TypeError, ValueError, zipfile.BadZipFile) as error:
        raise FileError(f"{source}: is no backup of formcheck; choose another file") from error
    if fault := schema_fault(manifest.get("schema"), BACKUP_SCHEMA):
        raise FileError(f"{source}: schema {fault}")
    if not good or not any(f["name"] == _DATABASE for f in files):
        raise FileError(f"{source}: holds files that no backup of ours holds; do not use it")
    return manifest


def _copy_out(archive: zipfile.ZipFile, entry: dict, into: Path | None, source: Path) -> None:
    digest, left = hashlib.sha256(), entry["bytes"]
    damaged = FileError(f"{source}: {entry['name']} is damaged; use another backup")
    with contextlib.ExitStack() as stack:
        try:
            reader = stack.enter_context(archive.open(entry["name"]))
        except (KeyError, zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
            raise damaged from error
        out = None
        if into is not None:
            handle = open_bytes(into, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
            out = stack.enter_context(os.fdopen(handle, "wb"))
        try:
            for block in iter(lambda: reader.read(1 << 20), b""):
                left -= len(block)
                if left < 0:
                    raise damaged
                digest.update(block)
                if out is not None:
                    out.write(block)
            if out is not None:
                out.flush()
                os.fsync(out.fileno())
        except zipfile.BadZipFile as error:
            raise damaged from error
        except OSError as error:
            raise output_error(error, into or source) from error
    if left or digest.hexdigest() != entry["sha256"]:
        raise damaged


def check_backup(source: Path) -> BackupContent:
    """What a backup holds, every byte of it checked. Raises FileError when it is damaged."""
    try:
        with zipfile.ZipFile(source) as archive:
            manifest = _manifest(archive, source)
            for entry in manifest["files"]:
                _copy_out(archive, entry, None, source)
    except (OSError, zipfile.BadZipFile) as error:
        raise FileError(f"{source}: cannot be read as a backup ({error})") from error
    return BackupContent(
        made_at=str(manifest["made_at"]),
        n_files=len(manifest["files"]),
        n_bytes=sum(f["bytes"] for f in manifest["files"]),
    )


def restore(source: Path, root: Path | None, *, is_replacing: bool = False) -> BackupContent:
    """Brings a backup back into the data folder.

    Everything is unpacked beside the folder and checked; only then it takes the folder's place.
    What was there is kept under a name that ends in `.before-restore-...`.

    Raises UsageError when the folder holds data and `is_replacing` is not given, or holds
    anything that is no clinic's; BusyError while a server uses it, FileError when the backup is
    damaged.
    """
    place = Path(root) if root is not None else default_data_folder()
    if not (place / _DATABASE).exists() and holds_foreign_files(place):
        raise UsageError(
            f"{place}: holds files that are no clinic's data; name an empty folder with --data"
        )
    folder = data_folder(place)
    has_data = folder.database.exists()
    if has_data and not is_replacing:
        raise UsageError(
            f"{folder.root}: holds a clinic's data; name an empty folder with --data, or say "
            "--replace (what is there is then kept beside it)"
        )
    with serving(folder):
        beside = folder.root.with_name(f"{folder.root.name}.restoring-{secrets.token_hex(4)}")
        try:
            content = _unpack(Path(source), beside)
            kept = folder.root.with_name(
                f"{folder.root.name}.before-restore-{now().replace(':', '')}"
            )
            try:
                os.rename(folder.root, kept)
                os.rename(beside, folder.root)
            except OSError as error:
                raise OutputError(
                    f"{folder.root}: cannot be moved ({error.strerror}); close what uses it"
                ) from error
            if not has_data:
                remove_folder(kept)
        finally:
            remove_folder(beside)
    open_clinic(folder.root).close()
    return content


def _unpack(source: Path, beside: Path) -> BackupContent:
    target = data_folder(beside)
    try:
        with zipfile.ZipFile(source) as archive:
            manifest = _manifest(archive, source)
            for entry in manifest["files"]:
                into = target.root / entry["name"]
                make_folder(into.parent, is_private=True)
                _copy_out(archive, entry, into, source)
    except (OSError, zipfile.BadZipFile) as error:
        raise FileError(f"{source}: cannot be read as a backup ({error})") from error
    if not is_sound(target.database):
        raise FileError(f"{source}: its database is damaged; use another backup")
    return BackupContent(
        made_at=str(manifest["made_at"]),
        n_files=len(manifest["files"]),
        n_bytes=sum(f["bytes"] for f in manifest["files"]),
    )
