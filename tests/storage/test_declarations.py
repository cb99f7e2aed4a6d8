import pytest

from service.storage import inventory
from service.storage.declarations import declare
from service.terms import PortName, TeamName

NOW_MS = 1_795_600_800_000


@pytest.fixture
def known(connection):
    names = [PortName("sm-07", "m1", "front"), PortName("sm-07", "m2", "store", "ip-pair", "lacp")]
    inventory.resolve(connection, names, feed="push", now_ms=NOW_MS)


def told(connection):
    return {team.team: (team.method, team.bundle) for team in inventory.layout(connection).layout.teams}


class TestDeclare:
    def test_fills_in_what_no_sample_has_said(self, connection, known):
        filled = declare(connection, [TeamName("sm-07", "front", "load-aware", "none")])

        assert filled == 2
        assert told(connection)["front"] == ("load-aware", "none")

    def test_lets_stand_what_a_sample_has_said(self, connection, known):
        declare(connection, [TeamName("sm-07", "store", "load-aware", "none")])

        assert told(connection)["store"] == ("ip-pair", "lacp")

    def test_makes_no_team_known_by_itself(self, connection, known):
        assert declare(connection, [TeamName("sm-99", "front", "load-aware", "none")]) == 0
        assert set(told(connection)) == {"front", "store"}
