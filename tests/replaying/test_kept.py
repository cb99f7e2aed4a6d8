import pytest
from replay_examples import MIDNIGHT_MS, Episode, a_past, a_trial, in_memory
from storage_examples import counts

from service import ingest
from service.evaluation import Evaluator, Policy
from service.feeds.limits import IngestLimits
from service.replaying import archives, kept
from service.replaying.archiving import Shelf, from_database
from service.replaying.history import DAY_MS
from service.replaying.kept import Choice, KeptSamples, KeptWindows
from service.replaying.replay import replay
from service.storage import claims
from service.terms import DECLARED, Claim, Role, Rule
from service.web import past as pasts

EVENING_MS = MIDNIGHT_MS + 22 * 3_600_000
POLICY = Policy(lambda _device, _team: Rule())


@pytest.fixture(scope="module")
def past():
    """A finding over midnight, one that only the present rules raise, one of the other member; three devices."""
    episodes = (Episode(100, 60), Episode(10, 20, 3, (0.78, 0.25)), Episode(150, 30, 2, (0.3, 0.85)))
    return a_past(*episodes, teams=5, hours=4, start_ms=EVENING_MS)


@pytest.fixture
def filled(engine, past):
    """The same, pushed and evaluated."""
    now_ms = int(past.samples.at_ms.max()) + 120_000
    ingest.keep(engine, past, feed="push", now_ms=now_ms, limits=IngestLimits(retention_ms=10 * DAY_MS))
    Evaluator(engine, POLICY).run(now_ms)
    return pasts.Kept(engine, POLICY, now_ms, 2 * DAY_MS)


class TestKept:
    def test_windows_and_samples_answer_as_files_do_and_nothing_is_written(self, filled, past):
        trial = a_trial(past)
        expected = replay(in_memory(past), trial)
        before = counts(filled.engine)

        windows = [KeptWindows(filled.engine, placed) for placed in kept.placed_of(filled.engine, Choice())]
        samples = [
            KeptSamples(filled.engine, placed, pasts.setting_of(filled))
            for placed in kept.placed_of(filled.engine, Choice(teams_at_once=2))
        ]

        assert len(samples) == 3
        assert replay(windows, trial) == expected
        assert replay(samples, trial) == expected
        assert (expected.comparison.present, expected.comparison.tried) == (3, 2)
        assert counts(filled.engine) == before

    def test_samples_know_what_was_declared(self, filled, past):
        with filled.engine.begin() as connection:
            for port in ("t0m2", "t2m1"):
                claim = Claim("sm-0" + str(int(port[1]) // 2), port, DECLARED, f"team{port[1]}", Role.STANDBY)
                claims.keep(connection, [claim], filled.now_ms)
        some = [
            KeptSamples(filled.engine, placed, pasts.setting_of(filled))
            for placed in kept.placed_of(filled.engine, Choice())
        ]

        found = replay(some, a_trial(past, hot_above=0.9)).comparison

        kinds = {(one.one.team, one.present.kind) for one in found.differences}
        assert ("team0", "uneven") not in kinds
        assert ("team2", "uneven") not in kinds

    def test_is_of_whole_devices(self, filled):
        some = list(kept.placed_of(filled.engine, Choice(teams_at_once=1)))

        assert [one.layout.devices for one in some] == [("sm-00",), ("sm-01",), ("sm-02",)]
        assert [len(one.layout.teams) for one in some] == [2, 2, 1]

    def test_is_of_the_devices_that_were_named(self, filled):
        [one] = kept.placed_of(filled.engine, Choice({"sm-01"}))

        assert one.layout.devices == ("sm-01",)


class TestArchivesOfTheDatabase:
    def test_answer_as_the_database_does(self, filled, past, tmp_path):
        setting = pasts.setting_of(filled)

        done = list(from_database(Shelf(tmp_path, 4), filled.engine, setting, EVENING_MS, EVENING_MS + DAY_MS))
        again = list(from_database(Shelf(tmp_path, 4), filled.engine, setting, EVENING_MS, EVENING_MS + DAY_MS))

        assert sum(one.samples for one in done) == len(past.samples)
        assert not any(one.is_new for one in again)
        some = list(archives.histories(archives.leaves_of(tmp_path), 30_000))
        found = replay(some, a_trial(past))
        assert found.comparison == replay(in_memory(past), a_trial(past)).comparison
