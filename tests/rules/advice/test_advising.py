"""Advice: every option beside the others; what cannot help is said, and what would be unsafe is refused."""

from __future__ import annotations

from dataclasses import replace

import pytest
from advice_examples import BROKEN, ITEMS, a_situation, virtual_ports

from service.rules.advice.advising import advised
from service.rules.advice.methods import WAYS
from service.rules.advice.wording import MOST_LETTERS
from service.terms import (
    BUILD_DIAGNOSES,
    METHODS,
    BundleState,
    Diagnosis,
    LacpState,
    MemberFigure,
    Sure,
    TeamName,
    WhyNot,
)

ONE = Diagnosis("one-conversation", Sure.PROBABLE, "one conversation", ("m1",))
SPREAD, PINNED = ("ip-pair", "layer4-tuple"), ("virtual-port", "source-mac", "load-aware", "active-standby")
WELL = LacpState.AGGREGATION | LacpState.SYNCHRONIZATION | LacpState.COLLECTING | LacpState.DISTRIBUTING
ANSWERED = BundleState(actor=int(WELL), partner=int(WELL), partner_system=0x0200_5E00_0001, partner_key=7)
SILENT = BundleState(actor=int(LacpState.AGGREGATION | LacpState.DEFAULTED))


def options_of(situation, **how):
    return {option.name: option for option in advised(situation, **how).options}


class TestOptions:
    def test_are_all_methods_and_leaving_adding_and_mending(self):
        known = set(METHODS) - {"unknown"}

        assert set(WAYS) == known
        assert set(options_of(a_situation())) == known | {"leave", "add-capacity", "mend"}

    def test_add_the_far_end_where_it_decides(self):
        found = options_of(a_situation(direction="ingress", bundle="lacp", method="layer4-tuple"))

        assert found["far-end"].owner == "network"
        assert found["far-end"].chances[0].success == pytest.approx(0.5)

    def test_of_a_method_name_what_both_ends_need(self):
        for name, option in options_of(a_situation()).items():
            if name in WAYS:
                assert any(one.startswith("Host: ") for one in option.prerequisites)
                assert any(one.startswith("Far end: ") for one in option.prerequisites)
                assert option.risks
                assert "1e-4 for 2 windows" in option.back_out


class TestRefusals:
    """What does not go with what: common practice, no source; that each end distributes by itself is IEEE 802.1AX."""

    @pytest.mark.parametrize("method", SPREAD)
    def test_a_spread_method_without_a_bundle(self, method):
        assert options_of(a_situation(bundle="none"))[method].refused.startswith("needs a matching bundle")

    @pytest.mark.parametrize("bundle", ["static", "lacp"])
    @pytest.mark.parametrize("method", PINNED)
    def test_a_pinned_method_that_faces_a_bundle(self, method, bundle):
        option = options_of(a_situation(bundle=bundle, method="ip-pair"))[method]

        assert option.refused.startswith("must not face a bundle")
        assert not [chance for chance in option.chances if chance.success]

    @pytest.mark.parametrize("bundle", ["static", "lacp"])
    def test_spare_what_matches(self, bundle):
        found = options_of(a_situation(bundle=bundle, method="ip-pair"))

        assert not any(found[method].refused for method in SPREAD)
        assert not any(options_of(a_situation(bundle="none"))[method].refused for method in PINNED)

    @pytest.mark.parametrize(("bundle", "states"), [("lacp", (SILENT, SILENT)), ("none", (ANSWERED, ANSWERED))])
    def test_every_method_where_one_side_alone_has_a_bundle(self, bundle, states):
        found = options_of(a_situation(bundle=bundle, method="ip-pair", states=states), diagnoses=())

        assert all("one side" in found[method].refused for method in WAYS)
        assert "one side" in found["mend"].expected

    def test_take_a_bundle_that_is_heard_for_one(self):
        found = options_of(a_situation(bundle="", method="ip-pair", states=(ANSWERED, ANSWERED)))

        assert found["virtual-port"].refused
        assert not found["ip-pair"].refused

    def test_ask_where_nobody_knows_of_a_bundle(self):
        advice = advised(a_situation(bundle="", method="unknown"))

        assert "Ask first whether the far end bundles these ports" in advice.line
        assert all("whether the far end bundles" in o.missing[0] for o in advice.options if o.name in WAYS)

    def test_all_but_a_hash_for_routed_paths(self):
        situation = a_situation(method="unknown", bundle="")
        found = options_of(replace(situation, team=TeamName("sm-07", "m1+m2")))

        assert not found["layer4-tuple"].refused
        assert "routed paths" in found["virtual-port"].refused


