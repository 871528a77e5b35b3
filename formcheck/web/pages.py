"""What every page is made with: the site's parts, templates, forms, answers to a request."""

import contextlib
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, quote, urlsplit

from formcheck.clinic import Clinic
from formcheck.clinic.database import local_day
from formcheck.clinic.settings import contact_for
from formcheck.model.errors import (
    BusyError,
    FileError,
    FormcheckError,
    NoRoomError,
    OutputError,
    UsageError,
)
from formcheck.model.safety import Contact
from formcheck.web.script_words import script_words
from formcheck.web.sessions import Session, Sessions
from formcheck.words import languages, wording
from formcheck.words.languages import gettext, marked
from formcheck.words.safety_words import emergency_words, phone_words

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from formcheck.web.phone.listener import PhoneWay

HERE = Path(__file__).parent
MOST_FIELDS = 3000


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """The parts that pages use: the clinic, the sessions, where the site stands; the way for
    phones while it is on."""

    clinic: Clinic
    sessions: Sessions
    port: int
    phone: "PhoneWay | None" = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def link(self, secret: str) -> str:
        """The link of a one-time secret; what stands behind # is never sent by a browser."""
        return f"{self.address}/enter#{secret}"


class PageError(Exception):
    """A page that cannot be shown: the status and the words for the person."""

    def __init__(self, status: int, words: str):
        super().__init__(words)
        self.status, self.words = status, words


def status_of(error: FormcheckError) -> int:
    """The HTTP status that says what the person can do: free room, try again, or mend it."""
    if isinstance(error, NoRoomError):
        return 507
    return 503 if isinstance(error, BusyError | OutputError) else 400


def site_of(request: "Request") -> Site:
    return request.app.state.site


def session_of(request: "Request") -> Session:
    return request.scope["state"]["session"]


@cache
def _environment():
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        day=_day,
        short_day=languages.short_day,
        exercise=lambda name: gettext(wording.exercise_name(name)),
        leg=leg_words,
        number=languages.number,
        label=wording.label,
        unit_as_entered=wording.unit_as_entered,
        quantity=lambda value, key: wording.quantity(key, value),
        clock=wording.clock,
        moment=moment_words,
    )
    languages.add_messages(environment)
    environment.globals.update(languages=languages.LANGUAGES, script_words=script_words)
    return environment


def _day(of: str | date | None) -> str:
    """A day, or the day where the person is of a UTC moment, in words."""
    if not of:
        return "–"
    return languages.day(local_day(of) if "T" in str(of) else date.fromisoformat(str(of)))


def moment_words(at: str | None) -> str:
    """A UTC moment in the clock of this computer: `3 March 2025, 14:05`."""
    if not at:
        return "–"
    local = datetime.fromisoformat(at).astimezone()
    return f"{languages.day(local.date())}, {local:%H:%M}"


def leg_words(side: str) -> str:
    """A leg by its side: `left leg`."""
    return gettext("left leg") if side == "left" else gettext("right leg")


def render(request: "Request", template: str, status: int = 200, **values: Any) -> "Response":
    """A page from its template. `token` is the form token of the session."""
    from starlette.responses import HTMLResponse

    session = request.scope.get("state", {}).get("session")
    # What was typed comes back with what was wrong in it: the page puts it into its form again.
    sent = request.scope.get("state", {}).get("sent", {}) if values.get("faults") else {}
    page = _environment().get_template(template)
    contact = Contact()
    if session is not None and session.role == "patient":
        contact = contact_for(site_of(request).clinic, session.patient_id)
    text = page.render(
        clinic_phone=phone_words(contact),
        emergency_phone=emergency_words(contact),
        token=session.form_token if session else "",
        role=session.role if session else "",
        is_shared=request.scope.get("state", {}).get("is_shared", False),
        phone_way=site_of(request).phone,
        is_phone=request.scope.get("state", {}).get("is_phone", False),
        path=request.url.path,
        said=request.query_params.get("said", ""),
        said_words=SAID,
        is_page=request.method == "GET",
        sent=json.dumps({name: of for name, of in sent.items() if name != "token"}),
        **values,
    )
    return HTMLResponse(text, status_code=status)


def page_text(template: str, **values: Any) -> str:
    """A page that no session stands behind, for instance one that is handed over as a file."""
    return _environment().get_template(template).render(**values)


def refusal_page(status: int, words: str) -> str:
    """The page of somebody whom the gate does not let in, with the way back."""
    return _environment().get_template("refused.html.j2").render(status=status, words=words)


