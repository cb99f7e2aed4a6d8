"""Bonds. Source of modes, policies and what the far end must be: Documentation/networking/bonding.rst of Linux."""

from __future__ import annotations

import pytest
from linux_trees import ACTIVE_BACKUP, LACP

from service.feeds.linux import bonding, teams
from service.feeds.linux.routes import MultipathRoute
from service.terms import BUNDLES, METHODS, MOST_MEMBERS, ROLE_WORDS, LacpState

CARRYING = LacpState(63)  # activity, timeout, aggregation, in sync, collecting, distributing: IEEE 802.1AX
WAITING = LacpState.ACTIVITY | LacpState.AGGREGATION | LacpState.SYNCHRONIZATION


def two_ports(host):
    return host.interface("p1").interface("p2")


def roles(found):
    [team] = found.teams
    return {member.port: member.role for member in team.members}


class TestMethod:
    @pytest.mark.parametrize(
        ("mode", "policy", "says"),
        [
            ("balance-rr 0", "layer2 0", ("unknown", "static")),
            ("active-backup 1", "layer2 0", ("active-standby", "none")),
            ("balance-xor 2", "layer2 0", ("unknown", "static")),
            ("balance-xor 2", "layer2+3 2", ("ip-pair", "static")),
            ("balance-xor 2", "layer3+4 1", ("layer4-tuple", "static")),
            ("broadcast 3", "layer2 0", ("unknown", "static")),
            ("802.3ad 4", "layer2+3 2", ("ip-pair", "lacp")),
            ("802.3ad 4", "layer3+4 1", ("layer4-tuple", "lacp")),
            ("802.3ad 4", "encap2+3 3", ("ip-pair", "lacp")),
            ("802.3ad 4", "encap3+4 4", ("layer4-tuple", "lacp")),
            ("802.3ad 4", "vlan+srcmac 5", ("source-mac", "lacp")),
            ("802.3ad 4", "layer2 0", ("unknown", "lacp")),
            ("balance-tlb 5", "layer3+4 1", ("load-aware", "none")),
            ("balance-alb 6", "layer3+4 1", ("load-aware", "none")),
            ("of-tomorrow 7", "layer3+4 1", ("unknown", "")),
        ],
    )
    def test_follows_mode_and_policy(self, host, found, mode, policy, says):
        two_ports(host).bond("bond0", mode, "p1", "p2", policy=policy)

        [team] = found().teams

        assert (team.name, team.method, team.bundle) == ("bond0", *says)

    def test_uses_the_words_of_the_service(self):
        said = {*bonding.METHOD_OF_HASH.values(), *bonding.METHOD_OF_MODE.values(), bonding.UNKNOWN}

        assert said <= set(METHODS)
        assert set(bonding.BUNDLE_OF_MODE.values()) <= set(BUNDLES)
        assert LacpState.COLLECTING | LacpState.DISTRIBUTING == bonding.COLLECTING_AND_DISTRIBUTING
        assert teams.MOST_MEMBERS == MOST_MEMBERS
        assert {"active", "standby", "out"} <= set(ROLE_WORDS)


class TestRoles:
    def test_are_active_and_standby_in_an_active_backup_bond(self, host, found):
        two_ports(host).bond("bond0", "active-backup 1", "p1", "p2", active_slave="p2")

        assert roles(found()) == {"p1": "standby", "p2": "active"}

    def test_are_not_told_while_no_port_is_active(self, host, found):
        two_ports(host).bond("bond0", "active-backup 1", "p1", "p2", active_slave="")

        assert roles(found()) == {"p1": "", "p2": ""}

    @pytest.mark.parametrize(
        ("states", "aggregator", "role"),
        [
            ((CARRYING, CARRYING), 1, "active"),
            ((CARRYING, CARRYING), 2, "out"),
            ((CARRYING, WAITING), 1, "out"),
            ((WAITING, CARRYING), 1, "out"),
            ((WAITING | LacpState.COLLECTING, CARRYING), 1, "out"),
            ((WAITING | LacpState.DISTRIBUTING, CARRYING), 1, "out"),
        ],
    )
    def test_are_active_where_both_ends_carry_in_the_aggregator_in_use(self, host, found, states, aggregator, role):
        two_ports(host).bond("bond0", "802.3ad 4", "p1", "p2", ad_aggregator="1")
        actor, partner = (int(state) for state in states)
        host.slave("p1", ad_actor_oper_port_state=actor, ad_partner_oper_port_state=partner)
        host.slave("p1", ad_aggregator_id=aggregator)

        assert roles(found())["p1"] == role

    def test_are_not_told_where_the_driver_does_not_tell_states(self, host, found):
        two_ports(host).bond("bond0", "802.3ad 4", "p1", "p2")

        assert roles(found()) == {"p1": "", "p2": ""}

    def test_are_not_told_where_all_ports_carry(self, host, found):
        two_ports(host).bond("bond0", "balance-xor 2", "p1", "p2")

        assert roles(found()) == {"p1": "", "p2": ""}


class TestProc:
    """A kernel that tells of bonds in /proc only."""

    def test_tells_mode_and_active_port(self, host, found):
        two_ports(host).interface("bond0", hardware=False)
        host.write("proc/net/bonding/bond0", ACTIVE_BACKUP)

        [team] = found().teams

        assert (team.method, team.bundle) == ("active-standby", "none")
        assert roles(found()) == {"p1": "active", "p2": "standby"}

    def test_tells_policy_aggregators_and_states(self, host, found):
        two_ports(host).interface("bond0", hardware=False)
        host.write("proc/net/bonding/bond0", LACP)

        [team] = found().teams

        assert (team.method, team.bundle) == ("layer4-tuple", "lacp")
        assert roles(found()) == {"p1": "active", "p2": "out"}

    def test_judges_states_where_the_aggregator_is_that_in_use(self, host, found):
        two_ports(host).interface("bond0", hardware=False)
        host.write("proc/net/bonding/bond0", LACP.replace("Aggregator ID: 2", "Aggregator ID: 1"))

        assert roles(found()) == {"p1": "active", "p2": "out"}


class TestMembers:
    def test_are_never_the_bond_itself(self, host, found):
        two_ports(host).bond("bond0", "802.3ad 4", "p1", "p2")

        assert list(roles(found())) == ["p1", "p2"]

    def test_may_be_ends_of_pairs_but_no_dummy_vlan_or_tunnel(self, host, found):
        host.interface("v1", hardware=False, iflink="77")
        host.interface("dummy0", hardware=False)
        host.interface("p1.5", hardware=False, iflink="2", uevent="DEVTYPE=vlan\n")
        host.interface("tap0", hardware=False, tun_flags="0x1002")
        host.bond("bond0", "balance-xor 2", "v1", "dummy0", "p1.5", "tap0")

        assert list(roles(found())) == ["v1"]

    def test_in_a_bond_are_in_no_route(self, host, found):
        two_ports(host).bond("bond0", "802.3ad 4", "p1", "p2")
        host.interface("p3")

        told = found(MultipathRoute("ipv4", ("p1", "p3")))

        assert [team.name for team in told.teams] == ["bond0"]
        assert "p1" in told.notes[0]

    @pytest.mark.parametrize(("ports", "teams"), [(1, 1), (8, 1), (9, 0), (0, 0)])
    def test_are_up_to_eight(self, host, found, ports, teams):
        names = [f"p{k}" for k in range(ports)]
        for name in names:
            host.interface(name)
        host.bond("bond0", "802.3ad 4", *names)

        told = found()

        assert len(told.teams) == teams
        assert len(told.notes) == 1 - teams
