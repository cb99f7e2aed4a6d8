"""A collector run second by second in simulated time."""

from __future__ import annotations

from collection.simulated import Poller, watch
from examples import EPOCH_MS
from sqlalchemy import select

from service.collection.collector import Collector
from service.storage import agents, database, events, tables

SECOND_MS = 1000


class Running:
    """A collector of simulated devices, and what it kept."""

    def __init__(self, engine, devices, interval_ms=10_000, patience=None, **agent):
        self.engine, self.devices = engine, devices
        self.poller = Poller(devices)
        watches = [watch(name, interval_ms, **agent) for name in devices]
        self.collector = Collector(engine, self.poller, watches, patience)
        self.now_ms = EPOCH_MS

    def run(self, seconds):
        """Tick every second, so many times."""
        for _ in range(seconds):
            self.tick()

    def tick(self, after_ms=SECOND_MS):
        at_ms, self.now_ms = self.now_ms, self.now_ms + after_ms
        self.poller.now_ms = at_ms
        self.collector.tick(at_ms)

    def polling(self, device="sm-07"):
        with database.reading(self.engine) as connection:
            return {one.device: one for one in agents.listing(connection)}[device]

    def events(self, kind):
        with database.reading(self.engine) as connection:
            return [kept.event for kept in events.listing(connection, kind=kind).items]

    def samples(self):
        """Every sample by port, as (instant, octets out)."""
        return kept_samples(self.engine)

    def asked(self, what, device="sm-07"):
        """When a device was asked for something, in milliseconds after the beginning."""
        return [at_ms - EPOCH_MS for at_ms, kind, _ in self.devices[device].asked if kind == what]


def kept_samples(engine):
    """Every sample by device and port, as (instant, octets out), in the order of time."""
    devices, ports, told = tables.devices.c, tables.ports.c, tables.samples.c
    query = (
        select(devices.name, ports.name, told.at_ms, told.out_octets)
        .join(tables.ports, ports.id == told.port_id)
        .join(tables.devices, devices.id == ports.device_id)
        .order_by(told.at_ms)
    )
    found = {}
    with database.reading(engine) as connection:
        for device, port, at_ms, octets in connection.execute(query):
            found.setdefault((device, port), []).append((at_ms, octets))
    return found
