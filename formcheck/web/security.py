"""The gate before every page: who asks, from where, with how much.

Deny by default. A request is let through only when its Host is ours, its Origin (where there is
one) is ours, and its cookie's session may use that part of the site; one that changes something
must carry our Origin and the session's form token as well. WebSockets pass the same gate.
"""

import asyncio
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie

from formcheck.web.connections import BySession
from formcheck.web.pages import refusal_page
from formcheck.web.sessions import ROLES, Role, Session, Sessions
from formcheck.words.languages import DEFAULT, gettext, marked, use

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "media-src 'self' blob:; connect-src 'self'; font-src 'self'; worker-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'; trusted-types 'none'"
)


def permissions(*allowed: str) -> str:
    """The permissions policy of a page: the devices named for the page itself, no others."""
    devices = ("camera", "microphone", "geolocation", "payment", "usb")
    return ", ".join(f"{d}=({'self' if d in allowed else ''})" for d in devices)


HEADERS = (
    ("content-security-policy", CONTENT_POLICY),
    ("referrer-policy", "no-referrer"),
    ("x-content-type-options", "nosniff"),
    ("x-frame-options", "DENY"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("permissions-policy", permissions("camera")),
    ("cache-control", "no-store"),
)

MOST_FORM_BYTES = 256_000
MOST_PIECE_BYTES = 32_000_000
MOST_FILE_BYTES = 700_000_000
"""A form; one piece of a recording; a whole file dropped in (a recording, an exchange file)."""
MOST_REQUESTS = 250
"""Requests of one session at once: a page asks for some ten things, a video for a few ranges; the
rest is room for a browser with many pages open."""
MOST_DROPPED_BYTES = 8_000_000_000
"""A file chosen at the first start: what is no plan is read and dropped, and told as such."""
FIRST_PAGE = "/clinic/start"
FIRST_FILE = FIRST_PAGE + "/patient"
FORM_TIME_S = 30.0
FILE_TIME_S = 1800.0

SAFE = ("GET", "HEAD", "OPTIONS")
ENTER = "/enter"
_OPEN_PATHS = (ENTER, "/theme.css", "/enter.css", "/enter.js", "/favicon.ico")
"""All that can be seen without a session: the page where a link is exchanged for one."""
_PART_OF: dict[str, Role] = {"/clinic": "clinician", "/my": "patient"}


def cookie_name(port: int, role: Role) -> str:
    """Cookies do not tell ports apart, so the name does; and one browser may hold a clinician's
    session and a patient's beside each other."""
    return f"formcheck_{port}" if role == "clinician" else f"formcheck_{port}_{role}"


def body_limit(path: str, method: str) -> tuple[int, float]:
    """(most bytes, most seconds) of a request's body."""
    if method in ("PUT", "POST") and path.endswith("/pieces"):
        return MOST_PIECE_BYTES, FILE_TIME_S
    if method == "PUT" and path.endswith("/file"):
        return MOST_FILE_BYTES, FILE_TIME_S
    if method == "POST" and path == FIRST_FILE:
        return MOST_DROPPED_BYTES, FILE_TIME_S
    return MOST_FORM_BYTES, FORM_TIME_S


class TooMuch(Exception):
    """A body larger or slower than it may be."""


class Gate:
    """The ASGI application around the site. Sets `scope["state"]["session"]`."""

    is_phone = False
    words_without_session = marked("Open these pages by the link that formcheck printed.")

    def __init__(
        self, app, sessions: Sessions, port: int, language: Callable[[], str] = lambda: DEFAULT
    ) -> None:
        self.app, self.sessions, self.language = app, sessions, language
        self.hosts = {f"127.0.0.1:{port}".encode()}
        self.origin = f"http://127.0.0.1:{port}".encode()
        self.cookies: dict[Role, str] = {role: cookie_name(port, role) for role in ROLES}
        self._requests = BySession(MOST_REQUESTS)

    async def __call__(self, scope, receive, send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        headers: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name, []).append(value)
        sessions = {
            role: self.sessions.find(_cookie(headers, name), is_use=False)
            for role, name in self.cookies.items()
        }
        # The session of the part that is asked for; without one the other says whose it is not.
        asked_for = _PART_OF.get("/" + scope["path"].split("/")[1], "clinician")
        order = sorted(ROLES, key=lambda role: role != asked_for)
        session = next((found for role in order if (found := sessions.get(role))), None)
        refusal = self._refusal(scope, headers, session)
        if refusal is not None:
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 4401})
            elif scope["method"] == "GET" and b"text/html" in b"".join(headers.get(b"accept", [])):
                from starlette.concurrency import run_in_threadpool

                with use(await run_in_threadpool(self.language)):
                    await _refuse(send, *refusal, kind="text/html", page=self.page)
            else:
                await _refuse(send, *refusal)
            return
        if session is not None:  # the other one in this browser is not used by it
            self.sessions.find(_cookie(headers, self.cookies[session.role]))
        scope.setdefault("state", {})["session"] = session
        scope["state"]["is_phone"] = self.is_phone
        found = [s.role for s in sessions.values() if s]
        scope["state"]["is_shared"] = session is not None and set(found) == set(ROLES)
        if scope["type"] == "websocket":
            await self.app(scope, receive, send)
            return
        leave = self._requests.enter(session.key if session else b"")
        if leave is None:
            await _refuse(send, 503, "Too many requests at once from this browser; try again.")
            return
        try:
            await self._answer(scope, receive, send)
        finally:
            leave()

    # -- what the gate of another listener says otherwise

    def is_client(self, address: str) -> bool:
        """Whether anybody at this address may ask for anything."""
        return address in ("127.0.0.1", "::1", "testclient")

    def is_open(self, method: str, path: str) -> bool:
        """Whether a path is seen without a session."""
        return path in _OPEN_PATHS and method != "WEBSOCKET"

    def is_there(self, method: str, path: str) -> bool:
        """Whether a path is any of ours."""
        part = _PART_OF.get("/" + path.split("/")[1])
        return part is not None or path in ("/", "/leave") or path.startswith("/static/")

    def page(self, status: int, words: str) -> str:
        """The page of somebody who is not let in."""
        return refusal_page(status, words)

    async def _answer(self, scope, receive, send) -> None:
        most, seconds = body_limit(scope["path"], scope["method"])
        is_begun = False

        async def send_with_headers(message) -> None:
            nonlocal is_begun
            if message["type"] == "http.response.start":
                is_begun = True
                own = {name for name, _ in message["headers"]}
                message["headers"] = [
                    *message["headers"],
                    *((n.encode(), v.encode()) for n, v in HEADERS if n.encode() not in own),
                ]
            await send(message)

        try:
            await self.app(scope, _limited(receive, most, seconds), send_with_headers)
        except TooMuch:
            if not is_begun:
                await _refuse(send, 413, "That is too much, or took too long.")

    def _refusal(self, scope, headers, session: Session | None) -> tuple[int, str] | None:
        """(status, words) when the request is refused, else None."""
        path = scope["path"]
        client = scope.get("client")
        if client and not self.is_client(client[0]):
            return 403, marked("These pages are for this computer only.")
        hosts = headers.get(b"host", [])
        if len(hosts) != 1 or hosts[0] not in self.hosts:
            return 403, marked("Open these pages by the link that formcheck printed.")
        origins = headers.get(b"origin", [])
        site = headers.get(b"sec-fetch-site", [b"none"])
        if len(site) > 1 or site[0] not in (b"none", b"same-origin"):
            return 403, marked("Another site may not use these pages.")
        # A page without referrer sends its forms with `Origin: null`, as a foreign sandbox does:
        # then the browser's own word must say that it was ours.
        if any(
            o != self.origin and not (o == b"null" and site[0] == b"same-origin") for o in origins
        ):
            return 403, marked("Another site may not use these pages.")
        is_socket = scope["type"] == "websocket"
        if len(origins) > 1 or (is_socket and origins != [self.origin]):
            return 403, marked("Another site may not use these pages.")
        method = "GET" if is_socket else scope["method"]
        if (is_socket or method not in SAFE) and not origins:
            return 403, marked("This request does not say where it comes from.")
        if not is_socket:
            length = headers.get(b"content-length", [b"0"])[0]
            most, _ = body_limit(path, method)
            if not length.isdigit() or int(length) > most:
                return 413, marked("That is too much.")
        asked_by = "WEBSOCKET" if is_socket else method
        if self.is_open(asked_by, path):
            return None
        if session is None:
            return 401, self.words_without_session
        part = _PART_OF.get("/" + path.split("/")[1])
        if part is not None and part != session.role:
            return 403, marked("This page is not yours.")
        if not self.is_there(asked_by, path):
            return 404, marked("There is no such page.")
        if not is_socket and method not in SAFE:
            token = headers.get(b"x-formcheck-token", [b""])[0].decode("latin-1")
            # A form's token is in its body: the page checks it (`forms.read_form`).
            kind = headers.get(b"content-type", [b""])[0].split(b";")[0].strip().lower()
            if token:
                if not session.is_form_token(token):
                    return 403, marked("This page is too old; load it again.")
            elif kind != b"application/x-www-form-urlencoded" and not (
                path == FIRST_FILE and kind == b"multipart/form-data"
            ):
                return 403, marked("This request does not carry the page's token.")
        return None


