import numpy as np
import pytest
from examples import EPOCH_MS
from storage_examples import keep_samples as keep
from storage_examples import some_samples as some

from service.storage import samples
from service.terms import COUNTERS, OCTETS, UNKNOWN

A_DAY = 86_400


def ids(*port_ids):
    return np.array(port_ids, dtype=np.int32)


def all_of(connection, *port_ids):
    return samples.between(connection, ids(*port_ids), 0, 2**62)


class TestKeep:
    @pytest.mark.parametrize("value", [0, 1, 2**63 - 1, 2**63, 2**64 - 1])
    def test_gives_back_every_counter_as_it_was_told(self, connection, value):
        told = some(dict.fromkeys(COUNTERS, value) | {"uptime": 2**32 - 1, "discontinuity": 12})

        keep(connection, told)

        found = all_of(connection, 1)
        assert found.counters.tolist() == [[value] * len(COUNTERS)]
        assert found.counters.dtype == np.uint64
        assert (found.uptime_ticks.tolist(), found.discontinuity_ticks.tolist()) == ([2**32 - 1], [12])
        assert found.at_ms.tolist() == [EPOCH_MS]

    def test_keeps_unknown_apart_from_zero(self, connection):
        keep(connection, some({"out_octets": 0}))

        found = all_of(connection, 1)
        assert found.known.tolist() == [1]
        assert (found.uptime_ticks.tolist(), found.discontinuity_ticks.tolist()) == ([-1], [-1])

    def test_takes_batches_that_carry_only_some_columns(self, connection):
        told = some({"in_octets": 5, "port": 0}, {"in_octets": 6, "port": 1})
        narrow = type(told)(
            told.port,
            told.at_ms,
            told.facts,
            told.known,
            told.counters[:, [1]],
            *(np.empty(0, dtype=np.int64),) * 3,
            columns=(2 * OCTETS + 1,),
        )

        keep(connection, narrow)

        found = all_of(connection, 1, 2)
        assert found.counters[:, 1].tolist() == [5, 6]
        assert found.received_ms.tolist() == [UNKNOWN] * 2

    def test_counts_the_same_batch_again_as_duplicates(self, connection):
        batch = some({"at": 0, "in_octets": 1}, {"at": 30, "in_octets": 2}, {"at": 0, "in_octets": 3, "port": 1})
        keep(connection, batch)

        again = keep(connection, batch)

        assert again.duplicate.tolist() == [True] * 3
        assert not again.accepted.any()
        assert not again.conflict.any()

    def test_keeps_the_first_of_two_that_differ(self, connection):
        keep(connection, some({"in_octets": 1}))

        kept = keep(connection, some({"in_octets": 2}))

        assert kept.conflict.tolist() == [True]
        assert all_of(connection, 1).counters[:, 1].tolist() == [1]

    def test_calls_other_facts_at_the_same_instant_a_conflict(self, connection):
        keep(connection, some({"in_octets": 1}), facts=1)

        assert keep(connection, some({"in_octets": 1}), facts=2).conflict.tolist() == [True]

    def test_tells_new_from_duplicate_from_conflict_within_one_batch(self, connection):
        keep(connection, some({"at": 30, "in_octets": 5}))

        kept = keep(
            connection,
            some(
                {"at": 60, "in_octets": 6},
                {"at": 30, "in_octets": 5},
                {"at": 0, "in_octets": 4},
                {"at": 60, "in_octets": 6},
                {"at": 60, "in_octets": 7},
            ),
        )

        assert kept.accepted.tolist() == [True, False, True, False, False]
        assert kept.duplicate.tolist() == [False, True, False, True, False]
        assert kept.conflict.tolist() == [False, False, False, False, True]
        assert all_of(connection, 1).counters[:, 1].tolist() == [4, 5, 6]

    def test_takes_samples_of_days_that_nobody_prepared_for(self, connection):
        batch = some(
            {"at": -400 * A_DAY, "in_octets": 1}, {"at": 0, "in_octets": 2}, {"at": 40 * A_DAY, "in_octets": 3}
        )

        assert keep(connection, batch).accepted.all()
        assert len(all_of(connection, 1)) == 3

    def test_takes_known_and_new_samples_together_with_a_new_day(self, connection):
        known = {"at": 0, "in_octets": 1}
        keep(connection, some(known))

        kept = keep(connection, some({"at": 30, "in_octets": 2}, known, {"at": A_DAY, "in_octets": 3}))

        assert kept.accepted.tolist() == [True, False, True]
        assert kept.duplicate.tolist() == [False, True, False]
        assert all_of(connection, 1).counters[:, 1].tolist() == [1, 2, 3]

    def test_takes_an_empty_batch(self, connection):
        assert keep(connection, some()).accepted.tolist() == []


class TestBetween:
    def test_is_half_open_and_ordered_by_position_then_time(self, connection):
        keep(
            connection,
            some(*({"at": at, "port": port, "in_octets": at} for at in (60, 0, 30, 90) for port in (2, 0, 1))),
        )

        found = samples.between(connection, ids(3, 1), EPOCH_MS, EPOCH_MS + 90_000)

        assert found.port.tolist() == [0, 0, 0, 1, 1, 1]
        assert found.counters[:, 1].tolist() == [0, 30, 60] * 2

    def test_is_empty_where_there_is_nothing(self, connection):
        assert len(all_of(connection, 1)) == 0


class TestLastBefore:
    def test_is_the_newest_sample_of_each_port_before_its_instant(self, connection):
        keep(connection, some(*({"at": at, "port": port, "in_octets": at} for at in (0, 30, 60) for port in (0, 1))))

        found = samples.last_before(connection, ids(2, 1, 9), EPOCH_MS + np.array([60_000, 60_001, 60_000]))

        assert found.port.tolist() == [0, 1]
        assert found.counters[:, 1].tolist() == [30, 60]

    def test_takes_one_instant_for_all_and_looks_back_only_so_far(self, connection):
        keep(connection, some({"at": 0, "in_octets": 1}, {"at": 30, "in_octets": 2, "port": 1}))

        found = samples.last_before(connection, ids(1, 2), EPOCH_MS + 60_000, not_before_ms=EPOCH_MS + 1)

        assert found.port.tolist() == [1]
