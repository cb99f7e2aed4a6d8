"""How files of counters and of averages are to be read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from service.feeds import counter_file, rate_export
from service.feeds.files import Progress
from service.feeds.mapping import FAR_END, OWN, Mapping
from service.feeds.mirrored import mirrored
from service.terms import Parsed


@dataclass(frozen=True)
class Reading:
    """The zone of times that name none, how many octets a kilobyte has, and at which end of the cables was read.

    A mapping says all of that itself, and which columns of an export mean what.
    """

    zone: str | None = None
    kilo: int = 1000
    vantage: str = OWN
    mapping: Mapping | None = None

    def whole(self, file: Path, progress: Progress | None = None) -> Parsed:
        """All samples of a file."""
        if self.mapping is not None:
            return rate_export.read(file, self.mapping, progress)
        return self._seen(counter_file.read(file, zone=self.zone, kilo=self.kilo, progress=progress))

    def pieces(self, file: Path, rows: int) -> Iterator[Parsed]:
        """The samples of a file, some at a time."""
        if self.mapping is not None:
            yield from rate_export.batches(file, self.mapping, rows)
            return
        for piece in counter_file.batches(file, rows, zone=self.zone, kilo=self.kilo):
            yield self._seen(piece)

    def _seen(self, parsed: Parsed) -> Parsed:
        return mirrored(parsed) if self.vantage == FAR_END else parsed
