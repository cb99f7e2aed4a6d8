"""The rows of a walk, by column and index."""

import pytest
from snmp_rows import interface, stacked

from service.feeds.snmp import oids
from service.feeds.snmp.tables import Tables


class TestOf:
    def test_lists_the_lower_interfaces_of_each_higher_one(self):
        assert Tables.of(stacked(50, 1, 2)).stack == {50: (1, 2)}

    def test_leaves_out_rows_that_are_not_active(self):
        assert Tables.of({f"{oids.IF_STACK_STATUS}.50.1": 2}).stack == {}  # notInService (RFC 2579)

    def test_knows_every_interface_once(self):
        assert Tables.of(interface(7) | interface(3)).interfaces() == (3, 7)


class TestSpeed:
    @pytest.mark.parametrize(
        ("low", "high", "speed"),
        [
            (1_000_000_000, 1_000, 10**9),
            (0xFFFFFFFF, 10_000, 10**10),
            (0xFFFFFFFF, 0, 0),  # only that it is faster than 4.29 Gbit/s (RFC 2863, ifSpeed)
            (100_000_000, 0, 10**8),
            (0, 0, 0),
            (1_000_000_000, 10_000, 10**10),
            (100_000_000, 100_000_000, 10**8),  # bit/s in the column of Mbit/s
        ],
    )
    def test_comes_from_the_better_gauge(self, low, high, speed):
        rows = {f"{oids.IF_SPEED}.1": low, f"{oids.IF_HIGH_SPEED}.1": high}

        assert Tables.of(rows).speed_bps(1) == speed
