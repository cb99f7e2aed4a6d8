import json
import socket

import pytest
from agents import Agents, SimulatedAgent
from collection.simulated import Device, answers
from examples import EPOCH_MS
from simulated_tables import exchange_switch

from service.commands import discovered_words
from service.feeds.snmp.discovery import WALKED, discovered
from service.terms import LacpState


def found():
    (walk,) = answers(Device(), EPOCH_MS, columns=WALKED)
    return discovered("sm-07", walk.values)


class TestLines:
    def test_lists_the_members_of_each_team(self):
        first, header, *rows = discovered_words.lines(found())

        assert first == "sm-07: 1 teams of 2 members; 0 other ports"
        assert header.split() == ["team", "port", "index", "role", "status", "speed", "partner", "description"]
        assert [row.split()[:6] for row in rows[:2]] == [
            ["front", "m1", "1", "active", "up", "1"],
            ["front", "m2", "2", "active", "up", "1"],
        ]


class TestAsJson:
    def test_holds_every_port_with_its_states_in_words(self):
        told = json.loads(discovered_words.as_json(found()))
        ports = {port["port"]: port for port in told["ports"]}

        assert ports["front"]["aggregate_of"] == "front"
        assert ports["m1"]["mac"] == "02:00:5e:10:00:01"
        assert ports["m1"]["speed_bps"] == 1_000_000_000
        # Bits 0, 2, 3, 4 and 5 of 0xBC as SNMP BITS (RFC 3417, section 8).
        expected = ("ACTIVITY", "AGGREGATION", "SYNCHRONIZATION", "COLLECTING", "DISTRIBUTING")
        assert ports["m1"]["actor_state"] == [LacpState[name].name.lower() for name in expected]


@pytest.fixture
def hall(settings_file, monkeypatch):
    """Two devices of the settings on loopback, and one where nothing listens."""
    monkeypatch.setenv("HALL", "quay")
    with Agents([SimulatedAgent("quay", exchange_switch(4, 2))]) as served:
        entries = (("sm-07", served.port), ("sm-08", served.port), ("sm-09", free_port()))
        agents = [
            f'[[agents]]\ndevice = "{device}"\naddress = "127.0.0.1:{port}"\ncredentials = "hall"\n'
            for device, port in entries
        ]
        credentials = (
            '[[credentials]]\nname = "hall"\nversion = "2c"\naccept_clear_text = true\ncommunity_env = "HALL"\n'
        )
        settings_file.write_text("\n".join([settings_file.read_text(), credentials, *agents]))
        yield served


def free_port():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class TestDiscover:
    def test_shows_the_teams_of_a_device_of_the_settings(self, lopside, hall):
        told = lopside("discover", "sm-07")

        assert told.exit_code == 0
        assert told.stdout.startswith("sm-07: 2 teams of 4 members")

    def test_asks_an_address_with_credentials_of_the_settings(self, lopside, hall):
        told = lopside("discover", f"127.0.0.1:{hall.port}", "--credentials", "hall", "--json")

        assert {port["team"] for port in json.loads(told.stdout)["ports"]} == {"lag1", "lag2", ""}

    def test_ends_with_2_where_nobody_answers(self, lopside, hall):
        told = lopside("discover", "sm-09")

        assert told.exit_code == 2
        assert "could not be reached" in told.stderr


class TestCollect:
    def test_keeps_a_round_and_names_those_that_did_not_answer(self, lopside, hall):
        told = lopside("collect", "--once")

        assert told.exit_code == 1
        # Two devices of four members, and the interface of each of their two teams.
        assert told.stdout.startswith("2 devices answered, 1 did not; 12 samples of 12 ports kept")
        assert told.stderr.startswith("sm-09: ")

    def test_is_refused_where_the_settings_name_no_device(self, lopside, settings_file):
        told = lopside("collect", "--once")

        assert told.exit_code == 2
        assert "[[agents]]" in told.stderr
