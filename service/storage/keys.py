"""Keys for callers, kept as hashes: whoever reads the table cannot call with what stands there.

A key is 256 random bits, so SHA-256 is enough: a slow hash helps only where secrets can be guessed.
"""

from __future__ import annotations

import hashlib
import secrets
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, delete, or_, select, update

from service.errors import NotFound, WrongState
from service.storage import tables
from service.storage.dialects import inserting, was_inserted

ROLES = ("feed", "view", "operate", "admin")
PREFIX = "lopside_"  # tells a reader, and a scanner for leaked secrets, what has been found
_table = tables.keys


class Key(NamedTuple):
    """A key as it is listed; the key itself is shown once, when it is made."""

    name: str
    role: str
    created_ms: int
    expires_ms: int | None
    revoked_ms: int | None


def make(connection: Connection, name: str, role: str, now_ms: int, expires_ms: int | None = None) -> str:
    """Make a key; what is returned is kept nowhere. WrongState where the name is taken."""
    if role not in ROLES:
        raise WrongState(f"a key's role is one of {', '.join(ROLES)}, not {role!r}")
    secret = PREFIX + secrets.token_urlsafe(32)
    told = {"name": name, "role": role, "hash": _hash(secret), "created_ms": now_ms, "expires_ms": expires_ms}
    if not was_inserted(connection, inserting(connection, _table).values(told)):
        raise WrongState(f"there is a key named {name!r} already; revoked ones keep their names")
    return secret


def find(connection: Connection, secret: str, now_ms: int) -> Key | None:
    """The key that this is, if it may still be used."""
    query = _listed().where(_table.c.hash == _hash(secret), *_usable(now_ms))
    row = connection.execute(query).first()
    return Key(*row) if row else None


def named(connection: Connection, name: str, now_ms: int) -> Key | None:
    """The key of a name, if it may still be used."""
    row = connection.execute(_listed().where(_table.c.name == name, *_usable(now_ms))).first()
    return Key(*row) if row else None


def revoke(connection: Connection, name: str, now_ms: int) -> None:
    """End a key, and with it where somebody signed in with it, from now on, or NotFound."""
    statement = update(_table).where(_table.c.name == name, _table.c.revoked_ms.is_(None)).values(revoked_ms=now_ms)
    if connection.execute(statement).rowcount == 0:
        raise NotFound("usable key", name)
    connection.execute(delete(tables.sessions).where(tables.sessions.c.key_name == name))


def listing(connection: Connection) -> tuple[Key, ...]:
    """All keys there ever were, by name."""
    return tuple(Key(*row) for row in connection.execute(_listed().order_by(_table.c.name)))


def any_usable(connection: Connection, now_ms: int) -> bool:
    """Whether anybody could call with a key at all."""
    return connection.execute(_listed().where(*_usable(now_ms)).limit(1)).first() is not None


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _listed() -> Select[Any]:
    return select(*(_table.c[name] for name in Key._fields))


def _usable(now_ms: int) -> tuple[ColumnElement[bool], ...]:
    return (_table.c.revoked_ms.is_(None), or_(_table.c.expires_ms.is_(None), _table.c.expires_ms > now_ms))
