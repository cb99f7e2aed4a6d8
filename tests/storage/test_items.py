from dataclasses import replace

import pytest
from examples import EPOCH_MS
from item_examples import MINUTE_MS, PULL, a_conversation, a_reading, registered
from sqlalchemy import func, select

from service.storage import items, tables
from service.terms import EGRESS, INGRESS

HOUR_MS = 3_600_000


@pytest.fixture
def ports(connection):
    return registered(connection)


def of_ports(connection, ports, from_s=0, to_s=60):
    return items.of_ports(connection, ports, EGRESS, EPOCH_MS + 1000 * from_s, EPOCH_MS + 1000 * to_s)


def rates(found):
    return {(item.name, item.port): round(item.bps / 1e6, 3) for item in found.items}


class TestKeep:
    def test_keeps_what_was_told_once(self, connection, ports):
        placed = [(ports[0], a_reading("vm-1")), (ports[1], a_reading("vm-3", "m2"))]

        assert items.keep(connection, placed) == (2, 0)
        assert items.keep(connection, placed) == (0, 2)

    def test_believes_what_was_told_last(self, connection, ports):
        items.keep(connection, [(ports[0], a_reading(mbps=480))])

        assert items.keep(connection, [(ports[0], a_reading(mbps=400))]) == (1, 0)

        assert rates(of_ports(connection, ports)) == {("vm-1", "m1"): 400}

    def test_of_nothing_is_nothing(self, connection):
        assert items.keep(connection, []) == (0, 0)

    def test_knows_each_of_more_than_are_looked_up_at_once(self, connection, ports):
        told = [a_reading(from_s=60 * k, to_s=60 * k + 60) for k in range(items.KEYS_AT_ONCE + 300)]
        items.keep(connection, [(ports[0], one) for one in told])
        first_and_last = [(ports[0], told[0]), (ports[0], told[-1])]
        connection.execute(tables.items.update().where(tables.items.c.end_ms == told[-1].end_ms).values(octets=1))

        assert items.keep(connection, first_and_last) == (1, 1)
        assert items.keep(connection, [(ports[0], one) for one in told]) == (0, len(told))


class TestAdd:
    def test_adds_to_what_was_told_of_the_same_stretch(self, connection, ports):
        piece = (ports[0], a_conversation(mbps=100))

        items.add(connection, [piece, piece])
        items.add(connection, [piece])

        [item] = of_ports(connection, ports).items
        assert (item.bps, item.parts, item.endpoints) == (300e6, 1, PULL)

    def test_never_adds_up_to_more_than_a_column_holds(self, connection, ports):
        huge = (ports[0], replace(a_conversation(), octets=2**61))

        items.add(connection, [huge, huge, huge])
        items.add(connection, [huge])

        assert connection.scalar(select(tables.items.c.octets)) == items.MOST_OCTETS


class TestOfPorts:
    def test_tells_each_item_on_its_member_heaviest_first(self, connection, ports):
        told = [a_reading("vm-4", "m2", 4), a_reading("vm-1", mbps=480), a_reading("vm-2", mbps=472)]
        items.keep(connection, [(ports[0 if one.port == "m1" else 1], one) for one in told])

        found = of_ports(connection, ports)

        assert [(item.name, item.port, item.bps) for item in found.items] == [
            ("vm-1", "m1", 480e6),
            ("vm-2", "m1", 472e6),
            ("vm-4", "m2", 4e6),
        ]
        assert found.seconds == 60

    def test_apportions_octets_by_time(self, connection, ports):
        items.keep(connection, [(ports[0], a_reading(mbps=480, to_s=120))])

        found = of_ports(connection, ports, 90, 300)

        assert (rates(found), found.seconds) == ({("vm-1", "m1"): 480}, 30)

    def test_gives_what_ran_for_a_tenth_of_the_time_a_tenth_of_its_rate(self, connection, ports):
        told = [a_conversation("long", mbps=100, from_s=30 * k, to_s=30 * k + 30) for k in range(10)]
        items.keep(connection, [(ports[0], one) for one in [*told, a_conversation("short", mbps=100, to_s=30)]])

        assert rates(of_ports(connection, ports, 0, 300)) == {("long", "m1"): 100, ("short", "m1"): 10}

    def test_counts_stretches_that_overlap_once(self, connection, ports):
        told = [a_reading("vm-1", mbps=80, to_s=60), a_reading("vm-2", mbps=60, from_s=30, to_s=90)]
        items.keep(connection, [(ports[0], one) for one in told])

        found = of_ports(connection, ports, 0, 90)

        assert found.seconds == 90
        assert rates(found) == {("vm-1", "m1"): pytest.approx(53.333, abs=1e-3), ("vm-2", "m1"): 40}

    def test_tells_nothing_of_other_ports_directions_and_times(self, connection, ports):
        items.keep(connection, [(ports[0], a_reading())])

        assert of_ports(connection, ports[1:]) == ((), 0.0)
        assert of_ports(connection, ports, 60, 120) == ((), 0.0)
        assert items.of_ports(connection, ports, INGRESS, EPOCH_MS, EPOCH_MS + MINUTE_MS) == ((), 0.0)


class TestForgetBefore:
    def test_forgets_what_ended_before_in_slices(self, connection, ports):
        told = [a_reading(from_s=60 * k, to_s=60 * k + 60) for k in range(10)]
        items.keep(connection, [(ports[0], one) for one in told])

        removed = [items.forget_before(connection, EPOCH_MS + 8 * MINUTE_MS, 3) for _ in range(4)]

        assert removed == [3, 3, 1, 0]
        assert connection.scalar(select(func.count()).select_from(tables.items)) == 3
