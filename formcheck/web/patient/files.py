"""A patient's files: a set saved for the clinic, and the clinic's file taken in."""

import secrets
from pathlib import Path

from formcheck.clinic import Clinic
from formcheck.clinic.exchange import Received, import_package, pack_set
from formcheck.clinic.exchange_package import open_package
from formcheck.clinic.patients import Patient
from formcheck.model.errors import FileError, FormcheckError
from formcheck.web.pages import call, get, site_of, status_of
from formcheck.web.patient.own import own_patient, own_set
from formcheck.web.uploads import whole_body
from formcheck.words.languages import gettext


def routes() -> list:
    return [get("/my/sets/{uid}/set.formcheck", _set_file), call("/my/plan/file", _take_in, "PUT")]


def _set_file(request):
    """A recorded set as one file, for the clinic's own safe channel."""
    from starlette.background import BackgroundTask
    from starlette.responses import FileResponse

    clinic, stored = site_of(request).clinic, own_set(request)
    target = clinic.folder.uploads / f"{secrets.token_hex(16)}.part"
    try:
        pack_set(clinic, stored.uid, target)
    except BaseException:
        target.unlink(missing_ok=True)
        raise
    name = (
        f"{stored.patient_code}_{stored.day}_{stored.exercise}_{stored.side}_"
        f"{stored.set_number}.formcheck"
    )
    return FileResponse(
        target,
        media_type="application/zip",
        filename=name,
        background=BackgroundTask(target.unlink, missing_ok=True),
    )


async def _take_in(request):
    """Takes the clinic's file in, sent as the raw body: this patient's own plan alone."""
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import JSONResponse

    clinic = site_of(request).clinic
    patient = await run_in_threadpool(own_patient, request)
    try:
        async with whole_body(request) as target:
            name = target.name
            received = await run_in_threadpool(import_own, clinic, patient, target)
    except FileError as error:
        text = str(error).removeprefix(f"{name}: ")
        words = gettext("This file %(fault)s", fault=text) if text != str(error) else text
        return JSONResponse({"error": words}, status_code=400)
    except FormcheckError as error:
        return JSONResponse({"error": str(error)}, status_code=status_of(error))
    return JSONResponse({"page": page_after(received)})


def page_after(received: Received) -> str:
    """The page that shows a patient what a file brought."""
    return f"/my?said={received.outcome}"


def import_own(clinic: Clinic, patient: Patient, source: Path) -> Received:
    """Takes in a file with this patient's own plan. Raises FileError for any other."""
    opened = open_package(clinic, source, key=patient.exchange_key)
    if opened.recording is not None:
        opened.recording.unlink(missing_ok=True)
    if opened.manifest["patient"] != patient.code:
        words = gettext("is not of these pages; ask your clinic for yours")
        raise FileError(f"{source.name}: {words}")
    return import_package(clinic, source, expects="plan")
