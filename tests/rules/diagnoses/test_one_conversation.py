"""One large conversation, by the sign and by the limit of each sign.

Frames of 1,518 octets fill 1 Gbit/s at 10^9 / (8 * 1,538) = 81,274 a second (IEEE 802.3); a receiver acknowledges at
least every second full segment (RFC 5681).
"""

from __future__ import annotations

import numpy as np
import pytest
from examples import GIGABIT
from rules.diagnoses.situations import a_situation, an_item, packets, windows

from service.rules.diagnoses import one_conversation, signs

FULL_PPS = 81_274


def of(m1, m2=None, *, pps=None, back=None, back_octets=66, cap=GIGABIT, **more):
    """What is made of a member's egress in large frames that are acknowledged, beside a sibling at 2 %."""
    n = len(m1)
    m2 = m2 or [0.02] * n
    most = FULL_PPS * cap / GIGABIT
    sent = [[value * most for value in m1], [value * most for value in m2]] if pps is None else pps
    back = [[value / 2 for value in row] for row in sent] if back is None else back
    inward = [[value * 8 * (back_octets + 20) / cap for value in row] for row in back]
    told = windows([m1, m2], inward, packets=packets(sent, back), cap=cap)
    situation = a_situation(told, **more)
    return one_conversation.diagnosis(situation, signs.of(situation))


STEP = [0.02, 0.02, 0.987, 0.986, 0.987, 0.987]


class TestOneConversation:
    def test_is_probable_by_step_plateau_large_frames_and_small_answers(self):
        found = of(STEP)

        assert (found.name, found.sure, found.members) == ("one-conversation", "probable", ("m1",))
        assert found.evidence.against == ()
        assert found.evidence.missing == ("flow records or virtual-port counters",)
        assert "rose by 96.7 points" in found.evidence.speaks_for[0]

    @pytest.mark.parametrize(("gbps", "sure"), [(39.5, "probable"), (43.0, None)])
    def test_is_probable_at_the_speed_of_a_senders_own_link(self, gbps, sure):
        # 98.7 % of a link of 40 Gbit/s on a member of 50; no link has 43 Gbit/s (IEEE 802.3).
        found = of([0.0, 0.0] + [gbps / 50] * 6, cap=50 * GIGABIT)

        assert (found.sure if found else None) == sure

    def test_is_only_possible_without_packets(self):
        nothing = np.full((2, 6), np.nan)

        found = of(STEP, pps=nothing, back=nothing)

        assert found.sure == "possible"
        assert len(found.evidence.missing) == 3

    def test_is_not_claimed_where_the_rate_varies(self):
        assert of([0.02, 0.02, 0.80, 0.90, 0.78, 0.93, 0.85, 0.80, 0.91]) is None

    def test_is_not_claimed_of_small_frames(self):
        many = [[value * FULL_PPS * 4 for value in STEP], [0.0] * 6]

        assert of(STEP, pps=many) is None

    def test_is_not_claimed_where_large_packets_come_back(self):
        assert of(STEP, back_octets=1400) is None

    def test_is_not_claimed_where_others_rose_with_it(self):
        assert of(STEP, [0.02, 0.02, 0.30, 0.30, 0.30, 0.30]) is None

    def test_is_not_claimed_of_several_steps(self):
        assert of([0.02, 0.02, 0.5, 0.5, 0.5, 0.98, 0.98, 0.98, 0.98]) is None

    @pytest.mark.parametrize(("windows_at_line_rate", "claimed"), [(2, False), (3, True)])
    def test_needs_three_windows_at_line_rate(self, windows_at_line_rate, claimed):
        assert (of([0.02, 0.02] + [0.987] * windows_at_line_rate) is not None) is claimed

    @pytest.mark.parametrize(("windows_below", "claimed"), [(5, False), (6, True)])
    def test_needs_six_windows_below_line_rate(self, windows_below, claimed):
        assert (of([0.0, 0.0] + [0.79] * windows_below, cap=50 * GIGABIT) is not None) is claimed

    def test_is_probable_where_the_whole_rate_moves_from_one_member_to_another(self):
        m1, m2 = [0.875] * 6 + [0.025] * 6, [0.025] * 6 + [0.875] * 6
        sent = [[value * FULL_PPS for value in row] for row in (m1, m2)]

        found = of(m1, m2, pps=sent, back=[[1.0] * 12] * 2)

        assert (found.sure, found.members) == ("probable", ("m2",))
        assert any("moved at once" in sign for sign in found.evidence.speaks_for)


class TestByItems:
    @pytest.mark.parametrize(("share", "sure"), [(0.90, "shown"), (0.89, None)])
    def test_is_shown_by_one_record_of_90_per_cent_of_the_member(self, share, sure):
        items = (
            an_item("10.0.0.1:9 > 10.0.0.2:9", "m1", 986.75 * share, "conversation"),
            an_item("", "m1", 986.75 * (1 - share), "conversation", parts=40),
        )

        found = of(STEP, items=items)

        assert (found.sure if found else None) == sure

    def test_counts_what_the_records_leave_out(self):
        assert of(STEP, items=(an_item("a", "m1", 480, "conversation"),)) is None

    def test_is_shown_by_conversations_where_virtual_ports_are_told_as_well(self):
        items = (an_item("vp1", "m1", 975), an_item("a", "m1", 970, "conversation"))

        found = of(STEP, items=items)

        assert (found.sure, "conversation a" in found.evidence.speaks_for[0]) == ("shown", True)

    def test_is_not_claimed_of_a_virtual_port_that_holds_many_conversations(self):
        many = tuple(an_item(f"c{n}", "m1", 97, "conversation") for n in range(10))

        assert of(STEP, items=(an_item("vp1", "m1", 975), *many)) is None

    def test_is_not_claimed_of_the_sum_of_what_was_not_kept_one_by_one(self):
        assert of(STEP, items=(an_item("", "m1", 970, "conversation", parts=9000),)) is None

    def test_asks_what_a_virtual_port_is_made_of(self):
        found = of(STEP, items=(an_item("vp1", "m1", 980),))

        assert found.sure == "shown"
        assert found.text == "one virtual port fills m1"
        assert "one or several" in found.evidence.missing[0]


class TestIsAlone:
    @pytest.mark.parametrize(("mbps", "alone"), [(9, True), (11, False)])
    def test_where_nothing_else_reaches_one_per_cent_of_line_rate(self, mbps, alone):
        told = windows([[0.0, 0.0, 0.985, 0.985], [0.02] * 4])
        items = (an_item("a", "m1", 970, "conversation"), an_item("b", "m1", mbps, "conversation"))
        situation = a_situation(told, items=items)
        seen = signs.of(situation)

        found = one_conversation.diagnosis(situation, seen)

        assert one_conversation.is_alone(found, situation, seen) is alone

    @pytest.mark.parametrize(("before", "alone"), [(0.009, True), (0.011, False)])
    def test_by_counters_where_the_member_carried_less_than_that_before(self, before, alone):
        m1 = [before, before, 0.987, 0.987, 0.987, 0.987]
        sent = [[value * FULL_PPS for value in m1], [0.0] * 6]
        back = [[value / 2 for value in row] for row in sent]
        inward = [[value * 8 * 86 / 1e9 for value in row] for row in back]
        situation = a_situation(windows([m1, [0.0] * 6], inward, packets=packets(sent, back)))
        seen = signs.of(situation)

        found = one_conversation.diagnosis(situation, seen)

        assert one_conversation.is_alone(found, situation, seen) is alone
