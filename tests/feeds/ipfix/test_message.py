import struct
from collections import Counter
from contextlib import suppress

import pytest
from datagrams import PLAIN, PLAIN_TEMPLATE, captured, ipfix, ipfix_set, plain_record, template
from hypothesis import given
from hypothesis import strategies as st

from service.errors import BrokenDatagram
from service.feeds.ipfix.message import Exporter, read
from service.feeds.items_flows import name_of

START_MS, END_MS = 1_795_600_800_000, 1_795_600_860_000
PULL = "192.0.2.10:49152 > 198.51.100.7:2049 tcp"
# Counted from the captured frames themselves, see captures/README.md.
FRAMES = {
    PULL: (3_148_126, 2105),
    "198.51.100.7:2049 > 192.0.2.10:49152 tcp": (20_110, 287),
    "[2001:db8::10]:49152 > [2001:db8::7]:2049 tcp": (532_878, 365),
    "[2001:db8::7]:2049 > [2001:db8::10]:49152 tcp": (14_510, 161),
    "192.0.2.10:50000 > 198.51.100.7:5353 udp": (104_600, 100),
}
FIRST_MS, LAST_MS = 1_795_636_394_892, 1_795_636_396_788


def flows_of(datagrams):
    exporter = Exporter()
    return [flow for octets in datagrams for flow in read(octets, exporter).flows]


class TestCaptures:
    @pytest.mark.parametrize("capture", ["full", "hardware", "both-ways"])
    def test_are_read_to_the_octet(self, capture):
        octets, packets = Counter(), Counter()
        for flow in flows_of(captured("ipfix", capture)):
            octets[name_of(flow.endpoints)] += flow.octets
            packets[name_of(flow.endpoints)] += flow.packets

        assert {name: (octets[name], packets[name]) for name in octets} == FRAMES

    @pytest.mark.parametrize("capture", ["full", "both-ways"])
    def test_are_of_the_time_when_the_frames_passed(self, capture):
        [pull] = [flow for flow in flows_of(captured("ipfix", capture)) if name_of(flow.endpoints) == PULL]

        # Uptime has its beginning told in seconds and read in milliseconds, some of them apart.
        assert abs(pull.start_ms - FIRST_MS) <= 10
        assert abs(pull.end_ms - LAST_MS) <= 10

    def test_of_one_packet_in_ten_are_scaled(self):
        told = Counter()
        for flow in flows_of(captured("ipfix", "sampled")):
            told[name_of(flow.endpoints)] += flow.packets

        # 2105 and 287 packets passed; every tenth of all was metered.
        assert told[PULL] == 1880
        assert sum(told.values()) == pytest.approx(3018, abs=10)


class TestRead:
    def test_reads_a_record_by_its_template(self):
        told = ipfix(PLAIN_TEMPLATE, ipfix_set(256, plain_record(1_500_000, 1000, START_MS, END_MS)))

        [flow] = flows_of([told])

        # octetDeltaCount is of IP packets (RFC 5102): 18 octets of Ethernet come to each.
        assert (flow.octets, flow.packets) == (1_518_000, 1000)
        assert (flow.in_index, flow.out_index, flow.start_ms, flow.end_ms) == (0, 11, START_MS, END_MS)
        assert name_of(flow.endpoints) == PULL

    def test_waits_for_the_template_and_remembers_it(self):
        record = ipfix_set(256, plain_record(1500, 1, START_MS, END_MS))
        exporter = Exporter()

        assert read(ipfix(record), exporter).unknown_sets == 1
        assert read(ipfix(PLAIN_TEMPLATE), exporter).records == 0
        assert read(ipfix(record), exporter).records == 1

    def test_keeps_templates_of_domains_apart(self):
        exporter = Exporter()
        read(ipfix(PLAIN_TEMPLATE, domain=1), exporter)

        assert read(ipfix(ipfix_set(256, plain_record(1, 1, 0, 1)), domain=2), exporter).unknown_sets == 1

    @pytest.mark.parametrize("number", [256, 2])
    def test_passes_over_withdrawals(self, number):
        # RFC 7011 section 8.4: over UDP none may be sent, and a collecting process must ignore them.
        exporter = Exporter()
        read(ipfix(PLAIN_TEMPLATE), exporter)
        read(ipfix(ipfix_set(2, struct.pack("!HH", number, 0))), exporter)

        assert read(ipfix(ipfix_set(256, plain_record(1, 1, 0, 1))), exporter).unknown_sets == 0

    def test_replaces_a_template_that_is_told_anew(self):
        exporter = Exporter()
        read(ipfix(PLAIN_TEMPLATE), exporter)
        read(ipfix(ipfix_set(2, template(256, (352, 4), (14, 2)))), exporter)

        [flow] = read(ipfix(ipfix_set(256, struct.pack("!IH", 6400, 12))), exporter).flows

        assert (flow.octets, flow.out_index) == (6400, 12)

    @pytest.mark.parametrize("name", [b"short", b"l" * 300])
    def test_reads_fields_of_variable_length_and_of_enterprises(self, name):
        # Lengths below 255 stand in one octet, others in three (RFC 7011 section 7).
        length = bytes([len(name)]) if len(name) < 255 else b"\xff" + struct.pack("!H", len(name))
        told = ipfix_set(2, template(300, (82, 0xFFFF), (17, 4, 32_473), (1, 4), (2, 4)))
        record = length + name + b"abcd" + struct.pack("!II", 1500, 1)

        [first, second] = flows_of([ipfix(told, ipfix_set(300, 2 * record))])

        assert first == second
        assert first.octets == 1518

    def test_passes_over_padding(self):
        record = plain_record(1500, 1, START_MS, END_MS)

        assert len(flows_of([ipfix(PLAIN_TEMPLATE, ipfix_set(256, record + bytes(3)))])) == 1

    def test_scales_by_the_sampling_that_options_tell(self):
        options = struct.pack("!HHH", 400, 3, 1) + struct.pack("!HHHHHH", 149, 4, 305, 4, 306, 4)
        told = ipfix(
            PLAIN_TEMPLATE,
            ipfix_set(3, options),
            ipfix_set(400, struct.pack("!III", 1, 1, 99)),
            ipfix_set(256, plain_record(1482, 1, START_MS, END_MS)),
        )

        # RFC 5477: one packet is metered, then 99 are not.
        [flow] = flows_of([told])
        assert (flow.octets, flow.packets) == (150_000, 100)

    @pytest.mark.parametrize(
        ("elements", "values"),
        [
            (((150, 4), (151, 4)), struct.pack("!II", 1_795_600_800, 1_795_600_860)),
            (((154, 8), (155, 8)), struct.pack("!IIII", 4_004_589_600, 0, 4_004_589_660, 0)),
            (((158, 4), (159, 4)), struct.pack("!II", 60_000_000, 0)),
        ],
    )
    def test_reads_instants_in_each_form(self, elements, values):
        # Seconds since 1970; since 1900 with a fraction (1970 is 2,208,988,800 s of it, RFC 5905); microseconds back.
        told = ipfix(ipfix_set(2, template(256, (352, 4), *elements)), ipfix_set(256, struct.pack("!I", 6400) + values))

        [flow] = flows_of([told])

        assert (flow.start_ms, flow.end_ms) == (START_MS, END_MS)

    def test_counts_records_lost_by_sequence(self):
        exporter = Exporter()
        record = ipfix_set(256, plain_record(1, 1, START_MS, END_MS))
        read(ipfix(PLAIN_TEMPLATE, record, sequence=10), exporter)

        assert [read(ipfix(record, sequence=at), exporter).lost for at in (11, 15, 14, 16)] == [0, 3, 0, 0]

    def test_does_not_take_an_exporter_that_began_anew_for_loss(self):
        exporter = Exporter()
        record = ipfix_set(256, plain_record(1, 1, START_MS, END_MS))

        told = [read(ipfix(PLAIN_TEMPLATE, record, sequence=at), exporter).lost for at in (2_000_000_000, 0, 1)]

        assert told == [0, 0, 0]


