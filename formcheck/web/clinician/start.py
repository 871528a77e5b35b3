"""The first start of an empty data folder: who uses this computer, and a patient's first file."""

import secrets

from formcheck.clinic.this_computer import begin_as_patients, is_unused
from formcheck.files.storage import output_error
from formcheck.model.errors import FormcheckError
from formcheck.web.one_file import read_file_form
from formcheck.web.opened_file import words_of
from formcheck.web.pages import PageError, get, go, post, render, session_of, site_of, status_of
from formcheck.web.security import FIRST_FILE, FIRST_PAGE, cookie_name
from formcheck.words.languages import gettext


def routes() -> list:
    from starlette.routing import Route

    return [
        get(FIRST_PAGE, _who),
        post(FIRST_PAGE, _clinic),
        get(FIRST_FILE, _patient),
        Route(FIRST_FILE, _take_in, methods=["POST"]),
    ]


def _who(request):
    """Who uses this computer? Once somebody does, the work list."""
    if not is_unused(site_of(request).clinic):
        return go(request, "/clinic")
    return render(request, "start.html.j2")


def _clinic(request, fields):
    return go(request, "/clinic/settings")


def _patient(request, fault: str = "", status: int = 200):
    return render(request, "start_patient.html.j2", status=status, fault=fault)


async def _take_in(request):
    """The clinic's file: this computer is its patient's from now on, and so is this session."""
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import RedirectResponse

    form = await read_file_form(request)
    if form is None or not session_of(request).is_form_token(form.token):
        raise PageError(
            403, gettext("This page is too old, or the form is not from here. Load it again.")
        )
    site = site_of(request)
    if form.is_too_large or not form.content:
        words = (
            gettext("This file is far too large to be your clinic's.")
            if form.is_too_large
            else gettext("This file is empty.")
        )
        return await run_in_threadpool(_patient, request, words, 400)
    name = f"{secrets.token_hex(16)}.part"
    try:
        patient = await run_in_threadpool(_begin, site.clinic, form.content, name)
    except FormcheckError as error:
        words = words_of(error, name)
        return await run_in_threadpool(_patient, request, words, status_of(error))
    before, name = (cookie_name(site.port, role) for role in ("clinician", "patient"))
    cookie = site.sessions.exchange(site.sessions.new_link_secret("patient", patient.id))
    site.sessions.end(request.cookies.get(before, ""))
    response = RedirectResponse("/my?said=imported", status_code=303)
    response.set_cookie(name, cookie or "", httponly=True, samesite="strict", path="/")
    response.delete_cookie(before, path="/")
    return response


def _begin(clinic, content: bytes, name: str):
    source = clinic.folder.uploads / name
    try:
        try:
            with source.open("xb") as file:
                source.chmod(0o600)
                file.write(content)
        except OSError as error:
            raise output_error(error, clinic.folder.root) from error
        return begin_as_patients(clinic, source)
    finally:
        source.unlink(missing_ok=True)