class TestGuard:
    """A member under a build diagnosis must be offered no load, whatever the arithmetic says."""

    @pytest.mark.parametrize("name", sorted(BUILD_DIAGNOSES))
    def test_refuses_all_that_would_deal_load_to_it(self, name):
        found = options_of(a_situation(), diagnoses=(Diagnosis(name, Sure.POSSIBLE, "so it seems", ("m2",)),))

        assert [name for name, option in found.items() if not option.refused] == ["leave", "mend"]
        assert not any(option.chances for option in found.values())

    @pytest.mark.parametrize("kind", ["one-sided", "unanswered", "sick"])
    def test_holds_for_the_member_of_a_build_finding(self, kind):
        m2 = MemberFigure("m2", 0.02, 10**9)
        advice = advised(a_situation(finding={"kind": kind, "family": "build", "hot": (m2,)}))

        assert advice.line == "Mend m2 first, and move no load there before."
        assert advice.warnings[0] == "Do not move load to m2: mend first."
        assert advice.reachable is None

    def test_holds_for_what_windows_call_broken(self):
        assert options_of(a_situation(why_not=(0, BROKEN)))["load-aware"].refused.startswith("mend m2 first")

    def test_leaves_a_sound_team_alone(self):
        assert not advised(a_situation(why_not=(0, WhyNot.ELIGIBLE)), diagnoses=()).warnings[0].startswith("Do not")


class TestNoMethodHelps:
    def test_where_one_conversation_exceeds_the_line(self):
        situation = a_situation((0.987, 0.02), before=(0.02, 0.02), items=())
        advice = advised(situation, diagnoses=(ONE,))
        found = {option.name: option for option in advice.options}

        assert all(chance.success == 0.0 for name in WAYS for chance in found[name].chances)
        assert all(found[name].chances for name in WAYS)
        assert advice.line.startswith("No method helps: one conversation carries 967 Mbit/s")
        assert "a member of 2.5 Gbit/s" in found["add-capacity"].expected

    def test_unless_the_conversation_can_be_split(self):
        situation = a_situation((0.987, 0.02), before=(0.02, 0.02), items=(), bundle="lacp", method="ip-pair")
        found = options_of(situation, diagnoses=(ONE,), streams={"the conversation": 8})

        # 8 alike items of 121 Mbit/s on 2 links: at most 6 may meet, 1 - 2 (1 + 8)/256; the sum of binomials.
        assert found["layer4-tuple"].chances[0].success == pytest.approx(1 - 18 / 256)
        assert found["ip-pair"].chances[0].success == 0.0

    def test_where_even_the_even_split_is_above_the_clear_line(self):
        advice = advised(a_situation((0.97, 0.96, 0.95, 0.18), items=()))
        found = {option.name: option for option in advice.options}

        # (0.97 + 0.96 + 0.95 + 0.18)/4 = 0.765; 3.06 Gbit/s at 70 % of 1 Gbit/s each takes 4.4, so 5 members.
        assert advice.line.startswith("Capacity first: evenly split all would be at 76 %; no method helps.")
        assert "5 members" in advice.line
        assert all(found[name].chances[0].success == 0.0 for name in WAYS)


