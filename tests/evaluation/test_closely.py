import pytest
from close_examples import seconds_after, told
from examples import EPOCH_MS
from storage_examples import a_polling
from web_examples import asked

from service.errors import NotFound, WrongState
from service.evaluation import Policy, closely
from service.evaluation.closely import looked
from service.storage import agents, close_looks, database
from service.storage.close_looks import CloseLook
from service.terms import Rule

APART, TOGETHER = (0.80, 0.10), (0.46, 0.44)


@pytest.fixture
def engine(engine):
    """A team that was pushed every 5 s for two minutes, on a database of each kind."""
    http = asked(engine, now_ms=lambda: seconds_after(120))
    http.post("/v1/samples", json={"samples": told((60, APART), (60, TOGETHER))})
    return engine


def policy(width_ms=30_000):
    return Policy(lambda _device, _team: Rule(), width_ms=width_ms)


def a_look(width_s=5, from_s=0, minutes=10):
    from_ms = seconds_after(from_s)
    return CloseLook(1, width_s * 1000, from_ms, from_ms + minutes * 60_000, "T. Haverly")


def look(engine, look, after_s=120):
    with engine.begin() as connection:
        close_looks.begin(connection, look)
        return looked(connection, 1, policy(), seconds_after(after_s))


class TestBegin:
    def test_refuses_windows_that_do_not_divide_those_that_are_decided(self, engine):
        with pytest.raises(WrongState, match="do not divide"):
            closely.begin(engine, a_look(15), policy(width_ms=20_000))

    def test_refuses_a_team_that_is_not_there(self, engine):
        with pytest.raises(NotFound):
            closely.begin(engine, a_look()._replace(team_id=77), policy())


class TestLooked:
    def test_holds_windows_from_its_beginning_to_the_newest_sample(self, engine):
        found = look(engine, a_look(from_s=33), after_s=300)

        assert (found.view.span.first_ms, found.view.span.end_ms) == (seconds_after(30), seconds_after(120))
        assert found.pace.newest_ms == seconds_after(120)

    def test_holds_windows_to_its_end(self, engine):
        found = look(engine, a_look(minutes=1), after_s=120)

        assert found.view.span.end_ms == seconds_after(60)
        assert not found.lasts

    def test_says_how_often_samples_come(self, engine):
        pace = look(engine, a_look()).pace

        assert (pace.feed, pace.reached_ms, pace.polling) == ("push", 5000, None)

    def test_says_how_often_a_device_is_polled(self, engine):
        with engine.begin() as connection:
            agents.note(connection, [a_polling("sm-07", interval_ms=5000, stretched_ms=7500, trouble="it is slow")])
        pace = look(engine, a_look()).pace

        assert (pace.feed, pace.asked_ms, pace.polling.trouble) == ("snmp", 5000, "it is slow")

    @pytest.mark.parametrize(("width_s", "compared_s"), [(5, 5), (10, 10), (15, 15)])
    def test_follows_changes_in_the_windows_asked_for_where_samples_come_as_often(self, engine, width_s, compared_s):
        assert look(engine, a_look(width_s)).compared_ms == compared_s * 1000

    def test_shows_the_same_in_wide_windows_as_in_narrow_ones(self, engine):
        narrow, wide = (look(engine, a_look(width_s)).view.found.members.utilisation[:, :, 0] for width_s in (5, 15))

        # Three windows of 5 s carry what one of 15 s does.
        assert narrow.reshape(2, -1, 3).mean(axis=2) == pytest.approx(wide, abs=1e-9)

    def test_is_none_before_anybody_looked(self, engine):
        with database.reading(engine) as connection, pytest.raises(NotFound):
            looked(connection, 1, policy(), EPOCH_MS)
