"""Opaque cursors: where a list goes on, in a form that nobody is tempted to take apart."""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from service.errors import WrongQuestion

Item = TypeVar("Item")


@dataclass(frozen=True)
class Page(Generic[Item]):
    """Some items of a list, and the cursor that asks for the next ones; None at the end."""

    items: tuple[Item, ...]
    cursor: str | None


def written(place: Sequence[int | str]) -> str:
    """The cursor of a place in a list."""
    return base64.urlsafe_b64encode(json.dumps(place, separators=(",", ":")).encode()).decode().rstrip("=")


def read(cursor: str, *types: type) -> list[int | str]:
    """The place a cursor stands for; refused where nobody here wrote it."""
    try:
        padded = cursor + "=" * (-len(cursor) % 4)
        place = json.loads(base64.b64decode(padded.encode("ascii"), altchars=b"-_", validate=True))
    except (ValueError, binascii.Error, RecursionError) as wrong:
        raise WrongQuestion("cursor", "is not one this service gave out; start again without it") from wrong
    if not isinstance(place, list) or [type(part) for part in place] != list(types) or not _in_range(place):
        raise WrongQuestion("cursor", "is of another list; start again without it")
    return place


def page(items: Sequence[Item], limit: int, places: Sequence[Sequence[int | str]]) -> Page[Item]:
    """A page from one item more than was asked for, which tells whether there is a next one."""
    more = len(items) > limit
    return Page(tuple(items[:limit]), written(places[limit - 1]) if more else None)


def _in_range(place: list[int | str]) -> bool:
    return all(isinstance(part, str) or -(2**63) <= part < 2**63 for part in place) and "\0" not in "".join(
        map(str, place)
    )
