from dataclasses import fields, replace

import numpy as np
import pytest
from examples import GIGABIT, facts_of, samples_of
from hypothesis import given, settings
from hypothesis import strategies as st

from service.numerics.intervals import intervals
from service.terms import EGRESS, INGRESS, UNKNOWN, Counts, Facts, Flag, Form, OperStatus, Samples, Status

NARROW = Facts(speed_bps=GIGABIT, counter_bits=32)
FEW = settings(max_examples=40, deadline=None)


def egress(rows, *facts, **told):
    """Status, flags and octets of the last interval, egress."""
    found = intervals(samples_of(rows), facts_of(*facts), **told)
    return Status(found.status[-1, EGRESS]), Flag(int(found.flags[-1, EGRESS])), int(found.octets[-1, EGRESS])


def two(before, after, seconds=30, **told):
    return [{"at": 0, "out_octets": before, **told}, {"at": seconds, "out_octets": after, **told}]


class TestIntervals:
    def test_holds_what_a_counter_grew_by(self):
        assert egress(two(0, 3_000_000_000)) == (Status.OK, Flag.NONE, 3_000_000_000)

    def test_keeps_single_octets_above_what_a_float_can_count(self):
        assert egress(two(2**63 + 1, 2**63 + 4))[2] == 3

    def test_ends_nothing_at_the_first_sample_of_a_port(self):
        found = intervals(samples_of([{"at": 0, "out_octets": 5}]), facts_of())

        assert found.status[0].tolist() == [Status.NONE, Status.ABSENT]
        assert found.octets[0].tolist() == [UNKNOWN, UNKNOWN]

    def test_says_absent_where_a_direction_is_not_counted(self):
        assert intervals(samples_of(two(0, 1)), facts_of()).status[1, INGRESS] == Status.ABSENT

    def test_gives_nothing_where_only_the_later_sample_tells_a_direction(self):
        rows = [{"at": 0, "in_octets": 0}, {"at": 30, "in_octets": 1, "out_octets": 7}]

        assert egress(rows) == (Status.NONE, Flag.NONE, UNKNOWN)

    def test_never_compares_two_ports(self):
        rows = [{"port": 0, "at": 0, "out_octets": 5}, {"port": 1, "at": 30, "out_octets": 9}]

        assert intervals(samples_of(rows), facts_of()).status[:, EGRESS].tolist() == [Status.NONE, Status.NONE]

    def test_carries_on_from_the_last_sample_seen(self):
        rows = two(0, 3_000_000_000)
        found = intervals(samples_of(rows[1:]), facts_of(), samples_of(rows[:1]))

        assert found.octets[0, EGRESS] == 3_000_000_000
        assert (found.start_ms[0], found.end_ms[0]) == (0, 30_000)

    def test_pays_no_heed_to_a_carried_sample_that_is_later(self):
        rows = two(0, 3_000_000_000)

        assert intervals(samples_of(rows[:1]), facts_of(), samples_of(rows[1:])).status[0, EGRESS] == Status.NONE

    def test_lies_where_the_shifted_clock_says(self):
        found = intervals(samples_of(two(0, 1)), facts_of(), shift_ms=np.array([-25_000, -25_000]))

        assert (found.start_ms[1], found.end_ms[1]) == (-25_000, 5_000)

    def test_keeps_the_columns_of_a_lean_run_lean(self):
        samples = samples_of(two(0, 1, in_octets=4))
        lean = replace(samples, counters=np.ascontiguousarray(samples.counters[:, :2]), columns=(0, 1))
        found, whole = intervals(lean, facts_of()), intervals(samples, facts_of())

        assert found.frames.strides == (0, 0)
        assert found.octets.tolist() == whole.octets.tolist()
        assert found.frames.tolist() == whole.frames.tolist()


