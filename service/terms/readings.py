"""What sources tell: facts, samples, who belongs to whom, and spans of windows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.terms.layouts import COUNTERS, UNKNOWN, Bytes, Codes, Counters, Ints, Marks, Truths
from service.terms.words import Counts, Form, OperStatus, Role


@dataclass(frozen=True)
class Facts:
    """What a source said of a port at the time of a sample, besides its counters.

    `mac` is the hardware address as a 48-bit integer, 0 where unknown; `speed_bps` and
    `mtu` are 0 where unknown; `last_change_ticks` is UNKNOWN where unknown.
    """

    speed_bps: int = 0
    counter_bits: int = 64
    counts: int = Counts.FRAME
    form: int = Form.COUNTER
    oper: int = OperStatus.NOT_TOLD
    role: int = Role.NOT_TOLD
    mac: int = 0
    mtu: int = 0
    last_change_ticks: int = UNKNOWN
    half_duplex: bool = False


@dataclass(frozen=True)
class FactsTable:
    """Distinct facts, one array a fact, all of shape (n_facts,); samples point into it."""

    speed_bps: Ints
    counter_bits: Bytes
    counts: Bytes
    form: Bytes
    oper: Bytes
    role: Bytes
    mac: Ints
    mtu: Codes
    last_change_ticks: Ints
    half_duplex: Bytes

    @classmethod
    def of(cls, facts: Sequence[Facts]) -> FactsTable:
        """The table of the given facts, in their order."""
        return cls(
            speed_bps=np.array([f.speed_bps for f in facts], dtype=np.int64),
            counter_bits=np.array([f.counter_bits for f in facts], dtype=np.uint8),
            counts=np.array([f.counts for f in facts], dtype=np.uint8),
            form=np.array([f.form for f in facts], dtype=np.uint8),
            oper=np.array([f.oper for f in facts], dtype=np.uint8),
            role=np.array([f.role for f in facts], dtype=np.uint8),
            mac=np.array([f.mac for f in facts], dtype=np.int64),
            mtu=np.array([f.mtu for f in facts], dtype=np.int32),
            last_change_ticks=np.array([f.last_change_ticks for f in facts], dtype=np.int64),
            half_duplex=np.array([f.half_duplex for f in facts], dtype=np.uint8),
        )


@dataclass(frozen=True)
class Samples:
    """Readings of ports' counters, one row a reading, columns as arrays of shape (n,).

    `counters` has shape (n, k) with k columns named by `columns`, positions in COUNTERS;
    they stay unsigned 64-bit integers, because a float forgets single octets above 2^53.
    Bit c of `known` says whether the sample told counter COUNTERS[c]. `received_ms`,
    `uptime_ticks` and `discontinuity_ticks` may have length 0 where no sample tells them;
    a single missing value is UNKNOWN. `facts` points into a FactsTable, `port` into the
    list of ports of the run.
    """

    port: Codes
    at_ms: Ints
    facts: Codes
    known: Marks
    counters: Counters
    received_ms: Ints
    uptime_ticks: Ints
    discontinuity_ticks: Ints
    columns: tuple[int, ...] = tuple(range(len(COUNTERS)))

    def __len__(self) -> int:
        return len(self.at_ms)

    @classmethod
    def none(cls, columns: tuple[int, ...] = tuple(range(len(COUNTERS)))) -> Samples:
        """No samples at all, of these columns."""
        nothing = np.zeros(0, dtype=np.int64)
        return cls(
            port=nothing.astype(np.int32),
            at_ms=nothing,
            facts=nothing.astype(np.int32),
            known=nothing.astype(np.uint16),
            counters=np.zeros((0, len(columns)), dtype=np.uint64),
            received_ms=nothing,
            uptime_ticks=nothing,
            discontinuity_ticks=nothing,
            columns=columns,
        )

    def take(self, rows: npt.NDArray[np.intp] | Truths | slice) -> Samples:
        """The given rows, in the given order."""

        def some(column: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
            return column[rows] if len(column) else column

        return Samples(
            self.port[rows],
            self.at_ms[rows],
            self.facts[rows],
            self.known[rows],
            self.counters[rows],
            some(self.received_ms),
            some(self.uptime_ticks),
            some(self.discontinuity_ticks),
            self.columns,
        )


@dataclass(frozen=True)
class PortName:
    """How a source names a port and what it says of the team; `team` is empty for a port of no team."""

    device: str
    port: str
    team: str = ""
    method: str = "unknown"
    bundle: str = ""
    if_index: int = 0


@dataclass(frozen=True)
class TeamName:
    """A team of a device, with what is known of how it is built; empty where unknown."""

    device: str
    team: str
    method: str = "unknown"
    bundle: str = ""


@dataclass(frozen=True)
class Layout:
    """Who belongs to whom in a run: ports, teams and devices by position.

    `device_of_port` (n_ports,) points into `devices`; `members` (n_teams, MOST_MEMBERS)
    points into `ports`, padded with UNKNOWN; `device_of_team` (n_teams,) into `devices`.
    """

    devices: tuple[str, ...]
    ports: tuple[PortName, ...]
    teams: tuple[TeamName, ...]
    device_of_port: Codes
    device_of_team: Codes
    members: Codes

    def team_of_port(self) -> Codes:
        """The position of each port's team, shape (n_ports,); UNKNOWN for a port of none."""
        found = np.full(len(self.ports), UNKNOWN, dtype=np.int32)
        team, seat = np.nonzero(self.members != UNKNOWN)
        found[self.members[team, seat]] = team
        return found


@dataclass(frozen=True)
class Reject:
    """One item of a batch that was not taken: its index or line, and why, in words that say how to mend it."""

    index: int
    reason: str
    column: str = ""
    value: str = ""


@dataclass(frozen=True)
class Parsed:
    """What a feed made of bytes: samples whose `port` points into `ports`, and what it could not take.

    `index` (n,) says which item of the batch, or line of the file, each sample came from.
    """

    samples: Samples
    facts: FactsTable
    ports: tuple[PortName, ...]
    index: Ints
    rejects: tuple[Reject, ...] = ()


@dataclass(frozen=True)
class Span:
    """Whole windows, aligned to the epoch: `count` of them of `width_ms` each from `first_ms`."""

    first_ms: int
    count: int
    width_ms: int = 30_000

    @property
    def end_ms(self) -> int:
        """Where the last window ends, exclusive."""
        return self.first_ms + self.count * self.width_ms

    def starts(self) -> Ints:
        """Where each window starts, shape (count,)."""
        return self.first_ms + np.arange(self.count, dtype=np.int64) * self.width_ms