async def read_form(request: "Request") -> dict[str, list[str]]:
    """The fields of a form whose token is the session's own.

    Raises PageError for a foreign or outdated form. Fields of the same name make a list.
    """
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise PageError(415, gettext("This form cannot be read."))
    body = await request.body()
    try:
        pairs = parse_qsl(
            body.decode("utf-8"),
            keep_blank_values=True,
            strict_parsing=bool(body),
            max_num_fields=MOST_FIELDS,
        )
    except (UnicodeDecodeError, ValueError):
        raise PageError(400, gettext("This form cannot be read.")) from None
    fields: dict[str, list[str]] = {}
    for name, value in pairs:
        # What a browser never sends in a field is dropped: a NUL would end the text in places.
        fields.setdefault(name, []).append(value.replace("\0", ""))
    session = session_of(request)
    if session is None or not session.is_form_token(first(fields, "token")):
        raise PageError(
            403, gettext("This page is too old, or the form is not from here. Load it again.")
        )
    return fields


def first(fields: Mapping[str, list[str]], name: str, default: str = "") -> str:
    """The first value of a field, without blanks around it."""
    return (fields.get(name) or [default])[0].strip()


def number(fields: Mapping[str, list[str]], name: str, words: str) -> float | None:
    """A field as a number, None when empty. Raises UsageError."""
    text = first(fields, name).replace(",", ".")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(gettext("%(what)s: write a number", what=words))
    return value


def whole(fields: Mapping[str, list[str]], name: str, words: str) -> int | None:
    """A field as a whole number, None when empty. Raises UsageError."""
    value = number(fields, name, words)
    if value is None:
        return None
    if value != int(value):
        raise UsageError(gettext("%(what)s: write a whole number", what=words))
    return int(value)


def go(request: "Request", path: str, said: str = "") -> "Response":
    """Sends the browser on to a page of ours after a form, with a word on what was done."""
    from starlette.responses import RedirectResponse

    if not path.startswith("/") or path.startswith("//") or "\\" in path:
        path = "/"
    if said:
        cut = urlsplit(path)
        fragment = f"#{cut.fragment}" if cut.fragment else ""
        query = f"{cut.query}&" if cut.query else ""
        path = f"{cut.path}?{query}said={quote(said)}{fragment}"
    return RedirectResponse(path, status_code=303)


SAID = {
    "kept": marked("Saved."),
    "reviewed": "Marked as reviewed.",
    "opened": "Opened again for corrections.",
    "withdrawn": "The correction was withdrawn; that it was made stays on record.",
    "taken_back": "Withdrawn; it stays on record, struck through. What it said stands in the form "
    "below it: change it there and add it again, or leave it.",
    "deleted": "Deleted; a record that it went is kept.",
    "again": "The set will be measured again.",
    "added": "Added.",
    "discarded": marked("Thrown away."),
    "imported": marked("Taken in."),
    "unpaired": "The pairing has ended. No phone films for this patient now.",
    "twice": marked("That file had been taken in before; nothing was changed."),
    "older": marked("The plan in that file is older than the one here, which stands."),
}
"""What a page may say after a form; anything else in the address is not shown."""


@contextlib.contextmanager
def telling() -> Iterator[list[str]]:
    """Collects what was wrong with a form, to be told on the page it came from."""
    faults: list[str] = []
    try:
        yield faults
    except FileError as error:
        faults.extend(error.faults or (str(error),))
    except FormcheckError as error:
        text = str(error)
        faults.append(text[:1].upper() + text[1:])


# -- routes: every form is read, and its token checked, before its handler sees it


def get(path: str, handler):
    """A page. The handler runs in a thread, as it asks the database."""
    from starlette.routing import Route

    return Route(path, handler, methods=["GET"])


def post(path: str, handler):
    """A form: `handler(request, fields)` runs in a thread once the form's token was checked."""
    from starlette.concurrency import run_in_threadpool
    from starlette.routing import Route

    async def endpoint(request):
        fields = await read_form(request)
        request.scope["state"]["sent"] = fields
        return await run_in_threadpool(handler, request, fields)

    return Route(path, endpoint, methods=["POST"])


def call(path: str, handler, method: str):
    """A request of our own script, `async handler(request)`. One that changes something carries
    the token in a header; without it the gate would take the request for a form."""
    from starlette.routing import Route

    async def endpoint(request):
        token = request.headers.get("x-formcheck-token", "")
        if method != "GET" and not session_of(request).is_form_token(token):
            raise PageError(403, gettext("This request does not carry the page's token."))
        return await handler(request)

    return Route(path, endpoint, methods=[method])
