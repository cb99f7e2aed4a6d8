"""How POST /v1/samples describes its body: a form for each content type."""

from __future__ import annotations

from typing import Any

from service.feeds import body
from service.feeds.columns import COLUMNS, Column, Sort

INSTANT = "2026-11-25T10:00:00Z"
TRAFFIC = tuple(f"{way}_{unit}" for way in ("in", "out") for unit in ("octets", "bps", "kBps"))
EXAMPLE = {
    "time": INSTANT,
    "device": "sm-07",
    "port": "m1",
    "team": "front",
    "speed_bps": 1_000_000_000,
    "in_octets": 4_257_000,
    "out_octets": 98_700_000,
}
_LINE = ",".join(EXAMPLE), ",".join(map(str, EXAMPLE.values()))


def _value(column: Column) -> dict[str, Any]:
    if column.sort is Sort.TIME:
        instant = "RFC 3339 with its zone, or seconds since the epoch"
        return {"type": ["string", "number"], "description": instant}
    if column.sort is Sort.NUMBER:
        told: dict[str, Any] = {"type": ["integer", "null"]}
        return told | (
            {"enum": [*column.choice, None]} if column.choice else {"minimum": column.least, "maximum": column.most}
        )
    if column.sort is Sort.RATE:
        return {"type": ["number", "null"], "minimum": 0}
    if column.sort is Sort.WORD:
        return {"enum": [*column.words, None]}
    return {"type": "string" if column.must else ["string", "null"]}


def _sample() -> dict[str, Any]:
    return {
        "type": "object",
        "title": "Sample",
        "description": "One reading of a port's counters; names that begin with x_ are the sender's own",
        "required": [name for name, column in COLUMNS.items() if column.must],
        "properties": {name: _value(column) for name, column in COLUMNS.items()},
        "patternProperties": {"^x_": {}},
        "additionalProperties": False,
    }


def _columns() -> dict[str, Any]:
    return {
        "type": "object",
        "required": [name for name, column in COLUMNS.items() if column.must],
        "anyOf": [{"required": [name]} for name in TRAFFIC],
        "properties": {name: {"type": "array", "items": {}} for name in COLUMNS},
        "patternProperties": {"^x_": {"type": "array"}},
        "additionalProperties": False,
    }


def _json() -> dict[str, Any]:
    # A sample of another form is told by its index, the others are taken: so the batch may hold anything.
    items = {"anyOf": [_sample(), {"description": "Anything else is rejected by its index"}]}
    by_sample = {
        "type": "object",
        "required": ["samples"],
        "properties": {"samples": {"type": "array", "items": items}},
        "additionalProperties": False,
    }
    by_column = {
        "type": "object",
        "description": "The same values as columns, which take less time to read; all lists of one length",
        "required": ["columns"],
        "properties": {"columns": _columns()},
        "additionalProperties": False,
    }
    return {"oneOf": [by_sample, by_column]}


def request_body() -> dict[str, Any]:
    """The description of the body, as OpenAPI wants it."""
    return {
        "required": True,
        "description": "Samples in one of these forms, gzip or not (Content-Encoding)",
        "content": {
            body.JSON: {"schema": _json(), "example": {"samples": [EXAMPLE]}},
            body.NDJSON: {"schema": {"type": "string", "description": "A sample as JSON on each line"}},
            body.CSV: {"schema": {"type": "string", "description": "RFC 4180"}, "example": "\r\n".join(_LINE) + "\r\n"},
            body.ARROW: {"schema": {"type": "string", "format": "binary", "description": "Arrow IPC stream"}},
        },
    }
