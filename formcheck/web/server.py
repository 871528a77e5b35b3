"""The site put together, and the server that holds it."""

import contextlib
import hashlib
import signal
import socket
import sys
import threading
import webbrowser
from contextlib import closing
from pathlib import Path
from urllib.parse import parse_qs

from formcheck.clinic import Clinic, open_clinic
from formcheck.clinic.backup import remove_backup_leftovers
from formcheck.clinic.folder import DataFolder, ask_again, pages_asked_again, serving
from formcheck.clinic.patients import find_patient, patient_by_id
from formcheck.clinic.retention import delete_confirmed, due_sets
from formcheck.clinic.this_computer import is_unused, patient_here
from formcheck.clinic.uploads import remove_strays
from formcheck.files.packages import needed_package
from formcheck.model.errors import BusyError, FormcheckError, UsageError
from formcheck.web import help
from formcheck.web.clinician import pages as clinic_pages
from formcheck.web.connections import IDLE_TIME_S, bounded_protocol
from formcheck.web.opened_file import check_options, take_in
from formcheck.web.own_language import OwnLanguage
from formcheck.web.pages import (
    HERE,
    PageError,
    Site,
    read_form,
    render,
    session_of,
    site_of,
    status_of,
)
from formcheck.web.patient import pages as patient_pages
from formcheck.web.phone import pages as phone_pages
from formcheck.web.phone.listener import PhoneWay, bound_way, listening_for_phones, phone_site
from formcheck.web.security import FIRST_PAGE, Gate, TooMuch, cookie_name
from formcheck.web.sessions import ROLES, Sessions
from formcheck.web.workers import Worker
from formcheck.words.languages import gettext

DEFAULT_PORT = 4270
MOST_AT_ONCE = 800
"""Connections and requests of all sessions together."""
MOST_HEADER_BYTES = 32_000
_STATIC = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


def create_site(clinic: Clinic, sessions: Sessions, port: int, phone: PhoneWay | None = None):
    """The whole site as an ASGI application, its gate around it. phone : the way for phones, if
    it is on."""
    from starlette.applications import Starlette
    from starlette.exceptions import HTTPException
    from starlette.routing import Route

    site = Starlette(
        routes=[
            Route("/", _home, methods=["GET"]),
            Route("/enter", _enter_page, methods=["GET"]),
            Route("/enter", _enter, methods=["POST"]),
            Route("/theme.css", _theme, methods=["GET"]),
            Route("/enter.css", _open_file, methods=["GET"]),
            Route("/enter.js", _open_file, methods=["GET"]),
            Route("/favicon.ico", _no_icon, methods=["GET"]),
            Route("/leave", _leave, methods=["POST"]),
            Route("/my/leave", _leave, methods=["POST"]),
            Route("/static/{name}", _static, methods=["GET"]),
            *clinic_pages.routes(),
            *patient_pages.routes(),
            *phone_pages.routes(),
            *help.routes("/clinic"),
            *help.routes("/my"),
        ],
        exception_handlers={
            PageError: _told_page_error,
            TooMuch: _told_too_much,
            FormcheckError: _told_error,
            HTTPException: _told_http,
            500: _told_failure,
        },
    )
    site.state.site = Site(clinic=clinic, sessions=sessions, port=port, phone=phone)
    told = OwnLanguage(site, clinic)
    return Gate(told, sessions, port, told.of_this_computer)


def _home(request):
    from starlette.responses import RedirectResponse

    session = session_of(request)
    page = "/clinic" if session.role == "clinician" else "/my"
    if session.role == "clinician" and is_unused(site_of(request).clinic):
        page = FIRST_PAGE
    return RedirectResponse(page, status_code=303)


def _enter_page(request):
    return render(request, "enter.html.j2", is_void=False)


async def _enter(request):
    """Exchanges a link's secret for the session's cookie. Same origin only: the gate saw to it."""
    from starlette.responses import RedirectResponse

    site = site_of(request)
    body = (await request.body()).decode("utf-8", "replace")
    secret = (parse_qs(body).get("secret") or [""])[0].strip().rpartition("#")[2]
    page = site.sessions.page_of_link(secret)
    cookie = site.sessions.exchange(secret)
    if cookie is None:
        return render(request, "enter.html.j2", status=403, is_void=True)
    session = site.sessions.find(cookie)
    role = session.role if session else "clinician"
    response = RedirectResponse(page or ("/my" if role == "patient" else "/"), status_code=303)
    name = cookie_name(site.port, role)
    response.set_cookie(name, cookie, httponly=True, samesite="strict", path="/")
    return response


async def _leave(request):
    from starlette.responses import RedirectResponse

    await read_form(request)
    site = site_of(request)
    own, response = session_of(request), RedirectResponse("/enter", status_code=303)
    for name in (cookie_name(site.port, role) for role in ROLES):
        cookie = request.cookies.get(name, "")
        found = site.sessions.find(cookie)
        if found and found.key == own.key:
            site.sessions.end(cookie)
            response.delete_cookie(name, path="/")
    return response


