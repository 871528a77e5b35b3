"""The database: SQLite through SQLAlchemy, with write-ahead log, foreign keys and migrations."""

import contextlib
import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from formcheck.clinic.folder import DataFolder, data_folder
from formcheck.clinic.migrations import MIGRATIONS, statements
from formcheck.files.packages import needed_package
from formcheck.model.errors import BusyError, FileError, NoRoomError, OutputError

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

Steps = Sequence[tuple[str, str]]

_HELD: ContextVar["tuple[Engine, Connection, bool] | None"] = ContextVar("held", default=None)
"""The connection of the block that we are in, and whether it is `one_change` or `one_state`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clinic:
    """An opened data folder."""

    folder: DataFolder
    engine: "Engine"

    @contextlib.contextmanager
    def read(self) -> Iterator["Connection"]:
        """A connection that sees one state of the database throughout."""
        held = _HELD.get()
        if held is not None and held[0] is self.engine:
            yield held[1]
            return
        with _translated(self.folder), self.engine.connect() as connection:
            yield connection

    @contextlib.contextmanager
    def one_state(self) -> Iterator[None]:
        """Whatever reads inside the block sees one state of the database, on one connection."""
        with self.read() as connection:
            before = _HELD.set((self.engine, connection, False))
            try:
                yield
            finally:
                _HELD.reset(before)

    @contextlib.contextmanager
    def one_change(self) -> Iterator[None]:
        """Whatever writes inside the block happens when the block ends well, or none of it."""
        with self.write() as connection:
            before = _HELD.set((self.engine, connection, True))
            try:
                yield
            finally:
                _HELD.reset(before)

    @contextlib.contextmanager
    def write(self) -> Iterator["Connection"]:
        """A connection whose changes all happen when the block ends well, or none of them."""
        held = _HELD.get()
        if held is not None and held[0] is self.engine and held[2]:
            with held[1].begin_nested():
                yield held[1]
            return
        with (
            _translated(self.folder),
            self.engine.connect().execution_options(is_write=True) as connection,
            connection.begin(),
        ):
            yield connection

    def close(self) -> None:
        self.engine.dispose()


@contextlib.contextmanager
def _translated(folder: DataFolder) -> Iterator[None]:
    from sqlalchemy.exc import DatabaseError, OperationalError

    try:
        yield
    except OperationalError as error:
        text = str(error.orig)
        if "full" in text:
            raise NoRoomError(f"{folder.root}: the disk is full; free some space") from error
        if "locked" in text or "busy" in text:
            raise BusyError(
                f"{folder.database}: another program holds it; nothing was lost, try again"
            ) from error
        if "disk I/O" in text:
            raise OutputError(
                f"{folder.database}: the disk does not write; look at it before going on"
            ) from error
        if "readonly" in text or "unable to open" in text:
            raise OutputError(f"{folder.database}: cannot be written; check the folder") from error
        raise
    except DatabaseError as error:
        text = str(error.orig)
        if "malformed" in text or "not a database" in text:
            raise FileError(
                f"{folder.database}: is damaged; restore a backup (formcheck restore)"
            ) from error
        raise


def open_clinic(root: Path | None = None, *, steps: Steps = MIGRATIONS) -> Clinic:
    """The clinic of a data folder, its database brought to the newest schema.

    Raises OutputError when the folder cannot be used; FileError when the database is damaged or
    was made by a newer formcheck.
    """
    folder = data_folder(root)
    is_new = not folder.database.exists() or not folder.database.stat().st_size
    if is_new and any(folder.recordings.iterdir()):
        raise FileError(
            f"{folder.root}: holds recordings, and its database (clinic.db) is gone; bring a "
            "backup back (formcheck restore --replace), or name another folder with --data"
        )
    engine = _engine(folder.database)
    clinic = Clinic(folder=folder, engine=engine)
    try:
        with _translated(folder):
            _migrate(engine, folder, steps)
    except BaseException:
        engine.dispose()
        raise
    return clinic


def _engine(path: Path):
    with needed_package("the clinic's data folder"):
        from sqlalchemy import create_engine, event
    with contextlib.suppress(FileExistsError):
        # SQLite gives its side files the permissions of the database itself.
        os.close(os.open(path, os.O_CREAT | os.O_EXCL, 0o600))
    os.chmod(path, 0o600)
    engine = create_engine(
        f"sqlite:///{path}",
        connect_args={"timeout": 15, "check_same_thread": False},
        pool_size=8,
        max_overflow=40,
        pool_timeout=60,
    )

    @event.listens_for(engine, "connect")
    def prepare(raw, _record):
        # We begin transactions ourselves: the driver's own rule would begin writes too late.
        raw.isolation_level = None
        for pragma in (
            "journal_mode=WAL",
            "foreign_keys=ON",
            "synchronous=FULL",  # what was said to be saved is still there after a power cut
            "secure_delete=ON",  # what was deleted is overwritten, not only unlinked
            "trusted_schema=OFF",
        ):
            raw.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def begin(connection):
        is_write = connection.get_execution_options().get("is_write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if is_write else "BEGIN")

    return engine


def schema_version(engine: "Engine") -> int:
    """The version of the schema in the database; 0 when it is empty."""
    with engine.connect() as connection:
        return int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())


def _migrate(engine: "Engine", folder: DataFolder, steps: Steps) -> None:
    found = schema_version(engine)
    if found > len(steps):
        raise FileError(
            f"{folder.database}: has schema {found}, and this formcheck knows {len(steps)}; use "
            "the newer formcheck that wrote it"
        )
    if found == len(steps):
        return
    if found:
        _keep_copy(folder, found)
    with engine.connect().execution_options(is_write=True) as connection, connection.begin():
        # Another process may have done it while we waited for the lock.
        found = int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
        for number, (_, sql) in enumerate(steps[found:], found + 1):
            for statement in statements(sql):
                connection.exec_driver_sql(statement)
            connection.exec_driver_sql(f"PRAGMA user_version = {number}")


def _keep_copy(folder: DataFolder, version: int) -> None:
    """A copy of the database as it was before a change of schema."""
    copy = folder.root / f"clinic.before-{version + 1}.db"
    copy_database(folder.database, copy)


def copy_database(source: Path, target: Path) -> None:
    """A whole copy of the database, taken while it may be in use."""
    target.unlink(missing_ok=True)
    os.close(os.open(target, os.O_CREAT | os.O_EXCL, 0o600))
    try:
        with (
            contextlib.closing(sqlite3.connect(source, timeout=15)) as a,
            contextlib.closing(sqlite3.connect(target)) as b,
        ):
            a.backup(b)
            b.execute("PRAGMA journal_mode=DELETE")
    except sqlite3.OperationalError as error:
        if "full" in str(error):
            raise NoRoomError(f"{target}: the disk is full; free some space") from error
        raise BusyError(f"{source}: cannot be read now ({error}); try again") from error
    except sqlite3.DatabaseError as error:
        raise FileError(f"{source}: is damaged; restore a backup (formcheck restore)") from error


def is_sound(database: Path | bytes) -> bool:
    """Whether a database (its file, or the content of one) is whole, its references included."""
    try:
        with contextlib.closing(_opened(database)) as connection:
            whole = connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            return whole and not connection.execute("PRAGMA foreign_key_check").fetchall()
    except sqlite3.DatabaseError:
        return False


def _opened(database: Path | bytes) -> sqlite3.Connection:
    if isinstance(database, Path):
        return sqlite3.connect(f"file:{database}?mode=ro", uri=True)
    connection = sqlite3.connect(":memory:")
    connection.deserialize(database)  # nothing of it is written anywhere
    return connection


# -- the four things that every module here asks of a connection


def rows(connection: "Connection", sql: str, **values: Any) -> list[Mapping[str, Any]]:
    """Every row of a query, as mappings."""
    from sqlalchemy import text

    return list(connection.execute(text(sql), values).mappings())


def one(connection: "Connection", sql: str, **values: Any) -> Mapping[str, Any] | None:
    """The first row of a query, or None."""
    from sqlalchemy import text

    return connection.execute(text(sql), values).mappings().first()


def change(connection: "Connection", sql: str, **values: Any) -> int:
    """How many rows a statement changed."""
    from sqlalchemy import text

    return connection.execute(text(sql), values).rowcount


def add(connection: "Connection", table: str, **values: Any) -> int:
    """The row id of a new row. `table` and the keys are names of ours, never of a person."""
    from sqlalchemy import text

    names = ", ".join(values)
    marks = ", ".join(f":{name}" for name in values)
    return connection.execute(
        text(f"INSERT INTO {table} ({names}) VALUES ({marks})"), values
    ).lastrowid


def now() -> str:
    """This moment in UTC, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def local_day(at: str) -> date:
    """The calendar day, where the person is, of a moment in UTC."""
    return datetime.fromisoformat(at).astimezone().date()


def today() -> date:
    """The calendar day where the person is."""
    return datetime.now().astimezone().date()