class TestRefusals:
    @pytest.mark.parametrize(
        ("octets", "said"),
        [
            (b"", "shorter than a header"),
            (struct.pack("!HHIII", 9, 16, 0, 0, 0), "version 9"),
            (ipfix()[:-1] + b"\0\0", "16 octets and has 17"),
            (ipfix(b"\0\2\0\3"), "do not fit"),
            (ipfix(b"\0\2\0\xff"), "do not fit"),
            (ipfix(ipfix_set(17, b"")), "reserved"),
            (ipfix(ipfix_set(2, struct.pack("!HHHH", 255, 1, 1, 4))), "template 255"),
            (ipfix(ipfix_set(2, struct.pack("!HHHH", 256, 1, 1, 0))), "of no length"),
            (ipfix(ipfix_set(2, template(256, (1, 4), (82, 0)))), "of no length"),
            (ipfix(ipfix_set(2, template(256, (4, 1))), ipfix_set(256, bytes(5001))), "more than 5000 records"),
            (ipfix(ipfix_set(2, struct.pack("!HHHH", 256, 2, 1, 4))), "ends within a template"),
            (ipfix(ipfix_set(3, struct.pack("!HHH", 256, 1, 0))), "without a scope"),
        ],
    )
    def test_say_what_is_the_matter(self, octets, said):
        with pytest.raises(BrokenDatagram, match=said):
            read(octets, Exporter())

    def test_end_a_record_that_claims_more_than_there_is(self):
        told = ipfix(ipfix_set(2, template(256, (82, 0xFFFF))), ipfix_set(256, b"\x20abc"))

        with pytest.raises(BrokenDatagram, match="within a record"):
            read(told, Exporter())

    @given(st.lists(st.binary(max_size=80), max_size=4), st.integers(0, 2**32 - 1))
    def test_are_all_that_foreign_sets_bring_about(self, bodies, sequence):
        exporter = Exporter()
        for number, body in enumerate(bodies):
            with suppress(BrokenDatagram):
                read(ipfix(ipfix_set((2, 3, 256, 400)[number], body), sequence=sequence), exporter)

    @given(st.data())
    def test_are_all_that_damage_brings_about(self, data):
        exporter = Exporter()
        for octets in captured("ipfix", "full"):
            hurt = bytearray(octets)
            for _ in range(data.draw(st.integers(1, 8))):
                hurt[data.draw(st.integers(0, len(hurt) - 1))] = data.draw(st.integers(0, 255))
            with suppress(BrokenDatagram):
                read(bytes(hurt), exporter)


def test_the_plain_template_is_as_long_as_its_records():
    assert sum(length for _, length in PLAIN) == len(plain_record(1, 1, 0, 1))
