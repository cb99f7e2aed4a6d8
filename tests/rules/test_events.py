"""What is said of a source's data: each by the samples that bring it about."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from examples import EPOCH_MS, GIGABIT, SECOND, a_layout, facts_of, samples_of
from scenarios.roads import assessed, fact, octets_of, row

from service.rules.assess import Run, assess
from service.rules.event_texts import TEXTS
from service.terms import Form, OperStatus, Rule, Span


def told(found):
    return [(event.kind, event.port, (event.at_ms - EPOCH_MS) // SECOND) for event in found.events]


def steady(until, *, step=30, port=0, rate=10_000_000, **more):
    return [row(t, port, out_octets=rate * t // 8, **more) for t in range(0, until + 1, step)]


class TestEvents:
    def test_of_a_restart_are_the_devices_and_told_once(self):
        rows = [
            row(t, port, out_octets=c, uptime=up) for port in (0, 1) for t, c, up in ((0, 10**9, 9000), (30, 5, 100))
        ]

        assert told(assessed(rows)) == [("restart", "", 30)]

    def test_of_a_falling_counter_name_the_port(self):
        rows = [row(0, 1, out_octets=10**12), row(30, 1, out_octets=5)]

        assert told(assessed(rows, layout=a_layout(2))) == [("reset", "m2", 30)]

    def test_of_a_counter_that_falls_where_32_bits_end_say_so(self):
        rows = [row(0, out_octets=2**32 - 1000), row(30, out_octets=10**6)]

        assert {kind for kind, _, _ in told(assessed(rows))} == {"reset", "narrow-counter"}

    def test_of_a_discontinuity_name_the_port(self):
        rows = [row(0, out_octets=0, discontinuity=0), row(30, out_octets=10**6, discontinuity=500)]

        assert told(assessed(rows)) == [("discontinuity", "m1", 30)]

    def test_of_another_hardware_address_name_the_port(self):
        rows = [row(0, out_octets=0), row(30, out_octets=10**6) | {"facts": 1}]

        assert told(assessed(rows, fact(mac=1), fact(mac=2))) == [("identity-changed", "m1", 30)]

    @pytest.mark.parametrize(("intervals", "said"), [(2, []), (3, [("implausible", "m1", 90)])])
    def test_of_implausible_rates_come_with_the_third_running(self, intervals, said):
        rows = [row(30 * n, out_octets=octets_of(2.0) * n) for n in range(intervals + 1)]

        assert told(assessed(rows, windows=intervals)) == said

    def test_of_implausible_rates_count_over_runs(self):
        rows = [row(30 * n, out_octets=octets_of(2.0) * n) for n in range(5)]
        life, said = None, []
        for window in range(4):
            run = Run(samples_of(rows), facts_of(fact()), a_layout(1), (Rule(),), Span(EPOCH_MS + window * 30_000, 1))
            found = assess(dataclasses.replace(run, life=life))
            life, said = found.life, said + told(found)

        assert said == [("implausible", "m1", 90)]

    def test_of_a_changed_speed_tell_both(self):
        rows = [row(30 * n, out_octets=10**6 * n) | {"facts": int(n > 1)} for n in range(4)]

        found = assessed(rows, fact(GIGABIT), fact(GIGABIT // 10), windows=3)

        (event,) = found.events
        assert event.kind == "speed-changed"
        assert "from 1 Gbit/s to 100 Mbit/s" in event.text

    def test_of_merged_packets_say_what_was_done(self):
        # 50,000 octets a packet where an MTU of 1,500 lets 1,522 through.
        rows = [row(30 * n, out_octets=3_000_000_000 * n, out_packets=60_000 * n) for n in range(3)]

        found = assessed(rows, fact(mtu=1500), windows=2)

        assert told(found) == [("merged-packets", "m1", 30)]

    def test_of_two_readings_for_one_instant_name_it(self):
        rows = [*steady(60), row(30, out_octets=1)]

        found = assessed(rows, windows=2)

        assert told(found) == [("conflict", "m1", 30)]
        assert found.conflicts == 1

    def test_of_a_clock_that_is_off_tell_by_how_much(self):
        rows = [told | {"received": told["at"] + 25} for told in steady(600)]

        found = assessed(rows, windows=22)

        (event,) = found.events
        assert (event.kind, event.device, event.port) == ("clock-offset", "sm-07", "")
        assert "off by 25 s" in event.text

    def test_of_a_slow_refresh_tell_how_slow_and_that_peaks_do_not_show(self):
        rows = [row(t, out_octets=octets_of(0.5, seconds=t // 20 * 20)) for t in range(0, 601, 10)]

        (event,) = assessed(rows, windows=20).events

        assert (event.kind, event.port) == ("slow-refresh", "")
        assert "every 20 s" in event.text
        assert "windows shorter than two refreshes hide peaks" in event.text

    def test_of_silence_come_with_the_third_missed_poll(self):
        layout = dataclasses.replace(
            a_layout(2), devices=("sm-07", "uw-06"), device_of_port=np.array([0, 1], dtype=np.int32)
        )
        rows = steady(600) + steady(300, port=1)

        found = assessed(rows, layout=layout, windows=20)

        assert [(event.device, event.kind, event.at_ms) for event in found.events] == [
            ("uw-06", "silent", EPOCH_MS + 300 * SECOND)
        ]

    def test_of_silence_do_not_come_of_the_end_of_the_data(self):
        assert assessed(steady(300, step=5), windows=20).events == ()

    def test_of_a_flapping_port_name_it_once(self):
        rows = [row(10 * n, out_octets=1000 * n) | {"facts": n % 2} for n in range(30)]

        found = assessed(rows, fact(), fact(oper=OperStatus.DOWN), windows=9)

        assert told(found) == [("flap", "m1", 0)]

    def test_that_last_are_told_anew_after_an_hour_without(self):
        busy = [(t, 10**9 + t * 10**7) for t in (0, 61, 3600, 3661, 8000, 8061)]
        rows = [row(t, out_octets=count % 2**32) for t, count in busy]

        found = assessed(rows, fact(10 * GIGABIT, counter_bits=32), windows=270)

        assert [at for kind, _, at in told(found) if kind == "ambiguous"] == [61, 8000]

    def test_all_say_what_to_do(self):
        assert all(len(text) > 40 and text[0].islower() for text in TEXTS.values())


class TestHealthyData:
    def test_brings_no_events(self):
        assert assessed(steady(600, step=10), windows=20).events == ()


class TestNarrowCounters:
    """2^32 octets wrap in 34.36 s at 1 Gbit/s, 3.44 s at 10 Gbit/s; four fifths are 27.49 and 2.75 s (by hand)."""

    def found(self, step_s, speed_bps=GIGABIT, bits=32, polls=5):
        rows = [row(step_s * n, out_octets=1_000_000 * n) for n in range(polls)]
        return assessed(rows, fact(speed_bps, counter_bits=bits), windows=-(-step_s * polls // 30)).events

    @pytest.mark.parametrize(
        ("step_s", "kinds"), [(27, []), (28, ["wraps-soon"]), (32, ["wraps-soon"]), (36, ["ambiguous"])]
    )
    def test_polled_nearly_as_slowly_as_they_wrap_are_a_caution_told_once(self, step_s, kinds):
        assert [event.kind for event in self.found(step_s)] == kinds

    def test_say_how_often_to_poll(self):
        (event,) = self.found(30)

        assert event.text == f"{TEXTS['wraps-soon']} (at 1 Gbit/s 32 bits wrap in 34.36 s: poll at most every 27 s)"

    def test_too_slow_for_the_speed_say_that_nothing_can_be_measured(self):
        (event,) = self.found(30, 10 * GIGABIT)

        assert event.text.startswith("not measurable with 32-bit counters at this speed")
        assert event.text.endswith("(at 10 Gbit/s 32 bits wrap in 3.44 s: poll at most every 2 s)")

    def test_of_64_bits_are_none(self):
        assert self.found(30, 10 * GIGABIT, bits=64) == ()

    def test_of_rates_are_none(self):
        rows = [row(30 * n, out_octets=1_000_000) for n in range(3)]

        assert assessed(rows, fact(counter_bits=32, form=Form.RATE), windows=2).events == ()