class TestUnknown:
    def test_items_give_odds_for_stated_assumptions_only(self):
        option = options_of(a_situation((0.94, 0.02), items=()), diagnoses=())["virtual-port"]

        # 960 Mbit/s as 2, 8 or 24 alike items: 0.500, 0.930 and 0.993 are worked values of the odds of one draw.
        assert option.expected.endswith("if the load were so many alike ones, 2: 50 %, 8: 93 %, 24: 99.3 %")
        assert option.chances == ()
        assert option.missing == ("what shares the member: virtual-port counters or conversation records",)

    def test_items_are_as_large_as_the_steps_of_the_member(self):
        situation = a_situation((0.92, 0.02), items=())
        used = situation.windows.utilisation
        used[0, :, 0] = [0.04] * 3 + [0.47] * 6 + [0.90] * 6
        advice = advised(situation, diagnoses=())
        option = next(one for one in advice.options if one.name == "virtual-port")

        assert option.chances[0].success == pytest.approx(0.5)
        assert [chance.demand for chance in option.chances] == [1.0, 1.5, 2.0]
        assert "2 items as large as the steps of m1: 430 Mbit/s, 430 Mbit/s" in advice.rests_on

    def test_steps_no_larger_than_what_lies_between_them_are_no_items(self):
        situation = a_situation((0.92, 0.02), items=())
        used = situation.windows.utilisation
        # Steps of 20 points between windows 6 points off their mean either way: less than four deviations.
        used[0, :, 0] = [mean + off for mean in (0.4, 0.6, 0.8) for off in (-0.06, 0.06, -0.06, 0.06, 0.0)]

        option = options_of(situation, diagnoses=())["virtual-port"]

        assert option.chances == ()

    def test_speeds_of_members_leave_them_out(self):
        members = (MemberFigure("m1", 0.92, 10**9), MemberFigure("m2", None, 0, "speed unknown"))

        advice = advised(a_situation(finding={"members": members}))

        assert advice.line.startswith("No second member can take load")


class TestSqueezed:
    @pytest.mark.parametrize(("share", "demands"), [(0.969, [1.0]), (0.97, [1.0, 1.5, 2.0])])
    def test_demand_is_reckoned_with_from_a_full_wire_on(self, share, demands):
        situation = a_situation((share, 0.015), items=virtual_ports({"a": 500, "b": 450}))
        advice = advised(situation)

        option = next(one for one in advice.options if one.name == "virtual-port")
        assert [chance.demand for chance in option.chances] == demands
        assert any(told.startswith("Conversations are squeezed") for told in advice.warnings) == (len(demands) > 1)


class TestLine:
    def test_names_what_helps_with_its_odds(self):
        told = advised(a_situation(), streams={"night-copy": 8, "scan-index": 6}).line

        assert told == (
            "Load-aware placement would clear it (49/45 or 53/41); a plain re-draw has a chance of 50 %;"
            " layer-4 98.5 %, but only with a bundle at the far end."
        )

    def test_asks_the_network_where_the_far_end_decides(self):
        told = advised(a_situation((0.91, 0.03), direction="ingress", bundle="lacp", method="ip-pair", items=())).line

        assert told.startswith("The far end chooses ingress members: changing the host's method will not change this.")

    def test_brings_back_a_member_that_is_down_first(self):
        m1, m2 = MemberFigure("m1", 0.92, 10**9), MemberFigure("m2", None, 10**9, "down")
        told = advised(a_situation(finding={"kind": "hot-no-sibling", "members": (m1, m2), "family": "capacity"})).line

        assert told == "Bring m2 back first; no method replaces a member."

    def test_mends_the_build_before_all_else(self):
        assert advised(a_situation(method="ip-pair", bundle="none")).line.startswith("Mend the build first")

    @pytest.mark.parametrize("name", ["n" * 300, "m1"])
    def test_never_exceeds_its_room(self, name):
        m1, m2 = MemberFigure("m1", 0.92, 10**9), MemberFigure(name, None, 10**9, "down")
        situation = a_situation(finding={"members": (m1, m2), "family": "build"})
        told = advised(replace(situation, ports=("m1", name))).line

        assert 0 < len(told) <= MOST_LETTERS


class TestLoads:
    def test_are_those_of_the_hot_member_where_what_is_heavy_moved(self):
        situation = a_situation((0.90, 0.03), items=())
        used = situation.windows.utilisation
        used[:, 10:, 0] = used[::-1, 10:, 0].copy()
        told = advised(situation, diagnoses=()).rests_on

        assert told[0] == "mean loads while it lasted: m1 900 Mbit/s of 1 Gbit/s, m2 30 Mbit/s of 1 Gbit/s"


class TestMany:
    def test_light_items_are_taken_for_evenly_spread(self):
        items = virtual_ports({f"v{number}": 9 for number in range(100)})
        advice = advised(a_situation((0.90, 0.02), items=items))

        assert (
            "60 more of at most 9 Mbit/s each are taken for evenly spread once they are dealt anew" in advice.rests_on
        )


class TestRestsOn:
    def test_names_items_and_what_nobody_named(self):
        told = advised(a_situation()).rests_on

        assert told[1].startswith(f"{len(ITEMS)} virtual ports: night-copy 430 Mbit/s, scan-index 390 Mbit/s")
        assert told[2] == "what nobody named stays where it is: 20 Mbit/s on m2"