def _cookie(headers, name: str) -> str:
    for value in headers.get(b"cookie", []):
        try:
            found = SimpleCookie(value.decode("latin-1"))
        except CookieError:
            continue
        if name in found:
            return found[name].value
    return ""


def _limited(receive, most: int, seconds: float):
    """Receives no more than `most` bytes, and a body no slower than `seconds`."""
    got = 0
    is_whole = False
    loop = asyncio.get_running_loop()
    until = loop.time() + seconds

    async def receive_limited():
        nonlocal got, is_whole
        if is_whole:  # what comes now is only the word that the browser went away
            return await receive()
        try:
            async with asyncio.timeout_at(until):
                message = await receive()
        except TimeoutError:
            raise TooMuch from None
        if message["type"] == "http.request":
            got += len(message.get("body", b""))
            is_whole = not message.get("more_body", False)
            if got > most:
                raise TooMuch
        return message

    return receive_limited


async def _refuse(
    send, status: int, words: str, *, kind: str = "text/plain", page: Callable | None = None
) -> None:
    words = gettext(words)
    body = (page(status, words) if page else words + "\n").encode()
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [
                (b"content-type", f"{kind}; charset=utf-8".encode()),
                (b"content-length", str(len(body)).encode()),
                # Nothing more is read of a body that was refused.
                (b"connection", b"close"),
                *((n.encode(), v.encode()) for n, v in HEADERS),
            ],
        }
    )
    await send({"type": "http.response.body", "body": body})
