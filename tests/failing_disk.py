"""Writing calls that fail, tear or are the last thing a process does: for tests of what is lost.

Every call by which formcheck changes the disk is counted: those of `os`, and the statements and
commits of the database. At the chosen one the trouble happens. After a kill every further writing
call raises `Killed`: a dead process tidies nothing up.
"""

import contextlib
import errno
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from unittest import mock

CALLS = ("replace", "rename", "write", "fsync", "ftruncate", "truncate", "unlink", "mkdir", "rmdir")
KINDS = ("fail", "full", "tear", "kill before", "kill after")
_CHANGES = ("INSERT", "UPDATE", "DELETE")


class Killed(BaseException):
    """The process is no more."""


@dataclass
class Trouble:
    """What happens at the `at`-th writing call (from 1 on); 0: nothing, the calls are counted."""

    kind: str = "kill before"
    at: int = 0
    n: int = 0
    is_dead: bool = False

    def _is_now(self) -> bool:
        if self.is_dead:
            raise Killed
        self.n += 1
        return bool(self.at) and (self.n == self.at or (self.kind == "full" and self.n > self.at))

    def _die(self):
        self.is_dead = True
        raise Killed

    def call(self, name: str, real):
        def shim(*args, **named):
            if not self._is_now():
                return real(*args, **named)
            if self.kind in ("fail", "full") and name in ("unlink", "rmdir"):
                return real(*args, **named)  # a full disk lets things go
            if self.kind == "tear" and name == "write":
                real(args[0], bytes(args[1])[: len(args[1]) // 2])
            if self.kind == "kill after":
                real(*args, **named)
            if self.kind in ("fail", "full"):
                raise OSError(errno.ENOSPC, "No space left on device")
            self._die()

        return shim

    def statement(self, _connection, _cursor, statement, *_rest) -> None:
        if statement.lstrip().startswith(_CHANGES) and self._is_now():
            self._database()

    def commit(self, connection) -> None:
        if self._is_now():
            if self.kind == "kill after":
                connection.connection.driver_connection.execute("COMMIT")
            self._database()

    def _database(self) -> None:
        from sqlalchemy.exc import OperationalError

        if self.kind in ("fail", "full"):
            raise OperationalError("", {}, sqlite3.OperationalError("database or disk is full"))
        self._die()


@contextlib.contextmanager
def failing(trouble: Trouble, *engines) -> Iterator[Trouble]:
    """The block's writing calls are troubled."""
    from sqlalchemy import event

    with contextlib.ExitStack() as stack:
        for name in CALLS:
            stack.enter_context(mock.patch.object(os, name, trouble.call(name, getattr(os, name))))
        for engine in engines:
            for name, listener in (
                ("before_cursor_execute", trouble.statement),
                ("commit", trouble.commit),
            ):
                event.listen(engine, name, listener)
                stack.callback(event.remove, engine, name, listener)
        yield trouble
