"""Files that survive trouble: atomic writes, landmark tracks as Parquet, the track cache.

Nothing appears under its final name before it is whole. Landmarks of a person are health data:
cached tracks are readable by their owner only and carry no file name.
"""

import contextlib
import errno
import hashlib
import json
import os
import secrets
import stat
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from formcheck.files.locks import open_bytes, take
from formcheck.files.schema_version import is_newer_minor, schema_fault, warn_newer_minor
from formcheck.model.anatomy import LANDMARK_NAMES, N_LANDMARKS
from formcheck.model.errors import FileError, NoRoomError, OutputError, UsageError
from formcheck.model.records import TRACK_SCHEMA, Clip, PoseSource, RawTrack

if TYPE_CHECKING:
    import pyarrow

_IS_OPEN_KEPT = os.name == "nt"
"""Whether an open file can be neither renamed nor removed, as on Windows."""

CACHE_LIMIT_BYTES = 512 * 1024 * 1024
"""Room for the tracks of about 800 half-minute clips; chosen as a modest share of a disk."""

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_DISK_TROUBLE = (*_NO_ROOM, errno.EROFS, errno.EIO)


def output_error(error: OSError, path: Path) -> OutputError:
    """The plain-word error for a failed write to `path`."""
    place = os.fspath(path)
    if error.errno in _NO_ROOM:
        return NoRoomError(f"{place}: the disk is full; free some space or choose another folder")
    if error.errno == errno.EROFS:
        text = f"{place}: the disk can only be read; choose another folder"
    elif error.errno in (errno.EACCES, errno.EPERM):
        text = f"{place}: you may not write there; choose another folder or change its permissions"
    elif error.errno == errno.EISDIR:
        text = f"{place}: a folder has this name; move it away or choose another output folder"
    elif error.errno in (errno.ENOTDIR, errno.EEXIST):
        text = f"{place}: a file stands where a folder is needed; choose another output folder"
    elif error.errno == errno.ENOENT:
        text = f"{place}: the folder does not exist; make it or choose another one"
    elif error.errno == errno.ENAMETOOLONG:
        text = f"{place}: the name is too long; choose a shorter one"
    else:
        text = f"{place}: cannot be written ({error.strerror or error}); choose another folder"
    return OutputError(text)


def make_folder(path: Path, *, is_private: bool = False) -> Path:
    """The folder, made with its parents where missing, for its owner only.

    is_private : one that is there already becomes its owner's only, too. Raises OutputError when
    it cannot be made or is a file.
    """
    try:
        for missing in [p for p in reversed(path.parents) if not p.exists()]:
            missing.mkdir(mode=stat.S_IRWXU, exist_ok=True)
        path.mkdir(mode=stat.S_IRWXU, exist_ok=True)
        if is_private:
            path.chmod(stat.S_IRWXU)
    except OSError as error:
        raise output_error(error, path) from error
    return path


def refuse_to_overwrite(read: Iterable[Path], written: Iterable[Path]) -> None:
    """Raises UsageError when a file to be written is one of those that are read, under whatever
    name: a person's recording or prescription must never be lost to its own report."""
    read = list(read)
    for target in written:
        for source in read:
            with contextlib.suppress(OSError):  # what is not there cannot be written over
                if os.path.samefile(source, target):
                    raise UsageError(
                        f"{target}: would be written over the file that is read; choose another "
                        "place for the output"
                    )


