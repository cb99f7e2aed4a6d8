"""Numbers printed in published standards, against what the core makes of them."""

import numpy as np
import pytest
from examples import facts_of, samples_of

from service.numerics import teams
from service.numerics.intervals import intervals
from service.numerics.windows import member_windows
from service.terms import EGRESS, Facts, Flag, Span, Status


def one_window(octets, packets, speed_bps, **facts):
    rows = [{"at": 0, "out_octets": 0, "out_packets": 0}, {"at": 30, "out_octets": octets, "out_packets": packets}]
    table = facts_of(Facts(speed_bps=speed_bps, **facts))
    return float(member_windows(intervals(samples_of(rows), table), table, 1, Span(0, 1)).utilisation[0, 0, EGRESS])


class TestFrameRatesAtLineRate:
    # RFC 2544 appendix B: Ethernet at 10 Mbit/s, frames a second; preamble 64 bits, gap 96 bits.
    RFC_2544 = ((64, 14880), (128, 8445), (256, 4528), (512, 2349), (768, 1586), (1024, 1197), (1280, 961), (1518, 812))

    @pytest.mark.parametrize(("frame", "rate"), RFC_2544)
    def test_of_rfc_2544_are_a_full_wire(self, frame, rate):
        full = one_window(30 * rate * frame, 30 * rate, 10_000_000)

        # The printed rates are whole frames, rounded down: one frame a second is missing at most.
        assert 1 - 8 * (frame + 20) / 10e6 < full <= 1

    # RFC 5180 appendix A.1: 10, 100 Mbit/s, 1 and 10 Gbit/s. Its rows for 4096 and 9216 octets are misprinted
    # (30,396 for 30,369; 303,691 for 303,692; 13,534 for 13,533) and left out.
    RFC_5180 = (
        (64, (14_880, 148_809, 1_488_095, 14_880_952)),
        (128, (8_445, 84_459, 844_594, 8_445_945)),
        (256, (4_528, 45_289, 452_898, 4_528_985)),
        (512, (2_349, 23_496, 234_962, 2_349_624)),
        (1024, (1_197, 11_973, 119_731, 1_197_318)),
        (1280, (961, 9_615, 96_153, 961_538)),
        (1518, (812, 8_127, 81_274, 812_743)),
        (1522, (810, 8_106, 81_063, 810_635)),
        (2048, (604, 6_044, 60_444, 604_448)),
        (8192, (152, 1_522, 15_221, 152_216)),
    )

    @pytest.mark.parametrize(("frame", "rates"), RFC_5180)
    def test_of_rfc_5180_are_a_full_wire(self, frame, rates):
        for speed, rate in zip((10**7, 10**8, 10**9, 10**10), rates, strict=True):
            full = one_window(30 * rate * frame, 30 * rate, speed)
            assert 1 - 8 * (frame + 20) / speed < full <= 1

    @pytest.mark.parametrize(
        ("frame", "ceiling"), [(64, 0.761905), (128, 0.864865), (256, 0.927536), (512, 0.962406), (1518, 0.986996)]
    )
    def test_show_less_than_a_full_wire_in_counted_octets(self, frame, ceiling):
        # Follows from RFC 5180 appendix A.1 with RFC 3635 section 3.2.5: X / (X + 20); computed, not printed there.
        rows = [{"at": 0, "out_octets": 0}, {"at": 30, "out_octets": 30 * round(1e10 / 8 / (frame + 20)) * frame}]
        table = facts_of(Facts(speed_bps=10**10))
        found = member_windows(intervals(samples_of(rows), table), table, 1, Span(0, 1))

        assert found.utilisation[0, 0, EGRESS] == pytest.approx(ceiling, abs=2e-6)

    @pytest.mark.parametrize(("rate", "frame", "percent"), [(14880, 64, 99.9936), (812, 1518, 99.90848)])
    def test_give_the_utilisation_of_rfc_2819(self, rate, frame, percent):
        # RFC 2819 etherStatsOctets: (Pkts * (9.6 + 6.4) + Octets * 0.8) / (Interval * 10000) percent, at 10 Mbit/s.
        formula = (rate * (9.6 + 6.4) + rate * frame * 0.8) / 10_000

        assert formula == pytest.approx(percent, abs=1e-4)
        assert 100 * one_window(30 * rate * frame, 30 * rate, 10_000_000) == pytest.approx(formula, abs=1e-9)


