"""A pushed body, whatever form it comes in: unpacked, read, and made into samples.

The index of a sample or a refusal is its line, counted from 1, in forms made of lines (CSV,
NDJSON), else its place in the batch, counted from 0.
"""

from __future__ import annotations

from collections.abc import Callable
from email.message import Message

from service.errors import TooLarge, UnsupportedForm
from service.feeds import arrow, columnar, counter_file, encoding, json_rows, ndjson, unpack
from service.feeds.limits import IngestLimits
from service.terms import Parsed

JSON = "application/json"
NDJSON = "application/x-ndjson"
CSV = "text/csv"
ARROW = "application/vnd.apache.arrow.stream"
FORMS = (JSON, NDJSON, CSV, ARROW)

# A sample is one object; names may hold a bracket or two, and what is refused item by item a few more.
BRACKETS_A_SAMPLE, SPARE_BRACKETS = 4, 1_000_000

__all__ = ["ARROW", "CSV", "FORMS", "JSON", "NDJSON", "IngestLimits", "parse"]


def parse(body: bytes, content_type: str, content_encoding: str = "", limits: IngestLimits | None = None) -> Parsed:
    """The samples of a body, or UnusableInput where it cannot be read as a whole."""
    bounds = limits or IngestLimits()
    reader = _reader(content_type)
    octets = unpack.unpacked(body, content_encoding, bounds.max_octets)
    if reader is not arrow.parse:
        octets = encoding.without_mark(octets, "body")
    return reader(octets, bounds)


def _reader(content_type: str) -> Callable[[bytes, IngestLimits], Parsed]:
    told = Message()
    told["content-type"] = content_type
    charset = str(told.get_param("charset", "utf-8")).lower()
    if charset not in ("utf-8", "utf8", "us-ascii"):
        raise UnsupportedForm("body", f"charset {charset[:40]!r} is not read here", "send UTF-8")
    form = content_type.partition(";")[0].strip().lower()
    if form not in _READERS:
        raise UnsupportedForm("body", f"content type {form[:60]!r} is not read here", f"send {', '.join(FORMS)}")
    return _READERS[form]


def _few_brackets(octets: bytes, limits: IngestLimits) -> None:
    """Refuse far more objects and lists than samples: a few packed octets of them unpack into gigabytes."""
    if octets.count(b"{") + octets.count(b"[") > BRACKETS_A_SAMPLE * limits.max_samples + SPARE_BRACKETS:
        raise TooLarge(
            "body",
            f"holds many more objects and lists than {limits.max_samples} samples have",
            "send samples as flat objects, in smaller batches",
        )


def _json(body: bytes, limits: IngestLimits) -> Parsed:
    _few_brackets(body, limits)
    return (columnar.parse if columnar.is_columnar(body) else json_rows.parse)(body, limits)


def _ndjson(body: bytes, limits: IngestLimits) -> Parsed:
    _few_brackets(body, limits)
    return ndjson.parse(body, limits)


_READERS: dict[str, Callable[[bytes, IngestLimits], Parsed]] = {
    JSON: _json,
    NDJSON: _ndjson,
    CSV: counter_file.parse,
    ARROW: arrow.parse,
}
