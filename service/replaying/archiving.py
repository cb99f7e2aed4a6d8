"""Archives written: whole days, some devices a file, read back before they count.

A file has its name only once it was read back as it was meant, so that whoever is killed or stops goes on
where they were: what is there is whole, and is not written again.
"""

from __future__ import annotations

import contextlib
import os
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from sqlalchemy import Engine

from service.errors import UnusableInput
from service.feeds import archive
from service.feeds.archive import Day, Seat
from service.feeds.joining import joined
from service.replaying import kept
from service.replaying.brought import Speeds, only, speeds_of
from service.replaying.history import DAY_MS, Past
from service.replaying.kept import Choice, Setting
from service.rules.reaching import bounds_ms
from service.storage.inventory import Placed
from service.terms import FactsTable, Layout, Parsed, PortName, Samples

# A day is written once it has been over for so long: what comes later than that is not in it.
SETTLED_MS = 3_600_000


@dataclass(frozen=True)
class Shelf:
    """Where archives are written, and into how many parts a day's devices are divided."""

    folder: Path
    parts: int

    def path(self, day_ms: int, part: int) -> Path:
        """Where some devices of a day stand."""
        day = datetime.fromtimestamp(day_ms / 1000, UTC).strftime("%Y-%m-%d")
        return self.folder / day / f"part-{part:04d}-of-{self.parts:04d}.parquet"

    def part_of(self, device: str) -> int:
        """The part to which a device belongs, whatever other devices there are."""
        return zlib.crc32(device.encode()) % self.parts


@dataclass(frozen=True)
class Written:
    """A file that stands, and whether it was written now."""

    path: Path
    samples: int
    is_new: bool


def from_parsed(shelf: Shelf, parsed: Parsed, layout: Layout, speeds: Speeds) -> Iterator[Written]:
    """Archives of what files held, all days of them."""
    for part in range(shelf.parts):
        devices = {device for device in layout.devices if shelf.part_of(device) == part}
        if devices:
            mine = only(parsed.samples, layout, devices)
            seats = _seats(mine.layout.ports, Past(mine.samples, parsed.facts, speeds_of(mine.layout, speeds)))
            for day_ms in np.unique(mine.samples.at_ms // DAY_MS * DAY_MS).tolist():
                here = mine.samples.take(mine.samples.at_ms // DAY_MS * DAY_MS == day_ms)
                yield _stand(shelf.path(day_ms, part), here, parsed.facts, seats)


def from_database(shelf: Shelf, engine: Engine, setting: Setting, first_ms: int, end_ms: int) -> Iterator[Written]:
    """Archives of the days that lie whole or in part within a time, as far as samples of them are kept."""
    parts: dict[int, set[str]] = {}
    for placed in kept.placed_of(engine, Choice()):
        for device in placed.layout.devices:
            parts.setdefault(shelf.part_of(device), set()).add(device)
    for day_ms in range(first_ms // DAY_MS * DAY_MS, end_ms, DAY_MS):
        for part, devices in sorted(parts.items()):
            path = shelf.path(day_ms, part)
            if path.exists():  # its samples may be kept no more
                yield Written(path, sum(archive.head(path).rows), is_new=False)
                continue
            read = [_of_day(engine, setting, placed, day_ms) for placed in kept.placed_of(engine, Choice(devices))]
            whole = joined(piece for piece, _ in read)
            if len(whole.samples):
                yield _stand(path, whole.samples, whole.facts, tuple(seat for _, seats in read for seat in seats))


def whole_days(first_ms: int, now_ms: int) -> tuple[int, int]:
    """From the day of an instant up to, not including, the first day that may still change."""
    return first_ms // DAY_MS * DAY_MS, (now_ms - SETTLED_MS) // DAY_MS * DAY_MS


def _of_day(engine: Engine, setting: Setting, placed: Placed, day_ms: int) -> tuple[Parsed, tuple[Seat, ...]]:
    """What is kept of some teams on a day, and what is set of their ports."""
    past = kept.read(engine, placed, setting, (day_ms, day_ms + DAY_MS))
    parsed = Parsed(past.samples, past.facts, placed.layout.ports, np.zeros(len(past.samples), dtype=np.int64))
    return parsed, _seats(placed.layout.ports, past)


def _seats(ports: Sequence[PortName], past: Past) -> tuple[Seat, ...]:
    none = np.zeros(len(ports), dtype=np.int64)
    told = (none if column is None else column for column in (past.speeds, past.far_bps, past.roles))
    rows = zip(*(column.tolist() for column in told), strict=True)
    return tuple(Seat(port, *row) for port, row in zip(ports, rows, strict=True))


def _stand(path: Path, samples: Samples, facts: FactsTable, seats: tuple[Seat, ...]) -> Written:
    """Write a file where there is none, under another name until it was read back."""
    day = archive.day_of(samples, facts, seats, bounds_ms(samples))
    if path.exists():
        if archive.head(path).digest != day.head.digest:
            raise UnusableInput(str(path), "holds other samples of this day", "name another folder, or remove it first")
        return Written(path, len(day.samples), is_new=False)
    meanwhile = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _to_disk(meanwhile, archive.octets_of(day))
        _read_back(meanwhile, day)
        meanwhile.replace(path)
    except OSError as failure:
        why = f"cannot be written: {failure.strerror or failure}"
        raise UnusableInput(str(path), why, "make room, or name another folder") from failure
    finally:
        with contextlib.suppress(OSError):  # what was the matter has been said
            meanwhile.unlink(missing_ok=True)
    return Written(path, len(day.samples), is_new=True)


def _read_back(path: Path, day: Day) -> None:
    there = archive.read(path)
    if archive.digest_of(there.samples, there.head.facts, there.head.seats) != day.head.digest:
        raise UnusableInput(str(path), "was not read back as it was written", "look after this disk, and try again")


def _to_disk(path: Path, octets: bytes) -> None:
    with path.open("wb") as file:
        file.write(octets)
        file.flush()
        os.fsync(file.fileno())