class TestWraps:
    def test_are_taken_when_exactly_one_reading_fits_the_wire(self):
        # 4,000,000,000 -> 2,646,907,704 in 30 s at 1 Gbit/s: 2^32 further on.
        status, flags, octets = egress(two(4_000_000_000, 2_646_907_704), NARROW)

        assert (status, octets) == (Status.OK, 2_941_875_000)
        assert Flag.WRAP in flags

    def test_are_ambiguous_when_two_readings_fit(self):
        found = intervals(samples_of(two(1_000_000_000, 2_000_000_000, 60)), facts_of(NARROW))

        assert found.status[1, EGRESS] == Status.AMBIGUOUS
        assert found.octets[1, EGRESS] == UNKNOWN
        assert [round(rate / 1e5) / 10 for rate in found.candidates_bps[1, EGRESS]] == [133.3, 706.0]

    def test_lists_candidates_of_a_carried_sample_too(self):
        rows = two(1_000_000_000, 2_000_000_000, 60)

        found = intervals(samples_of(rows[1:]), facts_of(NARROW), samples_of(rows[:1]))

        assert len(found.candidates_bps[0, EGRESS]) == 2

    def test_are_always_ambiguous_at_an_unknown_speed(self):
        assert egress(two(5, 10), Facts(counter_bits=32))[0] == Status.AMBIGUOUS

    def test_are_implausible_when_no_reading_fits(self):
        slow = Facts(speed_bps=10_000_000, counter_bits=32)

        assert egress(two(0, 1_000_000_000), slow)[0] == Status.IMPLAUSIBLE

    def test_are_assumed_without_uptime_and_packets(self):
        assert Flag.WRAP_ASSUMED in egress(two(4_294_000_000, 1_000_000), NARROW)[1]

    def test_are_sure_when_packets_went_on(self):
        rows = two(4_294_000_000, 1_000_000)
        rows[0]["out_packets"], rows[1]["out_packets"] = 1000, 2000

        assert egress(rows, NARROW)[:2] == (Status.OK, Flag.WRAP)

    def test_are_resets_when_packets_fell_too(self):
        rows = two(4_294_000_000, 1_000_000)
        rows[0]["out_packets"], rows[1]["out_packets"] = 2000, 1000

        assert egress(rows, NARROW) == (Status.RESET, Flag.NONE, UNKNOWN)

    def test_are_sure_when_uptime_went_on(self):
        rows = two(4_294_000_000, 1_000_000)
        rows[0]["uptime"], rows[1]["uptime"] = 1000, 4000

        assert egress(rows, NARROW)[:2] == (Status.OK, Flag.WRAP)

    def test_count_for_packets_past_their_half_and_nothing_else(self):
        rows = two(0, 3_000_000)
        rows[0] |= {"out_packets": 2**32 - 1000, "out_discards": 7}
        rows[1] |= {"out_packets": 1000, "out_discards": 2}
        found = intervals(samples_of(rows), facts_of(NARROW))

        assert found.frames[1, EGRESS] == 2000
        assert found.discards[1, EGRESS] == UNKNOWN


class TestResets:
    def test_are_what_a_falling_64_bit_counter_means(self):
        assert egress(two(812_000_000_000, 4_500_000)) == (Status.RESET, Flag.NONE, UNKNOWN)

    def test_hint_at_a_narrow_counter_just_below_its_end(self):
        assert egress(two(4_294_000_000, 1_000_000))[:2] == (Status.RESET, Flag.NARROW_COUNTER)

    @pytest.mark.parametrize(
        ("facts", "before", "after"),
        [
            (NARROW, (50_000_000, 9_000_000), (1_200_000_000, 2_500)),
            (Facts(speed_bps=GIGABIT), (812_000_000_000, 8_640_000), (4_500_000, 1_200)),
        ],
    )
    def test_are_restarts_when_uptime_fell_even_where_the_counter_grew(self, facts, before, after):
        rows = [
            {"at": 0, "out_octets": before[0], "uptime": before[1]},
            {"at": 30, "out_octets": after[0], "uptime": after[1]},
        ]

        assert egress(rows, facts) == (Status.RESTART, Flag.NONE, UNKNOWN)

    def test_are_told_by_the_discontinuity_time(self):
        rows = two(0, 1)
        rows[0]["discontinuity"], rows[1]["discontinuity"] = 0, 500

        assert egress(rows)[0] == Status.DISCONTINUITY

    def test_are_not_told_by_a_discontinuity_time_that_stays_zero(self):
        assert egress(two(0, 1, discontinuity=0))[0] == Status.OK

    def test_are_not_compared_when_the_counter_changed_its_width(self):
        rows = two(0, 1)
        rows[1]["facts"] = 1

        assert egress(rows, Facts(speed_bps=GIGABIT), NARROW)[0] == Status.DISCONTINUITY


