"""Recordings going up in pieces: the same endpoints under the clinician's and the patient's part.

POST PREFIX/uploads               begin; JSON of what the set is -> {"uid", "next"}
GET  PREFIX/uploads               those that are half here -> [{"uid", "next", ...}]
PUT  PREFIX/uploads/UID/pieces?n= one piece, raw bytes (sha256= its checksum) -> {"next"}
POST PREFIX/uploads/UID/finish    -> {"set": UID of the set, "page": where it is shown}; 409 with
                                  {"next"} when the disk lost the end: send it again from there
POST PREFIX/uploads/UID/discard   throw it away

A piece is on the disk when it is answered; one sent twice changes nothing.
"""

import contextlib
import secrets
from collections.abc import AsyncIterator, Callable
from datetime import date
from pathlib import Path

from formcheck.clinic.database import today
from formcheck.clinic.folder import need_room
from formcheck.clinic.patients import Patient, current_prescription
from formcheck.clinic.sets import AboutSet
from formcheck.clinic.uploads import (
    TailLost,
    TooLarge,
    begin_upload,
    find_upload,
    finish_upload,
    open_uploads,
    receive_piece,
    throw_away_upload,
)
from formcheck.files.exercise_files import exercise_ids
from formcheck.files.storage import output_error
from formcheck.files.strict_json import read_json
from formcheck.model.errors import FormcheckError, UsageError
from formcheck.web.pages import PageError, call, site_of, status_of

MOST_JSON_BYTES = 20_000


def about_from(values: object, patient: Patient, clinic, *, is_recorded: bool) -> AboutSet:
    """What the sender says of a set, checked. Raises UsageError."""
    if not isinstance(values, dict):
        raise UsageError("say which exercise it is")
    exercise, side = values.get("exercise"), values.get("side")
    if exercise not in exercise_ids():
        raise UsageError("choose the exercise")
    if side not in ("left", "right", "both"):
        raise UsageError("choose the side")
    number = values.get("set_number", 1)
    if not isinstance(number, int) or not 1 <= number <= 20:
        raise UsageError("the set's number is from 1 to 20")
    try:
        day = date.fromisoformat(str(values.get("day") or today().isoformat()))
    except ValueError:
        raise UsageError("write the date as year-month-day") from None
    if day > today():
        raise UsageError("the date lies in the future")
    load = values.get("load_kg")
    if load is not None and not (isinstance(load, int | float) and 0 <= load <= 500):
        raise UsageError("the load is from 0 to 500 kg")
    version = current_prescription(clinic, patient.id)
    return AboutSet(
        exercise=exercise,
        side=side,
        day=day.isoformat(),
        set_number=number,
        prescription_id=version.id if version else None,
        is_mirrored=values.get("is_mirrored") is True,
        origin="recorded" if is_recorded and values.get("is_recorded") is True else "dropped in",
        support=str(values.get("support") or "")[:200],
        load_kg=load,
        before_answer=before if isinstance(before := values.get("before"), int) else None,
    )


@contextlib.asynccontextmanager
async def whole_body(request) -> AsyncIterator[Path]:
    """A file of our own with the request's body, until the block ends. Raises OutputError."""
    from starlette.concurrency import run_in_threadpool

    clinic = site_of(request).clinic
    target = clinic.folder.uploads / f"{secrets.token_hex(16)}.part"
    length = request.headers.get("content-length", "0")
    await run_in_threadpool(need_room, clinic.folder, int(length) if length.isdigit() else 0)
    try:
        try:
            with target.open("xb") as file:
                target.chmod(0o600)
                async for block in request.stream():
                    await run_in_threadpool(file.write, block)
        except OSError as error:
            raise output_error(error, clinic.folder.root) from error
        yield target
    finally:
        target.unlink(missing_ok=True)


def upload_routes(
    prefix: str, patient_of: Callable, page_of: Callable[[str], str], *, is_recorded: bool
) -> list:
    """The routes under a prefix. `patient_of(request)` gives the patient that may use them;
    `page_of(uid)` the page of a finished set; `is_recorded`: whether it may be a live recording."""
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import JSONResponse

    def told(handler):
        async def endpoint(request):
            try:
                return await handler(request)
            except TooLarge as error:
                return JSONResponse({"error": str(error)}, status_code=413)
            except TailLost as error:
                told = {"error": str(error), "next": error.n_pieces}
                return JSONResponse(told, status_code=409)
            except FormcheckError as error:
                return JSONResponse({"error": str(error)}, status_code=status_of(error))
            except PageError as error:
                return JSONResponse({"error": error.words}, status_code=error.status)

        return endpoint

    async def own(request):
        """(clinic, patient, upload) of the request; another patient's upload is not there."""
        clinic = site_of(request).clinic
        patient = await run_in_threadpool(patient_of, request)
        uid = request.path_params["uid"]
        upload = await run_in_threadpool(find_upload, clinic, uid, patient.id)
        if upload is None:
            raise PageError(404, "that recording is not here")
        return clinic, patient, upload

    @told
    async def begin(request):
        clinic = site_of(request).clinic
        patient = await run_in_threadpool(patient_of, request)
        try:
            values = read_json(await request.body())
        except ValueError:
            raise UsageError("that cannot be read") from None
        name = values.get("file_name") if isinstance(values, dict) else None
        about = await run_in_threadpool(
            lambda: about_from(values, patient, clinic, is_recorded=is_recorded)
        )
        upload = await run_in_threadpool(
            begin_upload, clinic, patient.id, about, str(name or "recording.webm")
        )
        return JSONResponse({"uid": upload.uid, "next": 0})

    @told
    async def half_here(request):
        clinic = site_of(request).clinic
        patient = await run_in_threadpool(patient_of, request)
        found = await run_in_threadpool(open_uploads, clinic, patient.id)
        return JSONResponse(
            [
                {
                    "uid": u.uid,
                    "next": u.n_pieces,
                    "n_bytes": u.n_bytes,
                    "begun_at": u.begun_at,
                    "exercise": u.about.exercise,
                    "side": u.about.side,
                    "day": u.about.day,
                    "set_number": u.about.set_number,
                }
                for u in found
            ]
        )

    @told
    async def piece(request):
        clinic, _, upload = await own(request)
        n = request.query_params.get("n", "")
        if not (n.isascii() and n.isdigit() and len(n) < 9):
            raise UsageError("say which piece this is")
        sha256 = request.query_params.get("sha256")
        upload = await receive_piece(clinic, upload, int(n), request.stream(), sha256)
        return JSONResponse({"next": upload.n_pieces, "n_bytes": upload.n_bytes})

    @told
    async def finish(request):
        clinic = site_of(request).clinic
        patient = await run_in_threadpool(patient_of, request)
        uid = request.path_params["uid"]
        stored = await run_in_threadpool(finish_upload, clinic, uid, patient.id)
        return JSONResponse({"set": stored.uid, "page": page_of(stored.uid)})

    @told
    async def discard(request):
        clinic, patient, upload = await own(request)
        await run_in_threadpool(throw_away_upload, clinic, upload.uid, patient.id)
        return JSONResponse({})

    at = f"{prefix}/uploads"
    return [
        call(at, begin, "POST"),
        call(at, half_here, "GET"),
        call(at + "/{uid}/pieces", piece, "PUT"),
        call(at + "/{uid}/finish", finish, "POST"),
        call(at + "/{uid}/discard", discard, "POST"),
    ]
