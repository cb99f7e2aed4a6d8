"""Figures of members and teams: what covers a window, what fills a wire, what a lost member would mean."""

from __future__ import annotations

import pytest
from capabilities.readings import a_reading, held
from walks.outcome import at_once
from walks.road import road
from walks.traffic import polls

from service.terms import WHY_NOT_WORDS, Mark

TEN_GIGABIT = 10_000_000_000


class TestCmp2FullWire:
    """81,274 frames of 1,518 octets a second fill 1 Gbit/s (RFC 5180 appendix A.1)."""

    def test_is_98_70_per_cent_of_counted_octets_and_full_on_the_wire(self):
        frames = 81_274 * 30

        counted = at_once([a_reading(30 * k, out_octets=1518 * frames * k) for k in (0, 1)], 30)
        on_wire = at_once([a_reading(30 * k, out_octets=1518 * frames * k, out_packets=frames * k) for k in (0, 1)], 30)

        assert counted.members.utilisation[0, 0, 0] == pytest.approx(0.9870, abs=5e-5)
        assert on_wire.members.utilisation[0, 0, 0] == pytest.approx(1.0, abs=1e-4)


class TestCmp3Coverage:
    """2,400,000,000 octets in 24 s at 1 Gbit/s are 80 % (arithmetic)."""

    def of(self, seconds):
        octets = 100_000_000 * seconds
        told = [
            a_reading(at, port, out_octets=count) for port in ("m1", "m2") for at, count in ((0, 0), (seconds, octets))
        ]
        return at_once(told, 30)

    def test_of_24_s_is_enough(self):
        found = self.of(24)

        assert found.members.utilisation[:, 0, 0].tolist() == pytest.approx([0.80, 0.80])
        assert found.members.coverage[0, 0, 0] == pytest.approx(0.80)
        assert found.teams.evaluable[0, 0, 0]

    def test_of_20_s_is_shown_and_not_evaluable(self):
        found = self.of(20)

        assert found.members.utilisation[:, 0, 0].tolist() == pytest.approx([0.80, 0.80])
        assert found.members.coverage[0, 0, 0] == pytest.approx(0.667, abs=5e-4)
        assert WHY_NOT_WORDS[found.members.why_not[0, 0, 0]] == "partial coverage"
        assert not found.teams.evaluable[0, 0, 0]


class TestCmp4Bounds:
    def test_of_a_straddling_interval_say_from_nothing_to_all_of_its_octets(self):
        # 1,875,000,000 octets in 30 s are just what 15 s at 1 Gbit/s can carry: all or nothing fell into the window.
        found = at_once([a_reading(at, out_octets=count) for at, count in ((-15, 0), (15, 1_875_000_000))], 30)

        assert (found.members.lower[0, 0, 0], found.members.upper[0, 0, 0]) == (0.0, 1.0)

    def test_of_64_per_cent_are_50_7_to_77_3_and_uncertain(self):
        told = [a_reading(at, out_octets=count) for at, count in ((0, 0), (20, 1_900_000_000), (40, 2_900_000_000))]

        found = at_once(told, 30)

        assert found.members.utilisation[0, 0, 0] == pytest.approx(0.64)
        bounds = [found.members.lower[0, 0, 0], found.members.upper[0, 0, 0]]
        assert bounds == pytest.approx([0.507, 0.773], abs=5e-4)
        assert found.members.marks[0, 0] & Mark.UNCERTAIN_EGRESS

    def test_that_hold_the_line_are_said_of_a_finding(self):
        # 80 % steady, polled every 30 s in the middle of the windows: 60 to 100 % (by hand).
        shares = {"m1": 0.80, "m2": 0.05}
        told = [
            a_reading(30 * k - 15, port, out_octets=round(share * 3_750_000_000) * k)
            for port, share in shares.items()
            for k in range(7)
        ]

        found = at_once(told, 150)

        assert found.members.lower[0, 1, 0] == pytest.approx(0.60)
        assert found.members.upper[0, 1, 0] == pytest.approx(1.00)
        (finding,) = found.findings
        assert finding.uncertain
        assert any("poll at most every 10 s, on the edges" in said for said in finding.evidence.against)


class TestCmp6OneLost:
    def test_of_12_gigabits_on_two_of_10_is_60_per_cent_and_120_without_one(self):
        found = at_once([sample | {"speed_bps": TEN_GIGABIT} for sample in held((6.0, 6.0), 1)], 30)

        assert found.teams.total_bps[0, 0, 0] == pytest.approx(12e9)
        assert found.teams.even_split[0, 0, 0] == pytest.approx(0.60)
        assert found.teams.one_lost[0, 0, 0] == pytest.approx(1.20)

    def test_is_told_of_every_window_and_what_it_means(self, sqlite_engine):
        # 60 % each of 2 x 10 Gbit/s, told in the octets of ten times as many frames as at 1 Gbit/s.
        wide = [
            s | {"speed_bps": TEN_GIGABIT, "out_octets": 10 * s["out_octets"], "out_packets": 10 * s["out_packets"]}
            for s in polls((2, (0.6, 0.6)))
        ]
        with road(sqlite_engine) as way:
            way.walk(wide, step_s=60, end_s=120)
            way.work(120 + 90)
            query = {"from": "2026-11-25T10:00:00Z", "to": "2026-11-25T10:01:00Z", "direction": "egress"}
            window = way.http.get("/v1/teams/1/windows", params=query).json()["items"][0]
            described = way.http.get("/openapi.json").json()["components"]["schemas"]["Window"]["properties"][
                "one_lost"
            ]

        assert (window["even_split"], window["one_lost"]) == pytest.approx((0.60, 1.20))
        assert "above 1 the team cannot lose one" in described["description"]