class TestUptime:
    def rows(self, before, after, wall, octets=3_000_000_000):
        return [
            {"at": 0, "out_octets": 9_000_000_000_000, "uptime": before, "received": 0},
            {"at": wall, "out_octets": 9_000_000_000_000 + octets, "uptime": after, "received": 30},
        ]

    def test_comes_round_after_497_days_without_a_restart(self):
        found = intervals(samples_of(self.rows(4_294_966_000, 1_704, 30)), facts_of())

        assert (found.status[1, EGRESS], found.flags[1, EGRESS]) == (Status.OK, Flag.UPTIME_ROLLOVER)
        assert found.end_ms[1] - found.start_ms[1] == 30_000

    @pytest.mark.parametrize("wall", [55, 10])
    def test_measures_the_seconds_when_the_wall_clock_was_set(self, wall):
        found = intervals(samples_of(self.rows(1_000, 4_000, wall)), facts_of())

        assert found.flags[1, EGRESS] == Flag.CLOCK_STEP
        assert (found.start_ms[1], found.end_ms[1]) == (0, 30_000)

    def test_cannot_rule_out_a_restart_in_a_long_hole_with_a_clock_step(self):
        assert egress(self.rows(1_000, 71_000, 600))[0] == Status.RESTART

    def test_leaves_neighbouring_intervals_together_within_one_tick(self):
        found = intervals(samples_of(self.rows(1_000, 4_001, 30)), facts_of())

        assert (found.start_ms[1], found.end_ms[1]) == (0, 30_000)

    def test_decides_beyond_one_tick(self):
        found = intervals(samples_of(self.rows(1_000, 3_950, 30)), facts_of())

        assert found.end_ms[1] - found.start_ms[1] == 29_500

    def test_ends_nothing_where_no_time_passed(self):
        assert egress(self.rows(1_000, 1_000, 1, octets=0))[0] == Status.NONE


class TestChecks:
    def test_begin_with_another_port(self):
        rows = two(0, 1)
        rows[0] |= {"uptime": 5000, "facts": 0}
        rows[1] |= {"uptime": 10, "facts": 1}

        assert egress(rows, Facts(mac=0x02), Facts(mac=0x03))[0] == Status.IDENTITY_CHANGED

    def test_take_an_unknown_address_for_the_same_port(self):
        rows = two(0, 1)
        rows[1]["facts"] = 1

        assert egress(rows, Facts(mac=0x02, speed_bps=GIGABIT), Facts(speed_bps=GIGABIT))[0] == Status.OK

    @pytest.mark.parametrize(
        ("octets", "status"),
        [(3_825_000_000, Status.OK), (3_826_000_000, Status.IMPLAUSIBLE), (2**64 - 1, Status.IMPLAUSIBLE)],
    )
    def test_refuse_more_than_the_wire_and_two_percent(self, octets, status):
        rows = [{"at": 0.001, "out_octets": 0}, {"at": 30.001, "out_octets": octets}]
        limit = egress(rows)[0]

        assert limit == status

    def test_allow_for_stamps_in_whole_seconds(self):
        # 30 s told may be 31 s: a true 100 % shows as 103 %.
        assert egress(two(0, 3_875_000_000))[0] == Status.OK

    def test_make_no_claim_about_plausibility_at_an_unknown_speed(self):
        assert egress(two(0, 10**12), Facts())[0] == Status.OK

    def test_call_an_interval_longer_than_two_windows_coarse_but_keep_its_volume(self):
        # 57 GB in 600 s at 1 Gbit/s is a mean of 76 %.
        assert egress(two(0, 57_000_000_000, 600)) == (Status.COARSE, Flag.NONE, 57_000_000_000)
        assert egress(two(0, 1, 60))[0] == Status.OK

    def test_hold_for_rates_too(self):
        rate = Facts(speed_bps=GIGABIT, form=Form.RATE)
        rows = two(0, 800_000_000)

        assert egress(rows, rate) == (Status.OK, Flag.NONE, 3_000_000_000)
        assert egress(two(0, 1_100_000_000), rate)[0] == Status.IMPLAUSIBLE
        assert egress(rows[:1], rate)[0] == Status.NONE

    @pytest.mark.parametrize("rate_bps", [2**62 + 1, 2**63, 2**64 - 1])
    def test_refuse_a_rate_that_no_signed_number_holds(self, rate_bps):
        assert egress(two(0, rate_bps, 1), Facts(form=Form.RATE))[0] == Status.IMPLAUSIBLE

    def test_flag_a_changed_speed(self):
        rows = two(0, 1)
        rows[1]["facts"] = 1

        assert egress(rows, Facts(speed_bps=GIGABIT), Facts(speed_bps=10 * GIGABIT))[1] == Flag.SPEED_CHANGED


