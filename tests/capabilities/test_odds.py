"""Odds before a change, and what teaches them: the exhibit, the address sandbox, frame arithmetic."""

from __future__ import annotations

from fractions import Fraction

import pytest

from service.numerics import frames, hashes, odds
from service.numerics.odds_draws import draw
from service.numerics.odds_equal import exhibited
from service.numerics.placement import best, moved_by_load
from service.terms import Endpoints

GIGABIT = 1_000_000_000
MBPS = 1_000_000


def in_bps(*mbps):
    return [one * MBPS for one in mbps]


class TestAdv3EqualConversations:
    """Chances of equal items, exact (worked by hand)."""

    def test_are_exact(self):
        assert odds.all_together(2, 2) == Fraction(1, 2)
        assert odds.all_apart(3, 4) == Fraction(375, 1000)
        assert odds.all_apart(4, 4) == Fraction(9375, 100_000)

    def test_of_four_on_two_are_two_two_three_one_or_four_none(self):
        assert odds.most_on_one(4, 2)[2:] == (Fraction(375, 1000), Fraction(1, 2), Fraction(125, 1000))


class TestAdv4UnequalConversations:
    """400, 300, 200, 100 Mbit/s on two links of 1 Gbit/s (worked by hand: 10 of 16 placements)."""

    ASKED = (in_bps(400, 300, 200, 100), [GIGABIT] * 2, [0, 0])

    def test_help_in_five_of_eight_draws_and_can_reach_a_half(self):
        [found] = odds.chances(*self.ASKED, 0.75, demands=(1.0,))

        assert (found.success, found.error) == (0.625, 0)
        assert best(*self.ASKED).busiest == pytest.approx(0.5)

    def test_are_drawn_within_two_standard_errors_and_the_same_with_the_same_seed(self):
        drawn = draw(*self.ASKED, 0.75, draws=20_000, seed=1)

        assert drawn.success == pytest.approx(0.625, abs=0.007)
        assert drawn == draw(*self.ASKED, 0.75, draws=20_000, seed=1)


class TestAdv5PlacementByLoad:
    """430, 390, 60 and 40 Mbit/s, all on the first of two members of 1 Gbit/s."""

    TEAM = (in_bps(430, 390, 60, 40), [0] * 4, [GIGABIT] * 2)

    def test_clears_the_line_with_one_move_and_stops_there(self):
        found = moved_by_load(*self.TEAM, [0, 0], 0.75)

        assert (found.before[0], len(found.moves), found.fits) == (0.92, 1, True)
        assert [move.utilisation for move in found.clearing] == [(0.49, 0.43), (0.53, 0.39)]
        assert found.after == (0.49, 0.43)

    def test_does_not_reach_what_would_be_possible(self):
        items, positions, links = self.TEAM

        assert sorted(best(items, links, [0, 0], current=positions).utilisation) == [0.45, 0.47]

    def test_ends_at_one_of_two_splits_with_a_background(self):
        found = moved_by_load(*self.TEAM, in_bps(0, 20), 0.75)

        assert [move.utilisation for move in found.clearing] == [(0.49, 0.45), (0.53, 0.41)]

    def test_cannot_help_one_large_item(self):
        assert "cannot" in moved_by_load(in_bps(940), [0], [GIGABIT] * 2, [0, 0], 0.75).text

    def test_will_oscillate_or_sit_still_with_one_item_above_the_line(self):
        found = moved_by_load(in_bps(800), [0], [GIGABIT] * 2, [0, 0], 0.75)

        assert "will oscillate or sit still" in found.text


