"""What a device says of its ports and teams, in words for people and as JSON for programs."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from service.terms import OPER_WORDS, ROLE_WORDS, Discovered, DiscoveredPort, LacpState

_HEADER = ("team", "port", "index", "role", "status", "speed", "partner", "description")


def lines(found: Discovered) -> Iterator[str]:
    """Teams with their members first, then what else there is, then what deviates from the standards."""
    members = sorted((port for port in found.ports if port.team), key=lambda port: (port.team, port.if_index))
    aggregates = [port for port in found.ports if port.aggregate_of]
    others = len(found.ports) - len(members) - len(aggregates)
    teams = {port.team for port in members}
    yield f"{found.device}: {len(teams)} teams of {len(members)} members; {others} other ports"
    if members:
        yield from _table([_HEADER, *(_cells(port) for port in members)])
    for team, bundle in found.bundles:
        yield f"team {team}: {_BUNDLES.get(bundle, bundle)}"
    yield from (f"note: {note}" for note in found.notes)


_BUNDLES = {"lacp": "negotiated by LACP", "static": "static: no partner is heard", "none": "no bundle at the far end"}


def as_json(found: Discovered) -> str:
    """Everything that was found, as one object."""
    told = {
        "device": found.device,
        "ports": [_fields(port) for port in found.ports],
        "bundles": dict(found.bundles),
        "methods": dict(found.methods),
        "notes": list(found.notes),
    }
    return json.dumps(told, indent=2, ensure_ascii=False)


def _table(rows: list[tuple[str, ...]]) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _cells(port: DiscoveredPort) -> tuple[str, ...]:
    return (
        port.team,
        port.port,
        str(port.if_index),
        ROLE_WORDS[port.role],
        OPER_WORDS[port.oper],
        f"{port.speed_bps / 1e9:g} Gbit/s" if port.speed_bps else "unknown",
        _address(port.state.partner_system),
        port.alias or (port.description if port.description != port.port else ""),
    )


def _fields(port: DiscoveredPort) -> dict[str, Any]:
    return {
        "port": port.port,
        "if_index": port.if_index,
        "team": port.team,
        "role": ROLE_WORDS[port.role],
        "aggregate_of": port.aggregate_of,
        "mac": _address(port.mac),
        "speed_bps": port.speed_bps or None,
        "mtu": port.mtu or None,
        "oper_status": OPER_WORDS[port.oper],
        "alias": port.alias,
        "description": port.description,
        "said_by": port.said_by,
        "actor_state": _states(port.state.actor),
        "partner_state": _states(port.state.partner),
        "partner_system": _address(port.state.partner_system),
        "partner_key": port.state.partner_key,
        "partner_port": port.state.partner_port,
    }


def _states(state: int | None) -> list[str] | None:
    return None if state is None else [str(one.name).lower() for one in LacpState(state)]


def _address(number: int) -> str:
    return ":".join(f"{octet:02x}" for octet in number.to_bytes(6, "big")) if number else ""
