"""Recordings that arrive in pieces: each piece is on the disk before it is acknowledged.

What an upload is stands in its row: so many whole pieces, their sizes and checksums. Its bytes lie
in `uploads/UID.part`, or, once finishing was begun, where a set's recording lies; whoever holds the
upload brings them back from there while the row still says that it is an upload. So neither a kill
nor an exception between two steps loses a byte that was acknowledged.
"""

import asyncio
import contextlib
import hashlib
import json
import os
import tempfile
import threading
from collections.abc import AsyncIterator, Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO
from weakref import WeakValueDictionary

from formcheck.clinic.database import Clinic, add, change, now, one, rows
from formcheck.clinic.folder import need_room, remove_folder
from formcheck.clinic.sets import (
    MOST_RECORDING_BYTES,
    AboutSet,
    StoredSet,
    add_set,
    checked_suffix,
    find_set,
    looks_like_video,
    new_uid,
)
from formcheck.files.locks import open_bytes, take
from formcheck.files.storage import output_error, sync_folder, write_all
from formcheck.model.errors import UsageError
from formcheck.words.languages import gettext

MOST_OPEN_UPLOADS = 20
EMPTY_LASTS_H = 1
"""A recording of which nothing arrived for so long is none."""
"""Half-finished recordings that one patient may have; the oldest is then to be thrown away."""
_MOST_IN_MEMORY = 4_000_000
"""A piece larger than this waits on the disk, under no name, until it is whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Upload:
    """A recording that has not arrived whole. `n_pieces` is the number of the next piece."""

    uid: str
    patient_id: int
    about: AboutSet
    suffix: str
    n_bytes: int
    n_pieces: int
    pieces: tuple[tuple[int, str], ...]
    """(bytes, sha256) of each piece; empty where an earlier version received them."""
    begun_at: str
    last_at: str


class TooLarge(UsageError):
    """More bytes than a recording may have."""


class TailLost(UsageError):
    """The disk no longer holds the last pieces: the recording stands at an earlier piece now.

    `n_pieces` is the number of the piece to send next; what is before it can be kept.
    """

    def __init__(self, n_pieces: int):
        super().__init__(
            "the end of this recording was lost on the disk; send it again from there, or keep "
            "what is here"
        )
        self.n_pieces = n_pieces


_GUARD = threading.Lock()
_LOCKS: WeakValueDictionary[str, threading.Lock] = WeakValueDictionary()


@contextlib.contextmanager
def _alone(uid: str) -> Iterator[None]:
    """Holds an upload for one thread; the folder itself is held by one server."""
    with _GUARD:
        lock = _LOCKS.setdefault(uid, threading.Lock())
    with lock:
        yield


def begin_upload(clinic: Clinic, patient_id: int, about: AboutSet, file_name: str) -> Upload:
    """A new recording to receive. Raises UsageError for a file that is no video."""
    uid, suffix = new_uid(), checked_suffix(file_name)
    need_room(clinic.folder, 20_000_000)
    before = (datetime.now(UTC) - timedelta(hours=EMPTY_LASTS_H)).isoformat(timespec="seconds")
    with clinic.write() as c:
        # One of which nothing arrived is listed nowhere, so that nobody could throw it away.
        change(
            c,
            "DELETE FROM uploads WHERE patient_id = :p AND n_bytes = 0 AND last_at < :before",
            p=patient_id,
            before=before,
        )
        n = one(
            c,
            "SELECT count(*) AS n FROM uploads WHERE patient_id = :p AND n_bytes > 0",
            p=patient_id,
        )["n"]
        if n >= MOST_OPEN_UPLOADS:
            raise UsageError(
                gettext("too many half-received recordings; finish or throw away one of them")
            )
        add(
            c,
            "uploads",
            uid=uid,
            patient_id=patient_id,
            about=json.dumps(asdict(about)),
            suffix=suffix,
            begun_at=now(),
            last_at=now(),
        )
    return find_upload(clinic, uid, patient_id)


def _upload(row) -> Upload:
    values = {name: row[name] for name in Upload.__slots__}
    values["about"] = AboutSet(**json.loads(row["about"]))
    lines = [line.split() for line in row["pieces"].splitlines()]
    values["pieces"] = tuple((int(n), digest) for n, digest in lines)
    return Upload(**values)


def find_upload(clinic: Clinic, uid: str, patient_id: int) -> Upload | None:
    """A patient's own half-received recording, or None."""
    with clinic.read() as c:
        row = one(
            c, "SELECT * FROM uploads WHERE uid = :u AND patient_id = :p", u=uid, p=patient_id
        )
    return _upload(row) if row else None