def _open_file(request):
    return _file(request.url.path.strip("/"))


def _theme(request):
    from starlette.responses import FileResponse

    return FileResponse(HERE.parent / "assets" / "theme.css", media_type="text/css")


def _no_icon(request):
    from starlette.responses import Response

    return Response(status_code=204)


def _static(request):
    return _file(request.path_params["name"])


def _file(name: str):
    """One of the site's own files: by a listed name, never by a path."""
    from starlette.responses import FileResponse

    found = {p.name: p for p in (HERE / "static").iterdir() if p.suffix in _STATIC}
    if name not in found:
        raise PageError(404, "There is no such file.")
    path = found[name]
    return FileResponse(path, media_type=_STATIC[path.suffix])


def _told_too_much(request, error):
    answer = render(
        request, "error.html.j2", status=413, words=gettext("That is too much, or took too long.")
    )
    # Nothing more is read of a body that was refused.
    answer.headers["connection"] = "close"
    return answer


def _told_page_error(request, error):
    return render(request, "error.html.j2", status=error.status, words=error.words)


def _told_error(request, error):
    text = str(error)
    return render(request, "error.html.j2", status=status_of(error), words=_sentence(text))


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _told_http(request, error):
    words = {404: gettext("There is no such page."), 405: gettext("This page does not take that.")}
    return render(
        request,
        "error.html.j2",
        status=error.status_code,
        words=words.get(error.status_code, gettext("This cannot be done.")),
    )


def _told_failure(request, error):
    print(f"formcheck: {request.url.path}: {type(error).__name__}: {error}", file=sys.stderr)
    return render(
        request,
        "error.html.j2",
        status=500,
        words=gettext(
            "Something went wrong in formcheck itself. What was saved before is still there."
        ),
    )


def _socket_on(port: int | None) -> socket.socket:
    """A socket on the loopback address: the asked port, or the usual one, or any free one."""
    for candidate in (port,) if port is not None else (DEFAULT_PORT, 0):
        made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if sys.platform != "win32":  # there it would let two servers share a port
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            made.bind(("127.0.0.1", candidate))
            # A link followed before the server is quite ready waits instead of failing.
            made.listen(128)
            return made
        except OSError:
            made.close()
    raise BusyError(f"port {port} is in use; choose another with --port, or leave it out")


def server_config(application, certificate: Path | None = None):
    """How the server is run, its limits included. certificate : a file with a key and its
    certificate, for a listener over TLS."""
    import uvicorn

    return uvicorn.Config(
        application,
        http=bounded_protocol(),
        log_level="warning",
        access_log=False,
        server_header=False,
        date_header=False,
        lifespan="off",
        ws="websockets-sansio",
        timeout_keep_alive=int(IDLE_TIME_S),
        timeout_graceful_shutdown=3,
        h11_max_incomplete_event_size=MOST_HEADER_BYTES,
        ws_max_size=4_000_000,
        ws_per_message_deflate=False,
        limit_concurrency=MOST_AT_ONCE,
        proxy_headers=False,
        ssl_certfile=certificate,
        ssl_keyfile=certificate,
    )


