"""What one cell may hold, as text of a counter file or as a value of JSON, and how to mend what it may not."""

from __future__ import annotations

import math
import re
from typing import Any
from zoneinfo import ZoneInfo

from service.feeds import times
from service.feeds.columns import Column, Sort

MOST_NAME = 255
# Above this a float no longer tells two whole numbers apart.
MOST_EXACT = 2**53
_MAC = re.compile(r"[0-9A-Fa-f]{12}", re.ASCII)
_DIGITS = re.compile(r"\d+", re.ASCII)
_MOST_DIGITS = 100  # more are no number that anybody counted to, and Python refuses to read 4,300


class Wrong(ValueError):
    """A cell that cannot be taken: what is the matter with it and how to mend it."""


def of_text(column: Column, text: str | None, zone: ZoneInfo | None = None) -> int | float | str | None:
    """The value of a cell of a counter file; None where it is empty."""
    if not text:
        _refuse_absent(column)
        return None
    if column.sort is Sort.TIME:
        return _instant_of_text(text, zone)
    if column.sort is Sort.NUMBER:
        return _within(column, _whole_of_text(text))
    if column.sort is Sort.RATE:
        return _rate(_decimal_of_text(text))
    return _word(column, text)


def of_value(column: Column, value: Any, zone: ZoneInfo | None = None) -> int | float | str | None:
    """The value of a field of a JSON sample; None where it is null."""
    if value is None or value == "":
        _refuse_absent(column)
        return None
    if isinstance(value, bool | dict | list):
        raise Wrong("is neither a number nor a text")
    if column.sort is Sort.TIME:
        return _instant_of_value(value, zone)
    if column.sort in (Sort.NUMBER, Sort.RATE):
        return _number_of_value(column, value)
    if not isinstance(value, str):
        raise Wrong("is not a text; put it in quotes")
    return _word(column, value)


def are_names(words: list[str]) -> bool:
    """Whether all of many texts are names, or empty."""
    return all(map(str.isprintable, words)) and max(map(len, words), default=0) <= MOST_NAME and _are_bare(words)


def mac_number(text: str) -> int:
    """A hardware address as a 48-bit integer."""
    digits = text.replace(":", "").replace("-", "").replace(".", "")
    if not _MAC.fullmatch(digits):
        raise Wrong("is no hardware address; write six octets in hexadecimal, 02:00:5e:10:00:01")
    return int(digits, 16)


def _are_bare(words: list[str]) -> bool:
    return list(map(str.strip, words)) == words


def _refuse_absent(column: Column) -> None:
    if column.must:
        raise Wrong("is missing; every sample names its time, device and port")


def _instant_of_text(text: str, zone: ZoneInfo | None) -> int:
    try:
        return times.of_text(text, zone)
    except times.NoInstant as wrong:
        raise Wrong(str(wrong)) from wrong


def _instant_of_value(value: Any, zone: ZoneInfo | None) -> int:
    if isinstance(value, str):
        return _instant_of_text(value, zone)
    try:
        return times.of_seconds(float(value))
    except (times.NoInstant, OverflowError) as wrong:
        raise Wrong(f"is no instant; {times.REMEDY}" if isinstance(wrong, OverflowError) else str(wrong)) from wrong


def _whole_of_text(text: str) -> int:
    if _DIGITS.fullmatch(text) and len(text) <= _MOST_DIGITS:
        return int(text)
    if text.strip() != text:
        raise Wrong("has spaces around it; take them out")
    if _DIGITS.fullmatch(text.removeprefix("-")):
        raise Wrong("is negative or has too many digits; a counter is a whole number from 0 to 2^64-1")
    number = _decimal_or_none(text)
    if number is None or not math.isfinite(number):
        raise Wrong("is not a whole number; leave the cell empty where it is unknown")
    raise Wrong("has a fraction or an exponent; write the whole number in digits, for counters must be exact")


def _decimal_of_text(text: str) -> float:
    number = _decimal_or_none(text)
    if number is None:
        raise Wrong("is not a number; leave the cell empty where it is unknown")
    return number


def _decimal_or_none(text: str) -> float | None:
    try:
        return float(text) if text.isascii() and "_" not in text else None
    except ValueError:
        return None


def _number_of_value(column: Column, value: Any) -> int | float:
    if isinstance(value, str):
        raise Wrong("is a text; send the number without quotes, or null where it is unknown")
    if column.sort is Sort.RATE:
        return _rate(value)
    if isinstance(value, float):
        value = _whole_of_float(value)
    return _within(column, value)


def _whole_of_float(value: float) -> int:
    if not math.isfinite(value):
        raise Wrong("is not a number; send null where it is unknown")
    if not value.is_integer() or abs(value) > MOST_EXACT:
        raise Wrong("is not a whole number that a float holds exactly; send an integer in digits")
    return int(value)


def _rate(value: float) -> float:
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise Wrong("is not a finite number; leave it out where it is unknown")
    if number < 0:
        raise Wrong("is negative; a rate is 0 or more")
    if number > MOST_EXACT:
        raise Wrong("is a rate beyond any link; mind the unit")
    return number


def _within(column: Column, value: int) -> int:
    if column.choice and value not in column.choice:
        raise Wrong(f"must be one of {', '.join(map(str, column.choice))}")
    if value < column.least:
        raise Wrong(f"is less than {column.least}; write a whole number from {column.least} to {column.most}")
    if value > column.most:
        raise Wrong(f"is more than {column.most}; write a whole number from {column.least} to {column.most}")
    return value


def _word(column: Column, text: str) -> str:
    if column.sort is Sort.MAC:
        mac_number(text)
    elif column.sort is Sort.WORD:
        if text not in column.words:
            raise Wrong(f"must be one of {', '.join(column.words)}")
    elif text != text.strip():
        raise Wrong("has spaces around it; take them out, or the name means another port")
    elif not are_names([text]):
        raise Wrong(f"is no name; a name has 1 to {MOST_NAME} printable characters")
    return text
