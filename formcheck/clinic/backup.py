"""A backup of the whole data folder as one file, and the way back, checked before it counts."""

import contextlib
import hashlib
import json
import os
import re
import secrets
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from formcheck.clinic.database import Clinic, copy_database, is_sound, now, open_clinic
from formcheck.clinic.folder import (
    RECORDING_SUFFIXES,
    UID,
    DataFolder,
    data_folder,
    default_data_folder,
    holds_foreign_files,
    refuse_inside,
    remove_folder,
    serving,
)
from formcheck.clinic.restoring import alone, beside, make_ready, put_in_place, settle
from formcheck.clinic.sets import find_set
from formcheck.evidence.reliability_file import RELIABILITY_NAME
from formcheck.files.locks import open_bytes, take
from formcheck.files.schema_version import schema_fault
from formcheck.files.storage import (
    make_folder,
    output_error,
    remove_leftovers,
    write_all,
    write_atomically,
)
from formcheck.files.strict_json import read_json
from formcheck.model.errors import FileError, UsageError

BACKUP_SCHEMA = "formcheck.backup/1.0"
_DATABASE, _MANIFEST = "clinic.db", "manifest.json"
_SCRATCH, _LOCK = ".backup-", "lock"
_TEMPLATE = re.compile(r"""[^\\/:*?"<>|.\x00-\x1f][^\\/:*?"<>|\x00-\x1f]{0,150}\.toml""")
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
    "thumbnail.jpg",
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
    was deleted meanwhile. An earlier file of the name is replaced only by one that was read back
    and found whole, its database by SQLite's own check.

    Raises UsageError for a target inside the data folder, where it would be lost with it or
    stand in the database's place; FileError when what is to be kept is damaged; OutputError when
    it cannot be written.
    """
    target = Path(target)
    refuse_inside(target, clinic.folder)
    remove_backup_leftovers(clinic.folder)
    made_at = now()
    entries: list[dict] = []
    with _scratch(clinic.folder, target) as scratch:
        copy = scratch / _DATABASE
        copy_database(clinic.folder.database, copy)
        if not is_sound(copy):
            raise FileError(
                f"{clinic.folder.database}: is damaged, and was not backed up; an earlier backup "
                "was left as it is: bring it back (formcheck restore --replace)"
            )
        _leave_out_uploads(copy)
        with write_atomically(target) as beside:
            with zipfile.ZipFile(beside, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
                for name, path in [(_DATABASE, copy), *_files(clinic)]:
                    with contextlib.suppress(FileNotFoundError):
                        entries.append(_put(archive, name, path))
                manifest = {"schema": BACKUP_SCHEMA, "made_at": made_at, "files": entries}
                archive.writestr(_MANIFEST, json.dumps(manifest, indent=1))
            _compare_with_rows(clinic, copy, entries, target)
            return check_backup(beside)


def _leave_out_uploads(copy: Path) -> None:
    """Takes the rows of half-received recordings out of a copy: their pieces are in no backup."""
    with contextlib.closing(sqlite3.connect(copy)) as connection:
        connection.execute("PRAGMA secure_delete = ON")
        connection.execute("DELETE FROM uploads")
        connection.commit()


@contextlib.contextmanager
def _scratch(folder: DataFolder, target: Path) -> Iterator[Path]:
    """A folder for the copy of the database, locked while it is used. It names the target: what
    a killed backup left there is found again."""
    scratch = Path(tempfile.mkdtemp(dir=folder.root, prefix=_SCRATCH))
    handle = open_bytes(scratch / _LOCK, os.O_CREAT | os.O_RDWR, 0o600)
    try:
        take(handle)
        write_all(handle, os.fsencode(target.absolute()))
        yield scratch
    finally:
        os.close(handle)
        remove_folder(scratch)


def remove_backup_leftovers(folder: DataFolder) -> int:
    """How many killed backups were cleaned up: the copy of the database here, and the half
    written file where the backup was to be."""
    n = 0
    for scratch in folder.root.glob(f"{_SCRATCH}*"):
        target = b""
        try:
            handle = open_bytes(scratch / _LOCK, os.O_RDWR)
        except OSError:
            handle = -1
        if handle >= 0:
            is_alive = take(handle) == "taken"
            target = os.read(handle, 10_000)
            os.close(handle)
            if is_alive:
                continue
        if target:
            remove_leftovers(Path(os.fsdecode(target)))
        remove_folder(scratch)
        n += 1
    return n


def _compare_with_rows(clinic: Clinic, copy: Path, entries: list[dict], target: Path) -> None:
    """Raises FileError when a recording is not the one that arrived and a good backup stands in
    the place. Where none stands, what there is is better than nothing."""
    sums = {e["name"]: e["sha256"] for e in entries}
    with contextlib.closing(sqlite3.connect(copy)) as connection:
        rows = connection.execute("SELECT recording, recording_sha256 FROM sets").fetchall()
    wrong = [
        recording
        for recording, sha256 in rows
        if sums.get(f"recordings/{recording}") != sha256
        # Deleted since the database was copied: then its row is gone too.
        and find_set(clinic, recording.partition(".")[0]) is not None
    ]
    if wrong and target.exists():
        raise FileError(
            f"{clinic.folder.recordings}: {len(wrong)} recordings are missing or damaged "
            f"({wrong[0]}); the earlier backup was left as it is: name another file for this one"
        )


def _files(clinic: Clinic) -> list[tuple[str, Path]]:
    found = [(f"recordings/{p.name}", p) for p in sorted(clinic.folder.recordings.iterdir())]
    for folder in sorted(clinic.folder.results.iterdir()):
        if UID.fullmatch(folder.name):
            found += [
                (f"results/{folder.name}/{name}", folder / name)
                for name in RESULT_NAMES
                if (folder / name).exists()
            ]
    own = [clinic.folder.root / RELIABILITY_NAME, *sorted(clinic.folder.templates.glob("*.toml"))]
    found += [(p.relative_to(clinic.folder.root).as_posix(), p) for p in own if p.is_file()]
    return [(name, path) for name, path in found if _is_name(name)]


def _is_name(name: str) -> bool:
    """Whether a name is one that a backup of ours may hold: no other ever becomes a path."""
    if name in (_DATABASE, RELIABILITY_NAME):
        return True
    parts = PurePosixPath(name).parts
    if len(parts) == 2 and parts[0] == "templates":
        return bool(_TEMPLATE.fullmatch(parts[1]))
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
    """What a backup holds, every byte of it and its database checked. Raises FileError when it is
    damaged."""
    try:
        with zipfile.ZipFile(source) as archive:
            manifest = _manifest(archive, source)
            for entry in manifest["files"]:
                _copy_out(archive, entry, None, source)
            database = archive.read(_DATABASE)
    except (OSError, zipfile.BadZipFile) as error:
        raise FileError(f"{source}: cannot be read as a backup ({error})") from error
    if not is_sound(database):
        raise FileError(f"{source}: its database is damaged; use another backup")
    return _content(manifest)


def _content(manifest: dict) -> BackupContent:
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
    settle(place)
    if not (place / _DATABASE).exists() and holds_foreign_files(place):
        raise UsageError(
            f"{place}: holds files that are no clinic's data; name an empty folder with --data"
        )
    folder = data_folder(place)
    has_data = folder.database.exists() or any(folder.recordings.iterdir())
    if has_data and not is_replacing:
        raise UsageError(
            f"{folder.root}: holds a clinic's data; name an empty folder with --data, or say "
            "--replace (what is there is then kept beside it)"
        )
    with serving(folder), alone(folder.root):
        unpacked = beside(folder.root, secrets.token_hex(4))
        try:
            content = _unpack(Path(source), unpacked)
            kept = folder.root.with_name(
                f"{folder.root.name}.before-restore-{now().replace(':', '')}"
            )
            make_ready(unpacked, kept, is_kept=has_data)
            put_in_place(unpacked, folder.root)
        finally:
            # With nothing in its place the next start finishes with what is unpacked.
            if folder.root.exists():
                remove_folder(unpacked)
    open_clinic(folder.root).close()
    return content


def _unpack(source: Path, into: Path) -> BackupContent:
    target = DataFolder(root=into)
    for place in (target.root, target.recordings, target.uploads, target.results):
        make_folder(place, is_private=True)
    try:
        with zipfile.ZipFile(source) as archive:
            manifest = _manifest(archive, source)
            for entry in manifest["files"]:
                path = target.root / entry["name"]
                make_folder(path.parent, is_private=True)
                _copy_out(archive, entry, path, source)
    except (OSError, zipfile.BadZipFile) as error:
        raise FileError(f"{source}: cannot be read as a backup ({error})") from error
    if not is_sound(target.database):
        raise FileError(f"{source}: its database is damaged; use another backup")
    return _content(manifest)
