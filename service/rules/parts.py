"""A long stretch of data cut into parts of some devices each, so that judging needs little room at a time."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from service.errors import UnusableInput
from service.terms import UNKNOWN, Codes, Ints, Layout, Samples, Span

# A sample needs some 400 octets while it is judged, a port some 100 a window: half a gigabyte at a time.
MOST_SAMPLES = 1_000_000
MOST_CELLS = 4_000_000
# One device is judged at once, whatever it needs: up to 4 GB.
MOST_CELLS_OF_A_DEVICE = 40_000_000


@dataclass(frozen=True)
class Part:
    """Some devices: their samples, and the layout that these point into."""

    samples: Samples
    layout: Layout


def parts_of(samples: Samples, layout: Layout, span: Span) -> Iterator[Part]:
    """The devices in their order, as many at a time as fit."""
    device = layout.device_of_port[samples.port]
    counts = np.bincount(device, minlength=len(layout.devices)).astype(np.int64)
    cells = np.bincount(layout.device_of_port, minlength=len(layout.devices)).astype(np.int64) * span.count
    _refuse_too_long(layout, cells)
    edges = _edges(counts, cells)
    if len(edges) == 2:
        yield Part(samples, layout)
        return
    order = np.argsort(device, kind="stable")
    starts = np.concatenate([[0], np.cumsum(counts)])
    for first, last in itertools.pairwise(edges):
        yield _part(samples.take(order[starts[first] : starts[last]]), layout, first, last)


def _refuse_too_long(layout: Layout, cells: Ints) -> None:
    largest = int(cells.argmax())
    if cells[largest] > MOST_CELLS_OF_A_DEVICE:
        raise UnusableInput(
            f"device {layout.devices[largest]}",
            f"its ports have {cells[largest]:,} windows from the first sample to the last, too many at once",
            "check shorter stretches, or take longer windows: --rule window_seconds=300",
        )


def _edges(counts: Ints, cells: Ints) -> list[int]:
    """Where parts begin and end, as positions of devices."""
    edges, samples, room = [0], 0, 0
    for at in range(len(counts)):
        samples, room = samples + int(counts[at]), room + int(cells[at])
        if at > edges[-1] and (samples > MOST_SAMPLES or room > MOST_CELLS):
            edges.append(at)
            samples, room = int(counts[at]), int(cells[at])
    return [*edges, len(counts)]


def _part(samples: Samples, layout: Layout, first: int, last: int) -> Part:
    ports = np.flatnonzero((layout.device_of_port >= first) & (layout.device_of_port < last))
    teams = np.flatnonzero((layout.device_of_team >= first) & (layout.device_of_team < last))
    place = np.full(len(layout.ports) + 1, UNKNOWN, dtype=np.int32)  # the last one is where UNKNOWN points
    place[ports] = np.arange(len(ports), dtype=np.int32)
    here = Layout(
        devices=layout.devices[first:last],
        ports=tuple(layout.ports[port] for port in ports),
        teams=tuple(layout.teams[team] for team in teams),
        device_of_port=_less(layout.device_of_port[ports], first),
        device_of_team=_less(layout.device_of_team[teams], first),
        members=place[layout.members[teams]],
    )
    return Part(replace(samples, port=place[samples.port]), here)


def _less(positions: Codes, first: int) -> Codes:
    return (positions - first).astype(np.int32)
