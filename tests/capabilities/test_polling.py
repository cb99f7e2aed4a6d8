"""Agents are polled: siblings at one instant, renumbered ports kept apart, dead ones left alone, too much said openly.

Devices and time are simulated here; tests/snmp and tests/lab ask real agents.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from collection.running import Running
from collection.simulated import Device
from examples import EPOCH_MS, GIGABIT
from sqlalchemy import select
from walks.outcome import left

from service.app.parts import policy_of
from service.collection import timing
from service.evaluation import Evaluator
from service.settings.reading import Settings
from service.storage import tables
from service.storage.database import reading

FOUR = {"m1": 1, "m2": 2, "m3": 3, "m4": 4}


def four_members(**told):
    """A device of a team of four whose aggregator is no interface of its own."""
    return Device(members=dict(FOUR), has_aggregator=False, **told)


class TestCol1Together:
    """Four members every 10 s for 60 s are 7 samples each; 4 requests of 400 ms lie 3 x 400 ms apart (by hand)."""

    def test_takes_seven_samples_a_member_each_poll_at_one_instant(self, engine):
        run = Running(engine, {"sm-07": four_members()})
        run.run(17)  # the first contact, with a poll out of turn
        run.run(60)
        kept = run.samples()
        first = kept["sm-07", "m1"][-7][0]

        assert {port for _, port in kept} == set(FOUR)
        assert [(at_ms - first) // 1000 for at_ms, _ in kept["sm-07", "m1"][-7:]] == [0, 10, 20, 30, 40, 50, 60]
        for port in FOUR:
            assert [at_ms for at_ms, _ in kept["sm-07", port]] == [at_ms for at_ms, _ in kept["sm-07", "m1"]]
        assert run.polling().skew_ms == 0

    def test_has_all_octet_counters_of_a_poll_in_one_request(self, engine):
        run = Running(engine, {"sm-07": four_members()})
        run.run(25)
        (plan,) = [one.plan for one in run.collector._watched.values()]
        octets = set(itertools.chain.from_iterable(plan.octets))

        assert len(octets) == 8
        assert sum(not octets.isdisjoint(pdu) for pdu in plan.pdus) == 1

    def test_stores_the_skew_of_an_agent_that_takes_a_request_a_member(self, engine):
        run = Running(engine, {"sm-07": four_members(latency_ms=400, most_oids=4)}, interval_ms=30_000)
        run.run(150)
        kept = run.samples()
        last = [kept["sm-07", port][-1][0] for port in FOUR]

        assert [at_ms - last[0] for at_ms in last] == [0, 400, 800, 1200]
        assert run.polling().skew_ms == 1200


class TestCol2CounterWidth:
    """32 bits of octets go round in 34.36 s at 1 Gbit/s and 3.44 s at 10 (RFC 2863 section 3.1.6, by division)."""

    def polled(self, engine, **told):
        rates = {"m1": 90_000_000, "m2": 2_000_000}
        run = Running(engine, {"sm-07": Device(octets_s=rates, **told)}, interval_ms=30_000)
        run.run(330)
        settings = Settings.model_construct()
        Evaluator(engine, policy_of(settings), ()).run(EPOCH_MS + 400_000)
        with reading(engine) as connection:
            facts = connection.execute(select(tables.facts)).all()
        return run.polling(), {row.counter_bits for row in facts}, left(engine, 300).members.utilisation[:, 4:9, 0]

    def test_uses_64_bits_where_both_are_offered(self, engine):
        polling, bits, utilisation = self.polled(engine)

        assert bits == {64}
        assert not any("32 bits" in note for note in polling.notes)
        # 90,000,000 octets a second are 720 Mbit/s, and some more on the wire.
        assert utilisation[0] == pytest.approx(0.72, rel=0.03)

    def test_takes_32_bits_at_1_gigabit_with_a_caution(self, engine):
        polling, bits, utilisation = self.polled(engine, is_narrow=True)

        assert bits == {32}
        assert (
            "m1 counts octets with 32 bits; at 1 Gbit/s 32 bits wrap in 34.36 s: poll at most every 27 s"
            in polling.notes
        )
        assert utilisation[0] == pytest.approx(0.72, rel=0.03)

    def test_shows_no_utilisation_of_32_bits_at_10_gigabit(self, engine):
        polling, bits, utilisation = self.polled(engine, is_narrow=True, speed_mbps=10_000)

        assert bits == {32}
        assert any("32 bits wrap in 3.44 s" in note for note in polling.notes)
        assert np.isnan(utilisation).all()


class TestCol7Renumbered:
    """Indices are dealt anew at a restart: each port's octets go on under its own name (by hand)."""

    def test_counts_on_for_each_port_under_its_own_name(self, engine):
        device = Device(members={"up1": 3, "up2": 4}, octets_s={"up1": 100_000_000, "up2": 16_667})
        run = Running(engine, {"sm-07": device})
        run.run(65)
        device.members = {"up1": 4, "up2": 3}
        device.up_since_ms = run.now_ms
        run.run(65)

        kept = run.samples()
        steps = {
            port: [b[1] - a[1] for a, b in itertools.pairwise(kept["sm-07", port]) if b[1] >= a[1]]
            for port in ("up1", "up2")
        }
        assert len(steps["up1"]) >= 9
        # 10 s at 100,000,000 octets a second, and at 16,667: 80 % and 0.01 % of 1 Gbit/s.
        assert set(steps["up1"][1:5] + steps["up1"][-4:]) == {1_000_000_000}
        assert max(steps["up2"]) <= 10 * 16_667 + 1
        assert all(step <= GIGABIT * 11 // 8 for step in steps["up1"])

    def test_keeps_one_row_a_port(self, engine):
        device = Device(members={"up1": 3, "up2": 4})
        run = Running(engine, {"sm-07": device})
        run.run(25)
        device.members = {"up1": 4, "up2": 3}
        device.up_since_ms = run.now_ms
        run.run(25)

        with engine.connect() as connection:
            indices = dict(connection.execute(select(tables.ports.c.name, tables.ports.c.if_index)).all())
        assert indices == {"up1": 4, "up2": 3, "front": 1001}


class TestSca1ManyHosts:
    """50 of the 500 devices of four members: 20 samples a second, none lost, none late."""

    DEVICES, SECONDS = 50, 130

    def test_loses_no_poll_and_is_never_late(self, engine):
        run = Running(engine, {f"sm-{k:03}": four_members() for k in range(self.DEVICES)})
        run.run(self.SECONDS)
        kept = run.samples()

        assert len(kept) == 4 * self.DEVICES
        for (device, _), samples in kept.items():
            times = [at_ms for at_ms, _ in samples]
            assert {b - a for a, b in itertools.pairwise(times[1:])} == {10_000}, device
            assert len(times) >= self.SECONDS // 10 - 1
            assert (times[-1] - 2 - timing.phase_ms(device, 10_000)) % 10_000 == 0
        assert all(run.polling(device).lost == 0 for device in run.devices)


class TestSca2Polite:
    """Dead hosts cost one try and two retries, then one try a minute; the others notice nothing."""

    def test_asks_a_dead_host_three_times_at_first_and_then_ever_less(self, engine):
        devices = {"sm-07": Device(), **{f"sm-9{k}": Device(is_silent=True) for k in range(5)}}
        run = Running(engine, devices)
        run.run(600)

        for name in devices.keys() - {"sm-07"}:
            asked = devices[name].asked
            times = [at_ms for at_ms, _, _ in asked]
            assert max(tries for _, _, tries in asked) == 3
            assert {tries for _, _, tries in asked[1:]} == {1}
            assert max(b - a for a, b in itertools.pairwise(times)) == pytest.approx(60_000, abs=2_000)
            assert run.polling(name).failures == len(times)
        times = [at_ms for at_ms, _ in run.samples()["sm-07", "m1"]]
        assert {b - a for a, b in itertools.pairwise(times[1:])} == {10_000}

    def test_spreads_polls_over_the_interval(self, engine):
        run = Running(engine, {f"sm-{k:03}": Device() for k in range(100)})
        run.run(40)
        seconds = [at_ms // 1000 % 10 for name in run.devices for at_ms in run.asked("poll", name)[1:]]

        # 100 devices over 10 s: no second has more than a quarter of them.
        assert np.bincount(seconds, minlength=10).min() > 0
        assert np.bincount(seconds, minlength=10).max() <= len(seconds) / 4

    def test_stretches_the_interval_openly_where_there_is_too_much_to_do(self, engine):
        run = Running(engine, {"sm-07": Device(latency_ms=13_000)})
        run.run(300)
        polling = run.polling()

        assert polling.stretched_ms >= 22_500
        assert "polled every" in polling.trouble
        assert [event.kind for event in run.events("polls-stretched")] == ["polls-stretched"]
        # Each poll is seen through: as many samples as polls that had the time to end.
        assert len(run.samples()["sm-07", "m1"]) in {len(run.asked("poll")), len(run.asked("poll")) - 1}