def serve(
    root: Path | None,
    *,
    source: Path | None = None,
    port: int | None = None,
    patient: str | None = None,
    is_clinician: bool = False,
    is_again: bool = False,
    is_opening_browser: bool = True,
    retain_days: int | None = None,
    pose_model: str = "",
    is_for_phones: bool = False,
    phone_address: str | None = None,
) -> None:
    """Serves the pages until Ctrl-C, on this computer only unless a phone may film.

    source : a file that `formcheck pack` or the pages wrote, taken in first; its page is opened.
    patient : the code of a patient whose own pages are opened; else those of the patient whose
    computer this is, or the clinician's; is_clinician : the clinician's in any case. is_again :
    where the pages are served already, they are opened again instead of being refused.
    is_for_phones : a second listener, over TLS, on one address of the local network, by which a
    paired phone records; phone_address : that address, where there are several.
    Raises FileError for a file that cannot be taken in, BusyError when the folder or the port is in
    use, UsageError for an unknown patient or an address that cannot be used.
    """
    with needed_package("the clinic's pages"):
        import jinja2  # noqa: F401
        import starlette  # noqa: F401
        import uvicorn
        import websockets  # noqa: F401

    clinic = open_clinic(root)
    with contextlib.ExitStack() as stack:
        stack.enter_context(closing(clinic))
        if source is not None:
            check_options(clinic, patient=patient, is_clinician=is_clinician)
        try:
            stack.enter_context(serving(clinic.folder))
        except BusyError:
            if not is_again:
                raise
            ask_again(clinic.folder, _page_of(clinic, source))
            print("formcheck is open already: its page comes up again", flush=True)
            return
        listening = stack.enter_context(_socket_on(port))
        was_unused = is_unused(clinic)
        first_page = _page_of(clinic, source)
        remove_strays(clinic)
        remove_backup_leftovers(clinic.folder)
        port = listening.getsockname()[1]

        def mark_of(patient_id: int) -> str:
            return _mark_of(clinic, patient_id)

        sessions = Sessions(clinic.folder.root / "sessions.json", mark_of)
        phone = None
        if is_for_phones:
            bound = bound_way(clinic.folder.root, phone_address, mark_of)
            phone, phones_socket = stack.enter_context(bound)
        site = Site(clinic=clinic, sessions=sessions, port=port)

        def new_link(page: str = "") -> str:
            nonlocal was_unused
            if was_unused and patient_here(clinic) is not None:
                sessions.end_clinicians()
            was_unused = is_unused(clinic)
            found = find_patient(clinic, patient) if patient else None
            if patient is None:
                found = None if is_clinician else patient_here(clinic)
                if found is None:
                    page = page if page.startswith("/clinic") else ""
                    return site.link(sessions.new_link_secret("clinician", page=page))
            if found is None:
                raise UsageError(f"there is no patient {patient}; see the list of patients")
            page = page if page.startswith("/my") else ""
            return site.link(sessions.new_link_secret("patient", found.id, page))

        link = new_link(first_page)
        application = create_site(clinic, sessions, port, phone)
        worker = Worker(clinic, pose_model)
        worker.start()
        stop = threading.Event()
        if retain_days is not None:
            threading.Thread(
                target=_keep_deleting, args=(clinic, retain_days, stop), daemon=True
            ).start()
        print(f"Open this link in a browser on this computer. It works once:\n{link}", flush=True)
        if phone is not None:
            print(
                f"The way for phones is on, at {phone.origin}; a patient's page Phone shows the "
                "code. The SHA-256 fingerprint of its certificate is\n"
                f"{phone.certificate.fingerprint}\n"
                "To turn it off, stop formcheck and start it without --phone.",
                flush=True,
            )
            config = server_config(phone_site(application.app, phone), phone.certificate.path)
            stack.enter_context(listening_for_phones(config, phones_socket))
        if sys.stdin is not None and sys.stdin.isatty():
            print("Press Enter for a new link, Ctrl-C to stop.", flush=True)
            threading.Thread(target=_links_on_enter, args=(new_link,), daemon=True).start()
        show = webbrowser.open if is_opening_browser else _print_link
        if is_opening_browser:
            threading.Timer(0.8, show, (link,)).start()
        threading.Thread(
            target=_open_when_asked, args=(clinic.folder, new_link, stop, show), daemon=True
        ).start()
        config = server_config(application)
        try:
            run_until_stopped(uvicorn.Server(config), listening)
        finally:
            stop.set()
            worker.stop()
            sessions.keep()


def run_until_stopped(server, listening: socket.socket) -> None:
    """Runs a server in the main thread until Ctrl-C, which raises KeyboardInterrupt once it ended.

    It hears Ctrl-C from before its first step: until its own handler stands, an interrupt would
    break in between its loop and its coroutine, and leave a warning about it on the terminal.
    """
    came = []

    def ask_to_end(*arguments) -> None:
        came.append(arguments)
        server.should_exit = True

    before = signal.signal(signal.SIGINT, ask_to_end)
    try:
        server.run(sockets=[listening])
    finally:
        signal.signal(signal.SIGINT, before)
    if came:
        raise KeyboardInterrupt


def _mark_of(clinic: Clinic, patient_id: int) -> str:
    """What tells a patient from every other, though a row be used anew."""
    patient = patient_by_id(clinic, patient_id)
    return hashlib.sha256(patient.exchange_key.encode()).hexdigest() if patient else ""


def _page_of(clinic: Clinic, source: Path | None) -> str:
    """The path that shows what a file brought, which is told; empty without a file."""
    if source is None:
        return ""
    taken = take_in(clinic, source)
    print(taken.words, flush=True)
    return taken.page


def _print_link(link: str) -> None:
    print(link, flush=True)


def _open_when_asked(folder: DataFolder, new_link, stop: threading.Event, show) -> None:
    """A second start of the same folder asks for the page: it is opened anew from here."""
    while not stop.wait(0.5):
        for page in pages_asked_again(folder):
            show(new_link(page))


def _links_on_enter(new_link) -> None:
    for _ in sys.stdin:
        _print_link(new_link())


def _keep_deleting(clinic: Clinic, days: int, stop: threading.Event) -> None:
    n_told = 0
    while not stop.is_set():
        try:
            n = delete_confirmed(clinic, days)
            if n:
                print(f"formcheck: {n} sets older than {days} days were deleted", file=sys.stderr)
            n_due = sum(not d.confirmed_at for d in due_sets(clinic))
            if n_due > n_told:
                print(
                    f"formcheck: {n_due} sets are older than {days} days; say under Patients "
                    "which of them are to be deleted",
                    file=sys.stderr,
                )
            n_told = n_due
        except FormcheckError as error:
            print(f"formcheck: {error}", file=sys.stderr)
        stop.wait(3600)
