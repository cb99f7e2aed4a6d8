"""Opening a database and bringing its tables up to date; one way of working on SQLite and PostgreSQL."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar
from weakref import WeakKeyDictionary

import psycopg
from sqlalchemy import URL, Connection, Engine, ExceptionContext, create_engine, event, make_url, select, text
from sqlalchemy.exc import ArgumentError, DatabaseError, DBAPIError, OperationalError
from sqlalchemy.pool import PoolProxiedConnection

from service.errors import DatabaseNotReady, WrongQuestion, WrongSetting
from service.storage import tables

if TYPE_CHECKING:
    from alembic.config import Config

Result = TypeVar("Result")

BUSY_MS = 30_000
PATIENCE_MS = 20
# Any number would do, as long as nobody else on the database takes it.
MIGRATION_LOCK = 6_207_114_511
# serialization_failure and deadlock_detected of PostgreSQL's table of error codes: the loser may simply try again.
RETRIED_STATES = ("40001", "40P01")

OF_POSTGRESQL = {
    "timezone": "UTC",
    # A frozen worker must not hold its locks for ever, ...
    "idle_in_transaction_session_timeout": "60s",
    # ... and nobody waits for ever for a database that is slow, or for somebody else's lock: come again later.
    "statement_timeout": "60s",
    "lock_timeout": "20s",
}

_turns: WeakKeyDictionary[Engine, threading.Lock] = WeakKeyDictionary()


def open(url: str) -> Engine:  # noqa: A001  # read as `database.open(url)`
    """An engine for a database's address; nothing is connected yet."""
    try:
        address = make_url(url)
    except ArgumentError as wrong:
        raise WrongSetting(
            "database.url", f"{url!r} is not an address", "write sqlite:///lopside.sqlite or postgresql://host/name"
        ) from wrong
    kind = address.get_backend_name()
    if kind not in ("sqlite", "postgresql"):
        raise WrongSetting("database.url", f"{kind!r} is no database we keep to", "use sqlite or postgresql")
    engine = _sqlite(address) if kind == "sqlite" else _postgresql(address.set(drivername="postgresql+psycopg"))
    event.listen(engine, "handle_error", _refuse_what_no_column_holds)
    return engine


def is_sqlite(connection: Connection) -> bool:
    """Whether this is the embedded database."""
    return connection.dialect.name == "sqlite"


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """A connection that only reads, and so never waits for a writer nor keeps one waiting."""
    with engine.connect() as connection:
        yield connection.execution_options(reading=True, postgresql_readonly=True)


def retried(engine: Engine, work: Callable[[Connection], Result], tries: int = 5) -> Result:
    """Do the work in one transaction, again where it was the victim of a deadlock."""
    for _ in range(tries - 1):
        try:
            with _turn(engine), engine.begin() as connection:
                return work(connection)
        except Exception as failure:
            if not _may_retry(failure):
                raise
    with _turn(engine), engine.begin() as connection:
        return work(connection)


def upgrade(engine: Engine) -> None:
    """Bring the tables to this release's; many processes may ask at once, one does it, the others find it done.

    Tables of a later release are left alone where this one can work on them, and refused where it cannot.
    """
    from alembic import command

    with _migrating(engine) as (connection, config):
        if _is_later(connection):
            _refuse_unfit(connection)
        else:
            command.upgrade(config, "head")


def take_back(engine: Engine, revision: str) -> None:
    """Take the tables back to those of an earlier release, which loses what it has no place for."""
    from alembic import command

    if revision not in _revisions():
        raise WrongSetting(
            "revision", f"{revision!r} is no step of this release", f"name one of {', '.join(_revisions())}"
        )
    with _migrating(engine) as (connection, config):
        if _is_later(connection):
            raise DatabaseNotReady("the tables are those of a later release; only that one can take them back")
        if (_revision(connection) or "") < revision:
            raise WrongSetting("revision", "the tables are not that far", "run `lopside migrate` to go on")
        command.downgrade(config, revision)


def fits(engine: Engine) -> bool:
    """Whether this release can work on the tables: they are its own, or a later release left them usable."""
    with _reachable(engine), reading(engine) as connection:
        return _revision(connection) == _revisions()[-1] or (_is_later(connection) and _is_left_usable(connection))


def is_filled(engine: Engine) -> bool:
    """Whether there are tables of any release."""
    with _reachable(engine), reading(engine) as connection:
        return _revision(connection) is not None


def migrations() -> Config:
    """The configuration that names the folder of migrations: within the package once built, beside it in a checkout."""
    from alembic.config import Config

    folder = Path(str(files("service"))) / "_migrations"
    if not folder.is_dir():
        folder = Path(__file__).resolve().parents[2] / "migrations"
    config = Config()
    config.set_main_option("script_location", str(folder).replace("%", "%%"))
    return config


