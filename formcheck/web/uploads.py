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
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from formcheck.clinic import Clinic
from formcheck.clinic.database import today
from formcheck.clinic.folder import need_room
from formcheck.clinic.patients import Patient, current_prescription
from formcheck.clinic.sets import AboutSet
from formcheck.clinic.uploads import (
    TailLost,
    TooLarge,
    Upload,
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
from formcheck.words.languages import gettext

MOST_JSON_BYTES = 20_000


def about_from(values: object, patient: Patient, clinic, *, is_recorded: bool) -> AboutSet:
    """What the sender says of a set, checked. Raises UsageError."""
    if not isinstance(values, dict):
        raise UsageError(gettext("say which exercise it is"))
    exercise, side = values.get("exercise"), values.get("side")
    if exercise not in exercise_ids():
        raise UsageError(gettext("choose the exercise"))
    if side not in ("left", "right", "both"):
        raise UsageError(gettext("choose the side"))
    number = values.get("set_number", 1)
    if not isinstance(number, int) or not 1 <= number <= 20:
        raise UsageError(gettext("the set's number is from 1 to 20"))
    try:
        day = date.fromisoformat(str(values.get("day") or today().isoformat()))
    except ValueError:
        raise UsageError(gettext("write the date as year-month-day")) from None
    if day > today():
        raise UsageError(gettext("the date lies in the future"))
    load = values.get("load_kg")
    if load is not None and not (isinstance(load, int | float) and 0 <= load <= 500):
        raise UsageError(gettext("the load is from 0 to 500 kg"))
    version = current_prescription(clinic, patient.id, day)
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
    clinic = site_of(request).clinic
    target = clinic.folder.uploads / f"{secrets.token_hex(16)}.part"
    length = request.headers.get("content-length", "0")
    await _in_thread(need_room, clinic.folder, int(length) if length.isdigit() else 0)
    try:
        try:
            with target.open("xb") as file:
                target.chmod(0o600)
                async for block in request.stream():
                    await _in_thread(file.write, block)
        except OSError as error:
            raise output_error(error, clinic.folder.root) from error
        yield target
    finally:
        target.unlink(missing_ok=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """A part of the site that recordings come up under."""

    patient_of: Callable
    page_of: Callable[[str], str]
    is_recorded: bool


def upload_routes(
    prefix: str, patient_of: Callable, page_of: Callable[[str], str], *, is_recorded: bool
) -> list:
    """The routes under a prefix. `patient_of(request)` gives the patient that may use them;
    `page_of(uid)` the page of a finished set; `is_recorded`: whether it may be a live recording."""
    part = _Part(patient_of=patient_of, page_of=page_of, is_recorded=is_recorded)
    at = f"{prefix}/uploads"
    return [
        call(at, _answered(_begin, part), "POST"),
        call(at, _answered(_half_here, part), "GET"),
        call(at + "/{uid}/pieces", _answered(_piece, part), "PUT"),
        call(at + "/{uid}/finish", _answered(_finish, part), "POST"),
        call(at + "/{uid}/discard", _answered(_discard, part), "POST"),
    ]


async def _begin(part: _Part, request) -> object:
    clinic, patient = await _whose(part, request)
    try:
        values = read_json(await request.body())
    except ValueError:
        raise UsageError(gettext("that cannot be read")) from None
    about = await _in_thread(about_from, values, patient, clinic, is_recorded=part.is_recorded)
    name = str(values.get("file_name") or "recording.webm")
    upload = await _in_thread(begin_upload, clinic, patient.id, about, name)
    return {"uid": upload.uid, "next": 0}


async def _half_here(part: _Part, request) -> object:
    clinic, patient = await _whose(part, request)
    return [
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
        for u in await _in_thread(open_uploads, clinic, patient.id)
    ]


async def _piece(part: _Part, request) -> object:
    clinic, _, upload = await _own(part, request)
    n = request.query_params.get("n", "")
    if not (n.isascii() and n.isdigit() and len(n) < 9):
        raise UsageError(gettext("say which piece this is"))
    sha256 = request.query_params.get("sha256")
    upload = await receive_piece(clinic, upload, int(n), request.stream(), sha256)
    return {"next": upload.n_pieces, "n_bytes": upload.n_bytes}


async def _finish(part: _Part, request) -> object:
    # One that is finished already is no open upload, and finishing it again gives its set.
    clinic, patient = await _whose(part, request)
    stored = await _in_thread(finish_upload, clinic, request.path_params["uid"], patient.id)
    return {"set": stored.uid, "page": part.page_of(stored.uid)}


async def _discard(part: _Part, request) -> object:
    clinic, patient, upload = await _own(part, request)
    await _in_thread(throw_away_upload, clinic, upload.uid, patient.id)
    return {}


async def _whose(part: _Part, request) -> tuple[Clinic, Patient]:
    return site_of(request).clinic, await _in_thread(part.patient_of, request)


async def _own(part: _Part, request) -> tuple[Clinic, Patient, Upload]:
    """The upload that the request names; another patient's is not there."""
    clinic, patient = await _whose(part, request)
    upload = await _in_thread(find_upload, clinic, request.path_params["uid"], patient.id)
    if upload is None:
        raise PageError(404, gettext("that recording is not here"))
    return clinic, patient, upload


def _answered(step: Callable, part: _Part) -> Callable:
    """The endpoint of a step: what it gives as JSON, and what goes amiss in it as JSON too."""
    from starlette.responses import JSONResponse

    async def endpoint(request):
        try:
            return JSONResponse(await step(part, request))
        except TooLarge as error:
            return JSONResponse({"error": str(error)}, status_code=413)
        except TailLost as error:
            lost = {"error": str(error), "next": error.n_pieces}
            return JSONResponse(lost, status_code=409)
        except FormcheckError as error:
            return JSONResponse({"error": str(error)}, status_code=status_of(error))
        except PageError as error:
            return JSONResponse({"error": error.words}, status_code=error.status)

    return endpoint


async def _in_thread(function: Callable, *args, **kwargs):
    """What asks the database or the disk, beside the loop."""
    from starlette.concurrency import run_in_threadpool

    return await run_in_threadpool(function, *args, **kwargs)
