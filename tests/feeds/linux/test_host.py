"""A host's reading. Sources: the kernel's documents that tests/linux_trees.py names."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.feeds import body
from service.feeds.columns import COLUMNS
from service.feeds.limits import IngestLimits
from service.feeds.linux.host import COUNTS, reading_of
from service.feeds.linux.interfaces import OPER
from service.feeds.linux.tree import HostTree
from service.pushing.host_files import tree_of
from service.terms import COUNTERS, OPER_WORDS, Counts

AT_MS = 1_795_600_000_250


@pytest.fixture
def bonded(host):
    counted = {"rx_bytes": 2**64 - 1, "tx_bytes": 5, "rx_packets": 3, "tx_packets": 4, "rx_dropped": 1}
    host.interface("p1", statistics=counted).interface("p2").bond("bond0", "802.3ad 4", "p1", "p2")
    return host


def reading(host, before=None):
    return reading_of(tree_of(host.root), (), AT_MS, before)


def sample(host, port="p1", before=None):
    return next(one for one in reading(host, before).samples("sm-07") if one["port"] == port)


class TestSamples:
    def test_are_taken_by_the_service_as_they_are(self, bonded):
        octets = json.dumps({"samples": reading(bonded).samples("sm-07")}).encode()

        parsed = body.parse(octets, body.JSON, "", IngestLimits())

        assert parsed.rejects == ()
        assert [(port.device, port.port, port.team, port.bundle) for port in parsed.ports] == [
            ("sm-07", "p1", "bond0", "lacp"),
            ("sm-07", "p2", "bond0", "lacp"),
        ]
        assert parsed.samples.at_ms.tolist() == [AT_MS, AT_MS]
        assert parsed.samples.counters[0, COUNTERS.index("in_octets")] == 2**64 - 1
        assert parsed.facts.counts.tolist() == [Counts.NO_FCS]

    def test_hold_the_kernels_counters(self, bonded):
        told = sample(bonded)

        assert (told["in_octets"], told["out_octets"]) == (2**64 - 1, 5)
        assert (told["in_packets"], told["out_packets"]) == (3, 4)
        assert (told["in_discards"], told["counts"], told["counter_bits"]) == (1, COUNTS, 64)

    def test_have_columns_of_the_counter_file_only(self, bonded):
        assert set(sample(bonded)) <= set(COLUMNS)

    def test_have_the_address_that_the_port_came_with(self, bonded):
        bonded.slave("p1", perm_hwaddr="02:00:00:00:ab:cd")

        assert sample(bonded)["mac"] == "02:00:00:00:ab:cd"

    @pytest.mark.parametrize(
        ("speed", "told"), [("1000", 10**9), ("400000", 4 * 10**11), ("-1", None), ("4294967295", None), ("0", None)]
    )
    def test_leave_a_speed_out_that_the_driver_does_not_know(self, bonded, speed, told):
        bonded.write("sys/class/net/p1/speed", speed)

        assert sample(bonded).get("speed_bps") == told

    def test_leave_out_what_cannot_be_read(self, bonded):
        for name in ("speed", "duplex", "statistics/rx_errors"):
            (bonded.root / "sys/class/net/p1" / name).unlink()

        assert not {"speed_bps", "duplex", "in_errors"} & set(sample(bonded))

    # The states are IF_OPER_* of include/uapi/linux/if.h as sysfs-class-net lists them; their words are RFC 2863's.
    @pytest.mark.parametrize("state", ["unknown", "notpresent", "down", "lowerlayerdown", "testing", "dormant", "up"])
    def test_say_the_state_in_the_words_of_the_service(self, bonded, state):
        bonded.write("sys/class/net/p1/operstate", f"{state}\n")

        assert sample(bonded)["oper_status"].lower() == state
        assert OPER[state] in OPER_WORDS


class TestUptime:
    def test_is_in_hundredths_of_a_second(self, bonded):
        assert sample(bonded)["uptime_ticks"] == 1_234_567

    # TimeTicks of RFC 2578 section 7.1.8: modulo 2^32.
    @pytest.mark.parametrize(
        ("text", "ticks"),
        [("42949672.95 1.00", 2**32 - 1), ("42949672.96 1.00", 0), ("7 1", 700), ("7.5 1", 750), ("", None)],
    )
    def test_rolls_over_as_that_of_agents_does(self, text, ticks):
        assert HostTree({}, uptime=text).uptime_ticks() == ticks


class TestLastChange:
    def test_is_not_told_at_first(self, bonded):
        assert "last_change_ticks" not in sample(bonded)

    def test_is_the_uptime_at_which_the_carrier_was_seen_to_have_moved(self, bonded):
        first = reading(bonded).carriers
        bonded.write("sys/class/net/p1/carrier_changes", "3\n")
        bonded.write("proc/uptime", "20000.00 1.00\n")
        second = reading(bonded, first)
        bonded.write("proc/uptime", "20010.00 1.00\n")

        assert sample(bonded, "p1", second.carriers)["last_change_ticks"] == 2_000_000
        assert "last_change_ticks" not in sample(bonded, "p2", second.carriers)

    def test_is_forgotten_where_the_interface_was_made_anew(self, bonded):
        before = reading(bonded).carriers
        bonded.write("sys/class/net/p1/carrier_changes", "3\n")
        bonded.write("sys/class/net/p1/ifindex", "99\n")

        assert "last_change_ticks" not in sample(bonded, "p1", before)


class TestAnything:
    @given(st.dictionaries(st.sampled_from(["speed", "mtu", "address", "ifindex", "operstate"]), st.text(max_size=20)))
    def test_in_the_files_is_read_or_left_out(self, files):
        from service.feeds.linux.tree import Interface

        bond = Interface("bond0", {"bonding/mode": "802.3ad 4", "bonding/slaves": "p1"})
        port = Interface("p1", files, master="bond0", has_device=True)

        told = reading_of(HostTree({"bond0": bond, "p1": port}), (), AT_MS).samples("sm-07")

        assert all(name in COLUMNS for one in told for name in one)
