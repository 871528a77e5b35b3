"""The second listener, over TLS, on one address: what a phone finds of the site."""

import contextlib
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from formcheck.model.errors import BusyError, UsageError
from formcheck.web.pages import read_form, render, session_of, site_of
from formcheck.web.phone.addresses import phone_address
from formcheck.web.phone.certificate import Certificate, kept_certificate
from formcheck.web.phone.gate import PAIR, PhoneGate, phone_cookie_name
from formcheck.web.phone.pairing import Pairings, TooManyWrong
from formcheck.web.sessions import Sessions

DEFAULT_PORT = 4271
FOLDER, SESSIONS = "phone", "phone-sessions.json"
"""In the data folder: keys and certificates, and the digests of the phones' cookies."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneWay:
    """The way for phones while it is on."""

    address: str
    port: int
    certificate: Certificate
    pairings: Pairings

    @property
    def origin(self) -> str:
        return f"https://{self.address}:{self.port}"

    def link(self, code: str) -> str:
        """What a phone opens; what stands behind # is never sent by a browser by itself."""
        return f"{self.origin}{PAIR}#{code}"


@contextlib.contextmanager
def bound_way(
    root: Path, asked: str | None, mark_of: Callable[[int], str]
) -> Iterator[tuple[PhoneWay, socket.socket]]:
    """The way for phones and the socket that it listens on, of a data folder.

    asked : the address, the only one there is when None. Raises UsageError for an address that
    cannot be used, BusyError when no port is free there, OutputError without a certificate.
    """
    address = phone_address(asked)
    with contextlib.closing(_socket_at(address)) as listening:
        way = PhoneWay(
            address=address,
            port=listening.getsockname()[1],
            certificate=kept_certificate(root / FOLDER, address),
            pairings=Pairings(Sessions(root / SESSIONS, mark_of)),
        )
        try:
            yield way, listening
        finally:
            way.pairings.sessions.keep()


def _socket_at(address: str) -> socket.socket:
    """A socket on this address alone: the usual port, else a free one."""
    for port in (DEFAULT_PORT, 0):
        made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if sys.platform != "win32":  # there it would let two servers share a port
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            made.bind((address, port))
            made.listen(128)
            return made
        except OSError:
            made.close()
    raise BusyError(f"--phone: nothing can be opened at {address}")


def phone_site(site, way: PhoneWay):
    """What the phone finds, as an ASGI application with its gate around it.

    site : the site itself, without the computer's gate.
    """
    from starlette.applications import Starlette
    from starlette.routing import Mount, Route

    door = Starlette(
        routes=[
            Route("/", _home, methods=["GET"]),
            Route(PAIR, _pair_page, methods=["GET"]),
            Route(PAIR, _pair, methods=["POST"]),
            Route(f"{PAIR}/leave", _leave, methods=["POST"]),
            Mount("", app=site),
        ],
        exception_handlers=site.exception_handlers,
    )
    door.state.site = site.state.site
    return PhoneGate(door, way.pairings.sessions, way.address, way.port, site.of_this_computer)


@contextlib.contextmanager
def listening_for_phones(config, listening: socket.socket) -> Iterator[None]:
    """Serves phones beside the computer's own pages, until the block ends."""
    import uvicorn

    server = uvicorn.Server(config)
    thread = threading.Thread(
        target=server.run, kwargs={"sockets": [listening]}, name="phones", daemon=True
    )
    thread.start()
    try:
        yield
    finally:
        server.should_exit = True
        thread.join(timeout=10)


# -- the phone's door


def _way_of(request) -> PhoneWay:
    way = site_of(request).phone
    if way is None:
        raise UsageError("the way for phones is off")
    return way


def _home(request):
    from starlette.responses import RedirectResponse

    return RedirectResponse("/my", status_code=303)


def _pair_page(request):
    return render(request, "phone_pair.html.j2", told="")


async def _pair(request):
    """Exchanges a code for the phone's cookie. Same origin only: the gate saw to it."""
    from urllib.parse import parse_qs

    from starlette.responses import RedirectResponse

    way = _way_of(request)
    body = (await request.body()).decode("utf-8", "replace")
    code = (parse_qs(body).get("secret") or [""])[0].strip().rpartition("#")[2]
    try:
        cookie = way.pairings.pair(code)
    except TooManyWrong:
        return render(request, "phone_pair.html.j2", status=429, told="shut")
    if cookie is None:
        return render(request, "phone_pair.html.j2", status=403, told="void")
    response = RedirectResponse("/my", status_code=303)
    response.set_cookie(
        phone_cookie_name(way.port), cookie, secure=True, httponly=True, samesite="strict", path="/"
    )
    return response


async def _leave(request):
    from starlette.responses import RedirectResponse

    await read_form(request)
    way = _way_of(request)
    name = phone_cookie_name(way.port)
    if session_of(request) is not None:
        way.pairings.sessions.end(request.cookies.get(name, ""))
    response = RedirectResponse(PAIR, status_code=303)
    response.delete_cookie(name, path="/", secure=True, httponly=True, samesite="strict")
    return response
