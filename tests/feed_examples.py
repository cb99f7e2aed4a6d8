"""Samples as a sender writes them, in every form, and what became of them as plain values."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import fields

import pyarrow as pa

from service.feeds import body
from service.terms import COUNTERS

TIME = "2026-11-25T10:00:00Z"
TIME_MS = 1_795_600_800_000  # by hand: 20,782 days of 86,400 s and 10 h


def a_row(**changes):
    """One good sample; None takes a field out."""
    row = {"time": TIME, "device": "sm-07", "port": "m1", "team": "front", "in_octets": 1, "out_octets": 2, **changes}
    return {name: value for name, value in row.items() if value is not None}


def as_json(rows):
    return json.dumps({"samples": rows}).encode()


def as_ndjson(rows):
    return b"\n".join(json.dumps(row).encode() for row in rows)


def names_of(rows):
    return list(dict.fromkeys(name for row in rows for name in row))


def as_columnar(rows):
    return json.dumps({"columns": {name: [row.get(name) for row in rows] for name in names_of(rows)}}).encode()


def as_csv(rows):
    text = io.StringIO()
    writer = csv.DictWriter(text, names_of(rows), lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode()


def as_arrow(rows, compression=None):
    columns = {}
    for name in names_of(rows):
        values = [row.get(name) for row in rows]
        kinds = {type(value) for value in values} - {type(None)}
        if kinds == {str}:
            columns[name] = pa.array(values, pa.string()).dictionary_encode()
        else:
            columns[name] = pa.array(values, pa.uint64() if kinds <= {int} else pa.float64())
    return ipc(pa.table(columns), compression)


def ipc(table, compression=None):
    stream = io.BytesIO()
    options = pa.ipc.IpcWriteOptions(compression=compression)
    with pa.ipc.new_stream(stream, table.schema, options=options) as writer:
        writer.write_table(table)
    return stream.getvalue()


FORMS = {
    "json": (as_json, body.JSON),
    "ndjson": (as_ndjson, body.NDJSON),
    "columnar": (as_columnar, body.JSON),
    "csv": (as_csv, body.CSV),
    "arrow": (as_arrow, body.ARROW),
}


def plain(parsed):
    """What was taken, one dict a sample, without what differs between forms: the index."""
    samples = parsed.samples
    facts = [field.name for field in fields(parsed.facts)]
    taken = []
    for row in range(len(samples)):
        counters = {
            COUNTERS[column]: int(samples.counters[row, place])
            for place, column in enumerate(samples.columns)
            if samples.known[row] >> column & 1
        }
        ticks = {
            name: int(values[row]) if len(values := getattr(samples, name)) else -1
            for name in ("received_ms", "uptime_ticks", "discontinuity_ticks")
        }
        said = {name: int(getattr(parsed.facts, name)[samples.facts[row]]) for name in facts}
        name = parsed.ports[samples.port[row]]
        taken.append({"name": name, "at_ms": int(samples.at_ms[row]), **counters, **ticks, **said})
    return taken


def refusals(parsed):
    """Index and column of what was not taken."""
    return [(reject.index, reject.column) for reject in parsed.rejects]
