"""What stands in a query: only what the route knows, and instants as RFC 3339."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import Depends, Path, Query, Request
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute

from service.errors import UnknownParameter, WrongQuestion

MOST_A_PAGE = 500
USUAL_A_PAGE = 100
MOST_ID = 2**31 - 1

_RFC3339 = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt](\d\d:\d\d):([0-5]\d|60)(?:\.(\d+))?(?:[Zz]|([+-])([01]\d|2[0-3]):([0-5]\d))", re.ASCII
)
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001  # times of day are counted first, their zone is added after
_DATE_TIME = {"format": "date-time"}

Instant = Annotated[str | None, Query(json_schema_extra=_DATE_TIME, description="RFC 3339, with its zone")]
InstantInPath = Annotated[str, Path(json_schema_extra=_DATE_TIME, description="RFC 3339, with its zone")]
Limit = Annotated[int, Query(ge=1, le=MOST_A_PAGE, description="How many at most on this page")]
Cursor = Annotated[
    str | None,
    Query(min_length=1, max_length=2048, description="What the page before gave as `next`; leave it out to begin"),
]
Id = Annotated[int, Path(ge=1, le=MOST_ID)]


def milliseconds(name: str, text: str | None) -> int | None:
    """The instant that a parameter gives, None where it is left out."""
    if text is None:
        return None
    told = _RFC3339.fullmatch(text)
    try:
        # A leap second counts as the second after it.
        minute = datetime.fromisoformat(f"{told[1]}T{told[2]}") if told else None
    except ValueError:
        minute = None
    if told is None or minute is None:
        raise WrongQuestion(name, "is no instant; write it like 2026-11-25T10:00:00Z")
    fraction_ms = int((told[4] or "0")[:3].ljust(3, "0"))
    ahead = (int(told[6] or 0) * 60 + int(told[7] or 0)) * (-1 if told[5] == "-" else 1)
    since = minute - _EPOCH - timedelta(minutes=ahead)
    return (since // timedelta(seconds=1) + int(told[3])) * 1000 + fraction_ms


async def only_known(request: Request) -> None:
    """Refuse a query parameter that the route does not know: a filter misspelt must not pass for no filter."""
    route = request.scope.get("route")
    if isinstance(route, APIRoute):
        allowed = names_of(route)
        for name in request.query_params:
            if name not in allowed:
                raise UnknownParameter(name[:60], allowed)


KNOWN_ONLY = Depends(only_known)


def names_of(route: APIRoute) -> tuple[str, ...]:
    """The query parameters of a route and of what it depends on, by name."""
    return tuple(sorted(_names(route.dependant)))


def _names(part: Dependant) -> set[str]:
    own = {parameter.alias for parameter in part.query_params}
    return own.union(*(_names(below) for below in part.dependencies))
