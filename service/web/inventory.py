"""The inventory: what people declared of each port, what its device says, what is believed, and where they disagree."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query
from sqlalchemy import Connection

from service.evaluation import standing
from service.evaluation.standing import Standing
from service.storage import agreements, database
from service.storage.agreements import Agreement
from service.terms import DIRECTIONS, ROLE_WORDS, Claim
from service.web import port_models
from service.web.access import VIEW, Caller, needs
from service.web.parameters import KNOWN_ONLY, USUAL_A_PAGE, Cursor, Limit
from service.web.services import Served

router = APIRouter(prefix="/v1/inventory", tags=["inventory"], dependencies=[KNOWN_ONLY])


@router.get("", summary="List ports", response_model=port_models.Inventory)
def listing(
    services: Served,
    _caller: Annotated[Caller, Depends(needs(VIEW))],
    conflict: Annotated[bool | None, Query(description="Only ports about which people and devices disagree")] = None,
    limit: Limit = USUAL_A_PAGE,
    cursor: Cursor = None,
) -> dict[str, Any]:
    """Every port that is declared, discovered or heard, by device and port."""
    with database.reading(services.engine) as connection:
        page = standing.page(connection, services.now_ms(), conflict=conflict, cursor=cursor, limit=limit)
        items = told(connection, page.items)
    return {"items": items, "next": page.cursor}


def told(connection: Connection, standings: Sequence[Standing]) -> list[dict[str, Any]]:
    """Ports as they are shown."""
    compared: dict[tuple[str, str], list[Agreement]] = {}
    devices = {one.believed.device for one in standings}
    for row in agreements.of_devices(connection, devices, agreements.CABLE):
        compared.setdefault((row.device, row.name), []).append(row)
    return [_told(one, compared.get((one.believed.device, one.believed.port), [])) for one in standings]


def agreement(row: Agreement) -> dict[str, Any]:
    """A comparison as it is shown."""
    same = ("what", "name", "against", "here_bps", "there_bps", "difference", "agrees")
    return {name: getattr(row, name) for name in same} | {"direction": DIRECTIONS[row.direction]}


def _told(one: Standing, compared: Sequence[Agreement]) -> dict[str, Any]:
    believed = one.believed
    return {
        "device": believed.device,
        "port": believed.port,
        "declared": _declared(believed.declared),
        "discovered": _discovered(believed.discovered),
        "believed": {"team": believed.team, "role": ROLE_WORDS[believed.role]},
        "conflict": believed.conflict or None,
        "heard": one.heard,
        "missing": one.missing,
        "unknown": one.unknown,
        "agreements": [agreement(row) for row in compared],
    }


def _declared(claim: Claim | None) -> dict[str, Any] | None:
    if claim is None:
        return None
    same = ("team", "override", "far_device", "far_port", "owner", "site", "source")
    return {name: getattr(claim, name) for name in same} | {"role": ROLE_WORDS[claim.role]}


def _discovered(claim: Claim | None) -> dict[str, Any] | None:
    if claim is None:
        return None
    same = ("team", "aggregate_of", "alias", "source")
    return {name: getattr(claim, name) for name in same} | {"role": ROLE_WORDS[claim.role]}
