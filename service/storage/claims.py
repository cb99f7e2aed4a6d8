"""What people declared of ports and what devices say of them: one claim of each kind a port, by names."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, delete, or_, select, text, tuple_, union

from service.storage import cursors, tables
from service.storage.dialects import among, given, inserting
from service.terms import DECLARED, DISCOVERED, BundleState, Claim, Role

_claims = tables.claims
_KEYS = ("device", "port", "said_by")
_STATE = ("actor", "partner", "partner_system", "partner_key", "partner_port")
_PLAIN = tuple(name for name in Claim.__dataclass_fields__ if name not in {"role", "state"})
Key = tuple[str, str, str]  # device, port, said_by
Place = tuple[str, str]  # device, port


@dataclass(frozen=True)
class Changed:
    """What a new discovery of a device changed: claims that are new, that are no more, and of another team or role."""

    added: tuple[Claim, ...] = ()
    gone: tuple[Claim, ...] = ()
    moved: tuple[Claim, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.added or self.gone or self.moved)


def keep(connection: Connection, claims: Sequence[Claim], now_ms: int) -> tuple[Claim, ...]:
    """Keep claims, each over the one before of its port and kind; those that are new or say something else now."""
    told = {_key(claim): claim for claim in claims}
    before = _stored(connection, {claim.device for claim in claims})
    changed = [claim for key, claim in told.items() if before.get(key) != claim]
    _write(connection, changed, now_ms)
    _see(connection, [claim for key, claim in told.items() if before.get(key) == claim], now_ms)
    return tuple(changed)


def replace_discovered(connection: Connection, device: str, claims: Sequence[Claim], now_ms: int) -> Changed:
    """Keep what a device says now in place of all that it said before."""
    before = {key: claim for key, claim in _stored(connection, {device}).items() if claim.said_by == DISCOVERED}
    now = {_key(claim) for claim in claims}
    gone = [claim for key, claim in before.items() if key not in now]
    forget(connection, device, [claim.port for claim in gone], DISCOVERED)
    changed = keep(connection, claims, now_ms)
    return Changed(
        added=tuple(claim for claim in changed if _key(claim) not in before),
        gone=tuple(gone),
        moved=tuple(claim for claim in changed if _seat(claim) != _seat(before.get(_key(claim), claim))),
    )


def forget(connection: Connection, device: str, ports: Sequence[str], said_by: str) -> None:
    """Keep no longer what was said of these ports of a device."""
    if ports:
        here = (_claims.c.device == device, _claims.c.said_by == said_by, among(connection, _claims.c.port, ports))
        connection.execute(delete(_claims).where(*here))


def of_devices(connection: Connection, devices: Iterable[str], said_by: str | None = None) -> list[Claim]:
    """What is said of the ports of these devices, by device and port."""
    query = _ordered().where(among(connection, _claims.c.device, sorted(set(devices))))
    return _read(connection, query if said_by is None else query.where(_claims.c.said_by == said_by))


def declared(connection: Connection) -> list[Claim]:
    """All that people declared."""
    return _read(connection, _ordered().where(_claims.c.said_by == DECLARED))


def overriding(connection: Connection, devices: Collection[str]) -> dict[Place, Claim]:
    """What people declared of ports of these devices to be believed against everybody else."""
    query = _ordered().where(_claims.c.said_by == DECLARED, _claims.c.override)
    found = _read(connection, query.where(among(connection, _claims.c.device, sorted(devices))))
    return {(claim.device, claim.port): claim for claim in found}


def roles(connection: Connection, devices: Collection[str]) -> list[tuple[str, str, str, int, bool]]:
    """What people declared of ports of these devices as to roles: device, port, team, role and whether it overrides."""
    query = select(*(_claims.c[name] for name in ("device", "port", "team", "role", "override")))
    query = query.where(_claims.c.said_by == DECLARED, _claims.c.role != int(Role.NOT_TOLD))
    found = connection.execute(query.where(among(connection, _claims.c.device, sorted(devices)))).all()
    return [(row[0], row[1], row[2], row[3], row[4]) for row in found]


def states(connection: Connection, devices: Collection[str]) -> dict[Place, BundleState]:
    """What devices say of their ports as members of bundles, by port, where they say anything."""
    query = select(_claims.c.device, _claims.c.port, *(_claims.c[name] for name in _STATE))
    query = query.where(_claims.c.said_by == DISCOVERED, _claims.c.actor.is_not(None) | _claims.c.partner.is_not(None))
    found = connection.execute(query.where(among(connection, _claims.c.device, sorted(devices)))).all()
    return {(row[0], row[1]): BundleState(*row[2:]) for row in found}


def far_ends(connection: Connection, devices: Collection[str] | None = None) -> dict[Place, Place]:
    """Who is at the other end of the cable, of ports of these devices or of all; people are heard before devices."""
    query = select(_claims.c.device, _claims.c.port, _claims.c.far_device, _claims.c.far_port)
    query = query.where(_claims.c.far_device != "").order_by(_claims.c.said_by.desc())
    if devices is not None:
        query = query.where(among(connection, _claims.c.device, sorted(devices)))
    return {(row[0], row[1]): (row[2], row[3]) for row in connection.execute(query).all()}


def interfaces(connection: Connection, devices: Collection[str] | None = None) -> dict[Place, str]:
    """The interfaces of whole teams, of these devices or of all, each with its team."""
    query = select(_claims.c.device, _claims.c.port, _claims.c.aggregate_of).where(_claims.c.aggregate_of != "")
    if devices is not None:
        query = query.where(among(connection, _claims.c.device, sorted(devices)))
    return {(row.device, row.port): row.aggregate_of for row in connection.execute(query)}


def all(  # noqa: A001  # read as `claims.all`
    connection: Connection, *, said_by: str | None = None, cursor: str | None = None, limit: int = 100
) -> cursors.Page[Claim]:
    """Claims by device, port and who says it, page by page."""
    query = _ordered().limit(limit + 1)
    if said_by is not None:
        query = query.where(_claims.c.said_by == said_by)
    if cursor is not None:
        query = query.where(tuple_(*(_claims.c[name] for name in _KEYS)) > tuple_(*cursors.read(cursor, str, str, str)))
    found = _read(connection, query)
    return cursors.page(found, limit, [_key(claim) for claim in found])


def places(
    connection: Connection, *, disputable: bool = False, after: Place | None = None, limit: int = 100
) -> list[Place]:
    """Every port that anybody speaks of or that has sent samples, by device and port.

    Or only those about which people and devices may disagree: declared ones of which the device
    says something else, or nothing, so that its samples have to be asked.
    """
    devices, ports = tables.devices, tables.ports
    claimed = select(_claims.c.device, _claims.c.port)
    if disputable:
        claimed = claimed.where(_claims.c.said_by == DECLARED, ~_agreed().exists())
    sent = select(devices.c.name, ports.c.name).join(devices, devices.c.id == ports.c.device_id)
    if after is not None:
        claimed = claimed.where(_beyond(_claims.c.device, _claims.c.port, after))
        sent = sent.where(_beyond(devices.c.name, ports.c.name, after))
    both = (claimed if disputable else union(claimed, sent)).subquery()
    # The database both sorts and compares, so that its own order of letters is the one that counts.
    query = select(both.c.device, both.c.port).order_by(both.c.device, both.c.port).limit(limit)
    return [(row.device, row.port) for row in connection.execute(query)]


def seen(connection: Connection, devices: Collection[str]) -> dict[Key, int]:
    """When each claim about ports of these devices was last made."""
    query = select(*(_claims.c[name] for name in _KEYS), _claims.c.seen_ms)
    rows = connection.execute(query.where(among(connection, _claims.c.device, sorted(devices))))
    return {(row.device, row.port, row.said_by): row.seen_ms for row in rows}


def is_declared(connection: Connection) -> bool:
    """Whether anybody declared anything."""
    return (
        connection.execute(select(_claims.c.device).where(_claims.c.said_by == DECLARED).limit(1)).first() is not None
    )


def sites_of(connection: Connection, teams: Collection[tuple[str, str]]) -> dict[tuple[str, str], set[str]]:
    """By (device, team), the sites that the inventory names of its ports; left out where it names none."""
    by_team: dict[tuple[str, str], set[str]] = {}
    devices = sorted({device for device, _ in teams})
    query = (
        select(_claims.c.device, _claims.c.team, _claims.c.site)
        .where(among(connection, _claims.c.device, devices), _claims.c.site != "")
        .distinct()
    )
    of_device: dict[str, set[str]] = {}
    for device, team, site in connection.execute(query):
        by_team.setdefault((device, team), set()).add(site)
        of_device.setdefault(device, set()).add(site)
    # A device stands at one place: what is said of one of its teams holds for the others.
    return {name: by_team.get(name) or of_device[name[0]] for name in teams if name[0] in of_device}


def _agreed() -> Select[Any]:
    """What a device says of a declared port, where that contradicts nothing that was declared."""
    said = _claims.alias("said")
    same_team = _claims.c.team.in_(("", said.c.team))
    same_role = (said.c.role == _claims.c.role) | (said.c.role == 0) | (_claims.c.role == 0)
    same_port = (said.c.device == _claims.c.device) & (said.c.port == _claims.c.port)
    here = (same_port, said.c.said_by == DISCOVERED, said.c.aggregate_of == "", same_team, same_role)
    return select(said.c.port).where(*here).correlate(_claims)


def _beyond(device: ColumnElement[str], port: ColumnElement[str], after: Place) -> ColumnElement[bool]:
    return or_(device > after[0], and_(device == after[0], port > after[1]))


def _key(claim: Claim) -> Key:
    return claim.device, claim.port, claim.said_by


def _seat(claim: Claim) -> tuple[str, Role, str]:
    return claim.team, claim.role, claim.aggregate_of


def _ordered() -> Select[Any]:
    return select(_claims).order_by(*(_claims.c[name] for name in _KEYS))


def _read(connection: Connection, query: Select[Any]) -> list[Claim]:
    return [_claim(row._mapping) for row in connection.execute(query)]


def _claim(row: Any) -> Claim:
    return Claim(
        **{name: row[name] for name in _PLAIN},
        role=Role(row["role"]),
        state=BundleState(*(row[name] for name in _STATE)),
    )


def _stored(connection: Connection, devices: set[str]) -> dict[Key, Claim]:
    return {_key(claim): claim for claim in of_devices(connection, devices)}


def _write(connection: Connection, claims: Sequence[Claim], now_ms: int) -> None:
    if not claims:
        return
    made = inserting(connection, _claims)
    news = {column.name: made.excluded[column.name] for column in _claims.columns if column.name not in _KEYS}
    # In one order whoever writes, or two writers of the same claims would wait for each other.
    rows = [_row(claim) | {"seen_ms": now_ms, "changed_ms": now_ms} for claim in sorted(claims, key=_key)]
    connection.execute(made.on_conflict_do_update(index_elements=list(_KEYS), set_=news), rows)


def _row(claim: Claim) -> dict[str, Any]:
    told = {name: getattr(claim, name) for name in _PLAIN}
    state = (None if value is None else int(value) for value in claim.state)
    return told | {"role": int(claim.role)} | dict(zip(_STATE, state, strict=True))


def _see(connection: Connection, claims: Sequence[Claim], now_ms: int) -> None:
    """Note that these were said again."""
    if not claims:
        return
    source, told = given(connection, {name: [getattr(claim, name) for claim in claims] for name in _KEYS})
    same = " AND ".join(f"claims.{name} = given.{name}" for name in _KEYS)
    statement = f"UPDATE claims SET seen_ms = :now_ms FROM {source} WHERE {same}"  # noqa: S608  # names of columns only
    connection.execute(text(statement), told | {"now_ms": now_ms})
