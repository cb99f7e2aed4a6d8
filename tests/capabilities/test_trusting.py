"""Numbers that can be trusted: silence is not zero, a false speed is no percentage, merged packets are told."""

from __future__ import annotations

import numpy as np
import pytest
from capabilities.readings import START_S, WINDOW_S, a_reading, held, octets_in
from evaluation.rounds import LATENESS_S, Rounds
from sqlalchemy import select
from walks.outcome import at_once, left
from walks.traffic import polls

from service.evaluation import agreement
from service.numerics.agreement import LIMIT, difference
from service.numerics.speeds import believed
from service.storage import agreements, claims, events, findings, inventory, tables
from service.storage.database import reading
from service.terms import BASIS_WORDS, DECLARED, DISCOVERED, STATUS_WORDS, WHY_NOT_WORDS, Claim, PortName
from service.web.working import shown

GIGABIT = 1_000_000_000


class TestTru1Wraps:
    """2^32 octets at 1 Gbit/s are 34.36 s (RFC 2863 section 3.1.6 has 57 minutes at 10 Mbit/s; by division)."""

    def test_are_taken_where_exactly_one_number_of_them_fits_the_wire(self):
        told = [(0, 4_000_000_000), (30, 2_646_907_704)]

        found = at_once([a_reading(at, out_octets=count, counter_bits=32) for at, count in told], WINDOW_S)

        # By hand: 2,646,907,704 + 2^32 - 4,000,000,000 octets over 3,750,000,000.
        assert found.intervals.octets[1, 0] == 2_941_875_000
        assert found.members.utilisation[0, 0, 0] == pytest.approx(0.7845, abs=1e-12)

    def test_are_no_value_where_two_numbers_of_them_fit_and_say_how_often_to_poll(self):
        told = [(0, 1_000_000_000), (60, 2_000_000_000)]

        found = at_once([a_reading(at, out_octets=count, counter_bits=32) for at, count in told], 2 * WINDOW_S)

        rates = [round(bps / 1e6, 1) for bps in found.intervals.candidates_bps[1, 0]]
        assert rates == [133.3, 706.0]
        assert np.isnan(found.members.utilisation[0, :, 0]).all()
        (event,) = found.events
        assert event.kind == "ambiguous"
        assert event.text.endswith("(at 1 Gbit/s 32 bits wrap in 34.36 s: poll at most every 27 s)")


class TestTru5Silence:
    """A source that is heard every 10 s falls silent at 10:05:00, with a finding open since 10:01:30."""

    SILENT_S = 300

    @pytest.fixture
    def rounds(self, engine):
        made = Rounds(engine)
        made.walk(polls((self.SILENT_S / 60, (0.92, 0.02))), self.SILENT_S)
        return made

    def one(self, rounds):
        with reading(rounds.engine) as connection:
            (kept,) = findings.listing(connection).items
            return kept.finding, [line.what for line in findings.history(connection, kept.finding.id)]

    def told(self, rounds):
        with reading(rounds.engine) as connection:
            return list(connection.scalars(select(tables.deliveries.c.what)))

    def test_of_120_s_is_unknown_in_every_window_and_not_zero(self, rounds):
        end_s = self.SILENT_S + 120
        rounds.run(end_s + LATENESS_S)

        kept = left(rounds.engine, end_s)
        assert np.isnan(kept.members.utilisation[:, 10:, 0]).all()
        assert {WHY_NOT_WORDS[why] for why in kept.members.why_not[:, 10:, 0].ravel()} == {"no data"}

    def test_is_an_event_that_says_since_when(self, rounds):
        rounds.run(self.SILENT_S + 120 + LATENESS_S)

        with reading(rounds.engine) as connection:
            (event,) = (kept.event for kept in events.listing(connection, kind="silent").items)
        assert (event.device, event.at_ms) == ("sm-07", (START_S + self.SILENT_S) * 1000)
        assert "no samples for three polls" in event.text

    def test_leaves_an_open_finding_open_and_after_ten_minutes_unverified_and_never_says_solved(self, rounds):
        rounds.run(self.SILENT_S + 120 + LATENESS_S)
        finding, _ = self.one(rounds)
        assert (finding.cleared_ms, finding.unverified) == (None, False)

        rounds.run(self.SILENT_S + 3600 + LATENESS_S)

        finding, history = self.one(rounds)
        assert (finding.cleared_ms, finding.unverified) == (None, True)
        assert history == ["raised", "unverified"]
        assert "cleared" not in self.told(rounds)

    def test_of_a_sibling_raises_nothing_against_it(self):
        known = [sample for sample in held((0.92, 0.02), 20) if sample["port"] == "m1"]

        found = at_once([*known, a_reading(0, "m2", out_octets=0)], 20 * WINDOW_S)

        assert found.members.utilisation[0, 1:, 0].tolist() == pytest.approx([0.92] * 19)
        assert found.findings == ()