@contextlib.contextmanager
def write_atomically(path: Path) -> Iterator[Path]:
    """A path beside `path` to write to; it becomes `path` when the block ends well.

    The content is on the disk before the name changes, so after a power cut there is the old
    file or the new one, never half of one. On an error or Ctrl-C nothing is left behind; what
    a killed run left is removed by the next write of the same name. The suffix is kept, since
    some writers choose their format by it. What is written shows a person: it is readable by its
    owner only.

    Raises OutputError when the place cannot be written to or the disk is full.
    """
    path = Path(path)
    if os.path.isdir(path):
        raise output_error(OSError(errno.EISDIR, "is a folder"), path)
    remove_leftovers(path)
    beside = path.with_name(f"{_stem_beside(path)}{secrets.token_hex(4)}.part{path.suffix}")
    try:
        handle = open_bytes(beside, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600)
    except OSError as error:
        raise output_error(error, path) from error
    try:
        if not _IS_OPEN_KEPT:  # there the open file itself tells that its writer lives
            take(handle)
        try:
            yield beside
        except OSError as error:
            # Only what the disk says is ours to translate: the block may read other files.
            if error.errno in _DISK_TROUBLE:
                raise output_error(error, path) from error
            raise
        try:
            os.fsync(handle)
            if _IS_OPEN_KEPT:
                os.close(handle)
                handle = -1
            os.replace(beside, path)
        except OSError as error:
            raise output_error(error, path) from error
        sync_folder(path.parent)
    finally:
        if handle >= 0:
            os.close(handle)
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Writes the text as UTF-8, atomically."""
    with write_atomically(path) as beside:
        beside.write_bytes(text.encode("utf-8"))


def _stem_beside(path: Path) -> str:
    # A name may be as long as the file system allows, with four bytes a character: leave room.
    return f".{path.stem[:40]}."


def remove_leftovers(path: Path) -> None:
    """Removes half-written files of `path` of runs that were killed; those still being written
    stay."""
    start, end = _stem_beside(path), f".part{path.suffix}"
    n_token = 8
    with contextlib.suppress(OSError):
        for entry in os.scandir(path.parent):
            name = entry.name
            if not (name.startswith(start) and name.endswith(end)):
                continue
            if len(name) != len(start) + n_token + len(end):
                continue
            with contextlib.suppress(OSError):
                if _IS_OPEN_KEPT:
                    os.unlink(entry.path)
                    continue
                handle = open_bytes(entry.path, os.O_RDWR, links=False)
                try:
                    if take(handle) == "held":  # a run that still lives holds it
                        os.unlink(entry.path)
                finally:
                    os.close(handle)


def write_all(handle: int, block: bytes) -> None:
    """Writes a block whole: the system may take less of it at a time."""
    view = memoryview(block)
    while view:
        view = view[os.write(handle, view) :]


def sync_folder(folder: Path) -> None:
    """Puts a folder's names on the disk, where the file system can."""
    with contextlib.suppress(OSError):  # not every file system can
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def arrow_table(columns: Sequence[tuple[str, type, Sequence[Any]]]) -> "pyarrow.Table":
    """An Arrow table of columns (name, str, float, int or bool, values or None)."""
    import pyarrow as pa

    kinds = {str: pa.string(), float: pa.float64(), int: pa.int64(), bool: pa.bool_()}
    return pa.table({name: pa.array(values, kinds[kind]) for name, kind, values in columns})


