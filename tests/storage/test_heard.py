import pytest
from evaluation.rounds import Rounds
from examples import EPOCH_MS
from walks.traffic import polls

from service.storage import heard
from service.storage.heard import NEVER
from service.terms import Role

LAST_MS = EPOCH_MS + 120_000


@pytest.fixture
def sent(engine):
    """Two members of front of sm-07, m2 as a standby, and one of sm-08, sent for two minutes."""
    rounds = Rounds(engine)
    told = polls((2, (0.92, 0.02)))
    rounds.push([one | ({"role": "standby"} if one["port"] == "m2" else {}) for one in told], 120)
    rounds.push(polls((2, (0.5,)), device="sm-08"), 120)
    with engine.connect() as connection:
        yield connection


class TestLatest:
    def test_tells_team_role_speed_and_when(self, sent):
        found = heard.latest(sent, ["sm-07", "sm-99"], EPOCH_MS, LAST_MS)

        assert list(found) == [("sm-07", "m1"), ("sm-07", "m2")]
        m1, m2 = found.values()
        assert (m1.team, m1.at_ms, m1.device_ms, m1.speed_bps) == ("front", LAST_MS, LAST_MS, 10**9)
        assert (m1.role, m2.role) == (Role.NOT_TOLD, Role.STANDBY)

    @pytest.mark.parametrize(("since_ms", "at_ms"), [(LAST_MS, LAST_MS), (LAST_MS + 1, NEVER)])
    def test_looks_back_no_further_than_asked(self, sent, since_ms, at_ms):
        found = heard.latest(sent, ["sm-07"], since_ms, LAST_MS)["sm-07", "m1"]

        assert (found.at_ms, found.device_ms) == (at_ms, LAST_MS)

    def test_of_nobody_is_nothing(self, sent):
        assert heard.latest(sent, [], 0, LAST_MS) == {}


class TestLatestOf:
    def test_tells_of_these_ports_only(self, sent):
        asked = [("sm-08", "m1"), ("sm-07", "m2"), ("sm-07", "x9")]

        assert set(heard.latest_of(sent, asked, EPOCH_MS, LAST_MS)) == {("sm-08", "m1"), ("sm-07", "m2")}


class TestKnown:
    def test_tells_of_ports_without_a_look_at_samples(self, sent):
        assert [one.at_ms for one in heard.known(sent, ["sm-07"]).values()] == [NEVER, NEVER]
