"""Who is at the other end: one-time links, and the sessions that they are exchanged for.

Links live in memory only. A session outlives a restart of the server: what is kept of it is the
digest of its cookie, its role and when it was used last; the cookie itself, from which the form
token comes too, is in the browser alone.
"""

import contextlib
import hashlib
import hmac
import json
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, get_args

from formcheck.files.storage import write_text
from formcheck.files.strict_json import read_json
from formcheck.model.errors import OutputError

Role = Literal["clinician", "patient"]
ROLES: tuple[Role, ...] = get_args(Role)

IDLE_S = 8 * 3600.0
"""A session unused for a working day is over (common practice)."""
LINK_S = 24 * 3600.0
"""A link that nobody opened for a day is void."""
_CLOCK_S = 60.0
"""How far a clock is set back by the network's time without a word."""
MOST_SESSIONS = 200
_KEEP_S = 60.0
"""How often the last use of a session is written at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One browser of one person. `patient_id` is None for a clinician."""

    role: Role
    patient_id: int | None
    key: bytes = field(repr=False)

    @property
    def form_token(self) -> str:
        """What every form and request that changes something must carry."""
        return hmac.new(self.key, b"form", hashlib.sha256).hexdigest()

    def is_form_token(self, given: str) -> bool:
        return hmac.compare_digest(self.form_token.encode(), given.encode("utf-8", "replace"))


def _now() -> float:
    """Seconds of the day's own clock: one that stands still while the computer sleeps would keep
    a session open over a night."""
    return time.time()


def _is_over(used: float, at: float) -> bool:
    """Whether a session used last then is over; so is one that the clock puts into the future."""
    return not -_CLOCK_S <= at - used <= IDLE_S


def _digest(secret: str) -> bytes:
    return hashlib.sha256(secret.encode("utf-8", "replace")).digest()


def _key(cookie: str) -> bytes:
    return hmac.new(cookie.encode("utf-8", "replace"), b"session key", hashlib.sha256).digest()


@dataclass(slots=True, kw_only=True)
class _Kept:
    """What the server knows of a session: without the cookie nobody can use it."""

    role: Role
    patient_id: int | None
    mark: str
    """What tells this patient from another of the same row, in a folder that was restored."""
    used: float


class Sessions:
    """The open links and sessions of one server, safe to use from several threads.

    Secrets are kept as digests only, so looking one up takes no time that tells of it.

    kept : the file in which sessions outlive this server; none when not given. mark_of : what
    tells a patient from any other, empty for one who is not here.
    """

    def __init__(
        self, kept: Path | None = None, mark_of: Callable[[int], str] = lambda _patient: "x"
    ) -> None:
        self._lock = threading.Lock()
        self._links: dict[bytes, tuple[Role, int | None, float, str]] = {}
        self._sessions: dict[bytes, _Kept] = {}
        self._kept, self._mark_of = kept, mark_of
        self._written = _now()
        if kept is not None:
            self._load(kept)

    def new_link_secret(self, role: Role, patient_id: int | None = None, page: str = "") -> str:
        """A secret that opens one session, once. page : the path it leads to, if not the usual."""
        secret = secrets.token_urlsafe(32)
        with self._lock:
            self._links[_digest(secret)] = (role, patient_id, _now() + LINK_S, page)
        return secret

    def page_of_link(self, secret: str) -> str:
        """The path that an unused link leads to; empty for the usual one of its role."""
        with self._lock:
            found = self._links.get(_digest(secret))
        return found[3] if found else ""

    def exchange(self, secret: str) -> str | None:
        """The cookie value of a new session for a link's secret, which is void from now on; None
        when it is unknown or used."""
        with self._lock:
            found = self._links.pop(_digest(secret), None)
            if found is None or found[2] < _now():
                return None
            role, patient_id, *_ = found
            cookie = secrets.token_urlsafe(32)
            while len(self._sessions) >= MOST_SESSIONS:
                del self._sessions[min(self._sessions, key=lambda d: self._sessions[d].used)]
            self._sessions[_digest(cookie)] = _Kept(
                role=role,
                patient_id=patient_id,
                mark=self._mark_of(patient_id) if patient_id is not None else "",
                used=_now(),
            )
            self._write()
            return cookie

    def find(self, cookie: str, *, is_use: bool = True) -> Session | None:
        """The session of a cookie, or None when it is unknown or over.

        is_use : whether it is used now, and so goes on; else it is only looked up.
        """
        digest = _digest(cookie)
        with self._lock:
            found = self._sessions.get(digest)
            if found is None:
                return None
            at = _now()
            if _is_over(found.used, at):
                del self._sessions[digest]
                self._write()
                return None
            if not is_use:
                return Session(role=found.role, patient_id=found.patient_id, key=_key(cookie))
            found.used = at
            if at - self._written > _KEEP_S:
                self._write()
            return Session(role=found.role, patient_id=found.patient_id, key=_key(cookie))

    def end(self, cookie: str) -> None:
        """Ends a session."""
        with self._lock:
            self._sessions.pop(_digest(cookie), None)
            self._write()

    def end_clinicians(self) -> None:
        """Ends every session and link of a clinician: the computer is a patient's now."""
        self._end(lambda patient_id: patient_id is None)

    def end_patient(self, patient_id: int) -> None:
        """Ends every session and link of a patient, for instance one who was deleted."""
        self._end(lambda of: of == patient_id)

    def _end(self, is_theirs: Callable[[int | None], bool]) -> None:
        with self._lock:
            for digest, session in list(self._sessions.items()):
                if is_theirs(session.patient_id):
                    del self._sessions[digest]
            for digest, (_, of, *_) in list(self._links.items()):
                if is_theirs(of):
                    del self._links[digest]
            self._write()

    def n_of_patient(self, patient_id: int) -> int:
        """How many sessions of a patient are open."""
        now = _now()
        with self._lock:
            return sum(
                s.patient_id == patient_id and not _is_over(s.used, now)
                for s in self._sessions.values()
            )

    def keep(self) -> None:
        """Writes what outlives this server, when it ends."""
        with self._lock:
            self._write()

    def _write(self) -> None:
        self._written = _now()
        if self._kept is None:
            return
        body = {
            digest.hex(): [s.role, s.patient_id, s.mark, round(s.used)]
            for digest, s in self._sessions.items()
        }
        # Where it cannot be written, a restart asks for new links, as it always did.
        with contextlib.suppress(OutputError):
            write_text(self._kept, json.dumps(body))

    def _load(self, kept: Path) -> None:
        found: Mapping[str, Any] = {}
        with contextlib.suppress(OSError, ValueError):
            found = read_json(kept.read_bytes())
        with contextlib.suppress(AttributeError, ValueError, TypeError):
            for digest, (role, patient_id, mark, used) in found.items():
                is_known = patient_id is None or self._mark_of(patient_id) == mark
                if role in ROLES and is_known and not _is_over(used, _now()):
                    self._sessions[bytes.fromhex(digest)] = _Kept(
                        role=role, patient_id=patient_id, mark=mark, used=used
                    )
