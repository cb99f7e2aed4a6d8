"""What somebody states about items, as in "night-copy=8": into how many parallel conversations each can be split."""

from __future__ import annotations

from collections.abc import Iterable

from service.errors import WrongQuestion
from service.rules.advice.dealt import MOST_STREAMS

MOST_DIGITS = 4


def streams_of(texts: Iterable[str]) -> dict[str, int]:
    """Counts of alike conversations by item; WrongQuestion where one is not written as NAME=COUNT.

    Examples
    --------
    >>> streams_of(["night-copy=8", "scan-index=6"])
    {'night-copy': 8, 'scan-index': 6}
    """
    return dict(_stream(text) for text in texts)


def _stream(text: str) -> tuple[str, int]:
    name, _, count = text.rpartition("=")
    number = int(count) if count.isascii() and count.isdigit() and len(count) <= MOST_DIGITS else 0
    if not (name and 1 <= number <= MOST_STREAMS):
        raise WrongQuestion("streams", f"{text[:60]!r} is not NAME=COUNT, as night-copy=8, with 1 to {MOST_STREAMS}")
    return name, number
