"""Routes with several next hops.

Sources: include/uapi/linux/rtnetlink.h of Linux (struct rtnexthop: rtnh_hops is the weight less one) and
Documentation/networking/ip-sysctl.rst (fib_multipath_hash_policy, fib_multipath_hash_fields).
"""

from __future__ import annotations

import pytest

from service.feeds.linux.routes import MultipathRoute, groups, kinds, method, natural
from service.terms import METHODS

NAMES = {2: "p1", 3: "p2", 11: "p10"}


def a_route(*hops, family=2):
    """A message as the kernel sends it for a route over interfaces by index, each with its weight."""
    several = [{"oif": index, "hops": weight - 1, "flags": 0, "attrs": []} for index, weight in hops]
    return {"family": family, "attrs": [("RTA_TABLE", 254), ("RTA_MULTIPATH", several)]}


class TestGroups:
    def test_are_routes_over_several_interfaces(self):
        plain = {"family": 2, "attrs": [("RTA_DST", "198.18.1.0"), ("RTA_OIF", 2)]}

        assert groups([plain, a_route((3, 1), (2, 1))], NAMES) == (MultipathRoute("ipv4", ("p1", "p2")),)

    def test_are_told_once(self):
        assert len(groups([a_route((2, 1), (3, 1))] * 3, NAMES)) == 1

    def test_are_told_for_each_family(self):
        told = groups([a_route((2, 1), (3, 1), family=family) for family in (2, 10)], NAMES)

        assert [route.family for route in told] == ["ipv4", "ipv6"]

    def test_are_none_over_one_interface(self):
        assert groups([a_route((2, 1), (2, 1))], NAMES) == ()

    def test_are_none_where_a_name_is_not_utf_8(self):
        """Octets are what pyroute2 hands on where it cannot decode a name; seen with a veth pair named so."""
        assert groups([a_route((2, 1), (4, 1)), a_route((2, 1), (3, 1))], {**NAMES, 4: b"p\xff"}) == (
            MultipathRoute("ipv4", ("p1", "p2")),
        )

    def test_are_none_where_an_interface_is_not_known(self):
        assert groups([a_route((2, 1), (99, 1))], NAMES) == ()

    @pytest.mark.parametrize(
        ("hops", "is_equal"),
        [(((2, 1), (3, 1)), True), (((2, 1), (3, 2)), False), (((2, 1), (2, 1), (3, 2)), True)],
    )
    def test_know_whether_all_carry_the_same(self, hops, is_equal):
        [route] = groups([a_route(*hops)], NAMES)

        assert route.is_equal is is_equal

    def test_of_other_families_are_left_alone(self):
        assert groups([a_route((2, 1), (3, 1), family=28)], NAMES) == ()


class TestKinds:
    def test_are_the_words_of_the_kernel(self):
        pair = {"attrs": [("IFLA_IFNAME", "v1"), ("IFLA_LINKINFO", {"attrs": [("IFLA_INFO_KIND", "veth")]})]}

        assert kinds([pair, {"attrs": [("IFLA_IFNAME", "p1")]}]) == {"v1": "veth", "p1": ""}


class TestMethod:
    @pytest.mark.parametrize(
        ("policy", "fields", "word"),
        [
            ("0", "7", "ip-pair"),
            ("1", "7", "layer4-tuple"),
            ("2", "7", "unknown"),
            ("3", "7", "unknown"),
            ("3", "55", "layer4-tuple"),  # 0x37: addresses, protocol and both ports
            ("3", "0x0037", "layer4-tuple"),
            ("3", "23", "unknown"),  # 0x17: one port only
            ("3", "", "unknown"),
            ("", "", "unknown"),
        ],
    )
    def test_follows_the_kernels_settings(self, policy, fields, word):
        sysctl = {"ipv4/fib_multipath_hash_policy": policy + "\n", "ipv4/fib_multipath_hash_fields": fields + "\n"}

        assert method(sysctl, "ipv4") == word
        assert word in METHODS


class TestTeams:
    def test_are_named_by_their_devices(self, host, found):
        host.interface("p1").interface("p2").hashing(1)

        [team] = found(MultipathRoute("ipv4", ("p1", "p2"))).teams

        assert (team.name, team.method, team.bundle) == ("p1+p2", "layer4-tuple", "none")
        assert [member.port for member in team.members] == ["p1", "p2"]

    def test_are_the_largest_groups_where_groups_overlap(self, host, found):
        for name in ("p1", "p2", "p3", "p4", "p5"):
            host.interface(name)
        routes = [("p1", "p2"), ("p2", "p3", "p4"), ("p1", "p5")]

        told = found(*(MultipathRoute("ipv4", devices) for devices in routes))

        assert [team.name for team in told.teams] == ["p2+p3+p4", "p1+p5"]
        assert len(told.notes) == 1

    def test_have_no_method_where_the_families_disagree(self, host, found):
        host.interface("p1").interface("p2").hashing(0).hashing(1, family="ipv6")

        [team] = found(*(MultipathRoute(family, ("p1", "p2")) for family in ("ipv4", "ipv6"))).teams

        assert team.method == "unknown"

    def test_are_none_where_weights_differ(self, host, found):
        host.interface("p1").interface("p2")

        told = found(MultipathRoute("ipv4", ("p1", "p2"), is_equal=False))

        assert told.teams == ()
        assert "weights" in told.notes[0]

    @pytest.mark.parametrize("kind", ["vlan", "dummy", "bridge", "vxlan", "bond"])
    def test_have_no_member_that_is_made_up(self, host, found, kind):
        host.interface("p1").interface("x2", hardware=False, iflink="2")

        assert found(MultipathRoute("ipv4", ("p1", "x2")), kinds={"x2": kind}).teams == ()

    def test_may_have_ends_of_pairs(self, host, found):
        host.interface("v1", hardware=False).interface("v2", hardware=False)

        told = found(MultipathRoute("ipv4", ("v1", "v2")), kinds={"v1": "veth", "v2": "veth"})

        assert [team.name for team in told.teams] == ["v1+v2"]


class TestNatural:
    def test_puts_two_before_ten(self):
        assert sorted(["p10", "p2", "eth0", "p1s3", "p1s10"], key=natural) == ["eth0", "p1s3", "p1s10", "p2", "p10"]