class TestFrames:
    def frames(self, octets, packets, **facts):
        rows = two(0, octets)
        rows[0]["out_packets"], rows[1]["out_packets"] = 0, packets
        found = intervals(samples_of(rows), facts_of(Facts(speed_bps=GIGABIT, **facts)))
        return int(found.frames[1, EGRESS]), Flag(int(found.flags[1, EGRESS]))

    def test_are_the_packets_of_the_direction(self):
        assert self.frames(2_400_000_000, 37_500_000) == (37_500_000, Flag.NONE)

    def test_are_inferred_where_the_packet_counter_counts_merged_packets(self):
        merged = self.frames(3_000_000_000, 60_000, mtu=1500, counts=Counts.NO_FCS)

        assert merged == (1_981_506, Flag.MERGED_PACKETS)  # 3e9 / 1514, rounded up

    def test_are_not_doubted_below_the_largest_frame_when_the_mtu_is_unknown(self):
        assert self.frames(9_238_000, 1_000)[1] == Flag.NONE
        assert self.frames(9_239_000, 1_000)[1] == Flag.MERGED_PACKETS

    def test_are_unknown_where_octets_went_by_and_no_packet(self):
        assert self.frames(1_000, 0)[0] == UNKNOWN
        assert self.frames(0, 0)[0] == 0


class TestChanges:
    def test_are_placed_by_ticks(self):
        rows = two(0, 1)
        rows[0]["uptime"], rows[1]["uptime"] = 10_000, 13_000
        found = intervals(samples_of(rows), facts_of(Facts(speed_bps=GIGABIT, last_change_ticks=12_000)))

        assert found.changed_ms[1] == 20_000

    def test_are_not_told_without_ticks(self):
        assert intervals(samples_of(two(0, 1)), facts_of()).changed_ms is None


@st.composite
def readings(draw):
    """Some ports' samples as an awkward world gives them: falling counters, holes, ticks that jump."""
    rows = []
    for port in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, 40))
        for _ in range(draw(st.integers(1, 8))):
            rows.append(
                {
                    "port": port,
                    "at": at,
                    "facts": draw(st.integers(0, 3)),
                    "out_octets": draw(st.integers(0, 2**33)),
                    "in_octets": draw(st.sampled_from([0, 5, 2**32 - 1, 2**63, 2**64 - 1])),
                    "out_packets": draw(st.integers(0, 2**32 - 1)),
                    "out_discards": draw(st.integers(0, 10)),
                    "uptime": draw(st.sampled_from([UNKNOWN, 100, at * 100, 2**32 - 100 + at])),
                    "discontinuity": draw(st.sampled_from([UNKNOWN, 0, 7])),
                }
            )
            at += draw(st.integers(1, 90))
    return samples_of(rows)


AWKWARD = facts_of(
    Facts(speed_bps=GIGABIT, last_change_ticks=50),
    Facts(speed_bps=10 * GIGABIT, mac=5, oper=OperStatus.DOWN),
    NARROW,
    Facts(form=Form.RATE, counts=Counts.PAYLOAD, mtu=1500, half_duplex=True),
)


def columns_of(found):
    return {field.name: getattr(found, field.name) for field in fields(found) if field.name != "candidates_bps"}


def carry(samples: Samples) -> Samples:
    last = np.flatnonzero(np.append(samples.port[1:] != samples.port[:-1], True)) if len(samples) else slice(0, 0)
    return samples.take(last)


class TestPieces:
    @FEW
    @given(readings(), st.integers(0, 300))
    def test_give_what_all_samples_at_once_give(self, samples, cut):
        early = samples.at_ms < cut * 1000
        first, second = samples.take(early), samples.take(~early)
        whole = columns_of(intervals(samples, AWKWARD))

        ahead, behind = intervals(first, AWKWARD), intervals(second, AWKWARD, carry(first))

        for name, column in whole.items():
            for piece, rows in ((ahead, early), (behind, ~early)):
                if rows.any():
                    assert getattr(piece, name).tolist() == column[rows].tolist(), name

    @FEW
    @given(readings())
    def test_without_a_value_are_never_zero(self, samples):
        found = intervals(samples, AWKWARD)
        usable = np.isin(found.status, (Status.OK, Status.COARSE))

        assert (found.octets[~usable] == UNKNOWN).all()
        assert (found.octets[usable] >= 0).all()
        assert (found.frames[~usable] == UNKNOWN).all()
