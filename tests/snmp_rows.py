"""Rows of a walk for tests: a switch of the exchange whose every value has a default."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.feeds.snmp import discovery, oids, plan, readings
from service.terms import Discovered, Reply

CARRYING = b"\xbc"  # activity, aggregation, synchronisation, collecting, distributing: BITS (RFC 3417 section 8(3))
PARTNER = bytes.fromhex("02005e100001")
HC = {
    oids.IF_HC_OUT_OCTETS: 5_000_000_000,
    oids.IF_HC_IN_OCTETS: 6_000_000_000,
    oids.IF_HC_OUT_UCAST: 4_000,
    oids.IF_HC_IN_UCAST: 5_000,
    oids.IF_HC_OUT_MCAST: 30,
    oids.IF_HC_IN_MCAST: 40,
    oids.IF_HC_OUT_BCAST: 2,
    oids.IF_HC_IN_BCAST: 3,
}
NARROW = {
    oids.IF_OUT_OCTETS: 705_032_704,
    oids.IF_IN_OCTETS: 1_705_032_704,
    oids.IF_OUT_UCAST: 4_000,
    oids.IF_IN_UCAST: 5_000,
    oids.IF_OUT_MCAST: 30,
    oids.IF_IN_MCAST: 40,
    oids.IF_OUT_BCAST: 2,
    oids.IF_IN_BCAST: 3,
}
OTHERS = {
    oids.IF_OUT_DISCARDS: 7,
    oids.IF_IN_DISCARDS: 8,
    oids.IF_OUT_ERRORS: 9,
    oids.IF_IN_ERRORS: 10,
    oids.IF_LAST_CHANGE: 1_200,
    oids.IF_DISCONTINUITY: 0,
}


def interface(
    index: int, name: str = "", *, kind: int = 6, megabits: int = 10_000, oper: int = 1, **more: Any
) -> dict[str, Any]:
    """The rows of an interface, with 64-bit counters; `counters` takes their place."""
    told = {
        oids.IF_NAME: name.encode(),
        oids.IF_DESCR: name.encode(),
        oids.IF_TYPE: kind,
        oids.IF_MTU: 1500,
        oids.IF_SPEED: min(megabits * 1_000_000, 0xFFFFFFFF),
        oids.IF_HIGH_SPEED: megabits,
        oids.IF_PHYS_ADDRESS: bytes.fromhex(f"02005e2000{index % 256:02x}"),
        oids.IF_OPER_STATUS: oper,
        oids.IF_ALIAS: b"",
    }
    counters = more.get("counters", HC)
    return {f"{column}.{index}": value for column, value in (told | OTHERS | counters).items()}


def attached(
    port: int, to: int, *, selected: int | None = None, actor: bytes = CARRYING, partner: bytes = CARRYING
) -> dict[str, Any]:
    """The rows of a port in the LAG MIB, with a partner that told its identity."""
    told = {
        oids.PORT_ATTACHED: to,
        oids.PORT_SELECTED: to if selected is None else selected,
        oids.PORT_ACTOR_STATE: actor,
        oids.PORT_PARTNER_STATE: partner,
        oids.PORT_PARTNER_SYSTEM: PARTNER,
        oids.PORT_PARTNER_KEY: 11,
        oids.PORT_PARTNER_PORT: port + 100,
    }
    return {f"{column}.{port}": value for column, value in told.items()}


def stacked(higher: int, *lower: int) -> dict[str, Any]:
    """The rows of ifStackTable for an interface on top of others."""
    return {f"{oids.IF_STACK_STATUS}.{higher}.{one}": 1 for one in (*lower,)} | {
        f"{oids.IF_STACK_STATUS}.0.{higher}": 1
    }


def scalars(uptime: int = 123_456) -> dict[str, Any]:
    """What a device tells once."""
    return {plan.UPTIME: uptime} | dict(zip(plan.MARKS, (500, 600, 700), strict=True))


def store() -> dict[str, Any]:
    """A team of two 10 Gbit/s members, up1 (3) and up2 (4), under the aggregator store (1000)."""
    return (
        scalars()
        | interface(3, "up1")
        | interface(4, "up2")
        | interface(1000, "store", kind=161, megabits=20_000)
        | attached(3, 1000)
        | attached(4, 1000)
    )


def found(rows: Mapping[str, Any]) -> Discovered:
    """What is discovered of the switch sw-s1."""
    return discovery.discovered("sw-s1", rows)


def planned(rows: Mapping[str, Any], **options: Any) -> plan.PollPlan:
    """The plan for the switch sw-s1."""
    return plan.plan_of(found(rows), rows=rows, **options)


def answered(poll: plan.PollPlan, rows: Mapping[str, Any], *, at_ms: int = 60_000, apart_ms: int = 10) -> list[Reply]:
    """The replies to a plan's requests, each sent when the one before had been answered, 4 ms later."""
    return [
        Reply(at_ms + apart_ms * step, at_ms + apart_ms * step + 4, {oid: rows[oid] for oid in pdu if oid in rows})
        for step, pdu in enumerate(poll.pdus)
    ]


def polled(rows: Mapping[str, Any], **times: int) -> readings.Polled:
    """One poll of the switch as it was discovered."""
    poll = planned(rows)
    return readings.Polled(poll, answered(poll, rows, **times))
