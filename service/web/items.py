"""Items: virtual ports and conversations, pushed and shown; and the exporters that tell of them."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request

from service.feeds import items as item_feed
from service.records import compared, pushed
from service.records.compared import OnMember
from service.storage import database, exporters, inventory
from service.terms import DIRECTIONS, Item, PortName
from service.web import item_forms, item_models, models
from service.web.access import FEED, VIEW, Caller, needs
from service.web.parameters import KNOWN_ONLY, Id, Instant, milliseconds
from service.web.samples import room
from service.web.services import Served
from service.webhooks.fields import instant

HOUR_MS = 3_600_000
MOST_MS = 24 * HOUR_MS
EARLIEST_MS = 0  # no item is older

router = APIRouter(prefix="/v1", tags=["items"], dependencies=[KNOWN_ONLY])
Viewer = Annotated[Caller, Depends(needs(VIEW))]


async def _octets(request: Request) -> bytes:
    return await request.body()


@router.post("/items", summary="Push items", openapi_extra={"requestBody": item_forms.request_body()})
def take(
    request: Request,
    services: Served,
    _caller: Annotated[Caller, Depends(needs(FEED))],
    octets: Annotated[bytes, Depends(_octets)],
) -> models.Taken:
    """Take virtual ports and conversations on members: what was accepted, what was known, what was rejected and why.

    One bad item does not refuse the batch, and sending the same batch again changes nothing. Conversations reveal who
    talks to whom: send them only where that is agreed.
    """
    with room(services):
        form, packing = request.headers.get("content-type", ""), request.headers.get("content-encoding", "")
        told = item_feed.parse(octets, form, packing, services.limits)
        taken = pushed.keep(services.engine, told, services.now_ms(), services.limits)
    rejected = [
        models.Rejected(index=one.index, column=one.column or None, value=one.value or None, reason=one.reason)
        for one in taken.rejected
    ]
    return models.Taken(accepted=taken.accepted, duplicates=taken.duplicates, rejected=rejected)


@router.get("/teams/{team_id}/items", summary="Items of a team", response_model=item_models.TeamItems)
def of_team(
    services: Served,
    _caller: Viewer,
    team_id: Id,
    from_: Annotated[Instant, Query(alias="from")] = None,
    to: Instant = None,
    direction: models.Direction = "egress",
) -> dict[str, Any]:
    """Virtual ports and conversations by member over `from` and `to`, half-open, and their sums beside the members'.

    The last hour where nothing is said, at most the last day of what is asked for: `from_at` says which.
    """
    from_ms, to_ms = _stretch(from_, to, services.now_ms())
    with database.reading(services.engine) as connection:
        team = inventory.team(connection, team_id)
        names = [PortName(team.device, port, "") for port in team.members]
        ids = inventory.resolve(connection, names, feed="push", now_ms=services.now_ms(), register=False)
        way, width_ms = DIRECTIONS.index(direction), services.policy.width_ms
        found = compared.compared(connection, team.members, ids, way, from_ms, to_ms, width_ms)
    return {
        "device": team.device,
        "team": team.name,
        "direction": direction,
        "from_at": instant(from_ms),
        "to_at": instant(to_ms),
        "told_seconds": found.seconds,
        "members": [_member(member) for member in found.members],
    }


@router.get("/exporters", summary="List exporters", response_model=item_models.Exporters)
def listing(services: Served, _caller: Viewer) -> dict[str, Any]:
    """Exporters of conversations, what came of each, and what was lost or could not be read."""
    with database.reading(services.engine) as connection:
        heard = exporters.listing(connection)
    return {
        "items": [
            one._asdict()
            | {"device": one.device or None, "heard_at": instant(one.heard_ms), "trouble": one.trouble or None}
            for one in heard
        ]
    }


def _stretch(from_: str | None, to: str | None, now_ms: int) -> tuple[int, int]:
    """At most the last day of what is asked for; nothing where it ends before it begins."""
    told_ms, begun_ms = milliseconds("to", to), milliseconds("from", from_)
    to_ms = max(EARLIEST_MS, now_ms if told_ms is None else told_ms)
    from_ms = to_ms - HOUR_MS if begun_ms is None else begun_ms
    return min(max(from_ms, to_ms - MOST_MS, EARLIEST_MS), to_ms), to_ms


def _member(member: OnMember) -> dict[str, Any]:
    rate = member.member_bps
    return member._asdict() | {
        "items": [_item(item) for item in member.items],
        "items_bps": round(member.items_bps),
        "member_bps": None if rate is None else round(rate),
    }


def _item(item: Item) -> dict[str, Any]:
    ends = {name: value or None for name, value in item.endpoints._asdict().items()} if any(item.endpoints) else None
    return {
        "kind": item.kind,
        "name": item.name or None,
        "bps": round(item.bps),
        "parts": item.parts,
        "endpoints": ends,
    }
