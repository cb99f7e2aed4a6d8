"""Masters of the kernel's team driver, which have no folder of their own; bridges, which have."""

from __future__ import annotations


class TestTeamDriver:
    def test_leads_the_ports_that_it_stands_on(self, host, found):
        host.interface("t0", hardware=False).interface("p1", master="t0").interface("p2", master="t0")

        [team] = found().teams

        assert (team.name, [member.port for member in team.members]) == ("t0", ["p1", "p2"])
        assert (team.method, team.bundle) == ("unknown", "")

    def test_is_known_by_the_kernels_word(self, host, found):
        host.interface("t0", hardware=False).interface("p1", master="t0")

        assert len(found(kinds={"t0": "team"}).teams) == 1
        assert found(kinds={"t0": "openvswitch"}).teams == ()

    def test_is_no_bridge(self, host, found):
        host.interface("br0", hardware=False, **{"bridge/bridge_id": "8000.020000000001"})
        host.interface("p1", master="br0").interface("p2", master="br0")

        assert found().teams == ()

    def test_is_no_routing_domain(self, host, found):
        host.interface("red", hardware=False, uevent="DEVTYPE=vrf\n")
        host.interface("p1", master="red").interface("p2", master="red")

        assert found().teams == ()
