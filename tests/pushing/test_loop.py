"""Reading at edges of the interval, with a clock and a wait handed in."""

from __future__ import annotations

import threading

import pytest
import structlog
from pushing_examples import START_MS, a_batch

from service.errors import UnusableSpool
from service.pushing.loop import keep, keep_reading, keep_sending, sending


class Waits:
    """Lets time pass as asked, or as told, and ends after so many waits."""

    def __init__(self, clock, most):
        self.clock = clock
        self.most = most
        self.asked = []

    def __call__(self, seconds):
        self.asked.append(seconds)
        self.clock.forward(round(seconds * 1000))
        return len(self.asked) > self.most


def readings(clock, spool, waits, interval_ms=10_000, takes_ms=0):
    at = []

    def body():
        at.append(clock())
        clock.forward(takes_ms)
        return a_batch(len(at))

    keep_reading(body, spool, clock, waits, interval_ms)
    return [(ms - START_MS) / 1000 for ms in at]


class TestKeepReading:
    # START_MS is a whole number of 10 s since the epoch.
    @pytest.mark.parametrize("began_s", [0, 0.001, 3, 9.999])
    def test_hits_the_edges_of_the_interval(self, clock, spool, began_s):
        clock.forward(round(began_s * 1000))

        assert readings(clock, spool, Waits(clock, 3)) == [10, 20, 30]
        assert len(spool) == 3

    def test_leaves_out_edges_that_a_long_reading_ran_over(self, clock, spool):
        assert readings(clock, spool, Waits(clock, 3), takes_ms=12_000) == [10, 30, 50]

    def test_waits_on_where_a_wait_ends_too_soon(self, clock, spool):
        waits = Waits(clock, 2)
        waits.__class__ = type("Short", (Waits,), {"__call__": lambda self, s: Waits.__call__(self, s * 0.9)})

        assert readings(clock, spool, waits, interval_ms=10_000) == []
        assert waits.asked == pytest.approx([9.0, 0.9, 0.09])

    def test_takes_the_next_edge_where_the_clock_is_set_back(self, clock, spool):
        waits = Waits(clock, 3)
        at = []

        def body():
            at.append(clock() - START_MS)
            if len(at) == 1:
                clock.forward(-3_600_000)
            return b""

        keep_reading(body, spool, clock, waits, 10_000)

        assert at == [10_000, 10_000 - 3_600_000 + 10_000, 20_000 - 3_600_000 + 10_000]
        assert max(waits.asked) <= 10

    def test_keeps_no_batch_where_there_is_no_team(self, clock, spool):
        keep_reading(lambda: b"", spool, clock, Waits(clock, 3), 10_000)

        assert len(spool) == 0


class TestKeep:
    def test_says_how_many_had_to_go(self, spool):
        spool.most_octets = 2 * len(a_batch(1))
        with structlog.testing.capture_logs() as lines:
            for number in range(4):
                keep(a_batch(number), spool)

        assert [(line["lost"], line["waiting"]) for line in lines] == [(1, 2), (1, 2)]

    def test_says_that_a_reading_is_lost_and_goes_on(self, spool, monkeypatch):
        def full(_):
            raise UnusableSpool("spool", "No space left on device")

        monkeypatch.setattr(spool, "put", full)
        with structlog.testing.capture_logs() as lines:
            keep(a_batch(1), spool)

        assert "No space left" in lines[0]["why"]

    def test_says_once_that_readings_are_lost_and_that_it_is_over(self, clock, spool, monkeypatch):
        put = spool.put
        broken = iter([True, True, True, False, False])

        def sometimes(body):
            if next(broken):
                raise UnusableSpool("spool", "Read-only file system")
            return put(body)

        monkeypatch.setattr(spool, "put", sometimes)
        with structlog.testing.capture_logs() as lines:
            readings(clock, spool, Waits(clock, 5))

        assert [line["event"] for line in lines] == ["readings are lost", "readings are kept again"]
        assert len(spool) == 2


class TestKeepSending:
    def test_sends_what_comes_until_told_to_end(self, sender, spool, service):
        ends = iter([False, False, False, True])
        spool.put(a_batch(1))

        keep_sending(sender, lambda _: next(ends))

        assert service.taken() == [1]


class TestSending:
    def test_goes_on_beside_the_block(self, sender, spool, service):
        end = threading.Event()
        spool.put(a_batch(1))
        done = threading.Event()
        post = sender.post
        sender.post = lambda *told: (post(*told), done.set())[0]

        with sending(sender, end):
            assert done.wait(30)

        assert end.is_set()
        assert service.taken() == [1]

    def test_brings_out_what_went_wrong_there(self, sender, spool):
        end = threading.Event()
        spool.put(a_batch(1))
        sender.post = lambda *_: 1 / 0

        with pytest.raises(ZeroDivisionError), sending(sender, end):
            assert end.wait(30)
