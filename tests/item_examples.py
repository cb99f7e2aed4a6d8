"""Examples for tests of what is finer than a port: readings of team front of sm-07 near EPOCH_MS."""

from __future__ import annotations

from examples import EPOCH_MS

from service.storage import inventory
from service.terms import CONVERSATION, EGRESS, VIRTUAL_PORT, Endpoints, ItemReading, PortName

MINUTE_MS = 60_000
PULL = Endpoints("192.0.2.10", "198.51.100.7", 6, 49_152, 2049)
MEMBERS = (("m1", 11), ("m2", 12), ("m3", 13))


def a_reading(name="vm-1", port="m1", mbps=480, *, from_s=0, to_s=60, kind=VIRTUAL_PORT, **told):
    """One that says so many Mbit/s from and to so many seconds after EPOCH_MS."""
    octets = round(mbps * 1e6 * (to_s - from_s) / 8)
    start_ms, end_ms = EPOCH_MS + 1000 * from_s, EPOCH_MS + 1000 * to_s
    usual = {"device": "sm-07", "direction": EGRESS, "source": "push"}
    return ItemReading(port=port, kind=kind, name=name, start_ms=start_ms, end_ms=end_ms, octets=octets, **usual | told)


def a_conversation(name="192.0.2.10:49152 > 198.51.100.7:2049 tcp", port="m1", mbps=480, **told):
    """The same of a conversation."""
    return a_reading(name, port, mbps, **{"kind": CONVERSATION, "endpoints": PULL, "parts": 1, **told})


def registered(connection, device="sm-07", team="front"):
    """The ids of members m1 to m3, which are interfaces 11 to 13."""
    names = [PortName(device, port, team, if_index=index) for port, index in MEMBERS]
    return inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
