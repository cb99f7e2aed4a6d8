"""How POST /v1/items describes its body."""

from __future__ import annotations

from typing import Any

from service.feeds import item_values, items
from service.terms import DIRECTIONS, ITEM_KINDS

EXAMPLE = {
    "device": "sm-07",
    "port": "m1",
    "name": "vm-1",
    "direction": "egress",
    "start": "2026-11-25T10:00:00Z",
    "end": "2026-11-25T10:01:00Z",
    "octets": 3_600_000_000,
}
_WORDS: dict[str, dict[str, Any]] = {"direction": {"enum": [*DIRECTIONS]}, "kind": {"enum": [*ITEM_KINDS]}}
_INSTANTS = ("start", "end", "time")
_TEXTS = ("device", "port", "name", "source", "destination", "source_mac", "destination_mac")
_LINE = ",".join(EXAMPLE), ",".join(map(str, EXAMPLE.values()))


def request_body() -> dict[str, Any]:
    """The description of the body, as OpenAPI wants it."""
    item = {
        "type": "object",
        "description": "Octets or bps of a stretch in one direction, or running counters of a virtual port at a time",
        "required": [*item_values.NEEDED],
        "properties": {name: _value(name) for name in item_values.COLUMNS},
        "additionalProperties": False,
    }
    # An item of another form is told by its index, the others are taken: so the batch may hold anything.
    listed = {"type": "array", "items": {"anyOf": [item, {"description": "Anything else is rejected by its index"}]}}
    batch = {"type": "object", "required": ["items"], "properties": {"items": listed}, "additionalProperties": False}
    return {
        "required": True,
        "content": {
            items.JSON: {"schema": batch, "example": {"items": [EXAMPLE]}},
            items.CSV: {"schema": {"type": "string", "description": "RFC 4180"}, "example": "\r\n".join(_LINE)},
        },
    }


def _value(name: str) -> dict[str, Any]:
    if name in _WORDS:
        return dict(_WORDS[name])
    if name in _INSTANTS:
        return {"type": ["string", "number"], "description": "RFC 3339 with its zone, or seconds since the epoch"}
    if name in _TEXTS:
        return {"type": "string"}
    return {"type": "number", "minimum": 0}
