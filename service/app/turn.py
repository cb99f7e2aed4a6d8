"""This process's turn at polling agents."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from service.settings.references import agents_of
from service.storage import leases

if TYPE_CHECKING:
    from service.app.parts import Parts
    from service.collection.collector import Collector
    from service.settings.reading import Settings
    from service.snmp.agents import Watch
    from service.snmp.poller import Poller

COLLECTION = "collection"
# A process that dies is missed no longer than this; its lease is renewed three times meanwhile.
LEASE_MS, RENEW_EVERY_MS = 7_500, 2_000


class Turn:
    """This process's turn at polling, with the poller and the memory that last as long as the turn."""

    def __init__(self) -> None:
        self.epoch: int | None = None
        self._taken_ms = 0
        self._watches: Sequence[Watch] | None = None
        self._collector: Collector | None = None
        self._poller: Poller | None = None

    def prepare(self, settings: Settings) -> None:
        """Get the agents' credentials, so that what is wrong with them is told at the start."""
        self._watches = agents_of(settings)

    def held_epoch(self, parts: Parts, at_ms: int) -> int | None:
        """Take or keep the lease: its epoch, or None while another process polls."""
        if self.epoch is None or abs(at_ms - self._taken_ms) >= RENEW_EVERY_MS:  # the clock may have been set back
            with parts.engine.begin() as connection:
                epoch = leases.take(connection, COLLECTION, parts.owner, LEASE_MS, parts.shared_ms(connection, at_ms))
            if epoch != self.epoch and self._collector is not None:
                self._collector.forget()  # others polled meanwhile
            self.epoch, self._taken_ms = epoch, at_ms
        return self.epoch

    def collector(self, parts: Parts) -> Collector:
        """The collector of all agents of the settings."""
        if self._collector is None:
            from service.collection.collector import Collector
            from service.collection.watched import Patience
            from service.snmp.poller import Poller

            told = parts.settings.collection
            if self._watches is None:
                self.prepare(parts.settings)
            self._poller = Poller(parts.clock, told.in_flight)
            patience = Patience(told.discover_every_s * 1000, told.backoff_most_s * 1000, told.closest_s * 1000)
            limits = parts.settings.limits()
            self._collector = Collector(parts.engine, self._poller, self._watches or (), patience, limits)
        return self._collector

    def end(self) -> None:
        """Ask no more; what is under way is dropped."""
        if self._poller is not None:
            self._poller.close()
        self._poller = self._collector = self.epoch = None
