"""A copy of everything that is kept, taken while the service runs; and putting one back into an empty database.

SQLite copies itself (VACUUM INTO); PostgreSQL's own programs do it for PostgreSQL, in its custom format. A copy holds
what the database held at one moment. Secrets are not in it: settings refer to them, keys are kept as hashes.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import URL, Engine, inspect, text
from sqlalchemy.exc import SQLAlchemyError

from service.errors import UnusableBackup
from service.storage import database, tables

LAST_LINES = 3  # of what a program said before it failed
OF_SQLITE = b"SQLite format 3\x00"  # https://www.sqlite.org/fileformat.html, section 1.3
OF_POSTGRESQL = b"PGDMP"  # the custom format of pg_dump


def take(engine: Engine, to: Path) -> int:
    """Write a copy to a file that is not there yet; its octets. The tables may be those of any release."""
    _refuse_emptiness(engine)
    if to.exists():
        raise UnusableBackup(f"{to} is there already", "name another file; a copy is never written over")
    beside = to.with_name(f".{to.name}.{os.getpid()}")
    try:
        _take(engine, beside)
        beside.chmod(0o600)
        os.link(beside, to)  # never over a file that came meanwhile
    except OSError as failure:
        raise UnusableBackup(f"{to} cannot be written: {failure.strerror}") from failure
    finally:
        beside.unlink(missing_ok=True)
    return to.stat().st_size


def put_back(engine: Engine, source: Path) -> None:
    """Fill an empty database from a copy, and bring its tables up to this release."""
    head = _head_of(source)
    _refuse_what_is_in_use(engine)
    if engine.dialect.name == "sqlite":
        if head != OF_SQLITE:
            raise UnusableBackup(f"{source} is no copy of an embedded database", "take one with `lopside backup`")
        _put_back_file(engine, source)
    else:
        if not head.startswith(OF_POSTGRESQL):
            raise UnusableBackup(f"{source} is no copy of a PostgreSQL database", "take one with `lopside backup`")
        _empty(engine)
        _run("pg_restore", engine.url, "--single-transaction", "--exit-on-error", "--no-owner", str(source))
    database.upgrade(engine)


def _refuse_emptiness(engine: Engine) -> None:
    is_file = engine.dialect.name == "sqlite"
    if (is_file and not Path(_file_of(engine)).is_file()) or not database.is_filled(engine):
        raise UnusableBackup("the database that the settings name holds nothing of this service", "check database.url")


def _take(engine: Engine, to: Path) -> None:
    if engine.dialect.name != "sqlite":
        _run("pg_dump", engine.url, "--format=custom", "--no-owner", f"--file={to}")
        return
    try:
        with contextlib.closing(sqlite3.connect(_file_of(engine), timeout=30)) as connection:
            connection.execute("VACUUM INTO ?", (str(to),))
    except sqlite3.Error as failure:
        raise UnusableBackup(f"the database could not be copied: {failure}") from failure


def _head_of(source: Path) -> bytes:
    try:
        with source.open("rb") as file:
            return file.read(len(OF_SQLITE))
    except OSError as failure:
        raise UnusableBackup(f"{source} cannot be read: {failure.strerror}") from failure


def _refuse_what_is_in_use(engine: Engine) -> None:
    """A copy goes into a database that holds nothing of its own."""
    try:
        with database.reading(engine) as connection:
            names = inspect(connection).get_table_names()
            known = [name for name in ("devices", "findings", "keys", "audit") if name in names]
            counts = [connection.scalar(text(f"SELECT count(*) FROM {name}")) for name in known]  # noqa: S608  # names from here
    except SQLAlchemyError as failure:
        raise UnusableBackup(f"the database cannot be looked at: {type(failure).__name__}") from failure
    if any(counts):
        raise UnusableBackup("the database that the settings name is in use", "name an empty one, and restore there")


def _put_back_file(engine: Engine, source: Path) -> None:
    _refuse_damage(source)
    engine.dispose()
    target = Path(_file_of(engine))
    beside = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        shutil.copyfile(source, beside)
        beside.chmod(0o600)
        for name in ("-wal", "-shm"):  # of the empty one
            target.with_name(target.name + name).unlink(missing_ok=True)
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)


def _refuse_damage(source: Path) -> None:
    try:
        with contextlib.closing(sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    except sqlite3.Error as failure:
        found = str(failure)
    if found != "ok":
        raise UnusableBackup(f"{source} is damaged: {found}", "take an older copy")


def _empty(engine: Engine) -> None:
    """Remove the tables of a database that was only just migrated; they come from the copy."""
    with engine.begin() as connection:
        tables.metadata.drop_all(connection)
        connection.execute(text("DROP TABLE IF EXISTS alembic_version"))
        for function in ("refuse_change", "refuse_edit"):
            connection.execute(text(f"DROP FUNCTION IF EXISTS {function} CASCADE"))


def _file_of(engine: Engine) -> str:
    return str(engine.url.database)


def _run(program: str, url: URL, *arguments: str) -> None:
    """Run one of PostgreSQL's programs on a database; the password goes by the environment, where nobody else reads."""
    found = _found(program)
    environment = {**os.environ, **dict(_told(url))}
    target = ["--dbname", url.database or "postgres"]
    try:
        done = subprocess.run(  # noqa: S603  # PostgreSQL's own program, no shell
            [found, *target, *arguments], env=environment, capture_output=True, text=True, check=False
        )
    except OSError as failure:
        raise UnusableBackup(f"{program} cannot be started: {failure.strerror}") from failure
    if done.returncode:
        said = "; ".join(done.stderr.strip().splitlines()[-LAST_LINES:])
        raise UnusableBackup(f"{program} failed: {said}")


def _told(url: URL) -> Iterator[tuple[str, str]]:
    """What libpq is told of a database's address (its environment variables)."""
    host = url.host or url.query.get("host")
    for name, value in (("HOST", host), ("PORT", url.port), ("USER", url.username), ("PASSWORD", url.password)):
        if value is not None:
            yield f"PG{name}", str(value)
    for name in ("sslmode", "sslrootcert"):
        if name in url.query:
            yield f"PG{name.upper()}", str(url.query[name])


def _found(program: str) -> str:
    """Where a program of PostgreSQL is: on the path, or of the newest release where Debian puts them."""
    if found := shutil.which(program):
        return found
    homes = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{program}"), key=lambda path: float(path.parts[4]))
    if not homes:
        raise UnusableBackup(f"there is no {program} here", "install PostgreSQL's client programs, or run it elsewhere")
    return str(homes[-1])
