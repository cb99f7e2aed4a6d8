"""Pushed items: what programs tell of virtual ports and conversations on members, as CSV or JSON.

An item is told by the octets of a stretch or its mean rate, in one direction; or, for a virtual port,
by its running counters at an instant in both. The index of a refusal is the line of a CSV file, counted
from 1, or the place in a JSON batch, counted from 0.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.errors import TooLarge, UnsupportedForm, UnusableInput
from service.feeds import encoding, item_values, json_text, unpack
from service.feeds.header_row import unusable, values_of
from service.feeds.item_values import COLUMNS, NEEDED, Unusable
from service.feeds.limits import IngestLimits
from service.terms import ItemReading, Reject

JSON, CSV = "application/json", "text/csv"
FORMS = (JSON, CSV)


@dataclass(frozen=True)
class CounterReading:
    """A virtual port's running counters at an instant; `out` is what left by the member, `in` what came by it."""

    index: int
    device: str
    port: str
    name: str
    at_ms: int
    out_octets: int
    in_octets: int


@dataclass(frozen=True)
class ToldItems:
    """What a body told: readings with their index, counters, and what could not be taken."""

    readings: tuple[tuple[int, ItemReading], ...]
    counters: tuple[CounterReading, ...] = ()
    rejects: tuple[Reject, ...] = ()


def parse(body: bytes, content_type: str, content_encoding: str = "", limits: IngestLimits | None = None) -> ToldItems:
    """The items of a body, or UnusableInput where it cannot be read as a whole."""
    bounds = limits or IngestLimits()
    form = content_type.partition(";")[0].strip().lower()
    if form not in FORMS:
        raise UnsupportedForm("body", f"content type {form[:60]!r} is not read here", f"send {', '.join(FORMS)}")
    octets = encoding.without_mark(unpack.unpacked(body, content_encoding, bounds.max_octets), "body")
    rows = _of_json(octets) if form == JSON else _of_csv(octets)
    return _told(rows, "push" if form == JSON else "csv", bounds)


def _told(rows: Iterator[tuple[int, Mapping[str, Any] | str]], source: str, limits: IngestLimits) -> ToldItems:
    readings, counters, rejects = [], [], []
    for count, (index, row) in enumerate(rows, start=1):
        if count > limits.max_samples:
            raise TooLarge("body", f"holds more than {limits.max_samples} items", "send smaller batches")
        if isinstance(row, str):
            rejects.append(Reject(index, row))
            continue
        try:
            if item_values.is_counter(row):
                counters.append(CounterReading(index, *item_values.counter(row)))
            else:
                readings.append((index, item_values.reading(row, source)))
        except Unusable as wrong:
            rejects.append(Reject(index, wrong.reason, wrong.column, wrong.value[:60]))
    return ToldItems(tuple(readings), tuple(counters), tuple(rejects))


def _of_json(octets: bytes) -> Iterator[tuple[int, Mapping[str, Any] | str]]:
    said = json_text.read(octets)
    if not isinstance(said, dict) or set(said) != {"items"} or not isinstance(said["items"], list):
        raise UnusableInput("body", "is no batch of items", 'send {"items": [{...}, ...]}')
    for index, item in enumerate(said["items"]):
        if not isinstance(item, dict):
            yield index, "is no object; send one for each item"
        elif isinstance(item, json_text.Twice):
            yield index, f"gives {item.name[:60]!r} twice"
        elif unknown := next((name for name in item if name not in COLUMNS), None):
            yield index, f"has a name that is not known here, {unknown[:60]!r}"
        else:
            yield index, {name: value for name, value in item.items() if value is not None}


def _of_csv(octets: bytes) -> Iterator[tuple[int, Mapping[str, Any] | str]]:
    lines = encoding.text_of(octets, "body").split("\n")
    start = next((at for at, line in enumerate(lines) if line.strip() and not line.startswith("#")), 0)
    names = [name.strip() for name in values_of(lines[start]) or ()]
    if wrong := unusable(names, COLUMNS, NEEDED):
        raise UnusableInput(f"body, line {start + 1}", wrong, f"begin with names of columns: {','.join(COLUMNS)}")
    for at, line in enumerate(lines[start + 1 :], start=start + 2):
        values = values_of(line.removesuffix("\r"))
        if values is None:
            yield at, "is no row of RFC 4180; mind the quotes"
        elif values and len(values) != len(names):
            yield at, f"has {len(values)} values where the header has {len(names)} columns; mind commas and quotes"
        elif values:
            yield at, {name: value for name, text in zip(names, values, strict=True) if (value := text.strip())}
