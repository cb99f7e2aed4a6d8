"""One reading after the other, on files written by the test as the kernel's documents describe them."""

from __future__ import annotations

import json
import os

import linux_trees
import pytest
import structlog

from service.feeds.linux.routes import MultipathRoute
from service.pushing.netlink import Links
from service.pushing.reader import LINKS_EVERY_MS, Reader


@pytest.fixture
def host(tmp_path):
    return linux_trees.Host(tmp_path).interface("p1").interface("p2")


@pytest.fixture
def asked():
    return []


@pytest.fixture
def reader(host, clock, asked):
    def links():
        asked.append(clock())
        return Links((MultipathRoute("ipv4", ("p1", "p2")),))

    return Reader(host.root, "sm-01", clock, links)


class TestReader:
    def test_makes_a_batch_of_one_reading(self, reader, clock):
        told = json.loads(reader.body())["samples"]

        assert [(one["device"], one["port"], one["team"]) for one in told] == [
            ("sm-01", "p1", "p1+p2"),
            ("sm-01", "p2", "p1+p2"),
        ]
        assert {one["time"] for one in told} == {clock() / 1000}

    def test_has_nothing_to_say_of_a_host_without_teams(self, reader):
        reader.links = lambda: Links(trouble="the kernel's routes cannot be read: no netlink")

        with structlog.testing.capture_logs() as lines:
            assert reader.body() == b""
            assert reader.body() == b""

        assert [line["event"] for line in lines] == ["teams of this host", "left out"]

    def test_asks_for_routes_once_a_minute(self, reader, clock, asked):
        reader.body()
        clock.forward(LINKS_EVERY_MS - 1)
        reader.body()
        assert len(asked) == 1

        clock.forward(1)
        reader.body()
        assert len(asked) == 2

    def test_remembers_carriers_from_reading_to_reading(self, reader, host):
        reader.body()
        host.write("sys/class/net/p2/carrier_changes", "5\n")

        told = {one["port"]: one.get("last_change_ticks") for one in json.loads(reader.body())["samples"]}

        assert told == {"p1": None, "p2": 1_234_567}

    def test_says_it_when_teams_change(self, reader, host, clock):
        with structlog.testing.capture_logs() as lines:
            reader.body()
            host.interface("p3").interface("p4").bond("bond0", "802.3ad 4", "p3", "p4")
            reader.body()
            reader.body()

        assert [len(line["teams"]) for line in lines] == [1, 2]

    def test_leaves_out_an_interface_whose_name_is_not_utf_8(self, reader, host):
        """The kernel takes such names: dev_valid_name of net/core/dev.c, from memory; and so it was seen to do."""
        host.interface("p9").interface("p3").bond("bond0", "802.3ad 4", "p9", "p3")
        net = host.root / "sys/class/net"
        (net / "p9").rename(net / os.fsdecode(b"p\xff"))
        (net / "bond0/bonding/slaves").write_bytes(b"p\xff p3\n")

        with structlog.testing.capture_logs() as lines:
            told = json.loads(reader.body())["samples"]

        assert [one["port"] for one in told] == ["p3", "p1", "p2"]
        assert [line["why"] for line in lines if line["event"] == "left out"] == [
            "the interface p\\xff has a name that is not UTF-8; left out"
        ]
        json.dumps([told, lines], ensure_ascii=False).encode()  # a lone surrogate would not become octets
