import socket
import time
from contextlib import closing, suppress

import pytest
from datagrams import PLAIN_TEMPLATE, flow_sample, ipfix, ipfix_set, plain_record, sflow
from examples import EPOCH_MS
from item_examples import registered

from service.errors import WrongSetting
from service.records.hearing import Hearing
from service.records.receiving import Door, dropped, plain, receiving
from service.storage import exporters, items
from service.terms import EGRESS

NOW_MS = EPOCH_MS + 60_000
LOOPBACK = "127.0.0.1"
PATIENCE_S = 10


def doors(*ports):
    return tuple(Door(protocol, LOOPBACK, port) for protocol, port in zip(("ipfix", "sflow"), ports, strict=True))


def send(port, octets):
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as sender:
        sender.sendto(octets, (LOOPBACK, port))


def heard(engine, count):
    """What was noted of exporters, once so many datagrams came."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        with engine.connect() as connection:
            listed = exporters.listing(connection)
        if sum(one.datagrams for one in listed) >= count:
            return listed
        time.sleep(0.05)
    raise TimeoutError(f"{count} datagrams never came")


class Ticking:
    """A clock that moves a millisecond a look."""

    def __init__(self):
        self.now_ms = NOW_MS

    def __call__(self):
        self.now_ms += 1
        return self.now_ms


class TestReceiving:
    def test_hears_both_protocols_and_keeps_all_in_the_end(self, sqlite_engine):
        with sqlite_engine.begin() as connection:
            registered(connection)
        record = plain_record(36_000_000, 24_000, EPOCH_MS, NOW_MS)

        with receiving(sqlite_engine, doors(0, 0), {LOOPBACK: "sm-07"}, Ticking()) as (of_ipfix, of_sflow):
            send(of_ipfix, ipfix(PLAIN_TEMPLATE, ipfix_set(256, record)))
            send(of_sflow, sflow(flow_sample()))
            time.sleep(0.5)

        listed = heard(sqlite_engine, 2)
        with sqlite_engine.connect() as connection:
            found = items.of_ports(connection, [1, 2], EGRESS, EPOCH_MS, NOW_MS + 30_000)
        assert [(one.protocol, one.device, one.records) for one in listed] == [
            ("ipfix", "sm-07", 1),
            ("sflow", "sm-07", 1),
        ]
        assert {item.port for item in found.items} == {"m1", "m2"}

    def test_refuses_a_port_that_is_taken(self, sqlite_engine):
        with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as taken:
            taken.bind((LOOPBACK, 0))
            with (
                pytest.raises(WrongSetting, match=r"records.ipfix_port: cannot hear"),
                receiving(sqlite_engine, doors(taken.getsockname()[1], 0), {}, Ticking()),
            ):
                pytest.fail("it was opened")

    def test_goes_on_after_what_nobody_expected(self, sqlite_engine, monkeypatch):
        took = Hearing.take

        def stumbles(hearing, protocol, *more):
            if protocol == "ipfix":
                raise ZeroDivisionError
            took(hearing, protocol, *more)

        monkeypatch.setattr(Hearing, "take", stumbles)

        with receiving(sqlite_engine, doors(0, 0), {LOOPBACK: "sm-07"}, Ticking()) as (of_ipfix, of_sflow):
            send(of_ipfix, b"")
            time.sleep(0.3)
            send(of_sflow, sflow(flow_sample()))
            time.sleep(0.3)

        assert [one.protocol for one in heard(sqlite_engine, 1)] == ["sflow"]


class TestDropped:
    def test_counts_what_found_no_room(self):
        with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as full:
            full.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            full.bind((LOOPBACK, 0))
            full.setblocking(False)
            for _ in range(50):
                send(full.getsockname()[1], bytes(500))
            count, came = dropped(full), 0
            with suppress(BlockingIOError):
                while full.recv(600):
                    came += 1

        # Each that was sent over loopback either came or was dropped: common practice, no source.
        assert came < 50
        assert count == 50 - came


class TestPlain:
    @pytest.mark.parametrize(
        ("told", "is_plain"),
        [("::ffff:192.0.2.7", "192.0.2.7"), ("2001:DB8::7", "2001:db8::7"), ("fe80::1%eth0", "fe80::1")],
    )
    def test_is_how_settings_name_it(self, told, is_plain):
        assert plain(told) == is_plain
