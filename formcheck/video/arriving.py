"""A file that is read while it still grows: who reads waits for what has not come."""

import hashlib
import os
from pathlib import Path
from threading import Condition

from formcheck.files.locks import open_bytes


class GivenUp(OSError):
    """Nobody needs the file any more."""


class ArrivingFile:
    """The first bytes of a file, as many as are known to stay as they are.

    The file is opened once, so it may be moved meanwhile, where the system allows that. One thread
    says how far it has come, another one reads.
    """

    def __init__(self, path: Path) -> None:
        self._handle = open_bytes(path, os.O_RDONLY)
        self._grown = Condition()
        self._n_bytes = 0
        self._is_whole = self._is_given_up = False
        self._last: ArrivingStream | None = None

    def grow(self, n_bytes: int, *, is_whole: bool = False) -> None:
        """So many bytes are there; `is_whole`: and no more will come."""
        with self._grown:
            self._n_bytes = max(self._n_bytes, n_bytes)
            self._is_whole |= is_whole
            self._grown.notify_all()

    def give_up(self) -> None:
        """Ends every reading with GivenUp."""
        with self._grown:
            self._is_given_up = True
            self._grown.notify_all()

    def close(self) -> None:
        """Gives the file back, once nobody reads."""
        with self._grown:
            self._is_given_up = True
            if self._handle >= 0:
                os.close(self._handle)
            self._handle = -1

    def from_start(self) -> "ArrivingStream":
        self._last = ArrivingStream(self)
        return self._last

    def sha256(self) -> str:
        """Hash of what the last stream gave, read to the file's end."""
        while self._last.read(1 << 20):
            pass
        return self._last.digest.hexdigest()

    def read_at(self, offset: int, n: int) -> bytes:
        """Up to n bytes, as soon as there are any; none at the whole file's end."""
        with self._grown:
            self._grown.wait_for(
                lambda: self._is_given_up or self._is_whole or self._n_bytes > offset
            )
            if self._is_given_up:
                raise GivenUp
            os.lseek(self._handle, offset, os.SEEK_SET)
            return os.read(self._handle, max(0, min(n, self._n_bytes - offset)))


class ArrivingStream:
    """One reading of an arriving file from its start; it cannot go back."""

    def __init__(self, file: ArrivingFile) -> None:
        self._file = file
        self._at = 0
        self.digest = hashlib.sha256()

    def read(self, n: int) -> bytes:
        block = self._file.read_at(self._at, n)
        self._at += len(block)
        self.digest.update(block)
        return block
