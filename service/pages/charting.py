"""A team over time as pages show it: a drawing for each direction, and beside it a table of the same numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated
from urllib.parse import urlencode

from fastapi import Depends, Query, Response
from markupsafe import Markup
from sqlalchemy import Connection

from service.charts import drawing
from service.errors import NotFound
from service.pages import chart_rows, charted_figures, routing
from service.pages.chart_plots import plot
from service.pages.charted_figures import Figures
from service.pages.rendering import POLICY
from service.pages.viewers import Watching
from service.storage import database, findings, inventory
from service.storage.inventory import Team
from service.storage.rollups import WIDTH_MS as ROLLUP_MS
from service.terms import DIRECTIONS, Span
from service.web.models import Direction
from service.web.parameters import Id, Instant, milliseconds
from service.web.services import Served, Services
from service.webhooks.fields import instant

HOUR_MS = 3_600_000
ROWS_A_PAGE = 240
# A permalink may not reach so far that its stretch begins before the year 1 or ends after 9999.
DATES_MS = (-62_135_510_400_000 + 15 * 24 * HOUR_MS, 253_402_214_400_000)


class Zoom(StrEnum):
    """How much time a chart shows."""

    TWO_HOURS = "2h"
    DAY = "26h"
    FORTNIGHT = "14d"


HOURS = {Zoom.TWO_HOURS: 2, Zoom.DAY: 26, Zoom.FORTNIGHT: 14 * 24}
WORDS = {Zoom.TWO_HOURS: "2 hours", Zoom.DAY: "26 hours", Zoom.FORTNIGHT: "14 days"}


@dataclass(frozen=True)
class Look:
    """What a query asks to see: how much time, until when (None is now), which page of the table."""

    zoom: Zoom = Zoom.TWO_HOURS
    until_ms: int | None = None
    page: int = 1


def look(zoom: Zoom = Zoom.TWO_HOURS, until: Instant = None, page: Annotated[int, Query(ge=1, le=1000)] = 1) -> Look:
    """The look that a query names."""
    until_ms = milliseconds("until", until)
    if until_ms is not None:
        until_ms = min(DATES_MS[1], max(DATES_MS[0], until_ms))
    return Look(zoom, until_ms, page)


Looking = Annotated[Look, Depends(look)]


@dataclass(frozen=True)
class Link:
    """An address with its words; `here` where it leads to what is shown."""

    words: str
    address: str
    here: bool = False


@dataclass(frozen=True)
class Charted:
    """One direction of a team over a stretch."""

    direction: str
    title: str
    svg: Markup
    note: str
    names: tuple[str, ...]
    even_split_kept: bool
    working: tuple[str, ...]  # by member, to be followed by the beginning of a window
    rows: tuple[chart_rows.Row, ...]
    zooms: tuple[Link, ...]
    times: tuple[Link, ...]  # earlier, later, now, and the permalink
    pages: tuple[Link, ...]  # of the table
    csv: str
    standalone: str


def charted(  # noqa: PLR0913, PLR0917  # what is shown, and where its links lead
    connection: Connection,
    services: Services,
    team_id: int,
    directions: Sequence[str] = DIRECTIONS,
    zoom: Zoom = Zoom.TWO_HOURS,
    until_ms: int | None = None,
    *,
    page: int = 1,
    address: str = "",
) -> tuple[Charted, ...]:
    """A chart for each direction; links lead to `address` with zoom, until and page as its query."""
    team = inventory.team(connection, team_id)
    asked = Look(zoom, until_ms, page)
    found = figures(connection, services, team, asked)
    to = address or f"/teams/{team_id}"
    return tuple(_one(connection, services, team, found, (direction, asked, to)) for direction in directions)


def figures(connection: Connection, services: Services, team: Team, asked: Look) -> Figures:
    """What was kept of a team over the time that is asked for."""
    until_ms = services.now_ms() if asked.until_ms is None else asked.until_ms
    rolled_up = asked.zoom is Zoom.FORTNIGHT
    width_ms = ROLLUP_MS if rolled_up else services.policy.width_ms
    count = HOURS[asked.zoom] * HOUR_MS // width_ms
    span = Span(until_ms // width_ms * width_ms - count * width_ms, count, width_ms)
    read = charted_figures.of_rollups if rolled_up else charted_figures.of_windows
    return read(connection, team, services.policy, span)


def _one(
    connection: Connection, services: Services, team: Team, found: Figures, asked: tuple[str, Look, str]
) -> Charted:
    direction, wanted, address = asked
    way = DIRECTIONS.index(direction)
    drawn = plot(connection, services.policy, team, found, way)
    until = {"until": instant(wanted.until_ms)} if wanted.until_ms is not None else {}
    export = {"team_id": team.id, "direction": direction, "from": instant(found.span.first_ms)}
    export["to"] = instant(found.span.end_ms)
    alone = {"direction": direction, "zoom": wanted.zoom.value, "until": instant(found.span.end_ms)}
    return Charted(
        direction=direction,
        title=drawn.title,
        svg=Markup(drawing.both(drawn)),  # noqa: S704  # our own drawing, which escapes foreign text
        note=_note(found, drawing.together(drawn)),
        names=found.names,
        even_split_kept=not found.rolled_up,
        working=tuple(_working(team.id, name, direction) for name in found.names),
        rows=chart_rows.rows(found, way, wanted.page, ROWS_A_PAGE),
        zooms=_zooms(wanted, address, until),
        times=_times(wanted, address, found.span),
        pages=_pages(wanted, address, found.span, until),
        csv=f"/v1/exports/{'rollups' if found.rolled_up else 'windows'}?{urlencode(export)}",
        standalone=f"/teams/{team.id}/chart.svg?{urlencode(alone)}",
    )


def _working(team_id: int, port: str, direction: str) -> str:
    return f"/teams/{team_id}/working?{urlencode({'port': port, 'direction': direction, 'start': ''})}"


def _note(found: Figures, together: int) -> str:
    parts = []
    if found.rolled_up:
        parts.append(
            "Each row is the mean of five minutes; the table also has the busiest window. There is no even split, for"
            " such a row knows neither the speeds nor which members could be used."
        )
    if together > 1:
        what = "five-minute rows" if found.rolled_up else "windows"
        parts.append(f"The drawing shows the least and the most of every {together} {what}; the table has each.")
    return " ".join(parts)


def _zooms(wanted: Look, address: str, until: dict[str, str | None]) -> tuple[Link, ...]:
    return tuple(
        Link(WORDS[zoom], f"{address}?{urlencode({'zoom': zoom.value, **until})}", zoom is wanted.zoom) for zoom in Zoom
    )


def _times(wanted: Look, address: str, span: Span) -> tuple[Link, ...]:
    length_ms = span.end_ms - span.first_ms
    found = [("Earlier", span.first_ms)]
    if wanted.until_ms is not None:
        found.append(("Later", span.end_ms + length_ms))
    links = [Link(words, _until(wanted, address, at_ms)) for words, at_ms in found if DATES_MS[0] < at_ms < DATES_MS[1]]
    if wanted.until_ms is not None:
        links.append(Link("Until now", f"{address}?{urlencode({'zoom': wanted.zoom.value})}"))
    return (*links, Link("Address of this stretch", _until(wanted, address, span.end_ms)))


def _until(wanted: Look, address: str, at_ms: int) -> str:
    return f"{address}?{urlencode({'zoom': wanted.zoom.value, 'until': instant(at_ms)})}"


def _pages(wanted: Look, address: str, span: Span, until: dict[str, str | None]) -> tuple[Link, ...]:
    last = -(-span.count // ROWS_A_PAGE)
    beside = (("Newer rows", wanted.page - 1), ("Older rows", wanted.page + 1))
    return tuple(
        Link(words, f"{address}?{urlencode({'zoom': wanted.zoom.value, **until, 'page': number})}")
        for words, number in beside
        if 1 <= number <= last
    )


router = routing.router()


@router.get("/teams/{team_id}/chart.svg")
def alone(
    services: Served, _viewer: Watching, team_id: Id, asked: Looking, direction: Direction = "egress"
) -> Response:
    """The chart alone, with its own colours, for a message or a report."""
    with database.reading(services.engine) as connection:
        return drawn_alone(connection, services, team_id, direction, asked)


@router.get("/findings/{finding_id}/chart.svg")
def of_finding(services: Served, _viewer: Watching, finding_id: str) -> Response:
    """The team of a finding in its direction, until an hour after it was raised: what a message leads to."""
    with database.reading(services.engine) as connection:
        kept = findings.one(connection, finding_id)
        if kept.finding.teams:
            raise NotFound("chart of finding", finding_id)
        asked = Look(until_ms=min(services.now_ms(), kept.finding.raised_ms + HOUR_MS))
        return drawn_alone(connection, services, kept.team_id, kept.finding.direction, asked)


def drawn_alone(connection: Connection, services: Services, team_id: int, direction: str, asked: Look) -> Response:
    """One direction of a team as an answer of its own."""
    team = inventory.team(connection, team_id)
    found = figures(connection, services, team, asked)
    drawn = plot(connection, services.policy, team, found, DIRECTIONS.index(direction))
    headers = {"cache-control": "private, no-cache", "content-security-policy": POLICY}
    return Response(drawing.svg(drawn, alone=True), media_type="image/svg+xml", headers=headers)
