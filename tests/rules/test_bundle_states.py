"""What LACP states say against members; bits as in the LACPDU's state octet (IEEE 802.1AX): 0x3D carries."""

from __future__ import annotations

import pytest

from service.rules.bundle_states import NAMES, unfit
from service.terms import BUILD_DIAGNOSES, BundleState

CARRIES = 0x3D  # active, aggregation, in sync, collecting, distributing
COLLECTS = 0x1D
OWN, PARTNER, OTHER = 0x0200_0000_0001, 0x0200_0000_00AA, 0x0200_0000_00BB


def state(actor=CARRIES, partner=CARRIES, system=PARTNER, key=7):
    return BundleState(actor, partner, system, key)


class TestUnfit:
    def test_says_nothing_of_members_that_carry_to_one_partner(self):
        assert unfit([state(), state()]) == ("", "")

    def test_says_nothing_where_nobody_tells(self):
        assert unfit([None, BundleState()]) == ("", "")

    @pytest.mark.parametrize("partner", [COLLECTS, 0x0D, 0x05])
    def test_finds_a_far_end_that_does_not_distribute(self, partner):
        assert unfit([state(), state(partner=partner)]) == ("", "far-end-not-distributing")

    @pytest.mark.parametrize(
        "actor",
        [
            COLLECTS,  # not distributing
            0x35,  # not in sync
            0x7D,  # defaulted: the partner is silent
            0xBD,  # expired
        ],
    )
    def test_finds_an_own_end_that_does_not_use_it_whatever_the_far_end_says(self, actor):
        assert unfit([state(), state(actor=actor, partner=COLLECTS)]) == ("", "own-end-not-distributing")

    def test_takes_an_aggregation_without_any_partner_for_one_set_up_by_hand(self):
        alone = BundleState(0x7D, 0x7D)

        assert unfit([alone, alone]) == ("", "")

    @pytest.mark.parametrize("other", [state(system=OTHER), state(key=8)])
    def test_finds_the_members_with_the_rarer_partner(self, other):
        assert unfit([other, state(), state()]) == ("two-partners", "", "")

    def test_takes_the_first_of_two_partners_for_the_right_one(self):
        assert unfit([state(), state(system=OTHER)]) == ("", "two-partners")

    def test_names_diagnoses_that_keep_load_away(self):
        assert set(NAMES[1:]) <= BUILD_DIAGNOSES
