"""The rows of a walk, sorted into columns by index."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.feeds.snmp import oids
from service.feeds.snmp.cells import whole

SATURATED = 0xFFFFFFFF
_ACTIVE = 1  # RowStatus (RFC 2579)


@dataclass(frozen=True)
class Tables:
    """Columns by object identifier, values by index; `stack` lists the lower interfaces of each higher one."""

    columns: Mapping[str, Mapping[int, Any]]
    stack: Mapping[int, tuple[int, ...]]

    @classmethod
    def of(cls, rows: Mapping[str, Any]) -> Tables:
        """The tables that the rows of a walk make."""
        columns: dict[str, dict[int, Any]] = {}
        stack: dict[int, list[int]] = {}
        for oid, value in rows.items():
            column, _, index = oid.rpartition(".")
            if column.startswith(oids.IF_STACK_STATUS):
                higher = int(column.rpartition(".")[2])
                if value == _ACTIVE and higher and int(index):  # 0 stands for nothing above, or below
                    stack.setdefault(higher, []).append(int(index))
            else:
                columns.setdefault(column, {})[int(index)] = value
        return cls(columns, {higher: tuple(lower) for higher, lower in stack.items()})

    def column(self, oid: str) -> Mapping[int, Any]:
        """The values of a column by index; empty where the agent has none."""
        return self.columns.get(oid, {})

    def number(self, oid: str, index: int) -> int:
        """A number of a row, 0 where it was not told."""
        return whole(self.column(oid).get(index))

    def interfaces(self) -> tuple[int, ...]:
        """The indices of all interfaces, in order."""
        rows = set(self.column(oids.IF_DESCR)) | set(self.column(oids.IF_TYPE)) | set(self.column(oids.IF_NAME))
        return tuple(sorted(rows))

    def speed_bps(self, index: int) -> int:
        """An interface's speed, 0 where unknown.

        The 32-bit gauge ends at 4,294,967,295 and then says only that the port is faster; the
        other one counts in units of 1,000,000 bit/s (RFC 2863, ifSpeed and ifHighSpeed).
        """
        high, low = self.number(oids.IF_HIGH_SPEED, index), self.number(oids.IF_SPEED, index)
        if high > 0 and not self.tells_bits_as_megabits(index):
            return min(high, SATURATED) * 1_000_000
        return 0 if low == SATURATED else max(low, 0)

    def tells_bits_as_megabits(self, index: int) -> bool:
        """Whether an agent put bit/s where Mbit/s belong: both gauges show one and the same number."""
        return self.number(oids.IF_HIGH_SPEED, index) == self.number(oids.IF_SPEED, index) >= 1_000_000
