import pytest
from examples import EPOCH_MS
from hypothesis import given
from hypothesis import strategies as st

from service.feeds.items_flows import MOST_OCTETS, Flow
from service.records import slots
from service.records.slots import SLOT_MS, WAIT_MS, Slots
from service.storage.exporters import Place
from service.terms import EGRESS, Endpoints

M1 = (Place(1, "sm-07", "m1"), EGRESS)
NOW_MS = EPOCH_MS + 60_000


def a_flow(octets=3000, from_s=0, to_s=30, port=49_152):
    ends = Endpoints("192.0.2.10", "198.51.100.7", 6, port, 2049)
    return Flow(0, 11, 1, octets, 2, round(EPOCH_MS + 1000 * from_s), round(EPOCH_MS + 1000 * to_s), ends)


def all_of(held):
    return [reading for _, reading in held.due(NOW_MS, everything=True)]


class TestSlots:
    def test_share_a_flow_out_by_time(self):
        held = Slots()
        held.add(M1, a_flow(6000, from_s=15, to_s=75), "ipfix", NOW_MS + 60_000)

        told = [(reading.start_ms - EPOCH_MS, reading.octets) for reading in all_of(held)]

        assert told == [(0, 1500), (30_000, 3000), (60_000, 1500)]

    @given(st.integers(1, 10**15), st.integers(0, 10**6), st.integers(1, 3_600_000))
    def test_share_out_each_octet_once(self, octets, begins_ms, lasts_ms):
        flow = a_flow(octets)._replace(start_ms=EPOCH_MS + begins_ms, end_ms=EPOCH_MS + begins_ms + lasts_ms)
        held = Slots()

        assert held.add(M1, flow, "ipfix", flow.end_ms)

        assert sum(reading.octets for reading in all_of(held)) == octets

    def test_are_due_when_late_records_had_their_time(self):
        held = Slots()
        held.add(M1, a_flow(), "ipfix", NOW_MS)
        ended_ms = EPOCH_MS + SLOT_MS

        assert held.due(ended_ms + WAIT_MS - 1) == []
        assert len(held.due(ended_ms + WAIT_MS)) == 1
        held.drop(ended_ms + WAIT_MS)
        assert all_of(held) == []

    @pytest.mark.parametrize(("count", "named", "parts"), [(64, 64, 0), (65, 64, 1), (100, 64, 36)])
    def test_name_the_heaviest_and_sum_up_the_rest(self, count, named, parts):
        held = Slots()
        for number in range(count):
            held.add(M1, a_flow(1000 + number, port=1 + number), "ipfix", NOW_MS)

        told = all_of(held)

        rest = [reading for reading in told if not reading.name]
        assert len(told) - len(rest) == named
        assert sum(reading.octets for reading in told) == sum(1000 + number for number in range(count))
        assert [(one.parts, one.octets) for one in rest] == [(parts, sum(range(1000, 1000 + parts)))] * bool(parts)

    def test_hold_no_more_than_they_may(self, monkeypatch):
        monkeypatch.setattr(slots, "MOST_HELD", 10)
        held = Slots()
        for number in range(25):
            held.add(M1, a_flow(1000, port=1 + number), "ipfix", NOW_MS)

        told = all_of(held)

        assert sorted((reading.parts, reading.octets) for reading in told) == [(1, 1000)] * 10 + [(15, 15_000)]

    @pytest.mark.parametrize(
        ("from_s", "to_s", "is_taken"),
        [(0, 120, True), (0, 121, False), (-3540, 60, True), (-3541, 60, False), (-3600, -3541, False)],
    )
    def test_refuse_times_that_cannot_be_true(self, from_s, to_s, is_taken):
        assert Slots().add(M1, a_flow(from_s=from_s, to_s=to_s), "ipfix", NOW_MS) is is_taken

    def test_hold_what_a_column_holds_though_somebody_sends_more(self):
        held = Slots()
        for _ in range(2000):
            held.add(M1, a_flow(MOST_OCTETS), "ipfix", NOW_MS)

        assert [reading.octets for reading in all_of(held)] == [MOST_OCTETS]
