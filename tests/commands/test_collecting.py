import json

from collection.simulated import Device, answers
from examples import EPOCH_MS

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
