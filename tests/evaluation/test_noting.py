import pytest
from examples import EPOCH_MS, a_finding
from storage_examples import a_change, a_prediction, a_verdict, three_teams

from service.evaluation import noting
from service.storage import changes, predictions
from service.storage.changes import Place
from service.terms import EGRESS, Outcome

FRONT = Place(1, EGRESS)
TEAMS = {("sm-07", "front"): 1}


@pytest.fixture
def changed(connection):
    """Keeps changes of the egress of team front; the first is made at EPOCH_MS, answering to a prediction."""
    three_teams(connection)
    predictions.keep(connection, a_prediction(made_ms=EPOCH_MS - 1))

    def keep(**told):
        changes.keep(connection, a_change(**told), [(FRONT, "p1" if not told else "")])

    keep()
    return keep


def said(connection, **told):
    finding = a_finding(id="f1", **told)
    return noting.with_changes(connection, {"f1": finding}, TEAMS)["f1"].change


class TestWithChanges:
    def test_says_what_was_foretold(self, connection, changed):
        assert said(connection) == "changed 25 Nov 10:00 UTC by T. Haverly; foretold 93 %"

    @pytest.mark.parametrize(
        ("told", "says"),
        [
            ({"since_ms": EPOCH_MS}, True),
            ({"since_ms": EPOCH_MS + 1}, False),
            ({"since_ms": EPOCH_MS - 9, "cleared_ms": EPOCH_MS}, True),
            ({"since_ms": EPOCH_MS - 9, "cleared_ms": EPOCH_MS - 1}, False),
            ({"direction": "ingress"}, False),
            ({"team": "store"}, False),
        ],
    )
    def test_speaks_of_changes_that_the_finding_lived_through(self, connection, changed, told, says):
        assert bool(said(connection, **told)) is says

    def test_says_the_last_of_several_and_what_came_of_it(self, connection, changed):
        changed(id="c2", at_ms=EPOCH_MS + 60_000, reference="CHG-2")
        changes.tell(
            connection, changes.lines(connection, "c2")[0], a_verdict(Outcome.EVENED_OUT), EPOCH_MS, final=False
        )

        assert said(connection) == "changed 25 Nov 10:01 UTC by T. Haverly, CHG-2; evened out"

    def test_leaves_what_is_of_no_team(self, connection, changed):
        assert said(connection, device="sm-99", change="as it was") == "as it was"
