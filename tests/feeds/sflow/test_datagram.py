import struct
from collections import Counter
from contextlib import suppress

import pytest
from datagrams import HEAD, captured, flow_sample, opaque, sflow
from hypothesis import given
from hypothesis import strategies as st

from service.errors import BrokenDatagram
from service.feeds.items_flows import EGRESS_SIDE, INGRESS_SIDE, UNKNOWN_SIDE, name_of
from service.feeds.sflow.datagram import Agent, read

AT_MS = 1_795_600_860_000
PULL = "192.0.2.10:49152 > 198.51.100.7:2049 tcp"


def one(*samples):
    [flow] = read(sflow(*samples), Agent(), AT_MS).flows
    return flow


class TestCapture:
    def test_names_the_conversations_and_scales_their_packets(self):
        agent, packets, lost = Agent(), Counter(), 0
        for octets in captured("sflow", "sampled"):
            told = read(octets, agent, AT_MS)
            lost += told.lost
            for flow in told.flows:
                packets[name_of(flow.endpoints)] += flow.packets

        # 100 datagrams passed over UDP (see captures/README.md); one packet in ten of all was sampled.
        assert packets["192.0.2.10:50000 > 198.51.100.7:5353 udp"] == pytest.approx(100, abs=30)
        assert set(packets) >= {PULL, "[2001:db8::10]:49152 > [2001:db8::7]:2049 tcp"}
        assert lost == 0


class TestRead:
    @pytest.mark.parametrize("expanded", [False, True])
    def test_reads_a_sample_with_its_interfaces(self, expanded):
        flow = one(flow_sample(rate=1000, expanded=expanded))

        # The size of the frame has its header and check sequence in it (specification, struct sampled_header).
        assert (flow.octets, flow.packets) == (1_518_000, 1000)
        assert (flow.in_index, flow.out_index, flow.side) == (11, 12, INGRESS_SIDE)
        assert (flow.start_ms, flow.end_ms) == (AT_MS - 1000, AT_MS)
        assert name_of(flow.endpoints) == PULL
        assert flow.endpoints.source_mac == "00:00:5e:00:53:01"

    @pytest.mark.parametrize(("source", "side"), [(11, INGRESS_SIDE), (12, EGRESS_SIDE), (13, UNKNOWN_SIDE)])
    def test_says_at_which_side_it_was_sampled(self, source, side):
        assert one(flow_sample(source=source)).side == side

    @pytest.mark.parametrize("out", [1 << 30 | 12, 2 << 30 | 3, 0x3FFF_FFFF])
    def test_knows_no_interface_where_dropped_sent_to_several_or_kept(self, out):
        assert one(flow_sample(out_index=out)).out_index == 0

    def test_looks_behind_tags(self):
        head = HEAD[:12] + bytes.fromhex("8100000a") + HEAD[12:]

        assert name_of(one(flow_sample(head=head)).endpoints) == PULL

    def test_reads_no_ports_of_a_later_fragment(self):
        head = HEAD[:20] + bytes.fromhex("0010") + HEAD[22:]

        assert name_of(one(flow_sample(head=head)).endpoints) == "192.0.2.10 > 198.51.100.7 tcp"

    @pytest.mark.parametrize("length", range(0, 54, 7))
    def test_reads_as_much_as_the_head_holds(self, length):
        assert one(flow_sample(head=HEAD[:length])).octets == 1_518_000

    def test_passes_over_counters_and_what_it_does_not_know(self):
        counters = struct.pack("!I", 2) + opaque(bytes(40))
        foreign = struct.pack("!I", 4413 << 12 | 1) + opaque(b"anything")

        assert one(counters, flow_sample(), foreign).octets == 1_518_000

    def test_counts_datagrams_that_were_lost(self):
        agent = Agent()

        told = [read(sflow(sequence=at), agent, AT_MS).lost for at in (5, 6, 9, 8, 10, 1, 2)]

        assert told == [0, 0, 2, 0, 0, 0, 0]


class TestRefusals:
    @pytest.mark.parametrize(
        ("octets", "said"),
        [
            (b"", "ends too soon"),
            (struct.pack("!I", 4) + sflow()[4:], "version 4"),
            (struct.pack("!II", 5, 3), "address of no known kind"),
            (sflow(flow_sample())[:-1], "ends too soon"),
            (sflow(struct.pack("!II", 1, 2**32 - 1)), "ends too soon"),
        ],
    )
    def test_say_what_is_the_matter(self, octets, said):
        with pytest.raises(BrokenDatagram, match=said):
            read(octets, Agent(), AT_MS)

    def test_come_at_once_however_many_samples_are_claimed(self):
        claimed = struct.pack("!II4sIIII", 5, 1, bytes(4), 0, 1, 1, 2**32 - 1)

        with pytest.raises(BrokenDatagram, match="too soon"):
            read(claimed, Agent(), AT_MS)

    @given(st.data())
    def test_are_all_that_damage_brings_about(self, data):
        hurt = bytearray(sflow(flow_sample(), flow_sample(expanded=True)))
        for _ in range(data.draw(st.integers(1, 8))):
            hurt[data.draw(st.integers(0, len(hurt) - 1))] = data.draw(st.integers(0, 255))
        with suppress(BrokenDatagram):
            read(bytes(hurt), Agent(), AT_MS)
