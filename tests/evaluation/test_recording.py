import threading

import pytest
from changed_examples import AFTER_MS, CHANGED_MS, HOUR_MS, MINUTE_MS, POLICY, keep_nights, known

from service.errors import WrongState
from service.evaluation import baselines, recording
from service.evaluation.recording import Asked, Told
from service.storage import audit, changes, database

UNTIL_MS = AFTER_MS + HOUR_MS
BY_NAME = Told(CHANGED_MS, "hash by ports", (Asked("sm-03", "front"),), request="r1", until_ms=UNTIL_MS)


def record(engine, told=BY_NAME):
    return recording.record(engine, told, "ops", POLICY, CHANGED_MS + 2 * MINUTE_MS)


class TestRecord:
    def test_locks_nothing_while_days_of_windows_are_read(self, engine, monkeypatch):
        known(engine)
        keep_nights(engine)
        wrote = []
        drawn_up = baselines.drawn_up

        def slow(*told):
            database.retried(engine, lambda connection: audit.note(connection, CHANGED_MS, "other", "x", "y", {}))
            wrote.append(True)
            return drawn_up(*told)

        monkeypatch.setattr(baselines, "drawn_up", slow)

        done = record(engine)

        assert (done.new, wrote) == (True, [True])

    def test_freezes_both_directions_alike(self, engine):
        known(engine)
        keep_nights(engine)

        done = record(engine)

        with engine.connect() as connection:
            frozen = [line.baseline for line in changes.lines(connection, done.change.id)]
        # Three nights of an hour, 120 windows each.
        assert [(one.windows, one.counted) for one in frozen] == [(360, 360), (360, 360)]

    def test_told_at_once_under_one_name_is_kept_once(self, engine):
        known(engine)
        came, gate = [], threading.Barrier(3)

        def tell():
            gate.wait(10)
            came.append(record(engine))

        threads = [threading.Thread(target=tell) for _ in range(3)]
        for one in threads:
            one.start()
        for one in threads:
            one.join(60)

        assert sorted(one.new for one in came) == [False, False, True]
        assert len({one.change.id for one in came}) == 1

    def test_told_of_other_teams_under_one_name_is_refused(self, engine):
        known(engine, "sm-03", "sm-04")
        record(engine)

        with pytest.raises(WrongState, match="another change was recorded under this name"):
            record(engine, Told(CHANGED_MS, "hash by ports", (Asked("sm-04", "front"),), request="r1"))

    @pytest.mark.parametrize("at_ms", [-62_135_596_800_000, -1])
    def test_refuses_what_was_made_before_anything_can_be_kept(self, engine, at_ms):
        known(engine)

        with pytest.raises(WrongState, match="before 1970"):
            record(engine, Told(at_ms, "hash by ports", (Asked("sm-03", "front"),)))