class TestAdv7SqueezedDemand:
    """Rates that were read at a ceiling understate demand: odds come for more of it as well."""

    def test_is_told_three_times(self):
        found = odds.chances(in_bps(430, 390, 60, 40), [GIGABIT] * 2, in_bps(0, 20), 0.75)

        # Worked by hand: 430 and 390 must part; at half as much again (645, 585, 90, 60) two of the four ways to
        # place the small ones fit, whichever way the large ones part; twice as much is 1.84 Gbit/s, above 1.5.
        assert [(one.demand, one.success) for one in found] == [(1.0, 0.5), (1.5, 0.25), (2.0, 0.0)]

    def test_of_ever_smaller_items_is_ever_better(self):
        sizes = [(480, 2), (240, 4), (160, 6), (120, 8), (80, 12), (40, 24)]
        found = [
            odds.chances(in_bps(rate) * count, [GIGABIT] * 2, [0, 0], 0.75, demands=(1.0,))[0].success
            for rate, count in sizes
        ]

        assert found == pytest.approx([0.5, 0.875, 0.781, 0.930, 0.961, 0.993], abs=5e-4)

    def test_of_streams_in_parallel_is_near_certain(self):
        # 8 and 6 parallel streams instead of two conversations: 98.5 % (counted over all placements).
        streams = in_bps(*[53.75] * 8, *[65] * 6, 60, 40)

        [found] = odds.chances(streams, [GIGABIT] * 2, in_bps(0, 20), 0.75, demands=(1.0,))

        assert found.success == pytest.approx(0.985, abs=5e-4)


class TestLab3CoinTosses:
    """Ten equal items on two links, ten thousand draws beside the exact chances (binomial distribution)."""

    @pytest.mark.parametrize(("at", "exact", "within"), [(0, 0.754, 0.009), (1, 0.344, 0.010)])
    def test_are_seldom_even(self, at, exact, within):
        _, drawn, error, told = exhibited(10, 2, draws=10_000, seed=1).shares[at]

        assert told == pytest.approx(exact, abs=5e-4)
        assert drawn == pytest.approx(told, abs=within)
        assert error == pytest.approx(within, abs=0.001)

    def test_are_shown_side_by_side(self, lopside):
        said = lopside("odds", "exhibit", "--items", 10, "--links", 2, "--draws", 10_000, "--seed", 1).output

        assert "exact 75.4 %" in said
        assert "exact 34.4 %" in said


class TestLab4AddressSandbox:
    """XOR of the last octets modulo 2 is the parity of the hosts (worked by hand)."""

    EVEN = ("192.0.2.10", "192.0.2.12", "192.0.2.14", "192.0.2.16")

    def member(self, host):
        return hashes.member_of(hashes.Stated("xor-last"), Endpoints("192.0.2.20", host), 2)

    def test_gives_all_even_hosts_one_member(self):
        assert [self.member(host) for host in self.EVEN] == [0, 0, 0, 0]

    def test_gives_an_odd_host_the_other(self):
        assert self.member("192.0.2.11") == 1

    def test_claims_to_know_no_device(self, lopside):
        said = lopside("odds", "member", "--mix", "xor-last", *(f"192.0.2.20,{host}" for host in self.EVEN)).output

        assert said.count("-> member 0") == 4
        assert "your device may differ" in said


class TestLab5Frames:
    """A TCP segment with timestamps in a frame of the MTU (RFC 7323, RFC 5180; arithmetic)."""

    @pytest.mark.parametrize(("mtu", "mbps", "share"), [(1500, 941.5, 0.9415), (9000, 990.0, 0.9900)])
    def test_leave_this_much_of_a_gigabit(self, mtu, mbps, share):
        transfer = frames.Transfer(mtu)

        assert frames.payload_bps(GIGABIT, transfer) / MBPS == pytest.approx(mbps, abs=0.05)
        assert float(transfer.efficiency) == pytest.approx(share, abs=5e-5)

    def test_gain_five_per_cent_by_jumbo_frames(self, lopside):
        said = lopside("odds", "frames").output

        assert "941.5 Mbit/s of payload (94.15 %)" in said
        assert "990 Mbit/s of payload (99 %)" in said
        assert "5.2 % more payload" in said


@pytest.fixture
def lopside():
    from click.testing import CliRunner

    from service.cli import cli

    def run(*arguments):
        return CliRunner().invoke(cli, [str(argument) for argument in arguments], catch_exceptions=False)

    return run
