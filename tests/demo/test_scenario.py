"""The demo's day as counters. The figures asked of it are the scenario's own, but for the two that name a source."""

from __future__ import annotations

import numpy as np
import pytest

from service.demo.exchange import MEMBERS, TEAMS, position_of
from service.demo.plots import END_MS, PLOTS, START_MS, tuesday, wednesday
from service.demo.scenario import POLL_MS, host_of_port, line_rates, scenario
from service.terms import EGRESS, INGRESS


def port_of(device: str, team: str, member: int) -> int:
    return MEMBERS * position_of(device, team) + member


def wire_share(day, port: int, way: str, start_ms: int, end_ms: int) -> float:
    """On-wire utilisation from the readings alone: octets and 20 more a frame (IEEE 802.3) over line rate."""
    readings = day.between(start_ms - 1, end_ms)
    mine = readings.port == port
    told = {name: column[mine].astype(np.int64) for name, column in readings.counters.items()}
    frames = sum(told[f"{way}_{cast}_packets"] for cast in ("ucast", "mcast", "bcast"))
    wire = told[f"{way}_octets"] + 20 * frames
    seconds = (readings.told_ms[mine][-1] - readings.told_ms[mine][0]) / 1000
    return float(8 * (wire[-1] - wire[0]) / seconds / line_rates()[port])


class TestExchange:
    def test_has_64_teams_and_128_members(self):
        assert len(TEAMS) == 64
        assert len(line_rates()) == 128

    def test_has_members_of_1_10_and_25_gigabit(self):
        speeds, counts = np.unique(line_rates(), return_counts=True)

        assert dict(zip(speeds.tolist(), counts.tolist(), strict=True)) == {10**9: 48, 10**10: 48, 25 * 10**9: 32}


class TestScenario:
    def test_covers_26_hours_in_steps_of_10_seconds(self, day):
        assert day.times_ms[0] == START_MS
        assert day.times_ms[-1] == END_MS
        assert len(day.times_ms) == 26 * 360 + 1

    def test_is_the_same_for_the_same_seed(self, day):
        again = scenario()

        assert all((again.counters[name] == column).all() for name, column in day.counters.items())

    def test_differs_for_another_seed(self, day):
        other = scenario(seed=2)

        assert (other.counters["out_octets"][-1] != day.counters["out_octets"][-1]).any()

    def test_never_counts_backwards_but_for_the_narrow_counters(self, day):
        falls = (np.diff(day.counters["out_octets"].astype(np.int64), axis=0) < 0).any(axis=0)

        assert np.flatnonzero(falls).tolist() == [port_of("sm-14", "front", member) for member in (0, 1)]

    def test_stays_below_the_hot_line_outside_the_plots(self, day):
        planted = {(plot.device, plot.team) for plot in PLOTS}
        ordinary = [(team.device, team.name) not in planted for team in TEAMS]

        assert day.traffic.wire[np.repeat(ordinary, MEMBERS)].max() < 0.5

    def test_has_frames_of_plausible_sizes(self, day):
        frames = np.diff(day.counters["out_ucast_packets"].astype(np.int64), axis=0)
        octets = np.diff(day.counters["out_octets"].astype(np.int64), axis=0)
        busy = (frames > 1000) & (octets > 0)
        sizes = octets[busy] / frames[busy]

        assert sizes.min() > 64
        assert sizes.max() < 1518  # the largest frame of a 1500-octet payload (IEEE 802.3)


