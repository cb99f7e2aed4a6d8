import pickle
from dataclasses import replace

import numpy as np
import pytest
from replay_examples import DAY_MS, MIDNIGHT_MS, Episode, a_past, a_trial, in_memory

from service.errors import UnusableInput
from service.replaying.archives import histories, leaves_of
from service.replaying.archiving import Shelf, from_parsed
from service.replaying.judging import Errand, Trial, replayed
from service.replaying.replay import replay
from service.rules.layouts import layout_of
from service.terms import PortName

EVENING_MS = MIDNIGHT_MS + 22 * 3_600_000
EPISODES = (Episode(100, 60), Episode(10, 20, 1, (0.78, 0.25)), Episode(180, 30, 2, (0.3, 0.85)))


def shelved(folder, past, parts=2, speeds=None):
    """Archives of a past, and the histories that are read from them."""
    list(from_parsed(Shelf(folder, parts), past, layout_of(past.ports)[0], speeds or {}))
    return list(histories(leaves_of(folder), 30_000))


def found(some, trial: Trial):
    """What a replay finds, whatever the order of its devices."""
    done = replay(some, trial)
    return done.comparison, done.teams, done.windows, done.evaluable


@pytest.fixture(scope="module")
def past():
    return a_past(*EPISODES, teams=6, hours=25.9, start_ms=EVENING_MS)


class TestHistories:
    def test_answer_as_files_do(self, tmp_path, past):
        assert found(shelved(tmp_path, past), a_trial(past)) == found(in_memory(past), a_trial(past))

    def test_hold_each_device_once_and_whole(self, tmp_path, past):
        some = shelved(tmp_path, past, parts=3)

        assert sorted(device for one in some for device in one.layout.devices) == ["sm-00", "sm-01", "sm-02"]
        assert sorted(len(one.leaves) for one in some) == [2, 2]  # two days each

    def test_join_what_was_divided_otherwise_on_another_day(self, tmp_path, past):
        midnight = past.samples.at_ms < MIDNIGHT_MS + DAY_MS
        for some, parts in ((midnight, 2), (~midnight, 1)):
            half = replace(past, samples=past.samples.take(some), index=past.index[some])
            shelved(tmp_path, half, parts)

        some = list(histories(leaves_of(tmp_path), 30_000))

        assert len(some) == 1
        assert found(some, a_trial(past)) == found(in_memory(past), a_trial(past))

    def test_are_of_the_devices_that_were_named(self, tmp_path, past):
        shelved(tmp_path, past)

        some = list(histories(leaves_of(tmp_path), 30_000, {"sm-01"}))

        assert [one.layout.devices for one in some] == [("sm-01",)]

    def test_are_divided_where_a_file_holds_more_than_is_well_judged_at_once(self, tmp_path, past, monkeypatch):
        monkeypatch.setattr("service.replaying.archives.MOST_CELLS", 5 * 2880)  # a device has four ports

        some = shelved(tmp_path, past, parts=1)

        assert [one.layout.devices for one in some] == [("sm-00",), ("sm-01",), ("sm-02",)]
        assert found(some, a_trial(past)) == found(in_memory(past), a_trial(past))

    def test_take_the_name_of_a_team_from_the_newest_file(self, tmp_path):
        past = a_past(hours=4, start_ms=EVENING_MS)
        before = past.samples.at_ms < MIDNIGHT_MS + DAY_MS
        old = replace(past, samples=past.samples.take(before), index=past.index[before])
        named = tuple(PortName(port.device, port.port, "front") for port in past.ports)
        new = replace(past, samples=past.samples.take(~before), index=past.index[~before], ports=named)
        shelved(tmp_path, old)
        shelved(tmp_path, new)

        [one] = histories(leaves_of(tmp_path), 30_000)

        assert [team.team for team in one.layout.teams] == ["front"]

    def test_know_the_speeds_that_were_set(self, tmp_path):
        past = a_past(Episode(30, 30), hours=2)

        [one] = shelved(tmp_path, past, speeds={("sm-00", "t0m1"): 10**10, ("sm-00", "t0m2"): 10**10})

        assert replayed(Errand(one, a_trial(past))).present == ()

    def test_are_sent_to_others_without_what_was_read(self, tmp_path, past):
        [one, *_] = shelved(tmp_path, past)
        before = len(pickle.dumps(one))
        replayed(Errand(one, a_trial(past)))

        sent = pickle.loads(pickle.dumps(one))

        assert len(pickle.dumps(one)) == before
        assert replayed(Errand(sent, a_trial(past))) == replayed(Errand(one, a_trial(past)))

    def test_say_which_file_is_torn(self, tmp_path, past):
        [one, *_] = shelved(tmp_path, past)
        one.leaves[0].path.write_bytes(b"torn")

        assert "cannot be read as an archive" in replayed(Errand(one, a_trial(past))).refused


class TestLeavesOf:
    def test_refuses_a_folder_without_archives(self, tmp_path):
        with pytest.raises(UnusableInput, match="holds no archives"):
            leaves_of(tmp_path)

    def test_are_in_the_order_of_time(self, tmp_path, past):
        shelved(tmp_path, past)

        first = [leaf.head.first_ms for leaf in leaves_of(tmp_path)]

        assert first == sorted(first)
        assert np.unique(np.array(first) // DAY_MS).tolist() == [MIDNIGHT_MS // DAY_MS, MIDNIGHT_MS // DAY_MS + 1]
