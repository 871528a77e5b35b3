"""In which language a page is told: the patient's own, for everything behind a request."""

from babel import negotiate_locale

from formcheck.clinic import Clinic
from formcheck.clinic.patients import patient_by_id
from formcheck.clinic.this_computer import patient_here
from formcheck.web.security import FIRST_FILE, FIRST_PAGE
from formcheck.words.languages import DEFAULT, LANGUAGES, use

_SAME_FOR_ALL = ("/static/", "/theme.css", "/enter.css", "/enter.js", "/favicon.ico")


class OwnLanguage:
    """The ASGI application around the site, behind the gate: a patient's requests are answered in
    the patient's language, a clinician's in English, and the first start in the browser's."""

    def __init__(self, app, clinic: Clinic) -> None:
        self.app, self.clinic = app, clinic
        # The phones' door stands around this as it would around the site.
        self.state, self.routes = app.state, app.routes
        self.exception_handlers = app.exception_handlers

    async def __call__(self, scope, receive, send) -> None:
        from starlette.concurrency import run_in_threadpool

        if scope["type"] == "lifespan" or scope["path"].startswith(_SAME_FOR_ALL):
            await self.app(scope, receive, send)
            return
        with use(await run_in_threadpool(self._of, scope)):
            await self.app(scope, receive, send)

    def _of(self, scope) -> str:
        session = scope["state"]["session"]
        if session is None:
            return self.of_this_computer()
        if session.role == "patient":
            patient = patient_by_id(self.clinic, session.patient_id)
            return patient.language if patient else DEFAULT
        # The first pages, before a file or a choice says whose they are.
        is_first = scope["path"] in (FIRST_PAGE, FIRST_FILE)
        return asked_for(scope["headers"]) if is_first else DEFAULT

    def of_this_computer(self) -> str:
        """The language of the patient whose computer this is; English on a clinic's."""
        patient = patient_here(self.clinic)
        return patient.language if patient else DEFAULT


def asked_for(headers) -> str:
    """The first of a browser's languages that pages can be told in."""
    sent = next((v for n, v in headers if n == b"accept-language"), b"").decode("latin-1")
    wanted = [part.partition(";")[0].strip() for part in sent.split(",")]
    return negotiate_locale(wanted, list(LANGUAGES), sep="-") or DEFAULT