def open_uploads(clinic: Clinic, patient_id: int) -> tuple[Upload, ...]:
    """The half-received recordings of a patient that hold anything, the newest first."""
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT * FROM uploads WHERE patient_id = :p AND n_bytes > 0
                           ORDER BY begun_at DESC""",
            p=patient_id,
        )
    return tuple(_upload(row) for row in found)


# -- a piece: received apart, then put behind the others under the lock, then counted


async def receive_piece(
    clinic: Clinic,
    upload: Upload,
    number: int,
    body: AsyncIterator[bytes],
    sha256: str | None = None,
) -> Upload:
    """The upload with a further piece on the disk.

    Pieces come in order from 0. One that is there already is taken for a repeat and changes
    nothing, so that a sender may repeat what it is not sure of. A piece that breaks off leaves
    the upload as it was.

    Raises UsageError for a piece out of order, one that differs from its checksum (then it may
    be sent again) or from the piece of its number that is here; TooLarge beyond the limit;
    TailLost; OutputError.
    """
    room = MOST_RECORDING_BYTES - (upload.n_bytes if number >= upload.n_pieces else 0)
    digest, n_bytes = hashlib.sha256(), 0
    # A file without a name: a kill leaves nothing of it.
    with tempfile.SpooledTemporaryFile(_MOST_IN_MEMORY, dir=clinic.folder.uploads) as piece:
        async for block in body:
            n_bytes += len(block)
            if n_bytes > room:
                raise TooLarge(
                    gettext("the recording is larger than 600 MB; film one set at a time")
                )
            digest.update(block)
            try:
                await asyncio.to_thread(piece.write, block)
            except OSError as error:
                raise output_error(error, clinic.folder.root) from error
        if sha256 is not None and sha256 != digest.hexdigest():
            raise UsageError(gettext("this piece was damaged on its way; send it again"))
        return await asyncio.to_thread(
            _keep_piece, clinic, upload, number, piece, (n_bytes, digest.hexdigest())
        )


def _keep_piece(
    clinic: Clinic, begun: Upload, number: int, piece: IO[bytes], what: tuple[int, str]
) -> Upload:
    n_bytes, digest = what
    with _alone(begun.uid):
        upload = find_upload(clinic, begun.uid, begun.patient_id)
        if upload is None:
            raise UsageError(gettext("that recording is not here; it was finished or thrown away"))
        if number < upload.n_pieces:
            if number < len(upload.pieces) and upload.pieces[number][1] != digest:
                raise UsageError(f"piece {number} is here already, and is another one")
            return upload
        if number > upload.n_pieces:
            raise UsageError(f"piece {upload.n_pieces} comes next, not {number}")
        piece.seek(0)
        if number == 0 and not looks_like_video(piece.read(16)):
            raise UsageError(gettext("this file is no video; choose the recording itself"))
        if upload.n_bytes + n_bytes > MOST_RECORDING_BYTES:
            raise TooLarge(gettext("the recording is larger than 600 MB; film one set at a time"))
        piece.seek(0)
        _append(clinic, upload, piece)
        return _count_piece(clinic, upload, what)


def _append(clinic: Clinic, upload: Upload, piece: IO[bytes]) -> None:
    """Puts a piece behind the acknowledged ones, on the disk."""
    path = _brought_back(clinic, upload)
    if (path.stat().st_size if path.exists() else 0) < upload.n_bytes:
        _cut_back(clinic, upload, path)
    try:
        handle = open_bytes(path, os.O_CREAT | os.O_WRONLY, 0o600)
        try:
            # What a killed or a failed piece left behind the last whole one is cut off.
            os.ftruncate(handle, upload.n_bytes)
            os.lseek(handle, upload.n_bytes, os.SEEK_SET)
            while block := piece.read(1 << 20):
                write_all(handle, block)
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        raise output_error(error, clinic.folder.root) from error
    if not upload.n_pieces:
        sync_folder(path.parent)


def _count_piece(clinic: Clinic, upload: Upload, what: tuple[int, str]) -> Upload:
    """Acknowledges a piece: from the end of this transaction on it is there."""
    number, (n_bytes, digest) = upload.n_pieces, what
    # Where an earlier version received the first pieces, none of them has a checksum.
    line = f"{n_bytes} {digest}\n" if len(upload.pieces) == number else ""
    with clinic.write() as c:
        n = change(
            c,
            """UPDATE uploads SET n_bytes = :b, n_pieces = :n + 1, pieces = pieces || :line,
                  last_at = :at WHERE uid = :u AND n_pieces = :n""",
            b=upload.n_bytes + n_bytes,
            n=number,
            line=line,
            at=now(),
            u=upload.uid,
        )
    if not n:
        raise UsageError(gettext("this piece arrived twice at once; ask where the upload stands"))
    return find_upload(clinic, upload.uid, upload.patient_id)


# -- the end


def finish_upload(clinic: Clinic, uid: str, patient_id: int) -> StoredSet:
    """The set that the received recording makes. Asked twice, or at once, it gives the same set.

    Whatever goes wrong, the recording stays and is offered again.

    Raises UsageError when there is no such upload or nothing in it; TailLost when the disk does
    not hold what was acknowledged.
    """
    with _alone(uid):
        upload = find_upload(clinic, uid, patient_id)
        if upload is None:
            done = find_set(clinic, uid, patient_id=patient_id)
            if done is None:
                raise UsageError(
                    gettext("that recording is not here; it was finished or thrown away")
                )
            return done
        if not upload.n_bytes:
            raise UsageError(gettext("nothing of the recording has arrived"))
        part = _brought_back(clinic, upload)
        if not _is_whole(part, upload):
            _cut_back(clinic, upload, part)
        os.truncate(part, upload.n_bytes)
        return add_set(clinic, patient_id, upload.about, part, uid=uid, suffix=upload.suffix)


def _brought_back(clinic: Clinic, upload: Upload) -> Path:
    """Where an upload's bytes lie; back from where finishing had moved them."""
    part = clinic.folder.upload(upload.uid)
    if not part.exists():
        moved = clinic.folder.recording(upload.uid + upload.suffix)
        earlier = part.with_name(f"{upload.uid}{upload.suffix}.part")  # where version 0.1 put it
        for place in (moved, earlier):
            if place.exists():
                os.replace(place, part)
                break
    return part