class TestCounters:
    # RFC 2863 section 3.1.6: at full speed a 32-bit octet counter wraps in just over 57 minutes at 10 Mbit/s,
    # in 5.7 minutes at 100 Mbit/s, in 34 seconds at 1 Gbit/s.
    @pytest.mark.parametrize(
        ("speed", "told_s", "within_s"), [(10**7, 57 * 60, 20), (10**8, 5.7 * 60, 3), (10**9, 34, 0.5)]
    )
    def test_of_32_bits_are_ambiguous_from_their_wrap_time_on(self, speed, told_s, within_s):
        table = facts_of(Facts(speed_bps=speed, counter_bits=32))

        def status(seconds):
            rows = [{"at": 0.001, "out_octets": 7}, {"at": seconds, "out_octets": 7}]
            return intervals(samples_of(rows), table, window_ms=10**7).status[1, EGRESS]

        wrap_s = next(s for s in np.arange(told_s * 0.9, told_s * 1.1, within_s / 10) if status(s) == Status.AMBIGUOUS)

        # Line rate is believed up to 2 % more than it is, so that the doubt begins 2 % earlier.
        assert wrap_s * 1.02 == pytest.approx(told_s, abs=within_s + told_s * 0.005)

    def test_of_64_bits_never_wrap(self):
        # RFC 2863 section 3.1.6: a 64-bit octet counter wraps in just under 5 years even at 1 Tbit/s.
        years = 2**64 * 8 / 1e12 / (365.25 * 86400)
        table = facts_of(Facts(speed_bps=10**12))
        rows = [{"at": 0, "out_octets": 2**64 - 1}, {"at": 30, "out_octets": 5}]

        assert 4.5 < years < 5
        assert intervals(samples_of(rows), table).status[1, EGRESS] == Status.RESET

    def test_hold_all_values_of_counter64(self):
        # RFC 2578 section 7.1.10: 18,446,744,073,709,551,615 is the largest.
        rows = [{"at": 0, "out_octets": 18446744073709551614}, {"at": 30, "out_octets": 18446744073709551615}]

        assert intervals(samples_of(rows), facts_of()).octets[1, EGRESS] == 1

    def test_of_ticks_come_round_after_2_to_the_32(self):
        # RFC 2578 section 7.1.8: TimeTicks count hundredths of a second modulo 2^32, that is 497.1 days.
        rows = [
            {"at": 0, "out_octets": 0, "uptime": 2**32 - 1500},
            {"at": 30, "out_octets": 1, "uptime": 1500},
        ]
        found = intervals(samples_of(rows), facts_of())

        assert pytest.approx(497.1, abs=0.01) == 2**32 / 100 / 86400
        assert (found.status[1, EGRESS], found.flags[1, EGRESS]) == (Status.OK, Flag.UPTIME_ROLLOVER)

    def test_are_not_compared_across_a_discontinuity(self):
        # RFC 2863 ifCounterDiscontinuityTime: a difference counts only if it is the same at both ends.
        rows = [
            {"at": 0, "out_octets": 5, "discontinuity": 100},
            {"at": 30, "out_octets": 9, "discontinuity": 200},
        ]

        assert intervals(samples_of(rows), facts_of()).status[1, EGRESS] == Status.DISCONTINUITY

    def test_of_octets_include_header_and_check_sequence(self):
        # RFC 3635 section 3.2.5: ifOutOctets = octets of data + 18 a frame. The same frames on the wire, counted in
        # three ways, are the same utilisation.
        frames, payload = 1_000_000, 1_000
        ways = {0: payload + 18, 1: payload + 14, 2: payload}
        found = [one_window(frames * octets, frames, 10**9, counts=counts) for counts, octets in ways.items()]

        assert found == pytest.approx([8 * frames * (payload + 38) / 30e9] * 3)


class TestImbalance:
    # The formula is RFC 7424 section 5.1: u_ave = sum(u b) / sum(b), imbalance = max |u - u_ave|; it prints no numbers.
    # These are computed by it by hand; the last tells a weighted from an unweighted mean.
    @pytest.mark.parametrize(
        ("u", "speeds", "even", "imbalance"),
        [
            ((0.9, 0.1, 0.1, 0.1), 1e9, 0.3, 0.6),
            ((0.76, 0.05, 0.05, 0.05), 1e9, 0.2275, 0.5325),
            ((0.75, 0.25, 0.25, 0.25), 1e9, 0.375, 0.375),
            ((0.4, 0.4, 0.4, 0.4), 1e9, 0.4, 0),
            ((0.5, 0.05), (10e9, 100e9), 0.0909091, 0.4090909),
        ],
    )
    def test_is_the_largest_distance_from_the_weighted_mean(self, u, speeds, even, imbalance):
        assert teams.even_split(np.array(u), speeds) == pytest.approx(even, abs=1e-7)
        assert teams.imbalance(np.array(u), speeds) == pytest.approx(imbalance, abs=1e-7)

    def test_of_the_example_of_rfc_7424(self):
        # RFC 7424 section 4.4.1: four links of 10 Gbit/s, four flows of 1 Gbit/s, one a link, and one more of 2 Gbit/s.
        # Without a move the loads are 3, 1, 1, 1; at best, after one move, 2, 2, 1, 1: some imbalance remains.
        assert teams.imbalance(np.array([0.3, 0.1, 0.1, 0.1]), 10e9) == pytest.approx(0.15)
        assert teams.imbalance(np.array([0.2, 0.2, 0.1, 0.1]), 10e9) == pytest.approx(0.05)


class TestFairness:
    @pytest.mark.parametrize("busy", [1, 2, 3, 4])
    def test_is_k_over_n(self, busy):
        # RFC 5166 section 2.3.1: when k users share equally and the others get nothing the index is k/n.
        assert teams.fairness(np.array([7.0] * busy + [0.0] * (4 - busy))) == pytest.approx(busy / 4)

    @pytest.mark.parametrize(
        ("rates", "index"),
        [((2, 1), 9 / 10), ((3, 1), 4 / 5), ((1, 2, 3, 4), 5 / 6), ((50, 30, 50), 169 / 177), ((90, 10), 25 / 41)],
    )
    def test_is_the_formula_in_fractions(self, rates, index):
        # The formula of RFC 5166 section 2.3.1, worked by hand.
        assert teams.fairness(np.array(rates, dtype=float)) == pytest.approx(index, abs=1e-12)
