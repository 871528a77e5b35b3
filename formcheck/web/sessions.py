"""Who is at the other end: one-time links, and the sessions that they are exchanged for.

Both live in memory only: a server that is started again gives new links.
"""

import hashlib
import hmac
import secrets
import threading
import time
from dataclasses import dataclass, field
from typing import Literal

Role = Literal["clinician", "patient"]

IDLE_S = 8 * 3600.0
"""A session unused for a working day is over (common practice)."""
LINK_S = 24 * 3600.0
"""A link that nobody opened for a day is void."""
MOST_SESSIONS = 200


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


def _digest(secret: str) -> bytes:
    return hashlib.sha256(secret.encode("utf-8", "replace")).digest()


class Sessions:
    """The open links and sessions of one server, safe to use from several threads.

    Secrets are kept as digests only, so looking one up takes no time that tells of it.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._links: dict[bytes, tuple[Role, int | None, float]] = {}
        self._sessions: dict[bytes, tuple[Session, float]] = {}

    def new_link_secret(self, role: Role, patient_id: int | None = None) -> str:
        """A secret that opens one session, once."""
        secret = secrets.token_urlsafe(32)
        with self._lock:
            self._links[_digest(secret)] = (role, patient_id, time.monotonic() + LINK_S)
        return secret

    def exchange(self, secret: str) -> str | None:
        """The cookie value of a new session for a link's secret, which is void from now on; None
        when it is unknown or used."""
        with self._lock:
            found = self._links.pop(_digest(secret), None)
            if found is None or found[2] < time.monotonic():
                return None
            role, patient_id, _ = found
            cookie = secrets.token_urlsafe(32)
            session = Session(role=role, patient_id=patient_id, key=secrets.token_bytes(32))
            while len(self._sessions) >= MOST_SESSIONS:
                del self._sessions[min(self._sessions, key=lambda d: self._sessions[d][1])]
            self._sessions[_digest(cookie)] = (session, time.monotonic())
            return cookie

    def find(self, cookie: str) -> Session | None:
        """The session of a cookie, or None when it is unknown or over."""
        digest = _digest(cookie)
        with self._lock:
            found = self._sessions.get(digest)
            if found is None:
                return None
            session, used = found
            at = time.monotonic()
            if at - used > IDLE_S:
                del self._sessions[digest]
                return None
            self._sessions[digest] = (session, at)
            return session

    def end(self, cookie: str) -> None:
        """Ends a session."""
        with self._lock:
            self._sessions.pop(_digest(cookie), None)

    def end_patient(self, patient_id: int) -> None:
        """Ends every session and link of a patient, for instance one who was deleted."""
        with self._lock:
            for digest, (session, _) in list(self._sessions.items()):
                if session.patient_id == patient_id:
                    del self._sessions[digest]
            for digest, (_, of, _) in list(self._links.items()):
                if of == patient_id:
                    del self._links[digest]
