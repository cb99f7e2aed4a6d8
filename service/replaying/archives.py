"""The past as it lies in archives: a folder of days, each with a file for some devices."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from service.errors import UnusableInput
from service.feeds import archive
from service.feeds.archive import Head
from service.feeds.joining import joined
from service.replaying.history import DAY_MS, Past
from service.replaying.merging import merged
from service.rules.layouts import layout_of
from service.rules.parts import MOST_CELLS
from service.rules.reaching import reach
from service.terms import Bytes, Codes, Facts, FactsTable, Ints, Layout, Parsed, PortName, Samples, Span


@dataclass(frozen=True)
class Leaf:
    """A file of the archive, and what it says of itself."""

    path: Path
    head: Head

    @property
    def devices(self) -> set[str]:
        """Whose samples it holds."""
        return {seat.name.device for seat in self.head.seats}


@dataclass(frozen=True)
class Archived:
    """Some devices in the files that hold them, by time; the files are read where the errand is done."""

    leaves: tuple[Leaf, ...]
    layout: Layout
    _held: dict[Path, Samples] = field(default_factory=dict, compare=False, repr=False)

    def __getstate__(self) -> dict[str, object]:
        """What is sent to another process: what was read stays here."""
        return {"leaves": self.leaves, "layout": self.layout, "_held": {}}

    def __setstate__(self, state: dict[str, object]) -> None:
        for name, value in state.items():
            object.__setattr__(self, name, value)

    def past(self, span: Span) -> Past:
        """The samples that bear on a stretch, and what was set of their ports when its day was written."""
        from_ms, to_ms = reach(span)
        near = [leaf for leaf in self.leaves if leaf.head.first_ms < to_ms and leaf.head.last_ms >= from_ms]
        for path in self._held.keys() - {leaf.path for leaf in near}:
            del self._held[path]  # days are asked for in their order
        table, places = _facts(near)
        read = [
            replace(samples, facts=place[samples.facts])
            for leaf, place in zip(near, places, strict=True)
            for samples in [_between(self._read(leaf), from_ms, to_ms)]
        ]
        return Past(merged(read, len(self.layout.ports)), table, *self._set(span))

    def _read(self, leaf: Leaf) -> Samples:
        """The samples of a file, their ports as the layout has them."""
        if leaf.path not in self._held:
            self._held[leaf.path] = self._placed(archive.read(leaf.path))
        return self._held[leaf.path]

    def _placed(self, day: archive.Day) -> Samples:
        place = self._places(day.head)
        port = place[day.samples.port]
        if (port < 0).any():
            kept = port >= 0
            return replace(day.samples.take(kept), port=port[kept])
        return replace(day.samples, port=port)

    def _places(self, head: Head) -> Codes:
        at = {(port.device, port.port): place for place, port in enumerate(self.layout.ports)}
        return np.array([at.get((seat.name.device, seat.name.port), -1) for seat in head.seats], dtype=np.int32)

    def _set(self, span: Span) -> tuple[Ints, Ints, Bytes]:
        """The speeds, far ends' speeds and roles that were set of the ports, by the files of the stretch's day."""
        speeds, far_bps = (np.zeros(len(self.layout.ports), dtype=np.int64) for _ in range(2))
        roles = np.zeros(len(self.layout.ports), dtype=np.uint8)
        for leaf in self.leaves:
            if leaf.head.first_ms < span.end_ms and leaf.head.last_ms >= span.first_ms:
                places = self._places(leaf.head)
                for place, seat in zip(places.tolist(), leaf.head.seats, strict=True):
                    if place >= 0:
                        speeds[place], far_bps[place], roles[place] = seat.speed_bps, seat.far_bps, seat.role
        return speeds, far_bps, roles


def leaves_of(folder: Path) -> tuple[Leaf, ...]:
    """Every file of an archive by its time; UnusableInput where there is none, or one cannot be read."""
    found = sorted(folder.glob("*/*.parquet"))
    if not found:
        raise UnusableInput(str(folder), "holds no archives", "have some written: lopside archive FOLDER")
    leaves = [Leaf(path, archive.head(path)) for path in found]
    return tuple(sorted((leaf for leaf in leaves if any(leaf.head.rows)), key=lambda leaf: leaf.head.first_ms))


def histories(leaves: Sequence[Leaf], width_ms: int, devices: Collection[str] = ()) -> Iterator[Archived]:
    """The devices, as many in one history as lie in the same files and are well judged a day at a time."""
    for group in _groups(leaves):
        names = _names(group)
        for some in _fitting(names, DAY_MS // width_ms):
            ports = [name for name in names if name.device in some and (not devices or name.device in devices)]
            if ports:
                yield Archived(tuple(leaf for leaf in group if leaf.devices & some), layout_of(ports)[0])


def _groups(leaves: Iterable[Leaf]) -> list[list[Leaf]]:
    """Files that share a device, also by way of another file, belong together."""
    groups: list[tuple[set[str], list[Leaf]]] = []
    for leaf in leaves:
        devices, mine = leaf.devices, [leaf]
        apart = []
        for group in groups:
            if group[0] & devices:
                devices, mine = group[0] | devices, group[1] + mine
            else:
                apart.append(group)
        groups = [*apart, (devices, mine)]
    return [sorted(some, key=lambda leaf: leaf.head.first_ms) for _, some in groups]


def _names(group: Iterable[Leaf]) -> tuple[PortName, ...]:
    """The ports of files in the order of time, each as the newest file names it."""
    return joined(_no_samples([seat.name for seat in leaf.head.seats], leaf.head.facts) for leaf in group).ports


def _facts(leaves: Sequence[Leaf]) -> tuple[FactsTable, list[Codes]]:
    """The facts of several files in one table, each once, and where those of each file stand in it."""
    known: dict[tuple[int, ...], int] = {}
    names = tuple(Facts.__dataclass_fields__)
    places = []
    for leaf in leaves:
        rows = zip(*(getattr(leaf.head.facts, name).tolist() for name in names), strict=True)
        places.append(np.array([known.setdefault(row, len(known)) for row in rows], dtype=np.int32))
    return FactsTable.of([Facts(*row) for row in known]), places  # type: ignore[arg-type]  # numbers, as the table has them


def _between(samples: Samples, from_ms: int, to_ms: int) -> Samples:
    here = (samples.at_ms >= from_ms) & (samples.at_ms < to_ms)
    return samples if here.all() else samples.take(here)


def _fitting(names: Iterable[PortName], windows: int) -> Iterator[set[str]]:
    """Devices in their order, as many at a time as have windows that fit."""
    some: set[str] = set()
    cells = 0
    for device, count in _counted(names).items():
        if some and cells + count * windows > MOST_CELLS:
            yield some
            some, cells = set(), 0
        some.add(device)
        cells += count * windows
    if some:
        yield some


def _counted(names: Iterable[PortName]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for name in names:
        counts[name.device] = counts.get(name.device, 0) + 1
    return counts


def _no_samples(ports: Sequence[PortName], facts: FactsTable) -> Parsed:
    return Parsed(Samples.none(()), facts, tuple(ports), np.zeros(0, dtype=np.int64))
