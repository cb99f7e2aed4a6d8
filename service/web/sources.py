"""Sources: how each device reports, whether it is heard, how it is polled, and what it cannot tell."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Path, Query
from sqlalchemy import Connection

from service.errors import NotFound
from service.evaluation.listening import Standing, State, standings
from service.storage import cursors, database, sources
from service.storage.agents import Polling
from service.storage.listening import Pulse
from service.storage.sources import LATEST_WITHIN_MS, Told
from service.web import inventory_models
from service.web.access import VIEW, Caller, needs
from service.web.parameters import KNOWN_ONLY, USUAL_A_PAGE, Cursor, Limit
from service.web.services import Served, Services
from service.webhooks.fields import instant

CAN_TELL = {
    "packets": "packets",
    "discards": "discards",
    "errors": "errors",
    "speed": "the speed of its ports",
    "uptime": "its uptime",
    "status": "whether ports are up",
    "wide": "64-bit counters",
    "frames": "whole frames",
}
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

Viewer = Annotated[Caller, Depends(needs(VIEW))]
Name = Annotated[str, Path(min_length=1, max_length=255, description="The name of the device")]
StateWord = Annotated[
    Literal["heard", "silent", "never", "ended"] | None, Query(description="Only sources in this state")
]
Known = tuple[Pulse, Standing]

router = APIRouter(prefix="/v1/sources", tags=["sources"], dependencies=[KNOWN_ONLY])


@router.get("", summary="List sources", response_model=inventory_models.Sources)
def listing(
    services: Served,
    _caller: Viewer,
    state: StateWord = None,
    limit: Limit = USUAL_A_PAGE,
    cursor: Cursor = None,
) -> dict[str, Any]:
    """Sources by the name of their device; those that are polled but were never heard as well."""
    after = str(cursors.read(cursor, str)[0]) if cursor is not None else ""
    with database.reading(services.engine) as connection:
        known = standings(connection, services.policy.waits_ms, services.now_ms())
        known = [one for one in known if one[0].device > after and state in (None, one[1].state)]
        known.sort(key=lambda one: one[0].device)
        page = cursors.page(known[: limit + 1], limit, [(pulse.device,) for pulse, _ in known[: limit + 1]])
        return {"items": _sources(connection, page.items, services), "next": page.cursor}


@router.get("/{device:path}", summary="One source", response_model=inventory_models.Source)
def one(services: Served, _caller: Viewer, device: Name) -> dict[str, Any]:
    """One source by the name of its device: one that was never heard has no id."""
    with database.reading(services.engine) as connection:
        known = standings(connection, services.policy.waits_ms, services.now_ms())
        found = [one for one in known if one[0].device == device]
        if not found:
            raise NotFound("source", device)
        return _sources(connection, found, services)[0]


def _sources(
    connection: Connection, known: list[Known] | tuple[Known, ...], services: Services
) -> list[dict[str, Any]]:
    ids = {pulse.device: pulse.device_id for pulse, _ in known if pulse.device_id is not None}
    newest = {
        p.device_id: p.last_sample_ms for p, _ in known if p.device_id is not None and p.last_sample_ms is not None
    }
    told = sources.told(connection, newest)
    polled = sources.polled(connection, [pulse.device for pulse, _ in known])
    since_ms = services.now_ms() - LATEST_WITHIN_MS
    doubted = sources.doubted(connection, ids, since_ms, services.policy.width_ms)
    return [
        _source(pulse, stands)
        | _telling(told.get(pulse.device_id or 0))
        | {"speed_doubts": doubted.get(pulse.device, []), "polling": _polling(polled.get(pulse.device))}
        for pulse, stands in known
    ]


def _source(pulse: Pulse, stands: Standing) -> dict[str, Any]:
    return {
        "device_id": pulse.device_id,
        "device": pulse.device,
        "feed": pulse.feed,
        "state": stands.state,
        "last_sample_at": instant(pulse.last_sample_ms),
        "last_received_at": instant(pulse.last_received_ms),
        "lateness_seconds": _lateness_s(pulse),
        "interval_seconds": _seconds(pulse.interval_ms),
        "refresh_seconds": _seconds(pulse.refresh_ms),
        "clock_offset_seconds": _seconds(pulse.clock_offset_ms),
        "silent_since_at": instant(stands.since_ms if stands.state is State.SILENT else None),
    }


def _telling(told: Told | None) -> dict[str, list[str]]:
    """What its latest samples tell, and what they do not."""
    if told is None:
        return {"can_tell": [], "cannot_tell": [NOTHING]}
    tells = told._asdict()
    return {
        "can_tell": [CAN_TELL[word] for word in tells if tells[word]],
        "cannot_tell": [NOT_TOLD[word] for word in tells if not tells[word]],
    }


def _polling(polled: Polling | None) -> dict[str, Any] | None:
    """How it is polled, where this service polls it; nothing of what it is asked with."""
    if polled is None:
        return None
    return {
        "address": polled.address,
        "protocol_version": polled.version,
        "clear_text": polled.clear_text,
        "interval_seconds": _seconds(polled.interval_ms),
        "stretched_seconds": _seconds(polled.stretched_ms if polled.stretched_ms > polled.interval_ms else None),
        "since_at": instant(polled.since_ms),
        "asked_at": instant(polled.asked_ms),
        "answered_at": instant(polled.answered_ms),
        "failures_in_a_row": polled.failures,
        "next_at": instant(polled.next_ms),
        "took_seconds": _seconds(polled.took_ms),
        "skew_seconds": _seconds(polled.skew_ms),
        "polls": polled.polls,
        "polls_lost": polled.lost,
        "trouble": polled.trouble or None,
        "notes": list(polled.notes),
    }


def _lateness_s(pulse: Pulse) -> float | None:
    if pulse.last_received_ms is None or pulse.last_sample_ms is None:
        return None
    return (pulse.last_received_ms - pulse.last_sample_ms) / 1000


def _seconds(ms: int | None) -> float | None:
    return None if ms is None else ms / 1000
