"""Browsers in which somebody signed in with a key; what their cookie holds is kept as its hash."""

from __future__ import annotations

import hashlib
import secrets

from sqlalchemy import Connection, delete, insert, select

from service.storage import keys, tables
from service.storage.keys import Key

_table = tables.sessions


def begin(connection: Connection, key: Key, now_ms: int, until_ms: int) -> str:
    """Begin a session of a key; what is returned goes into the cookie and is kept nowhere."""
    secret = secrets.token_urlsafe(32)
    told = {"hash": _hash(secret), "key_name": key.name, "created_ms": now_ms, "until_ms": until_ms}
    connection.execute(insert(_table).values(told))
    return secret


def find(connection: Connection, secret: str, now_ms: int) -> Key | None:
    """The key that somebody signed in with, if the session lasts and the key may still be used."""
    query = select(_table.c.key_name).where(_table.c.hash == _hash(secret), _table.c.until_ms > now_ms)
    name = connection.execute(query).scalar()
    return keys.named(connection, name, now_ms) if name is not None else None


def end(connection: Connection, secret: str) -> None:
    """End a session; one that is not there is no harm."""
    connection.execute(delete(_table).where(_table.c.hash == _hash(secret)))


def forget(connection: Connection, now_ms: int) -> None:
    """Remove sessions that have run out."""
    connection.execute(delete(_table).where(_table.c.until_ms <= now_ms))


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
