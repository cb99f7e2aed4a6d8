import pytest
from examples import EPOCH_MS
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError
from storage_examples import a_change, a_prediction, a_verdict, three_teams

from service.errors import NotFound
from service.storage import changes, database, predictions, retention
from service.storage.changes import Place
from service.storage.predictions import Came
from service.terms import EGRESS, Outcome

YEAR_MS = 366 * 86_400_000


@pytest.fixture
def teams(connection):
    return three_teams(connection)


class TestKeep:
    def test_gives_back_every_field(self, connection, teams):
        told = a_prediction(
            seed=7, text="even odds", inputs={"items_bps": [480e6, 480e6], "line": 0.75}, finding_id="f1"
        )

        predictions.keep(connection, told)

        assert predictions.one(connection, told.id) == told
        assert predictions.some(connection, [told.id, "p0"]) == {told.id: told}

    @pytest.mark.parametrize("change", ["UPDATE predictions SET success = 1", "DELETE FROM predictions"])
    def test_is_for_good_whoever_asks_the_database(self, connection, teams, change):
        predictions.keep(connection, a_prediction())

        with pytest.raises(DBAPIError, match="never edited"):
            connection.execute(text(change))

    def test_is_for_good_by_the_ways_around_rows(self, connection, teams):
        predictions.keep(connection, a_prediction())
        around = "TRUNCATE predictions"
        if database.is_sqlite(connection):
            around = "INSERT OR REPLACE INTO predictions SELECT * FROM predictions"

        with pytest.raises(DBAPIError, match="never edited"):
            connection.execute(text(around))

    def test_outlasts_all_housekeeping(self, connection, teams):
        predictions.keep(connection, a_prediction())
        changes.keep(connection, a_change(), [(Place(1, EGRESS), "p1")])

        retention.prune(connection, EPOCH_MS + 10 * YEAR_MS)

        assert predictions.one(connection, "p1") == a_prediction()
        assert [line.prediction_id for line in changes.lines(connection, "c1")] == ["p1"]


class TestOne:
    def test_is_found_or_said_not_to_be(self, connection):
        with pytest.raises(NotFound, match="p0"):
            predictions.one(connection, "p0")


class TestListing:
    def test_begins_with_the_last_and_goes_on_where_a_page_ended(self, connection, teams):
        for number in range(5):
            predictions.keep(connection, a_prediction(id=f"p{number}", made_ms=EPOCH_MS + number // 2))

        first = predictions.listing(connection, limit=3)
        second = predictions.listing(connection, limit=3, cursor=first.cursor)

        assert [one.id for one in first.items + second.items] == ["p4", "p2", "p3", "p0", "p1"]
        assert second.cursor is None

    def test_is_of_teams_or_of_a_finding_where_asked(self, connection, teams):
        for number in (1, 2):
            predictions.keep(connection, a_prediction(id=f"p{number}", team_id=number, finding_id=f"f{number}"))

        assert [one.id for one in predictions.listing(connection, [2]).items] == ["p2"]
        assert [one.id for one in predictions.listing(connection, [1, 2], "f1").items] == ["p1"]


class TestBefore:
    @pytest.mark.parametrize(("after_ms", "there"), [(-1, False), (0, True), (999, True), (1000, False)])
    def test_is_half_open(self, connection, teams, after_ms, there):
        predictions.keep(connection, a_prediction(made_ms=EPOCH_MS + after_ms))

        assert bool(predictions.before(connection, [1], EPOCH_MS, EPOCH_MS + 1000)) is there


class TestCome:
    def test_is_what_a_final_verdict_was_told_on(self, connection, teams):
        for number in (1, 2):
            predictions.keep(connection, a_prediction(id=f"p{number}", team_id=number))
        changes.keep(connection, a_change(), [(Place(1, EGRESS), "p1"), (Place(2, EGRESS), "p2")])
        for line, final in zip(changes.lines(connection, "c1"), (True, False), strict=True):
            changes.tell(connection, line, a_verdict(Outcome.IMPROVED), EPOCH_MS, final=final)

        assert predictions.come(connection) == [Came(a_prediction(), "c1", a_verdict(Outcome.IMPROVED))]
        assert predictions.taken(connection, ["p1", "p2", "p3"]) == {"p1": "c1", "p2": "c1"}
