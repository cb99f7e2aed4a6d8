"""The past as it stands in memory: what counter files held, parted by devices."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from service.replaying.history import DAY_MS, Past
from service.rules.parts import Part, parts_of
from service.rules.reaching import reach
from service.terms import FactsTable, Ints, Layout, PortName, Samples, Span

Speeds = Mapping[tuple[str, str], int]


@dataclass(frozen=True)
class Brought:
    """The samples of some devices, in the order of time; `speeds` (n_ports,) are those that people set."""

    samples: Samples
    facts: FactsTable
    layout: Layout
    speeds: Ints

    def past(self, span: Span) -> Past:
        """The samples that bear on a stretch."""
        first, end = np.searchsorted(self.samples.at_ms, reach(span))
        return Past(self.samples.take(slice(int(first), int(end))), self.facts, self.speeds)


def histories(samples: Samples, facts: FactsTable, layout: Layout, width_ms: int, speeds: Speeds) -> Iterator[Brought]:
    """The devices, as many in one history as are well judged a day at a time."""
    for part in parts_of(samples, layout, Span(0, DAY_MS // width_ms, width_ms)):
        # Stable: of two samples of one port and instant the first given stays first, and counts.
        order = np.argsort(part.samples.at_ms, kind="stable")
        yield Brought(part.samples.take(order), facts, part.layout, speeds_of(part.layout, speeds))


def speeds_of(layout: Layout, speeds: Speeds) -> Ints:
    """The speeds that people set, by the layout's ports, 0 where nobody did."""
    return np.array([speeds.get((port.device, port.port), 0) for port in layout.ports], dtype=np.int64)


def only(samples: Samples, layout: Layout, devices: Collection[str]) -> Part:
    """Of a layout and its samples those of some devices."""
    chosen = np.array([device in devices for device in layout.devices], dtype=np.bool_)
    ports, teams = np.flatnonzero(chosen[layout.device_of_port]), np.flatnonzero(chosen[layout.device_of_team])
    device_place, port_place = _places(chosen), _places(chosen[layout.device_of_port])
    here = Layout(
        devices=tuple(device for device in layout.devices if device in devices),
        ports=_picked(layout.ports, ports),
        teams=tuple(layout.teams[team] for team in teams),
        device_of_port=device_place[layout.device_of_port[ports]],
        device_of_team=device_place[layout.device_of_team[teams]],
        members=port_place[layout.members[teams]],
    )
    kept = samples.take(chosen[layout.device_of_port[samples.port]])
    return Part(replace(kept, port=port_place[kept.port]), here)


def _picked(ports: tuple[PortName, ...], rows: npt.NDArray[np.intp]) -> tuple[PortName, ...]:
    return tuple(ports[row] for row in rows)


def _places(chosen: npt.NDArray[np.bool_]) -> npt.NDArray[np.int32]:
    """Where each chosen one stands among the chosen; the last entry is where UNKNOWN points, and stays unknown."""
    place = np.full(len(chosen) + 1, -1, dtype=np.int32)
    place[np.flatnonzero(chosen)] = np.arange(int(chosen.sum()), dtype=np.int32)
    return place
