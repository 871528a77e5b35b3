"""The gate before the phone's listener: as strict as the computer's, and a closed list behind it.

The phone reaches what its patient needs to film a set and to see what came of it. Every other
route of the site is not there for it, whatever cookie comes along.
"""

from collections.abc import Callable
from functools import cache

from formcheck.web.pages import page_text
from formcheck.web.phone.addresses import is_of_a_local_network
from formcheck.web.security import Gate
from formcheck.web.sessions import Sessions
from formcheck.words.languages import marked

PAIR = "/pair"
_DO, _SET, _UPLOADS = "/my/do/{exercise}/{side}/{number:int}", "/my/sets/{uid}", "/my/uploads"
OPEN = (
    ("GET", PAIR),
    ("POST", PAIR),
    ("GET", "/theme.css"),
    ("GET", "/enter.css"),
    ("GET", "/enter.js"),
    ("GET", "/favicon.ico"),
)
"""What a phone sees before it is paired."""
ALLOWED = (
    ("GET", "/"),
    ("POST", f"{PAIR}/leave"),
    ("GET", "/static/{name}"),
    # today's list, and what stands on it
    ("GET", "/my"),
    ("POST", "/my/tick"),
    ("POST", "/my/untick"),
    ("GET", "/my/next-day"),
    ("POST", "/my/next-day"),
    ("POST", "/my/unfinished/{uid}/keep"),
    ("POST", "/my/unfinished/{uid}/discard"),
    # what is asked before a set, and what is done after a sign or pain
    ("GET", _DO),
    ("POST", _DO),
    ("GET", f"{_DO}/check/{{group}}"),
    ("POST", f"{_DO}/check/{{group}}"),
    ("GET", "/my/done"),
    ("POST", "/my/done"),
    ("GET", "/my/hurt"),
    ("POST", "/my/hurt"),
    # the recording
    ("GET", f"{_DO}/card"),
    ("GET", f"{_DO}/record"),
    ("POST", f"{_DO}/stopped"),
    ("WEBSOCKET", "/my/live"),
    ("POST", _UPLOADS),
    ("GET", _UPLOADS),
    ("PUT", f"{_UPLOADS}/{{uid}}/pieces"),
    ("POST", f"{_UPLOADS}/{{uid}}/finish"),
    ("POST", f"{_UPLOADS}/{{uid}}/discard"),
    # what came of it
    ("GET", f"{_SET}/after"),
    ("POST", f"{_SET}/after"),
    ("GET", _SET),
    ("GET", f"{_SET}/progress"),
    ("GET", f"{_SET}/video/{{which}}"),
)
"""What a paired phone may ask for, with the method: nothing else exists for it."""


@cache
def _listed(table) -> tuple:
    from starlette.routing import compile_path

    return tuple((method, compile_path(path)[0]) for method, path in table)


class PhoneGate(Gate):
    """The gate around the site for phones. `sessions` are those of phones only."""

    is_phone = True
    words_without_session = marked(
        "This phone is not paired, or no longer. Read the code from the computer's screen again."
    )

    def __init__(
        self, app, sessions: Sessions, address: str, port: int, language: Callable[[], str]
    ) -> None:
        super().__init__(app, sessions, port, language)
        self.hosts = {f"{address}:{port}".encode()}
        self.origin = f"https://{address}:{port}".encode()
        self.cookies = {"patient": phone_cookie_name(port)}

    def is_client(self, address: str) -> bool:
        return is_of_a_local_network(address)

    def is_open(self, method: str, path: str) -> bool:
        return _is_in(OPEN, method, path)

    def is_there(self, method: str, path: str) -> bool:
        return _is_in(OPEN + ALLOWED, method, path)

    def page(self, status: int, words: str) -> str:
        return page_text("phone_refused.html.j2", status=status, words=words)


def phone_cookie_name(port: int) -> str:
    """Browsers take a name that begins so from the address itself only, over TLS, for all of it."""
    return f"__Host-formcheck_phone_{port}"


def _is_in(table, method: str, path: str) -> bool:
    return any(method == of and pattern.fullmatch(path) for of, pattern in _listed(table))
