"""Samples out of the replies to polls."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from snmp_rows import HC, NARROW, answered, attached, interface, planned, polled, scalars, store

from service.feeds.snmp import oids, plan, readings
from service.feeds.snmp.readings import Polled
from service.terms import COUNTERS, UNKNOWN, Counts, Form, OperStatus, Reply, Role


def by_port(parsed):
    return {parsed.ports[port].port: row for row, port in enumerate(parsed.samples.port)}


def told(parsed, port):
    row = by_port(parsed)[port]
    known = int(parsed.samples.known[row])
    return {name: int(parsed.samples.counters[row, place]) for place, name in enumerate(COUNTERS) if known >> place & 1}


def fact(parsed, port, name):
    return int(getattr(parsed.facts, name)[parsed.samples.facts[by_port(parsed)[port]]])


def one_port(**options):
    return scalars() | interface(3, "up1", **options) | attached(3, 1000)


class TestParsed:
    def test_tells_every_counter(self):
        assert told(readings.parsed([polled(store())]), "up1") == {
            "out_octets": 5_000_000_000,
            "in_octets": 6_000_000_000,
            "out_packets": 4_032,
            "in_packets": 5_043,
            "out_mcast_packets": 30,
            "in_mcast_packets": 40,
            "out_bcast_packets": 2,
            "in_bcast_packets": 3,
            "out_discards": 7,
            "in_discards": 8,
            "out_errors": 9,
            "in_errors": 10,
        }

    def test_tells_the_facts_of_the_moment(self):
        parsed = readings.parsed([polled(store())])
        facts = {name: fact(parsed, "up1", name) for name in vars(parsed.facts)}

        assert facts == {
            "speed_bps": 10**10,
            "counter_bits": 64,
            "counts": Counts.FRAME,
            "form": Form.COUNTER,
            "oper": OperStatus.UP,
            "role": Role.ACTIVE,
            "mac": 0x02005E200003,
            "mtu": 1500,
            "last_change_ticks": 1_200,
            "half_duplex": 0,
        }

    def test_takes_the_time_and_uptime_of_the_request_that_brought_the_octets(self):
        poll = planned(store())
        replies = [
            Reply(60_000 + 100 * step, 60_050 + 100 * step, reply.values | {plan.UPTIME: 900 + step})
            for step, reply in enumerate(answered(poll, store()))
        ]
        parsed = readings.parsed([Polled(poll, replies)])
        row = by_port(parsed)["up1"]

        assert parsed.samples.at_ms[row] == 60_025  # the middle of request and reply
        assert parsed.samples.received_ms[row] == 60_050
        assert parsed.samples.uptime_ticks[row] == 900
        assert parsed.samples.discontinuity_ticks[row] == 0

    def test_gives_siblings_one_instant(self):
        parsed = readings.parsed([polled(store(), apart_ms=400)])

        assert len({int(parsed.samples.at_ms[by_port(parsed)[port]]) for port in ("up1", "up2")}) == 1

    @given(st.lists(st.integers(0, 2**64 - 1), min_size=8, max_size=8))
    def test_keeps_64_bit_counters_to_the_octet_and_sums_modulo_2_64(self, numbers):
        counters = dict(zip(HC, numbers, strict=True))
        got = told(readings.parsed([polled(one_port(counters=counters))]), "up1")

        assert (got["out_octets"], got["in_octets"]) == tuple(numbers[:2])
        assert got["out_packets"] == sum(numbers[2::2]) % 2**64
        assert got["in_packets"] == sum(numbers[3::2]) % 2**64

    @given(st.lists(st.integers(0, 2**32 - 1), min_size=8, max_size=8))
    def test_sums_32_bit_packets_modulo_2_32(self, numbers):
        counters = dict(zip(NARROW, numbers, strict=True))
        got = told(readings.parsed([polled(one_port(counters=counters))]), "up1")

        assert got["out_packets"] == sum(numbers[2::2]) % 2**32

    def test_cuts_wide_packets_to_32_bits_beside_narrow_ones(self):
        wide = {oids.IF_HC_OUT_UCAST: 2**33 + 5, oids.IF_HC_OUT_MCAST: 2**32 + 1}
        octets = {column: HC[column] for column in (oids.IF_HC_OUT_OCTETS, oids.IF_HC_IN_OCTETS)}
        got = told(readings.parsed([polled(one_port(counters=octets | wide | {oids.IF_OUT_BCAST: 2**32 - 1}))]), "up1")

        # The low 32 bits of a 64-bit counter are its 32-bit twin (RFC 2863 section 3.1.6): 5 + 1 + 2^32 - 1.
        assert (got["out_packets"], got["out_mcast_packets"]) == (5, 1)
        assert got["out_octets"] == 5_000_000_000

    def test_cuts_packets_to_32_bits_beside_octets_of_32(self):
        octets = {column: NARROW[column] for column in (oids.IF_OUT_OCTETS, oids.IF_IN_OCTETS)}
        packets = {column: 2**32 + 7 for column in HC if column not in (oids.IF_HC_OUT_OCTETS, oids.IF_HC_IN_OCTETS)}
        parsed = readings.parsed([polled(one_port(counters=octets | packets))])

        assert fact(parsed, "up1", "counter_bits") == 32
        assert max(told(parsed, "up1").values()) < 2**32
        assert told(parsed, "up1")["out_packets"] == 21

    def test_tells_packets_only_where_all_three_kinds_are_there(self):
        lacking = {oid: value for oid, value in one_port().items() if not oid.startswith(f"{oids.IF_HC_OUT_BCAST}.")}
        got = told(readings.parsed([polled(lacking)]), "up1")

        assert "out_packets" not in got
        assert got["in_packets"] == 5_043
        assert got["out_mcast_packets"] == 30

    @pytest.mark.parametrize(
        ("low", "high", "speed"),
        [(0xFFFFFFFF, 10_000, 10**10), (10**8, 0, 10**8), (0xFFFFFFFF, 0, 0), (0, 0, 0)],
    )
    def test_tells_the_speed_of_the_moment(self, low, high, speed):
        rows = store() | {f"{oids.IF_SPEED}.3": low, f"{oids.IF_HIGH_SPEED}.3": high}

        assert fact(readings.parsed([polled(rows)]), "up1", "speed_bps") == speed

    def test_knows_half_duplex_from_the_walk(self):
        # dot3StatsDuplexStatus (RFC 3635): halfDuplex is 2, fullDuplex 3.
        half, full = (readings.parsed([polled(store() | {f"{oids.DUPLEX}.3": told})]) for told in (2, 3))

        assert (fact(half, "up1", "half_duplex"), fact(full, "up1", "half_duplex")) == (1, 0)

    def test_reads_an_operational_state_beyond_the_standard_as_not_told(self):
        poll = planned(store())
        replies = answered(poll, store() | {f"{oids.IF_OPER_STATUS}.3": 77})

        assert fact(readings.parsed([Polled(poll, replies)]), "up1", "oper") == OperStatus.NOT_TOLD

    def test_reads_many_devices_at_once_as_one_by_one(self):
        devices = [polled(store()), polled(one_port(counters=NARROW)), polled({}), polled(store(), at_ms=90_000)]
        for place, (poll, _) in enumerate(devices):
            object.__setattr__(poll, "device", f"sw-{place}")
        together = readings.parsed(devices).samples
        alone = [readings.parsed([poll]).samples for poll in devices]

        for column in ("at_ms", "known", "counters", "uptime_ticks", "received_ms", "discontinuity_ticks"):
            assert np.array_equal(getattr(together, column), np.concatenate([getattr(one, column) for one in alone]))

    def test_names_a_port_once_though_a_device_was_polled_twice(self):
        parsed = readings.parsed([polled(store()), polled(store(), at_ms=70_000)])

        assert [name.port for name in parsed.ports] == ["up1", "up2", "store"]
        assert sorted(parsed.samples.port.tolist()) == [0, 0, 1, 1, 2, 2]

    def test_of_nothing_is_nothing(self):
        assert len(readings.parsed([]).samples) == 0
        assert len(readings.parsed([polled({})]).samples) == 0

    @pytest.mark.parametrize("value", [None, "5", b"5", -1, 2**64, 1.5])
    def test_takes_what_is_no_counter_for_not_told(self, value):
        poll = planned(store())
        replies = answered(poll, store() | {f"{oids.IF_HC_OUT_OCTETS}.3": value})
        parsed = readings.parsed([Polled(poll, replies)])

        assert "out_octets" not in told(parsed, "up1")
        assert told(parsed, "up1")["in_octets"] == 6_000_000_000
        assert told(parsed, "up2")["out_octets"] == 5_000_000_000

    def test_joins_what_a_halved_request_brought(self):
        poll = planned(store())
        halves = [
            Reply(1_000, 1_002, {plan.UPTIME: 123_456} | {oid: reply.values[oid] for oid in part})
            for pdu, reply in zip(poll.pdus, answered(poll, store()), strict=True)
            for part in (pdu[1::2], pdu[2::2])
        ]
        whole, parts = readings.parsed([polled(store())]), readings.parsed([Polled(poll, halves)])

        assert np.array_equal(whole.samples.counters, parts.samples.counters)
        assert np.array_equal(whole.samples.known, parts.samples.known)


class TestGone:
    def without(self, index):
        return {oid: value for oid, value in store().items() if not oid.endswith(f".{index}")}

    def test_rows_make_no_sample_and_are_missed(self):
        poll = planned(store())
        polls = [Polled(poll, answered(poll, self.without(3)))]

        assert set(by_port(readings.parsed(polls))) == {"up2", "store"}
        assert readings.missing(polls) == (("sw-s1", "up1"),)

    def test_are_none_where_all_answered(self):
        assert readings.missing([polled(store())]) == ()

    def test_are_missed_in_halved_requests_too(self):
        poll = planned(store())
        halves = [
            Reply(0, 1, {plan.UPTIME: 1} | {oid: reply.values[oid] for oid in part if oid in reply.values})
            for pdu, reply in zip(poll.pdus, answered(poll, self.without(3)), strict=True)
            for part in (pdu[1::2], pdu[2::2])
        ]

        assert readings.missing([Polled(poll, halves)]) == (("sw-s1", "up1"),)

    def test_are_none_where_only_part_of_the_poll_came_back(self):
        poll = planned(store())
        polls = [Polled(poll, answered(poll, store())[:1])]

        assert readings.missing(polls) == ()


class TestRestart:
    def across(self, *uptimes):
        poll = planned(store())
        assert len(poll.pdus) == len(uptimes) == 2
        replies = [
            Reply(reply.sent_ms, reply.received_ms, reply.values | {plan.UPTIME: uptime})
            for reply, uptime in zip(answered(poll, store()), uptimes, strict=True)
        ]
        return readings.parsed([Polled(poll, replies)]).samples

    def test_between_the_requests_of_a_poll_discards_what_it_falls_across(self):
        assert len(self.across(5_000, 5_001)) == 3
        assert len(self.across(5_000, 12)) < 3

    def test_is_not_seen_in_an_uptime_that_comes_round(self):
        assert len(self.across(2**32 - 1, 1)) == 3

    def test_of_one_device_does_not_concern_the_next(self):
        later, earlier = polled(store()), polled(store() | scalars(uptime=5))
        object.__setattr__(earlier.plan, "device", "sw-s2")

        assert len(readings.parsed([later, earlier]).samples) == 6


class TestMarks:
    def test_say_when_tables_last_changed(self):
        assert readings.changed_marks(polled(store()).replies) == (500, 600, 700)

    def test_are_unknown_where_the_device_does_not_tell(self):
        rows = {oid: value for oid, value in store().items() if oid != plan.MARKS[2]}

        assert readings.changed_marks(polled(rows).replies) == (500, 600, UNKNOWN)
        assert readings.changed_marks([]) == (UNKNOWN, UNKNOWN, UNKNOWN)
