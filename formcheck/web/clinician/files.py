"""Files in and out: recordings dropped in, exchange files, export, links for patients."""

import secrets

from formcheck.clinic.database import today
from formcheck.clinic.exchange import Received, import_package, pack_plan
from formcheck.clinic.fhir import bundle_json
from formcheck.clinic.patients import coming_words, newest_prescription
from formcheck.clinic.tables import sets_csv
from formcheck.files.exercises import list_exercises
from formcheck.model.errors import FileError, FormcheckError
from formcheck.web.clinician.lists import patient_of
from formcheck.web.pages import call, get, post, render, site_of, status_of, telling
from formcheck.web.uploads import upload_routes, whole_body


def routes() -> list:
    at = "/clinic/patients/{code}"
    return [
        get(at + "/files", _files),
        get(at + "/sets.csv", _csv),
        get(at + "/observations.json", _observations),
        get(at + "/plan.formcheck", _plan),
        post(at + "/link", _link),
        get("/clinic/import", _import_page),
        call("/clinic/import/file", _import_file, "PUT"),
        *upload_routes(at, patient_of, lambda uid: f"/clinic/sets/{uid}", is_recorded=False),
    ]


def _files(request, link: str = "", faults=(), status: int = 200):
    patient = patient_of(request)
    version = newest_prescription(site_of(request).clinic, patient.id)
    prescribed = [line.exercise for line in version.record().exercises] if version else []
    exercises = sorted(list_exercises(), key=lambda e: e.id not in prescribed)
    return render(
        request,
        "files.html.j2",
        status=status,
        patient=patient,
        exercises=exercises,
        prescribed=prescribed,
        today=today(),
        has_plan=version is not None,
        coming=coming_words(site_of(request).clinic, patient.id),
        link=link,
        faults=faults,
    )


def _download(content: str | bytes, name: str, kind: str):
    from starlette.responses import Response

    # The name is made of a checked code and our own words: no quote can be in it.
    return Response(
        content, media_type=kind, headers={"content-disposition": f'attachment; filename="{name}"'}
    )


def _csv(request):
    patient = patient_of(request)
    text = sets_csv(site_of(request).clinic, patient.id)
    return _download(text, f"{patient.code}_sets.csv", "text/csv; charset=utf-8")


def _observations(request):
    patient = patient_of(request)
    with telling() as faults:
        text = bundle_json(site_of(request).clinic, patient.code)
    if faults:
        return _files(request, faults=faults, status=400)
    return _download(text, f"{patient.code}_observations.json", "application/fhir+json")


def _plan(request):
    patient, folder = patient_of(request), site_of(request).clinic.folder
    target = folder.uploads / f"{secrets.token_hex(16)}.part"
    with telling() as faults:
        try:
            pack_plan(site_of(request).clinic, patient.code, target)
            content = target.read_bytes()
        finally:
            target.unlink(missing_ok=True)
    if faults:
        return _files(request, faults=faults, status=400)
    return _download(content, f"{patient.code}_plan.formcheck", "application/zip")


def _link(request, fields):
    patient, site = patient_of(request), site_of(request)
    return _files(request, link=site.link(site.sessions.new_link_secret("patient", patient.id)))


def _import_page(request):
    return render(request, "import.html.j2")


async def _import_file(request):
    """Takes in an exchange file sent as the raw body."""
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import JSONResponse

    clinic = site_of(request).clinic
    try:
        async with whole_body(request) as target:
            name = target.name
            received = await run_in_threadpool(import_package, clinic, target)
    except FileError as error:
        # The file's own name says more to the person than the one we gave it.
        text = str(error).removeprefix(f"{name}: ")
        words = f"This file {text}" if text != str(error) else text
        return JSONResponse({"error": words}, status_code=400)
    except FormcheckError as error:
        return JSONResponse({"error": str(error)}, status_code=status_of(error))
    return JSONResponse({"page": page_after(received)})


def page_after(received: Received) -> str:
    """The page that shows a clinic what a file brought."""
    page = (
        f"/clinic/sets/{received.set_uid}"
        if received.set_uid
        else f"/clinic/patients/{received.patient}/prescription"
    )
    return f"{page}?said={received.outcome}"
