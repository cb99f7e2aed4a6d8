"""What a replay needs of the past, wherever it is kept: the teams, and what is known of some days of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from service.terms import Bytes, FactsTable, Ints, Layout, MemberWindows, Samples, Span

DAY_MS = 86_400_000


@dataclass(frozen=True)
class Past:
    """What is known of a stretch: samples that bear on it with what was set of their ports, or its windows as kept.

    `speeds`, `far_bps` and `roles` (n_ports,) are as in a Run; where `members` are there, nobody looks at samples.
    """

    samples: Samples
    facts: FactsTable
    speeds: Ints | None = None
    far_bps: Ints | None = None
    roles: Bytes | None = None
    members: MemberWindows | None = None


class History(Protocol):
    """Some devices, whole: what others did is nothing to them. Days are asked for in their order."""

    @property
    def layout(self) -> Layout:
        """The teams, the same for all days."""

    def past(self, span: Span) -> Past:
        """What is known of a stretch."""


def days(first_ms: int, end_ms: int, width_ms: int) -> Iterator[Span]:
    """The whole windows that a time touches, those of a UTC day at a time."""
    start_ms = first_ms // width_ms * width_ms
    while start_ms < end_ms:
        until_ms = min((start_ms // DAY_MS + 1) * DAY_MS, -(-end_ms // width_ms) * width_ms)
        yield Span(start_ms, (until_ms - start_ms) // width_ms, width_ms)
        start_ms = until_ms
