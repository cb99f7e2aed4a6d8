import pytest
from examples import EPOCH_MS
from storage_examples import a_change, a_verdict, three_teams

from service.errors import NotFound
from service.storage import changes
from service.storage.changes import Place
from service.terms import EGRESS, INGRESS, Baseline, Outcome

FRONT, STORE = Place(1, EGRESS), Place(2, EGRESS)
FROZEN = Baseline(((EPOCH_MS, EPOCH_MS + 60_000),), 60_000, 2, 1, ("2026-11-25",), "Europe/Lisbon", EPOCH_MS)


@pytest.fixture
def teams(connection):
    return three_teams(connection)


def keep(connection, *places, prediction="", request="", **told):
    return changes.keep(connection, a_change(**told), [(place, prediction) for place in places or (FRONT,)], request)


class TestKeep:
    def test_gives_back_every_field(self, connection, teams):
        told = a_change(reference="CHG-1", kind="method", settle_ms=60_000, created_ms=EPOCH_MS + 5, created_by="ops")

        assert changes.keep(connection, told, [(FRONT, "p1")], "r1")

        assert changes.one(connection, told.id) == told
        (line,) = changes.lines(connection, told.id)
        assert (line.device, line.team, line.direction, line.prediction_id) == ("sm-07", "front", "egress", "p1")
        assert (line.baseline, line.outcome, line.verdict, line.final) == (None, Outcome.CANNOT_TELL_YET, None, False)

    def test_again_keeps_what_is_there(self, connection, teams):
        keep(connection, FRONT)

        assert not keep(connection, STORE, what="something else")
        assert changes.one(connection, "c1").what == "hashed by addresses and ports"
        assert [line.place for line in changes.lines(connection, "c1")] == [FRONT]


class TestOne:
    def test_is_found_or_said_not_to_be(self, connection):
        with pytest.raises(NotFound, match="c0"):
            changes.one(connection, "c0")


class TestListing:
    def test_begins_with_the_last_and_goes_on_where_a_page_ended(self, connection, teams):
        for number in range(5):
            keep(connection, id=f"c{number}", at_ms=EPOCH_MS + number // 2)

        first = changes.listing(connection, limit=3)
        second = changes.listing(connection, limit=3, cursor=first.cursor)

        assert [one.id for one in first.items + second.items] == ["c4", "c2", "c3", "c0", "c1"]

    def test_is_of_teams_and_of_a_time_where_asked(self, connection, teams):
        keep(connection, FRONT, id="c1", at_ms=EPOCH_MS)
        keep(connection, FRONT, STORE, id="c2", at_ms=EPOCH_MS + 1)
        keep(connection, STORE, id="c3", at_ms=EPOCH_MS + 2)

        assert [one.id for one in changes.listing(connection, [1]).items] == ["c2", "c1"]
        assert [one.id for one in changes.listing(connection, None, (EPOCH_MS + 1, EPOCH_MS + 2)).items] == ["c2"]


class TestOfTeams:
    def test_tells_of_each_change_what_it_meant_for_them_the_first_first(self, connection, teams):
        keep(connection, Place(1, INGRESS), FRONT, id="c2", at_ms=EPOCH_MS + 1)
        keep(connection, FRONT, STORE, id="c1", at_ms=EPOCH_MS)

        seen = changes.of_teams(connection, [1])

        assert [(one.change.id, one.line.place) for one in seen] == [
            ("c1", FRONT),
            ("c2", FRONT),
            ("c2", Place(1, INGRESS)),
        ]
        assert changes.of_teams(connection, [3]) == []


class TestFreeze:
    def test_is_for_good(self, connection, teams):
        keep(connection)

        changes.freeze(connection, "c1", FRONT, FROZEN)
        changes.freeze(connection, "c1", FRONT, Baseline())

        assert changes.lines(connection, "c1")[0].baseline == FROZEN


class TestTell:
    def test_gives_back_the_verdict(self, connection, teams):
        keep(connection)
        told = a_verdict(Outcome.WORSE, difference=0.31, harm=("discards",), could_tell_ms=EPOCH_MS)

        changes.tell(connection, changes.lines(connection, "c1")[0], told, EPOCH_MS, final=False)

        (line,) = changes.lines(connection, "c1")
        assert (line.outcome, line.verdict, line.verdict_ms, line.final) == (Outcome.WORSE, told, EPOCH_MS, False)

    def test_leaves_what_is_final(self, connection, teams):
        keep(connection)
        (line,) = changes.lines(connection, "c1")
        changes.tell(connection, line, a_verdict(Outcome.IMPROVED), EPOCH_MS, final=True)

        changes.tell(connection, line, a_verdict(Outcome.WORSE), EPOCH_MS + 1, final=False)

        assert changes.lines(connection, "c1")[0].outcome == Outcome.IMPROVED


class TestAwaited:
    def test_is_what_is_not_final_and_was_looked_at_longest_ago(self, connection, teams):
        for number in range(4):
            keep(connection, id=f"c{number}")
        for number, (at_ms, final) in enumerate([(7, False), (5, False), (1, True)]):
            (line,) = changes.lines(connection, f"c{number}")
            changes.tell(connection, line, a_verdict(), EPOCH_MS + at_ms, final=final)

        assert [line.change_id for line in changes.awaited(connection, 9)] == ["c3", "c1", "c0"]
        assert [line.change_id for line in changes.awaited(connection, 1)] == ["c3"]


class TestOutcomes:
    def test_are_counted_by_change(self, connection, teams):
        keep(connection, FRONT, STORE)
        changes.tell(connection, changes.lines(connection, "c1")[0], a_verdict(Outcome.MOVED), EPOCH_MS, final=False)

        assert changes.outcomes(connection, ["c1"]) == {"c1": {"moved": 1, "cannot-tell-yet": 1}}


class TestAtTeam:
    def test_is_what_a_change_was_at_one_team_direction_by_direction(self, connection, teams):
        keep(connection, FRONT, STORE, Place(1, INGRESS))
        keep(connection, STORE, id="c2")

        found = changes.at_team(connection, 1, ["c1", "c2"])

        assert [line.place for line in found["c1"]] == [FRONT, Place(1, INGRESS)]
        assert found["c2"] == []