class TestPlots:
    def test_sm_07_front_shows_92_beside_2_percent_on_the_wire(self, day):
        shares = [
            wire_share(day, port_of("sm-07", "front", member), "out", wednesday(2, 14), END_MS) for member in (0, 1)
        ]

        assert shares == pytest.approx([0.92, 0.02], abs=0.003)
        assert sum(shares) / 2 == pytest.approx(0.47, abs=0.002)

    def test_sm_07_is_not_hot_before_02_14(self, day):
        mine = day.traffic.wire[port_of("sm-07", "front", 0), EGRESS]

        assert mine[: (wednesday(2, 14) - START_MS) // POLL_MS].max() < 0.6

    def test_sm_12_store_shows_79_beside_77_percent_from_13_to_15(self, day):
        shares = [
            wire_share(day, port_of("sm-12", "store", member), "out", tuesday(13), tuesday(15)) for member in (0, 1)
        ]

        assert shares == pytest.approx([0.79, 0.77], abs=0.003)

    def test_sm_16_front_carries_3_kilobit_and_nothing(self, day):
        rates = [
            10**9 * wire_share(day, port_of("sm-16", "front", member), "out", START_MS, END_MS) for member in (0, 1)
        ]

        assert rates[0] == pytest.approx(3000, rel=0.05)
        assert rates[1] == 0

    def test_sm_09_front_has_a_standby_member_at_002_percent(self, day):
        shares = [wire_share(day, port_of("sm-09", "front", member), "out", START_MS, END_MS) for member in (0, 1)]

        assert shares == pytest.approx([0.61, 0.0002], rel=0.02)
        assert next(plot.standby for plot in PLOTS if plot.device == "sm-09") == (1,)

    def test_sm_05_store_reaches_46_and_22_percent(self, day):
        members = [port_of("sm-05", "store", member) for member in (0, 1)]
        windows = day.traffic.wire[members, EGRESS].reshape(2, -1, 3).mean(axis=2)
        busiest_hour = np.sort(windows, axis=1)[:, -120:].mean(axis=1)

        assert sorted(busiest_hour) == pytest.approx([0.22, 0.46], abs=0.015)

    def test_acknowledgements_of_sm_07_are_half_as_many_as_what_they_answer(self, day):
        port, start = port_of("sm-07", "front", 0), wednesday(2, 14)
        first, last = (start - START_MS) // POLL_MS, (END_MS - START_MS) // POLL_MS
        counts = {
            way: int(
                day.counters[f"{way}_ucast_packets"][last, port] - day.counters[f"{way}_ucast_packets"][first, port]
            )
            for way in ("out", "in")
        }

        assert counts["in"] / counts["out"] == pytest.approx(0.5, abs=0.05)
        assert day.traffic.frame_octets[port, INGRESS, -1] == 70


class TestBetween:
    def test_takes_each_reading_once(self, day):
        whole = day.between(START_MS - 1, START_MS + 60_000)
        parts = [day.between(START_MS - 1, START_MS + 20_000), day.between(START_MS + 20_000, START_MS + 60_000)]

        assert len(whole) == 7 * 128
        assert np.concatenate([part.told_ms for part in parts]).tolist() == whole.told_ms.tolist()

    def test_hears_nothing_of_uw_06_after_02_05(self, day):
        hosts = host_of_port()[day.between(wednesday(2, 5), END_MS).port]

        assert len(np.unique(hosts)) == 23

    def test_has_the_clock_of_sm_02_25_seconds_ahead(self, day):
        readings = day.between(START_MS, START_MS + POLL_MS)
        ahead = readings.port == port_of("sm-02", "front", 0)

        assert readings.told_ms[ahead].tolist() == [START_MS + POLL_MS + 25_000]
        assert (readings.told_ms[readings.port == 0] == START_MS + POLL_MS).all()

    def test_rolls_the_uptime_of_sm_16_over_at_09_17(self, day):
        # RFC 3418: sysUpTime counts hundredths of a second modulo 2^32.
        readings = day.between(tuesday(9, 16), tuesday(9, 18))
        ticks = readings.uptime_ticks[readings.port == port_of("sm-16", "store", 0)]

        assert (np.diff(ticks) % 2**32 == 1000).all()
        assert ticks[5] == 0

    def test_wraps_both_members_of_sm_14_within_its_minute_at_80_percent(self, day):
        # RFC 2863 section 3.1.6: 32 bits of octets last 34 s at 1 Gbit/s, so 43 s at 80 %.
        for member in (0, 1):
            port = port_of("sm-14", "front", member)
            first = (tuesday(11, 40) - START_MS) // POLL_MS
            told = day.counters["out_octets"][first : first + 7, port].astype(np.int64)

            assert (np.diff(told) < 0).any()
            assert (np.diff(told) % 2**32 == 984_000_000).all()