class TestTru7Speed:
    """941.2 to 941.5 Mbit/s on a port that claims 10 G: 1,448 of 1,538 octets of each full TCP frame at 1 Gbit/s."""

    RATES = (941.2, 941.5, 941.4, 941.5, 941.3, 941.5)

    def found(self, speed_bps):
        octets = np.cumsum([0, *(octets_in(rate / 1000) for rate in self.RATES)]).tolist()
        told = [
            a_reading(k * WINDOW_S, out_octets=count, in_octets=0, speed_bps=speed_bps)
            for k, count in enumerate(octets)
        ]
        return at_once(told, len(self.RATES) * WINDOW_S)

    def test_that_is_doubtful_gives_no_percentage_and_an_event(self):
        found = self.found(10 * GIGABIT)

        assert np.isnan(found.members.utilisation[0]).all()
        assert {WHY_NOT_WORDS[why] for why in found.members.why_not[0, :, 0]} == {"speed doubtful"}
        assert [event.kind for event in found.events] == ["speed-doubtful"]

    def test_of_the_far_end_gives_94_14_per_cent(self):
        speed_bps = int(believed(np.array([10 * GIGABIT]), np.array([GIGABIT]))[0])

        assert self.found(speed_bps).members.utilisation[0, :, 0].mean() == pytest.approx(0.9414, abs=5e-5)

    def test_of_the_far_end_known_from_the_inventory_gives_94_15_per_cent_and_the_working_says_whose(self, engine):
        """A virtual adapter claims 10 G; the switch's port at the other end of its cable tells 1 G."""
        rounds, end_s = Rounds(engine), 300
        claim = Claim("sm-07", "m1", DECLARED, far_device="sw-03", far_port="g1/0/7")
        step = round(941_500_000 * 10 / 8)
        host = [a_reading(t, out_octets=step * t // 10, speed_bps=10 * GIGABIT) for t in range(0, end_s + 1, 10)]
        switch = a_reading(0, "g1/0/7", out_octets=0) | {"device": "sw-03", "team": "floor"}
        with engine.begin() as connection:
            claims.keep(connection, [claim], 0)

        rounds.push([host[0], switch], 0)
        rounds.walk(host, end_s)

        kept = left(engine, end_s)
        assert kept.members.utilisation[0, :, 0].tolist() == pytest.approx([0.9415] * 10, abs=1e-9)
        with reading(engine) as connection:
            team_id = inventory.team_named(connection, "sm-07", "front")
            asked = ("m1", "egress", (START_S + 30) * 1000)
            worked = shown(connection, rounds.policy, team_id, asked, (START_S + end_s) * 1000)
        assert worked.speed_source == "told by the far end of its cable, sw-03 g1/0/7"
        assert (worked.speed_bps, worked.by_hand) == (GIGABIT, pytest.approx(0.9415, abs=1e-9))

    def test_that_is_too_low_is_an_event_and_never_100_per_cent(self):
        # 1.5 Gbit/s on a port that claims 1 Gbit/s, on stamps of milliseconds.
        told = [a_reading(0.001 + k * WINDOW_S, out_octets=octets_in(1.5) * k) for k in range(5)]

        found = at_once(told, 4 * WINDOW_S)

        assert np.isnan(found.members.utilisation[0, :, 0]).all()
        assert {STATUS_WORDS[status] for status in found.intervals.status[1:, 0]} == {"implausible"}
        assert [event.kind for event in found.events] == ["implausible"]

    def test_a_little_too_low_for_the_clock_to_explain_is_doubted_and_never_clamped(self):
        # 106 % in windows of 30 s: whole seconds explain one second more of them, 103.3 %, and clocks no 2.7 % on top.
        told = [a_reading(k * 10, out_octets=octets_in(1.06, seconds=10) * k) for k in range(7)]
        found = at_once(told, 2 * WINDOW_S)

        assert {STATUS_WORDS[status] for status in found.intervals.status[1:, 0]} == {"ok"}
        assert np.isnan(found.members.utilisation[0, :, 0]).all()
        assert [event.kind for event in found.events] == ["speed-doubtful"]


class TestTru8MergedPackets:
    """3,000,000,000 octets in 60,000 packets are 50,000 octets each: no frame at an MTU of 1,500 is that long."""

    def test_are_told_and_the_frames_inferred(self):
        told = [
            a_reading(k * WINDOW_S, out_octets=3_000_000_000 * k, out_packets=60_000 * k, mtu=1500, counts="no-fcs")
            for k in range(3)
        ]

        found = at_once(told, 2 * WINDOW_S)

        # By hand: ceil(3e9 / 1514) = 1,981,506 frames of 24 octets more, so 8 x 3,047,556,144 / 3e10 = 81.27 %;
        # 60,000 such frames would have made it 80.04 %.
        assert found.members.utilisation[0, :, 0].tolist() == pytest.approx([0.8127] * 2, abs=5e-5)
        assert {BASIS_WORDS[basis] for basis in found.members.basis[0, :, 0]} == {"inferred"}
        assert [(event.port, event.kind) for event in found.events] == [("m1", "merged-packets")]
        assert "counts merged packets" in found.events[0].text


class TestTru8Agreement:
    """900 and 100 Mbit/s against 1,003 of their interface; 902 sent against 899 received; the limit is 2 %."""

    @pytest.mark.parametrize(
        ("here", "there", "differ"), [((900, 100), 1003, 0.3), ((902,), 899, 0.33), ((900, 100), 1030, 2.91)]
    )
    def test_of_two_readings_is_told_as_a_share_of_the_larger(self, here, there, differ):
        share = float(difference(np.float64(sum(here)), np.float64(there)))

        assert round(100 * share, 2) == differ
        assert (share <= LIMIT) is (differ < 2)

    def test_of_a_team_leaves_its_interface_out_of_its_total(self, engine):
        rounds = Rounds(engine)
        interface = Claim("sm-07", "bond0", DISCOVERED, aggregate_of="front")
        with engine.begin() as connection:
            claims.keep(connection, [interface], 0)
            told = PortName("sm-07", "bond0")
            inventory.resolve(connection, [told], feed="push", now_ms=START_S * 1000, register_teamless=True)

        rates = {"m1": ("front", 900), "m2": ("front", 100), "bond0": ("", 1003)}
        rounds.push(
            [
                a_reading(t, port, out_octets=mbps * 125_000 * t, speed_bps=2 * GIGABIT) | {"team": team}
                for port, (team, mbps) in rates.items()
                for t in range(0, 361, 10)
            ],
            360,
        )
        agreement.compare(engine, rounds.policy, (START_S + 360 + LATENESS_S) * 1000)

        with reading(engine) as connection:
            (row,) = agreements.of_devices(connection, ["sm-07"])
            assert inventory.team(connection, 1).members == ("m1", "m2")
            assert events.listing(connection).items == ()
        assert (row.here_bps, row.there_bps, round(100 * row.difference, 1)) == (1_000_000_000, 1_003_000_000, 0.3)
        assert row.agrees
