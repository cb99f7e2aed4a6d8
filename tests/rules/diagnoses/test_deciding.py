"""Who decides: each end of a bundle distributes what it sends (IEEE 802.1AX), else addresses are learnt (802.1Q)."""

from __future__ import annotations

import pytest

from service.rules.diagnoses.deciding import ASK_BUNDLE, ASK_METHOD, decider, is_routed
from service.terms import BundleState, LacpState, TeamName

WELL = LacpState.SYNCHRONIZATION | LacpState.COLLECTING | LacpState.DISTRIBUTING


def of(direction, method="unknown", bundle="", **more):
    return decider(TeamName("sm-07", "front", method, bundle), direction, **more)


class TestEgress:
    @pytest.mark.parametrize("bundle", ["", "none", "lacp"])
    def test_is_always_chosen_by_the_sending_end(self, bundle):
        assert of("egress", "source-mac", bundle).by == "host"

    def test_asks_for_a_method_that_nobody_told(self):
        assert of("egress").missing == (ASK_METHOD,)
        assert of("egress", "virtual-port").missing == ()


class TestIngress:
    """The table of who decides; each row is a row of it."""

    @pytest.mark.parametrize(
        ("method", "bundle", "by", "owner"),
        [
            ("virtual-port", "none", "host, indirectly", "virtualisation"),
            ("source-mac", "none", "host, indirectly", "virtualisation"),
            ("load-aware", "none", "host, indirectly", "virtualisation"),
            ("active-standby", "none", "host", "virtualisation"),
            ("ip-pair", "lacp", "far end", "network"),
            ("layer4-tuple", "static", "far end", "network"),
            ("source-mac", "lacp", "far end", "network"),
            ("unknown", "lacp", "far end", "network"),
            ("layer4-tuple", "", "unknown", "both"),
            ("unknown", "", "unknown", "both"),
        ],
    )
    def test_is_chosen_by(self, method, bundle, by, owner):
        found = of("ingress", method, bundle)

        assert (found.by, found.owner, found.build_error) == (by, owner, "")

    @pytest.mark.parametrize(
        ("method", "bundle"),
        [("ip-pair", "none"), ("layer4-tuple", "none"), ("virtual-port", "lacp"), ("load-aware", "static")],
    )
    def test_of_what_cannot_go_together_is_built_wrong(self, method, bundle):
        for direction in ("egress", "ingress"):
            found = of(direction, method, bundle)

            assert found.owner == "both"
            assert found.build_error.startswith("built wrong")

    def test_says_by_which_method_in_few_words(self):
        assert of("egress", "virtual-port", "none").text == "this end chooses by its method, virtual-port"
        assert of("egress").text == "this end chooses which member carries what it sends"

    def test_names_what_would_have_to_be_known(self):
        assert of("ingress").missing == (ASK_BUNDLE, ASK_METHOD)
        assert of("ingress", "layer4-tuple").missing == (ASK_BUNDLE,)

    def test_is_the_far_ends_where_lacp_shows_a_partner_that_nobody_declared(self):
        states = [BundleState(actor=WELL, partner=WELL, partner_system=0x02_00_5E_10_00_01)]

        assert of("ingress", "layer4-tuple", states=states).by == "far end"

    def test_is_decided_twice_by_a_pair_of_switches_that_acts_as_one(self):
        found = of("ingress", "layer4-tuple", "lacp", far_devices=("sw-1", "sw-2"))

        assert (found.by, found.owner) == ("far end", "network")
        assert "pair of switches" in found.text


class TestRouted:
    def test_is_chosen_by_the_last_router_and_no_build_error(self):
        found = of("ingress", "ip-pair", "none", routed=True)

        assert (found.by, found.owner, found.build_error) == ("router", "network", "")

    def test_is_a_team_called_by_its_ports(self):
        assert is_routed(TeamName("sm-07", "up1+up2"), ("up1", "up2"))
        assert not is_routed(TeamName("sm-07", "front"), ("up1", "up2"))
