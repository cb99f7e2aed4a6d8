"""The whole road on a real kernel: its hash, its counters, a real agent, the service, a signed message.

What is compared with: the counters of the kernel, read past the agent and the service; the rates at which the senders
were told to send; the reference library of Standard Webhooks.
"""

import bisect
import os

import pytest
from lab import check, story
from lab.links import BPS
from lab.namespaces import existing
from lab.serving import DEVICES
from walks.road import is_signed

pytestmark = pytest.mark.skipif(bool(check.lacking()), reason=check.lacking())

HEADERS = 42  # Ethernet 14, IPv4 20, UDP 8: what a veth counts of a frame besides the payload
# How far apart in time a poll's middle and the moment at which the agent read the counter may lie.
SLACK_MS = 100


@pytest.fixture(scope="module")
def collided(tmp_path_factory):
    return story.collide_and_spread(tmp_path_factory.mktemp("collided"), print)


@pytest.fixture(scope="module")
def pulled(tmp_path_factory):
    return story.lose_a_member(tmp_path_factory.mktemp("pulled"), print)


def between(told, samples):
    """For each sample what the kernel counted just before and just after it."""
    ends = [reading.until_ms for reading in told.readings]
    for sample in samples:
        before = bisect.bisect_left(ends, sample.at_ms - SLACK_MS) - 1
        after = bisect.bisect_left([reading.from_ms for reading in told.readings], sample.at_ms + SLACK_MS)
        if before >= 0 and after < len(told.readings):
            yield sample, told.readings[before].octets[sample.port], told.readings[after].octets[sample.port]


def rate_bps(told, port, span, device="lab-private"):
    """The mean rate of a member over a span, by the samples that the service kept."""
    start, end = told.spans_ms[span]
    first, *_, last = [kept for kept in told.samples if kept[:2] == (device, port) and start <= kept.at_ms <= end]
    return (last.out_octets - first.out_octets) * 8000 / (last.at_ms - first.at_ms)


class TestCollideAndSpread:
    def test_finds_the_team_uneven_and_names_both_members(self, collided):
        for finding in collided.raised:
            assert (finding["kind"], finding["direction"]) == ("uneven", "egress")
            assert [hot["port"] for hot in finding["hot"]] == ["p1"]
            assert [idle["port"] for idle in finding["idle"]] == ["p2"]

    def test_sees_the_full_wire_as_full(self, collided):
        """98.4 % by octets counted: 1442 + 24 octets a frame on the wire (IEEE 802.3) are all there is room for."""
        for finding in collided.raised:
            assert finding["peak"] == pytest.approx(1, abs=0.02)
            assert finding["discard_ratio"] > 0

    def test_is_over_once_ports_are_hashed(self, collided):
        assert {finding["id"] for finding in collided.over} == {finding["id"] for finding in collided.raised}

    def test_tells_the_beginning_and_the_end_signed(self, collided):
        assert len(collided.heard) == 2 * len(collided.raised)
        assert all(is_signed(message) for message in collided.heard)
        assert "p1" in collided.texts()[0]
        assert "over" in collided.texts()[-1]

    def test_keeps_what_the_kernel_counted(self, collided):
        compared = list(between(collided, collided.samples))

        assert len(compared) >= len(DEVICES) * 2 * 20
        for sample, before, after in compared:
            assert before[0] <= sample.in_octets <= after[0]
            assert before[1] <= sample.out_octets <= after[1]

    def test_keeps_the_last_octet_once_all_is_still(self, collided):
        for port, (received, sent) in collided.readings[-1].octets.items():
            for device in DEVICES:
                last = [kept for kept in collided.samples if kept[:2] == (device, port)][-1]

                assert (last.in_octets, last.out_octets) == (received, sent)

    def test_spreads_at_the_rates_at_which_was_sent(self, collided):
        """p1: 9.5 + 0.25 Mbit/s of frames; p2: 8.5 + 0.25, and 2 of TCP payload in frames of 66 octets more."""
        assert rate_bps(collided, "p1", "spread") == pytest.approx(9.75e6, rel=0.03)
        assert rate_bps(collided, "p2", "spread") == pytest.approx(8.75e6 + 2e6 * 1466 / 1400, rel=0.03)

    def test_leaves_nothing_behind(self, collided):
        # Of this process: another may have its laboratory at the same time.
        assert not [name for name in existing() if name.startswith(f"lopside-lab-{os.getpid()}-")]


class TestLoseAMember:
    def test_raises_nothing(self, pulled):
        assert pulled.raised == []
        assert pulled.heard == []

    def test_moves_what_the_lost_member_carried(self, pulled):
        """5 and 5.5 Mbit/s of frames, as told to the senders."""
        assert rate_bps(pulled, "p1", "both") == pytest.approx(5.0e6, rel=0.03)
        assert rate_bps(pulled, "p1", "one") == pytest.approx(10.5e6, rel=0.03)
        assert rate_bps(pulled, "p2", "one") == pytest.approx(0, abs=BPS / 1000)
        assert rate_bps(pulled, "p2", "both again") == pytest.approx(5.5e6, rel=0.03)

    @pytest.mark.parametrize(("when", "role"), [("both", "active"), ("one", "out"), ("both again", "active")])
    def test_believes_the_member_out_while_it_has_no_carrier(self, pulled, when, role):
        assert pulled.roles[when] == {"p1": {"active"}, "p2": {role}}

    def test_counts_each_frame_that_arrived(self, pulled):
        arrived = sum(counts.got_pieces * (1400 + HEADERS) for counts in pulled.counts.values())
        last = {kept.port: kept.out_octets for kept in pulled.samples}

        assert sum(last.values()) == arrived
