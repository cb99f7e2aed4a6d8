"""A line in the audit for each time that a process starts with other settings than the one of its kind before."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import structlog
from sqlalchemy.exc import SQLAlchemyError

from service.storage import audit

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from service.app.parts import Parts
    from service.settings.reading import Settings

CHANGED = "settings.change"
WHO = "whoever started it"


log = structlog.get_logger("app")


def note_settings(parts: Parts, kind: str) -> None:
    """Note what is otherwise than at the last start of a process of this kind, in one line; nothing where all is so.

    A database that only reads right now keeps nobody from starting.
    """
    state = stated(parts.settings)
    try:
        with parts.engine.begin() as connection:
            _note(connection, parts, kind, state)
    except SQLAlchemyError as failure:
        log.warning("the settings could not be noted in the audit", error=type(failure).__name__)


def _note(connection: Connection, parts: Parts, kind: str, state: dict[str, Any]) -> None:
    last = audit.last(connection, CHANGED, kind)
    before = last.details.get("state", {}) if last else {}
    if before == state:
        return
    names = [name for name in sorted({*before, *state}) if before.get(name) != state.get(name)] if last else []
    changed = {name: [before.get(name), state.get(name)] for name in names}
    told = {"changed": changed, "process": parts.owner, "state": state}
    audit.note(connection, parts.clock(), WHO, CHANGED, kind, told)


def stated(settings: Settings) -> dict[str, Any]:
    """Settings by dotted name; of lists how many there are, and by a digest whether they are the same. No secrets."""
    told = settings.model_dump(mode="json")  # in which secrets are stars
    return dict(sorted(_flat("", told)))


def _flat(name: str, told: Any) -> list[tuple[str, Any]]:
    if isinstance(told, Mapping):
        return [pair for key, value in told.items() for pair in _flat(f"{name}.{key}" if name else key, value)]
    if isinstance(told, list):
        digest = hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:12]
        return [(name, f"{len(told)}, {digest}" if told else "0")]
    return [(name, told)]
