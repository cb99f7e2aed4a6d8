"""Devices, and what there is to say about their data."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query

from service.storage import database, events, inventory, sources
from service.storage.inventory import Device
from service.web import inventory_models
from service.web.access import VIEW, Caller, needs
from service.web.parameters import KNOWN_ONLY, USUAL_A_PAGE, Cursor, Id, Instant, Limit, milliseconds
from service.web.services import Served
from service.webhooks.fields import instant

router = APIRouter(prefix="/v1/devices", tags=["devices"], dependencies=[KNOWN_ONLY])
Viewer = Annotated[Caller, Depends(needs(VIEW))]


@router.get("", summary="List devices", response_model=inventory_models.Devices)
def listing(services: Served, _caller: Viewer, limit: Limit = USUAL_A_PAGE, cursor: Cursor = None) -> dict[str, Any]:
    """Devices by name."""
    with database.reading(services.engine) as connection:
        page = inventory.devices(connection, cursor=cursor, limit=limit)
    return {"items": [_told(device) for device in page.items], "next": page.cursor}


@router.get("/{device_id}", summary="One device", response_model=inventory_models.Device)
def one(services: Served, _caller: Viewer, device_id: Id) -> dict[str, Any]:
    """One device."""
    with database.reading(services.engine) as connection:
        return _told(sources.device(connection, device_id))


@router.get("/{device_id}/events", summary="Events of a device's data", response_model=inventory_models.Events)
def happened(  # noqa: PLR0913, PLR0917  # each parameter by its name
    services: Served,
    _caller: Viewer,
    device_id: Id,
    kind: Annotated[str | None, Query(max_length=32)] = None,
    since: Instant = None,
    limit: Limit = USUAL_A_PAGE,
    cursor: Cursor = None,
) -> dict[str, Any]:
    """What is worth knowing about its data: restarts, clocks, doubtful speeds, silence; the newest first."""
    since_ms = milliseconds("since", since)
    with database.reading(services.engine) as connection:
        name = sources.device(connection, device_id).name
        page = events.listing(connection, device=name, kind=kind, since_ms=since_ms, cursor=cursor, limit=limit)
    return {"items": [_event(kept) for kept in page.items], "next": page.cursor}


def _told(device: Device) -> dict[str, Any]:
    return {
        "id": device.id,
        "device": device.name,
        "feed": device.feed,
        "teams": device.teams,
        "ports": device.ports,
        "created_at": instant(device.created_ms),
        "last_sample_at": instant(device.last_sample_ms),
        "last_received_at": instant(device.last_received_ms),
        "silent_since_at": instant(device.silent_since_ms),
    }


def _event(kept: events.Kept) -> dict[str, Any]:
    event = kept.event
    return {
        "device": event.device,
        "port": event.port or None,
        "at": instant(event.at_ms),
        "kind": event.kind,
        "text": event.text,
    }
