"""How each port stands: what people declared of it, what its device says, what is believed, and whether it is heard."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import Connection

from service.rules.reconcile import reconciled
from service.storage import claims, cursors, heard
from service.storage.claims import Place
from service.storage.heard import Heard
from service.terms import DISCOVERED, Claim, Reconciled

# Who has not been heard for longer is not there, as far as anybody can tell.
LATELY_MS = 3_600_000
SAMPLES = "samples"  # where a device's word was read that was not asked for its teams
AT_ONCE = 1000


class Standing(NamedTuple):
    """A port as it stands.

    `heard` says whether its device has sent samples lately. A port is `missing` that is declared
    and that nobody has heard or seen lately, and `unknown` that sends or is discovered in a team
    though nobody declared it; without an inventory nothing is unknown.
    """

    believed: Reconciled
    heard: bool
    missing: bool
    unknown: bool


def page(
    connection: Connection, now_ms: int, *, conflict: bool | None = None, cursor: str | None = None, limit: int = 100
) -> cursors.Page[Standing]:
    """Ports by device and port; only those with a conflict, or without, where that is asked."""
    found: list[Standing] = []
    at_once = limit + 1 if conflict is None else AT_ONCE
    after = _place(cursor)
    while len(found) <= limit:
        asked = claims.places(connection, after=after, limit=at_once, disputable=conflict is True)
        every = of(connection, asked, now_ms)
        found += [one for one in every if conflict is None or bool(one.believed.conflict) is conflict]
        if len(asked) < at_once:
            break
        after = asked[-1]
    return cursors.page(found, limit, [(one.believed.device, one.believed.port) for one in found])


def of(connection: Connection, places: Sequence[Place], now_ms: int) -> list[Standing]:
    """How these ports stand, in their order."""
    around = _Around.of(connection, {device for device, _ in places}, now_ms)
    return [_standing(place, around) for place in places]


class _Around(NamedTuple):
    """What is known of some devices: claims and latest samples by port, and what has been seen or heard lately."""

    said: dict[Place, list[Claim]]
    sent: dict[Place, Heard]
    discovered: set[Place]
    talking: set[str]
    has_inventory: bool

    @classmethod
    def of(cls, connection: Connection, devices: set[str], now_ms: int) -> _Around:
        since_ms = now_ms - LATELY_MS
        said: dict[Place, list[Claim]] = {}
        for claim in claims.of_devices(connection, devices):
            said.setdefault((claim.device, claim.port), []).append(claim)
        sent = heard.latest(connection, devices, since_ms, now_ms)
        seen = claims.seen(connection, devices)
        return cls(
            said,
            sent,
            {(device, port) for (device, port, by), at in seen.items() if by == DISCOVERED and at >= since_ms},
            {device for (device, _), one in sent.items() if one.device_ms >= since_ms},
            claims.is_declared(connection),
        )


def _standing(place: Place, around: _Around) -> Standing:
    sent = around.sent.get(place)
    sends = sent is not None and sent.at_ms != heard.NEVER
    believed = _believed(place, around.said.get(place, []), sent if sends else None)
    is_here = sends or place in around.discovered
    is_interface = believed.discovered is not None and bool(believed.discovered.aggregate_of)
    is_news = sends or (place in around.discovered and bool(believed.team))
    return Standing(
        believed,
        heard=place[0] in around.talking,
        missing=believed.declared is not None and not is_here,
        unknown=around.has_inventory and believed.declared is None and is_news and not is_interface,
    )


def _believed(place: Place, said: Sequence[Claim], sent: Heard | None) -> Reconciled:
    """What is believed of a port; samples speak for a device that nobody asked for its teams."""
    if sent is not None and not any(claim.said_by == DISCOVERED for claim in said):
        said = [*said, Claim(*place, DISCOVERED, sent.team, sent.role, source=SAMPLES)]
    return reconciled(said)[0] if said else Reconciled(*place)


def _place(cursor: str | None) -> Place | None:
    if cursor is None:
        return None
    device, port = cursors.read(cursor, str, str)
    return str(device), str(port)