def write_table(path: Path, columns: Sequence[tuple[str, type, Sequence[Any]]]) -> None:
    """Writes columns (name, str, float, int or bool, values or None) as Parquet, atomically.

    The same columns give the same bytes under one version of the Parquet library. Raises
    OutputError.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    sink = pa.BufferOutputStream()
    pq.write_table(arrow_table(columns), sink, compression="zstd", row_group_size=2**20)
    with write_atomically(path) as beside:
        beside.write_bytes(sink.getvalue().to_pybytes())


_STATISTICS = (
    ("brightness", "grey level"),
    ("contrast", "grey level"),
    ("sharpness", "grey level squared"),
    ("change", "grey level"),
    ("border_change", "grey level"),
)
_COORDINATES = (
    ("x_px", "px", "image_px", 0),
    ("y_px", "px", "image_px", 1),
    ("world_x_m", "m", "world_m", 0),
    ("world_y_m", "m", "world_m", 1),
    ("world_z_m", "m", "world_m", 2),
    ("visibility", "1", "visibility", None),
)


def _track_columns(n_people: int) -> Iterator[tuple[str, str, str, tuple[Any, ...] | None]]:
    """(column, unit, field of RawTrack, index behind the frame) of a track file, in order."""
    yield "time_s", "s", "time_s", None
    yield "stamp", "time base", "stamp", None
    for name, unit in _STATISTICS:
        yield name, unit, name, None
    for person in range(n_people):
        for row, landmark in enumerate(LANDMARK_NAMES):
            for suffix, unit, name, axis in _COORDINATES:
                index = (person, row) if axis is None else (person, row, axis)
                yield f"person_{person + 1}_{landmark}_{suffix}", unit, name, index


def track_to_bytes(raw: RawTrack) -> bytes:
    """The track as the bytes of a Parquet file: one row a frame, one flat column a number.

    Columns carry their unit as field metadata; the file's metadata carries `schema`, `clip` and
    `source`. A landmark that was not found is NaN, kept to the bit. The same track gives the
    same bytes under one version of the Parquet library.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    n_people = raw.image_px.shape[1]
    fields, columns = [], []
    for column, unit, name, index in _track_columns(n_people):
        values = getattr(raw, name)
        if index is not None:
            values = np.ascontiguousarray(values[(slice(None), *index)])
        columns.append(pa.array(values, from_pandas=False))
        fields.append(pa.field(column, columns[-1].type, False, {"unit": unit}))
    metadata = {
        "schema": TRACK_SCHEMA,
        "clip": json.dumps(asdict(raw.clip), sort_keys=True),
        "source": json.dumps(asdict(raw.source), sort_keys=True),
        "n_people": str(n_people),
    }
    sink = pa.BufferOutputStream()
    pq.write_table(
        pa.table(columns, schema=pa.schema(fields, metadata)),
        sink,
        row_group_size=2**20,
        use_dictionary=False,
        write_statistics=False,
        compression="zstd",
        use_byte_stream_split=[f.name for f in fields if pa.types.is_floating(f.type)],
        write_page_checksum=True,
    )
    content: bytes = sink.getvalue().to_pybytes()
    return content


def track_from_bytes(content: bytes, file: str) -> RawTrack:
    """The track that `track_to_bytes` wrote; `file` names it in messages.

    Raises FileError when the bytes are damaged, are no track, or are of another major version;
    warns once (NewerMinorWarning) when they are of a newer minor version.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    damaged = FileError(f"{file}: damaged, or no track file; analyse the clip again to make it")
    try:
        with pq.ParquetFile(pa.BufferReader(content), page_checksum_verification=True) as parquet:
            metadata = {
                key.decode(): value.decode()
                for key, value in (parquet.schema_arrow.metadata or {}).items()
                if key != b"ARROW:schema"
            }
            fault = schema_fault(metadata.get("schema"), TRACK_SCHEMA)
            if fault:
                raise FileError(f"{file}: schema {fault}", (f"{file}: schema: {fault}",))
            table = parquet.read(use_threads=False)
        n, n_people = table.num_rows, int(metadata["n_people"])
        arrays: dict[str, Any] = {
            "image_px": np.empty((n, n_people, N_LANDMARKS, 2), np.float32),
            "world_m": np.empty((n, n_people, N_LANDMARKS, 3), np.float32),
            "visibility": np.empty((n, n_people, N_LANDMARKS), np.float32),
        }
        for column, _, name, index in _track_columns(n_people):
            values = table.column(column).combine_chunks().to_numpy(zero_copy_only=False)
            if index is None:
                arrays[name] = values
            else:
                arrays[name][(slice(None), *index)] = values
        raw = RawTrack(
            clip=_clip_from(json.loads(metadata["clip"])),
            source=_source_from(json.loads(metadata["source"])),
            **arrays,
        )
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError) as error:
        raise damaged from error
    if is_newer_minor(metadata["schema"], TRACK_SCHEMA):
        warn_newer_minor(file, metadata["schema"], TRACK_SCHEMA)
    return raw


def _clip_from(values: dict[str, Any]) -> Clip:
    known = {name: values[name] for name in Clip.__slots__ if name in values}
    return Clip(**{**known, "time_base": tuple(known["time_base"])})


def _source_from(values: dict[str, Any]) -> PoseSource:
    known = {name: values[name] for name in PoseSource.__slots__}
    versions = tuple((name, version) for name, version in known["library_versions"])
    return PoseSource(**{**known, "library_versions": versions})


def write_track(raw: RawTrack, path: Path) -> None:
    """Writes the track as Parquet, atomically. Raises OutputError."""
    content = track_to_bytes(raw)
    with write_atomically(path) as beside:
        beside.write_bytes(content)


def read_track(path: Path) -> RawTrack:
    """The track in a Parquet file.

    Raises FileError when it is missing, damaged, or of another major version.
    """
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        raise FileError(f"{path}: cannot be read ({error.strerror}); check the name") from error
    return track_from_bytes(content, os.fspath(path))


def default_cache_folder() -> Path:
    """Where cached tracks live for this user, by the system's convention."""
    from platformdirs import user_cache_path

    return user_cache_path("formcheck", appauthor=False) / "tracks"


