"""Numbers that can be trusted: silence is not zero, a false speed is no percentage, merged packets are told."""

from __future__ import annotations

import numpy as np
import pytest
from capabilities.readings import START_S, WINDOW_S, a_reading, held, octets_in
from evaluation.rounds import LATENESS_S, Rounds
from sqlalchemy import select
from walks.outcome import at_once, left
from walks.traffic import polls

from service.numerics.speeds import believed
from service.storage import events, findings, tables
from service.storage.database import reading
from service.terms import BASIS_WORDS, STATUS_WORDS, WHY_NOT_WORDS

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
