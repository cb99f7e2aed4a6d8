"""JSON read twice: at once by a strict reader, and once more by a patient one where that fails.

The patient reader keeps what the strict one gives up on, so that one item can be refused
by itself: a name given twice, NaN, a number too large.
"""

from __future__ import annotations

import json
import math
from typing import Any

import msgspec
import numpy as np

from service.errors import TooLarge, UnusableInput
from service.feeds import columns, encoding

_MOST_DIGITS = 100
_IN_CACHE = 1 << 17  # octets looked at together: more would be written to memory and read back
_QUOTE, _COLON = ord('"'), ord(":")
# What msgspec raises on what is not JSON: texts that are no UTF-8 among them.
UNREADABLE = (msgspec.DecodeError, UnicodeDecodeError)


class Twice(dict[str, Any]):
    """An object that gave a name twice, which RFC 8259 calls unpredictable."""

    name: str = ""


def strictly(body: bytes) -> Any:
    """What a text says, quickly; one of UNREADABLE where it is not JSON to the letter."""
    try:
        return msgspec.json.decode(body)
    except RecursionError as deep:
        raise too_deep() from deep


def patiently(text: str, where: str = "body") -> Any:
    """What a text says, NaN and repeated names included; UnusableInput where it cannot be read at all."""
    try:
        return json.loads(text, object_pairs_hook=_object, parse_int=_whole, parse_constant=float)
    except RecursionError as deep:
        raise too_deep(where) from deep
    except ValueError as wrong:
        raise UnusableInput(where, f"is not JSON: {wrong}", "mend it there and send it again") from wrong


def names_in(body: bytes) -> int:
    """How many names stand in a body, counted by the quote and colon behind each.

    A text can only hold the two after a backslash, and so this counts too many rather than too few.
    """
    octets = np.frombuffer(body, dtype=np.uint8)
    count = 0
    for start in range(0, len(octets), _IN_CACHE):
        some = octets[start : start + _IN_CACHE + 1]
        count += int(np.count_nonzero((some[:-1] == _QUOTE) & (some[1:] == _COLON)))
    return count


def read(body: bytes) -> Any:
    """What a body says, by the strict reader where it can tell everything, else by the patient one."""
    try:
        said = strictly(body)
    except UNREADABLE:
        return patiently(encoding.text_of(body, "body"))
    if names_in(body) == _names(said):
        return said
    return patiently(encoding.text_of(body, "body"))


def batch(body: bytes, name: str) -> Any:
    """What stands under the one name that a batch has."""
    said = read(body)
    if not isinstance(said, dict) or isinstance(said, Twice) or set(said) != {name}:
        raise UnusableInput(
            "body", "is no batch of samples", 'send {"samples": [{...}, ...]} or {"columns": {"time": [...], ...}}'
        )
    return said[name]


def within(count: int, most: int) -> None:
    """Refuse a batch of more samples than are taken at once."""
    if count > most:
        raise TooLarge("body", f"holds {count} samples, more than {most}", "send smaller batches")


def too_deep(where: str = "body") -> UnusableInput:
    """The refusal of JSON that is nested more deeply than any sample is."""
    return UnusableInput(where, "is nested too deeply", "a batch is an object with a list of flat samples")


def _names(said: Any) -> int:
    """How many names the objects of a batch have, as far down as samples go."""
    if not isinstance(said, dict):
        return 0
    return len(said) + sum(map(_names_below, said.values()))


def _names_below(value: Any) -> int:
    if isinstance(value, list):
        return sum(len(item) for item in value if type(item) is dict)
    return len(value) if isinstance(value, dict) else 0


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    said = dict(pairs)
    if len(said) == len(pairs):
        return said
    twice = Twice(said)
    twice.name = columns.first_repeated(name for name, _ in pairs) or ""
    return twice


def _whole(digits: str) -> int | float:
    return int(digits) if len(digits) <= _MOST_DIGITS else math.inf