def _n_whole(part: Path, upload: Upload) -> int:
    """How many pieces, from the first on, are on the disk as they were acknowledged."""
    n = 0
    with contextlib.suppress(FileNotFoundError), part.open("rb") as file:
        for n_bytes, sha256 in upload.pieces:
            digest, left = hashlib.sha256(), n_bytes
            while left and (block := file.read(min(left, 1 << 20))):
                digest.update(block)
                left -= len(block)
            if left or digest.hexdigest() != sha256:
                break
            n += 1
    return n


def _is_whole(part: Path, upload: Upload) -> bool:
    if len(upload.pieces) < upload.n_pieces:  # received by an earlier version
        return part.exists() and part.stat().st_size >= upload.n_bytes
    return _n_whole(part, upload) == upload.n_pieces


def _cut_back(clinic: Clinic, upload: Upload, part: Path) -> None:
    """Takes the acknowledgement of what the disk lost back, and says so. Raises TailLost."""
    n = _n_whole(part, upload)
    n_bytes = sum(size for size, _ in upload.pieces[:n])
    if len(upload.pieces) < upload.n_pieces:
        n, n_bytes = (
            upload.n_pieces,
            min(upload.n_bytes, part.stat().st_size if part.exists() else 0),
        )
    with clinic.write() as c:
        change(
            c,
            "UPDATE uploads SET n_bytes = :b, n_pieces = :n, pieces = :p WHERE uid = :u",
            b=n_bytes,
            n=n,
            p="".join(f"{size} {digest}\n" for size, digest in upload.pieces[:n]),
            u=upload.uid,
        )
    raise TailLost(n)


def throw_away_upload(clinic: Clinic, uid: str, patient_id: int) -> None:
    """Removes a half-received recording."""
    with _alone(uid):
        upload = find_upload(clinic, uid, patient_id)
        if upload is None:
            return
        # The row first: a file that no row knows goes at the next start at the latest.
        with clinic.write() as c:
            change(c, "DELETE FROM uploads WHERE uid = :u", u=uid)
        remove_upload_files(clinic, uid, upload.suffix)


def remove_upload_files(clinic: Clinic, uid: str, suffix: str) -> None:
    """Removes what an upload without a row has left."""
    part = clinic.folder.upload(uid)
    moved = clinic.folder.recording(uid + suffix)
    for path in (part, part.with_name(f"{uid}{suffix}.part"), moved):
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)


def remove_strays(clinic: Clinic) -> int:
    """How many files were removed that no row knows: leftovers of a kill at a bad moment.

    Only for the one server of the folder, when it starts. What another program is taking in just
    now is locked by it, and stays.
    """
    n = 0
    folder = clinic.folder
    for path in (*folder.recordings.iterdir(), *folder.uploads.iterdir()):
        if path.is_file() and remove_if_stray(clinic, path):
            n += 1
    with clinic.read() as c:
        uids = {r["uid"] for r in rows(c, "SELECT uid FROM sets")}
    for path in folder.results.iterdir():
        if path.name not in uids:
            remove_folder(path)
            n += 1
    return n


def remove_if_stray(clinic: Clinic, path: Path) -> bool:
    """Whether a file of a recording was removed, as no row knows it and nobody holds it."""
    handle = open_bytes(path, os.O_RDWR, links=False)
    try:
        if take(handle) == "taken":
            return False
        # Asked only now: whoever held the file until then has written its row.
        with clinic.read() as c:
            known = one(
                c,
                """SELECT 1 FROM sets WHERE recording = :name UNION ALL
                   SELECT 1 FROM uploads WHERE uid = :uid AND (:is_upload OR uid || suffix = :name)
                """,
                name=path.name,
                uid=path.name.split(".")[0],
                is_upload=int(path.parent == clinic.folder.uploads),
            )
        if known:
            return False
        if os.name == "nt":
            os.close(handle)
            handle = -1
        path.unlink(missing_ok=True)
        return True
    finally:
        if handle >= 0:
            os.close(handle)