@contextmanager
def _migrating(engine: Engine) -> Iterator[tuple[Connection, Config]]:
    with _reachable(engine), engine.begin() as connection:
        if not is_sqlite(connection):  # SQLite's transaction is immediate, which is the same lock
            # Whoever migrates takes its time, as do those who wait for it; a table in use is not waited for so long.
            connection.execute(text("SET LOCAL statement_timeout = 0; SET LOCAL lock_timeout = 0"))
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": MIGRATION_LOCK})
            connection.execute(text(f"SET LOCAL lock_timeout = '{OF_POSTGRESQL['lock_timeout']}'"))
        config = migrations()
        config.attributes["connection"] = connection
        yield connection, config


def _revision(connection: Connection) -> str | None:
    from alembic.runtime.migration import MigrationContext

    return MigrationContext.configure(connection).get_current_revision()


@cache
def _revisions() -> tuple[str, ...]:
    """The steps of this release, the first one first; they are numbered, so that their names can be compared."""
    from alembic.script import ScriptDirectory

    steps = ScriptDirectory.from_config(migrations()).walk_revisions()
    return tuple(step.revision for step in steps)[::-1]


def _is_later(connection: Connection) -> bool:
    return (_revision(connection) or "") > _revisions()[-1]


def _is_left_usable(connection: Connection) -> bool:
    oldest = connection.scalar(select(tables.releases.c.oldest))
    return oldest is not None and oldest <= _revisions()[-1]


def _refuse_unfit(connection: Connection) -> None:
    if not _is_left_usable(connection):
        raise DatabaseNotReady(
            "the tables are those of a later release, and this one cannot work on them; start the later one, or take"
            " the tables back with its `lopside migrate --back-to`"
        )


@contextmanager
def _reachable(engine: Engine) -> Iterator[None]:
    try:
        yield
    except DatabaseError as failure:
        # Of exactly that class is a file that is no database; its other kinds are mistakes of ours.
        if type(failure) not in {DatabaseError, OperationalError}:
            raise
        where = engine.url.render_as_string(hide_password=True)
        raise DatabaseNotReady(f"the database {where} cannot be used: {failure.orig}") from failure


@contextmanager
def _turn(engine: Engine) -> Iterator[None]:
    """One writer of this process at a time on SQLite, the next as soon as one is done.

    SQLite's own way of waiting is to look again ever less often, up to 100 ms later.
    """
    if engine.dialect.name != "sqlite":
        yield
        return
    turn = _turns.setdefault(engine, threading.Lock())
    is_ours = turn.acquire(timeout=BUSY_MS / 1000)  # then SQLite says what keeps us waiting
    try:
        yield
    finally:
        if is_ours:
            turn.release()


def _may_retry(failure: Exception) -> bool:
    cause: Any = failure.orig if isinstance(failure, DBAPIError) else failure
    return getattr(cause, "sqlstate", None) in RETRIED_STATES


def _refuse_what_no_column_holds(failure: ExceptionContext) -> None:
    """Whoever asks for a name with a NUL in it, or for number 2**70, asked wrongly: it is no fault of the service."""
    if isinstance(failure.original_exception, (psycopg.DataError, OverflowError, UnicodeEncodeError)):
        raise WrongQuestion("value", f"cannot be kept or looked for: {failure.original_exception}")


def _postgresql(url: URL) -> Engine:
    return create_engine(
        url,
        hide_parameters=True,  # what is kept must not turn up in tracebacks
        pool_pre_ping=True,
        pool_size=8,
        max_overflow=24,
        connect_args={"options": " ".join(f"-c {name}={value}" for name, value in OF_POSTGRESQL.items())},
    )


def _sqlite(url: URL) -> Engine:
    engine = create_engine(url, hide_parameters=True, connect_args={"timeout": BUSY_MS / 1000})
    event.listen(engine, "connect", _set_up_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _set_up_sqlite(connection: Any, _record: PoolProxiedConnection) -> None:
    connection.isolation_level = None  # transactions begin where we say so, DDL included
    cursor = connection.cursor()
    for pragma in (
        f"busy_timeout={BUSY_MS}",
        # NORMAL would keep the file whole but could lose, at a power cut, commits that were already acknowledged.
        "synchronous=FULL",
        "foreign_keys=ON",
        "cache_size=-65536",
        "temp_store=MEMORY",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    _write_ahead(cursor)
    cursor.close()


def _write_ahead(cursor: sqlite3.Cursor) -> None:
    """Turn on the write-ahead log; SQLite does not wait by itself where another process is doing the same."""
    for _ in range(BUSY_MS // PATIENCE_MS):
        try:
            cursor.execute("PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError as failure:
            if failure.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                raise
            time.sleep(PATIENCE_MS / 1000)
        else:
            return


def _begin_sqlite(connection: Connection) -> None:
    # A transaction that first reads and then writes fails at once if another wrote in between: take the lock first.
    reads = connection.get_execution_options().get("reading", False)
    connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")
