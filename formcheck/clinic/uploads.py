"""Recordings that arrive in pieces: each piece is on the disk before it is acknowledged."""

import asyncio
import contextlib
import hashlib
import json
import os
from collections.abc import AsyncIterator
from dataclasses import asdict, dataclass
from pathlib import Path

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
from formcheck.model.errors import UsageError

MOST_OPEN_UPLOADS = 20
"""Half-finished recordings that one patient may have; the oldest is then to be thrown away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Upload:
    """A recording that has not arrived whole. `n_pieces` is the number of the next piece."""

    uid: str
    patient_id: int
    about: AboutSet
    suffix: str
    n_bytes: int
    n_pieces: int
    begun_at: str
    last_at: str


class TooLarge(UsageError):
    """More bytes than a recording may have."""


def begin_upload(clinic: Clinic, patient_id: int, about: AboutSet, file_name: str) -> Upload:
    """A new recording to receive. Raises UsageError for a file that is no video."""
    uid, suffix = new_uid(), checked_suffix(file_name)
    need_room(clinic.folder, 20_000_000)
    with clinic.write() as c:
        n = one(c, "SELECT count(*) AS n FROM uploads WHERE patient_id = :p", p=patient_id)["n"]
        if n >= MOST_OPEN_UPLOADS:
            raise UsageError("too many half-received recordings; finish or throw away one of them")
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
    os.close(os.open(clinic.folder.upload(uid), os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    return find_upload(clinic, uid, patient_id)


def _upload(row) -> Upload:
    values = {name: row[name] for name in Upload.__slots__}
    values["about"] = AboutSet(**json.loads(row["about"]))
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

    Raises UsageError for a piece out of order or one that differs from its checksum (then it may
    be sent again), TooLarge beyond the limit.
    """
    if number < upload.n_pieces:
        async for _ in body:
            pass
        return upload
    if number > upload.n_pieces:
        raise UsageError(f"piece {upload.n_pieces} comes next, not {number}")
    path = clinic.folder.upload(upload.uid)
    handle = open_bytes(path, os.O_WRONLY)
    try:
        _alone(handle)
        # What a killed piece left behind the last whole one is cut off.
        os.ftruncate(handle, upload.n_bytes)
        os.lseek(handle, upload.n_bytes, os.SEEK_SET)
        total = upload.n_bytes
        digest = hashlib.sha256()
        async for block in body:
            total += len(block)
            if total > MOST_RECORDING_BYTES:
                os.ftruncate(handle, upload.n_bytes)
                raise TooLarge("the recording is larger than 600 MB; film one set at a time")
            digest.update(block)
            await asyncio.to_thread(_write_all, handle, block)
        if sha256 is not None and sha256 != digest.hexdigest():
            os.ftruncate(handle, upload.n_bytes)
            raise UsageError("this piece was damaged on its way; send it again")
        await asyncio.to_thread(os.fsync, handle)
    finally:
        os.close(handle)
    if number == 0 and not looks_like_video(_head(path)):
        raise UsageError("this file is no video; choose the recording itself")
    return await asyncio.to_thread(_count_piece, clinic, upload, number, total)


def _alone(handle: int) -> None:
    if take(handle) == "taken":
        raise UsageError("a piece of this recording is arriving already; wait for it")


def _write_all(handle: int, block: bytes) -> None:
    view = memoryview(block)
    while view:
        view = view[os.write(handle, view) :]


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(16)


def _count_piece(clinic: Clinic, upload: Upload, number: int, total: int) -> Upload:
    with clinic.write() as c:
        n = change(
            c,
            """UPDATE uploads SET n_bytes = :b, n_pieces = :n + 1, last_at = :at
                  WHERE uid = :u AND n_pieces = :n""",
            b=total,
            n=number,
            at=now(),
            u=upload.uid,
        )
    if not n:
        raise UsageError("this piece arrived twice at once; ask where the upload stands")
    return find_upload(clinic, upload.uid, upload.patient_id)


def finish_upload(clinic: Clinic, uid: str, patient_id: int) -> StoredSet:
    """The set that the received recording makes. Asked twice, it gives the same set.

    Raises UsageError when there is no such upload or nothing in it.
    """
    upload = find_upload(clinic, uid, patient_id)
    if upload is None:
        done = find_set(clinic, uid, patient_id=patient_id)
        if done is None:
            raise UsageError("that recording is not here; it was finished or thrown away")
        return done
    if not upload.n_bytes:
        raise UsageError("nothing of the recording has arrived")
    part = clinic.folder.upload(uid)
    whole = part.with_name(f"{uid}{upload.suffix}.part")
    if part.exists():
        os.truncate(part, upload.n_bytes)
        os.replace(part, whole)
    if not whole.exists() and clinic.folder.recording(uid + upload.suffix).exists():
        # Killed between the move and the row: the recording is in its place already.
        os.replace(clinic.folder.recording(uid + upload.suffix), whole)
    return add_set(clinic, patient_id, upload.about, whole, uid=uid)


def throw_away_upload(clinic: Clinic, uid: str, patient_id: int) -> None:
    """Removes a half-received recording."""
    upload = find_upload(clinic, uid, patient_id)
    if upload is None:
        return
    with contextlib.suppress(OSError):
        clinic.folder.upload(uid).unlink()
    with contextlib.suppress(OSError):
        clinic.folder.upload(uid).with_name(f"{uid}{upload.suffix}.part").unlink()
    with clinic.write() as c:
        change(c, "DELETE FROM uploads WHERE uid = :u", u=uid)


def remove_strays(clinic: Clinic) -> int:
    """How many files were removed that no row knows: leftovers of a kill at a bad moment.

    Only for the one server of the folder, when it starts.
    """
    with clinic.read() as c:
        sets = {r["recording"] for r in rows(c, "SELECT recording FROM sets")}
        uids = {r["uid"] for r in rows(c, "SELECT uid FROM sets")}
        waiting = {r["uid"]: r["suffix"] for r in rows(c, "SELECT uid, suffix FROM uploads")}
    n = 0
    kept = sets | {uid + suffix for uid, suffix in waiting.items()}
    for path in clinic.folder.recordings.iterdir():
        if path.name not in kept:
            path.unlink(missing_ok=True)
            n += 1
    for path in clinic.folder.uploads.iterdir():
        if path.name.split(".")[0] not in waiting:
            path.unlink(missing_ok=True)
            n += 1
    for path in clinic.folder.results.iterdir():
        if path.name not in uids:
            remove_folder(path)
            n += 1
    return n
