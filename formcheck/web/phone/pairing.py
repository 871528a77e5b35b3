"""Which phone films for which patient: codes that pair one phone, once, within minutes.

A code is shown on the computer and comes back from the phone. It is kept as a keyed digest only,
in memory; a new one for a patient voids the one before. Wrong codes are counted for everybody
together, since whoever guesses can come from many addresses.
"""

import hashlib
import hmac
import secrets
import threading
import time
from dataclasses import dataclass

from formcheck.web.sessions import Sessions

CODE_S = 300.0
ALPHABET = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
"""Without what is read for one another: 0 and O, 1, I and L."""
CODE_LENGTH = 10
"""31 ** 10: one in 8e14 for a guess, with 5 guesses in 5 minutes."""
MOST_WRONG = 5
SHUT_S = 300.0
"""After so many wrong codes every code is void, and none is taken for so long."""


class TooManyWrong(Exception):
    """Too many wrong codes came: none is taken for a while."""


@dataclass(frozen=True, slots=True)
class _Open:
    patient_id: int
    until: float


class Pairings:
    """The open codes of one server and the sessions of its phones, safe to use from threads.

    sessions : those of phones only: a cookie of the computer is none of them, nor the reverse.
    """

    def __init__(self, sessions: Sessions) -> None:
        self.sessions = sessions
        self._lock = threading.Lock()
        self._key = secrets.token_bytes(32)
        self._codes: dict[bytes, _Open] = {}
        self._wrong: list[float] = []
        self._shut_until = 0.0

    def new_code(self, patient_id: int) -> str:
        """A code for this patient's phone, in two groups; an earlier one of theirs is void.

        Raises TooManyWrong while no code is taken.
        """
        code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
        with self._lock:
            self._need_open()
            self._void(patient_id)
            self._codes[self._digest(code)] = _Open(patient_id, time.monotonic() + CODE_S)
        return f"{code[: CODE_LENGTH // 2]}-{code[CODE_LENGTH // 2 :]}"

    def pair(self, code: str) -> str | None:
        """The cookie value of a phone's new session, for a code that is void from now on.

        None when the code is unknown, used or over. Raises TooManyWrong while none is taken.
        """
        given = self._digest("".join(c for c in code.upper() if c.isalnum()))
        with self._lock:
            self._need_open()
            now = time.monotonic()
            found = None
            for digest, of in list(self._codes.items()):
                if hmac.compare_digest(digest, given):
                    found = of
                    del self._codes[digest]
            if found is None or found.until < now:
                self._wrong = [*(at for at in self._wrong if now - at < SHUT_S), now]
                if len(self._wrong) >= MOST_WRONG:
                    self._codes.clear()
                    self._wrong.clear()
                    self._shut_until = now + SHUT_S
                return None
        return self.sessions.exchange(self.sessions.new_link_secret("patient", found.patient_id))

    def end_patient(self, patient_id: int) -> None:
        """Ends every phone's session of a patient, and the open code."""
        with self._lock:
            self._void(patient_id)
        self.sessions.end_patient(patient_id)

    def is_waiting(self, patient_id: int) -> bool:
        """Whether a code of this patient is open."""
        with self._lock:
            now = time.monotonic()
            return any(c.patient_id == patient_id and c.until >= now for c in self._codes.values())

    @property
    def is_shut(self) -> bool:
        """Whether no code is taken, as too many were wrong."""
        with self._lock:
            return time.monotonic() < self._shut_until

    def _need_open(self) -> None:
        if time.monotonic() < self._shut_until:
            raise TooManyWrong

    def _void(self, patient_id: int) -> None:
        self._codes = {d: c for d, c in self._codes.items() if c.patient_id != patient_id}

    def _digest(self, code: str) -> bytes:
        return hmac.new(self._key, code.encode("utf-8", "replace"), hashlib.sha256).digest()
