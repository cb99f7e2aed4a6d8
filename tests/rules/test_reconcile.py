"""The rule is this project's own: who overrides is believed, else the device, else the declaration."""

from dataclasses import replace

import pytest

from service.rules.reconcile import reconciled
from service.terms import DECLARED, DISCOVERED, Claim, Role

UP1 = Claim("sm-07", "up1", DECLARED, "front", Role.ACTIVE)
UP2 = Claim("sm-07", "up2", DECLARED, "front", Role.STANDBY)
SAYS_UP2 = Claim("sm-07", "up2", DISCOVERED, "front", Role.ACTIVE)


def believed(*claims):
    (one,) = reconciled(claims)
    return one


class TestReconciled:
    def test_believes_who_speaks_alone(self):
        for claim in (UP2, SAYS_UP2):
            one = believed(claim)

            assert (one.team, one.role, one.conflict) == ("front", claim.role, "")

    def test_believes_the_device_against_a_declaration_and_says_so(self):
        one = believed(UP2, SAYS_UP2)

        assert (one.role, one.declared, one.discovered) == (Role.ACTIVE, UP2, SAYS_UP2)
        assert one.conflict == "declared standby, its device says active: the device is believed"

    def test_believes_a_declaration_that_overrides_and_says_so(self):
        one = believed(SAYS_UP2, replace(UP2, override=True))

        assert one.role == Role.STANDBY
        assert one.conflict == "declared standby, its device says active: the declaration overrides and is believed"

    def test_sees_no_conflict_where_both_say_the_same(self):
        assert believed(UP1, replace(UP1, said_by=DISCOVERED)).conflict == ""

    @pytest.mark.parametrize(("override", "team"), [(False, "store"), (True, "front")])
    def test_treats_teams_as_it_treats_roles(self, override, team):
        one = believed(replace(UP1, override=override), replace(UP1, said_by=DISCOVERED, team="store"))

        assert one.team == team
        assert one.conflict.startswith("declared in team front, its device says in team store: ")

    def test_takes_a_device_that_has_it_in_no_team_at_its_word(self):
        one = believed(UP1, replace(UP1, said_by=DISCOVERED, team=""))

        assert one.team == ""
        assert one.conflict == "declared in team front, its device says in no team: the device is believed"

    def test_takes_a_declaration_without_a_team_to_say_nothing_of_it(self):
        for override in (False, True):
            one = believed(replace(UP2, team="", override=override), SAYS_UP2)

            assert one.team == "front"

    def test_fills_in_a_role_that_the_device_does_not_tell(self):
        one = believed(UP2, replace(SAYS_UP2, role=Role.NOT_TOLD))

        assert (one.role, one.conflict) == (Role.STANDBY, "")

    def test_takes_over_no_role_that_was_meant_for_another_team(self):
        one = believed(UP2, replace(SAYS_UP2, role=Role.NOT_TOLD, team="store"))

        assert (one.team, one.role) == ("store", Role.NOT_TOLD)

    @pytest.mark.parametrize("override", [False, True])
    def test_never_makes_a_member_of_the_interface_of_a_team(self, override):
        interface = Claim("sm-07", "up1", DISCOVERED, aggregate_of="front")

        one = believed(replace(UP1, override=override), interface)

        assert one.team == ""
        assert "is the interface of team front itself: it is never a member" in one.conflict

    def test_keeps_ports_apart_and_in_order(self):
        both = reconciled([UP2, UP1, SAYS_UP2])

        assert [(one.port, one.conflict != "") for one in both] == [("up2", True), ("up1", False)]

    def test_of_nobody_is_nothing(self):
        assert reconciled([]) == ()
