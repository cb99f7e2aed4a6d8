"""`lopside discover` and `lopside collect` against a real agent: what it says of a team, by both versions.

What is compared with: the kernel's own names, numbers, addresses and speeds of the links, as `ip` tells them.
"""

import json
import sys

import pytest
from lab import check
from lab.laboratory import laboratory
from lab.links import BPS, TEAM
from lab.namespaces import execute
from lab.serving import DEVICES, settings_of

pytestmark = pytest.mark.skipif(bool(check.lacking()), reason=check.lacking())


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with laboratory(tmp_path_factory.mktemp("discovered")) as lab:
        yield lab


@pytest.fixture(scope="module")
def lopside(lab):
    """A command of the service, run where the agent can be asked; what it says."""
    settings = settings_of(lab.agent, lab.folder / "service", "http://127.0.0.1:9/hook")

    def run(*words):
        command = (sys.executable, "-P", "-m", "service", *words, "--settings", settings)
        return execute(lab.names["mgr"], "timeout", "60", *command)

    return run


class TestDiscover:
    @pytest.mark.parametrize("device", DEVICES)
    def test_finds_the_members_as_the_kernel_has_them(self, lab, lopside, device):
        found = json.loads(lopside("discover", device, "--json"))

        members = [port for port in found["ports"] if port["team"]]
        assert {(port["port"], port["if_index"], port["mac"], port["mtu"]) for port in members} == {
            (link["ifname"], link["ifindex"], link["address"], link["mtu"])
            for link in lab.links.as_the_kernel_says()
            if link["ifname"] in lab.links.ports
        }
        assert {(port["team"], port["role"], port["speed_bps"]) for port in members} == {(TEAM, "active", BPS)}

    @pytest.mark.parametrize("device", DEVICES)
    def test_finds_what_bundles_them(self, lopside, device):
        found = json.loads(lopside("discover", device, "--json"))

        assert found["bundles"] == {TEAM: "lacp"}
        assert [port["port"] for port in found["ports"] if port["aggregate_of"]] == [TEAM]

    def test_says_it_to_people(self, lopside):
        assert "p1" in lopside("discover", "lab-private")


class TestCollect:
    def test_asks_every_agent_once(self, lopside):
        assert lopside("collect", "--once").startswith("2 devices answered, 0 did not")