def cache_key(clip_sha256: str, identity: Sequence[tuple[str, object]]) -> str:
    """The name of a cached track: a digest of the clip and of all that made its landmarks.

    `identity` holds what the pose stage says of itself: model and its sha256, mode, rate,
    people, library versions, version of the code (`pose.track_identity`).
    """
    parts = json.dumps([clip_sha256, TRACK_SCHEMA, *map(list, identity)], sort_keys=True)
    return hashlib.sha256(parts.encode()).hexdigest()


def load_cached_track(
    folder: Path, key: str, *, clip_file: str, is_mirrored: bool = False
) -> RawTrack | None:
    """The cached track under this key, or None when there is none that is whole.

    The same clip may have another name by now, and whether it is mirrored is the user's word,
    so both come from the caller. A damaged entry counts as absent and is removed.
    """
    path = _entry(folder, key)
    try:
        content = path.read_bytes()
        digest, body = content[:_N_DIGEST], content[_N_DIGEST:]
        # The digest is checked before the Parquet reader sees a byte that a disk fault changed.
        if hashlib.sha256(body).digest() != digest:
            raise FileError(f"{path}: damaged")
        raw = track_from_bytes(body, os.fspath(path))
    except OSError:
        return None
    except FileError:
        with contextlib.suppress(OSError):
            path.unlink()
        return None
    with contextlib.suppress(OSError):
        os.utime(path)  # used just now: the last to be evicted
    return replace(raw, clip=replace(raw.clip, file=clip_file, is_mirrored=is_mirrored))


def store_cached_track(
    folder: Path, key: str, raw: RawTrack, *, limit_bytes: int = CACHE_LIMIT_BYTES
) -> bool:
    """Keeps the track for a later run; False when the cache cannot be written.

    A cache is a convenience: a full or read-only disk must not spoil a finished analysis. The
    entries used longest ago make room when all together exceed `limit_bytes`.
    """
    body = track_to_bytes(replace(raw, clip=replace(raw.clip, file="")))
    if len(body) > limit_bytes:
        return False
    try:
        make_folder(folder, is_private=True)
        with write_atomically(_entry(folder, key)) as beside:
            beside.write_bytes(hashlib.sha256(body).digest() + body)
    except OutputError:
        return False
    _evict(folder, limit_bytes)
    return True


_N_DIGEST = hashlib.sha256().digest_size


def _entry(folder: Path, key: str) -> Path:
    return Path(folder) / f"{key}.track"


def _evict(folder: Path, limit_bytes: int) -> None:
    entries = []
    for path in Path(folder).glob("*.track"):
        with contextlib.suppress(OSError):  # another run may have removed it
            found = path.stat()
            entries.append((found.st_mtime_ns, found.st_size, path))
    total = sum(size for _, size, _ in entries)
    for _, size, path in sorted(entries):
        if total <= limit_bytes:
            return
        with contextlib.suppress(OSError):
            path.unlink()
        total -= size
