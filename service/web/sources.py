"""Sources: how each device reports, whether it is silent, and what it cannot tell."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends

from service.storage import database, inventory, sources
from service.storage.inventory import Device
from service.storage.sources import Told
from service.web import inventory_models
from service.web.access import VIEW, Caller, needs
from service.web.parameters import KNOWN_ONLY, USUAL_A_PAGE, Cursor, Limit
from service.web.services import Served
from service.webhooks.fields import instant

NOT_TOLD = {
    "packets": "packets: what frames add on the wire is not known, utilisation is as counted",
    "discards": "discards: whether traffic is lost cannot be said",
    "errors": "errors: a broken link looks like any other",
    "speed": "the speed of some ports: their utilisation is unknown",
    "uptime": "its uptime: a restart may pass for a reset of counters",
    "status": "whether ports are up: a member that is down may pass for an idle one",
    "wide": "64-bit counters: 32 bits wrap within seconds on fast ports",
    "frames": "whole frames: its octets leave out a part of each",
}
NOTHING = "anything: no sample has come from it lately"

router = APIRouter(prefix="/v1/sources", tags=["sources"], dependencies=[KNOWN_ONLY])


@router.get("", summary="List sources", response_model=inventory_models.Sources)
def listing(
    services: Served,
    _caller: Annotated[Caller, Depends(needs(VIEW))],
    limit: Limit = USUAL_A_PAGE,
    cursor: Cursor = None,
) -> dict[str, Any]:
    """Sources by the name of their device."""
    with database.reading(services.engine) as connection:
        page = inventory.devices(connection, cursor=cursor, limit=limit)
        told = sources.told(connection, page.items)
    return {"items": [_source(device, told.get(device.id)) for device in page.items], "next": page.cursor}


def _source(device: Device, told: Told | None) -> dict[str, Any]:
    return {
        "device_id": device.id,
        "device": device.name,
        "feed": device.feed,
        "last_sample_at": instant(device.last_sample_ms),
        "last_received_at": instant(device.last_received_ms),
        "lateness_seconds": _lateness_s(device),
        "interval_seconds": _seconds(device.interval_ms),
        "refresh_seconds": _seconds(device.refresh_ms),
        "clock_offset_seconds": _seconds(device.clock_offset_ms),
        "silent_since_at": instant(device.silent_since_ms),
        "cannot_tell": [NOTHING]
        if told is None
        else [NOT_TOLD[word] for word, tells in told._asdict().items() if not tells],
    }


def _lateness_s(device: Device) -> float | None:
    if device.last_received_ms is None or device.last_sample_ms is None:
        return None
    return (device.last_received_ms - device.last_sample_ms) / 1000


def _seconds(ms: int | None) -> float | None:
    return None if ms is None else ms / 1000
