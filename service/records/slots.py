"""What flows carried, by member and half minute: the heaviest conversations by name, the rest as one sum."""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass, field

from service.feeds.items_flows import MOST_OCTETS, Flow, name_of
from service.storage.exporters import Place
from service.terms import CONVERSATION, NO_ENDPOINTS, Endpoints, ItemReading

SLOT_MS = 30_000
# Exporters tell of a conversation that lasts at least every minute, if they are set so, and then some seconds later.
WAIT_MS = 90_000
LONGEST_MS = 3_600_000
AHEAD_MS = 60_000
MOST_NAMED = 64  # of one member, direction and half minute
MOST_HELD = 200_000  # conversations, each in each half minute; some 100 MB

Where = tuple[Place, int]  # a member and a direction


@dataclass
class _Carried:
    octets: int = 0
    endpoints: Endpoints = NO_ENDPOINTS


@dataclass
class _Slot:
    """What is known of one half minute."""

    source: str
    named: dict[Where, dict[str, _Carried]] = field(default_factory=dict)
    rest: dict[Where, list[int]] = field(default_factory=dict)  # octets and how many pieces beyond what is held


class Slots:
    """Flows held until their half minute is over long enough ago."""

    def __init__(self) -> None:
        self._slots: dict[tuple[int, str], _Slot] = {}
        self._held = 0

    def add(self, where: Where, flow: Flow, source: str, now_ms: int) -> bool:
        """Share a flow out over the half minutes that it lasted, by time; False where its times cannot be true."""
        if flow.end_ms > now_ms + AHEAD_MS or flow.end_ms < now_ms - LONGEST_MS:
            return False
        if flow.end_ms - flow.start_ms > LONGEST_MS:
            return False
        name = name_of(flow.endpoints)
        for end_ms, octets in _shares(flow):
            slot = self._slots.setdefault((end_ms, source), _Slot(source))
            self._put(slot, where, name, octets, flow.endpoints)
        return True

    def due(self, now_ms: int, *, everything: bool = False) -> list[tuple[int, ItemReading]]:
        """What is to be kept of half minutes that ended long enough ago, or of all."""
        return [one for key in self._ended(now_ms, everything) for one in _readings(key[0], self._slots[key])]

    def drop(self, now_ms: int, *, everything: bool = False) -> None:
        """Hold no longer what was due, because it is kept."""
        for key in self._ended(now_ms, everything):
            self._held -= sum(map(len, self._slots.pop(key).named.values()))

    def _ended(self, now_ms: int, everything: bool) -> list[tuple[int, str]]:
        return sorted(key for key in self._slots if everything or key[0] + WAIT_MS <= now_ms)

    def _put(self, slot: _Slot, where: Where, name: str, octets: int, endpoints: Endpoints) -> None:
        known = slot.named.setdefault(where, {})
        if name not in known:
            if self._held >= MOST_HELD or not name:
                rest = slot.rest.setdefault(where, [0, 0])
                rest[0] += octets
                rest[1] += 1
                return
            self._held += 1
            known[name] = _Carried(0, endpoints)
        known[name].octets += octets


def _shares(flow: Flow) -> Iterator[tuple[int, int]]:
    """The end of each half minute that a flow touches, with its part of the octets; the parts are whole and sum up."""
    length_ms, given = flow.end_ms - flow.start_ms, 0
    end_ms = flow.start_ms // SLOT_MS * SLOT_MS + SLOT_MS
    while True:
        until = flow.octets * (min(end_ms, flow.end_ms) - flow.start_ms) // length_ms
        if until > given:
            yield end_ms, until - given
        if end_ms >= flow.end_ms:
            return
        given, end_ms = until, end_ms + SLOT_MS


def _readings(end_ms: int, slot: _Slot) -> Iterator[tuple[int, ItemReading]]:
    for where, known in slot.named.items():
        (port_id, device, port), direction = where
        octets, parts = slot.rest.get(where, (0, 0))
        heaviest = heapq.nlargest(MOST_NAMED, known.items(), key=lambda one: (one[1].octets, one[0]))
        told = [(name, carried.octets, 1, carried.endpoints) for name, carried in heaviest]
        octets += sum(carried.octets for carried in known.values()) - sum(one[1] for one in told)
        parts += len(known) - len(told)
        if octets:
            told.append(("", octets, parts, NO_ENDPOINTS))
        for name, carried_octets, count, ends in told:
            yield (
                port_id,
                ItemReading(
                    *(device, port, direction, CONVERSATION, name, end_ms - SLOT_MS, end_ms),
                    min(carried_octets, MOST_OCTETS),  # who sends more is broken or forged, and must fit all the same
                    parts=count,
                    endpoints=ends,
                    source=slot.source,
                ),
            )
