"""Sources in the order in which they need minding, told without reading all, as `standings` tells them one by one."""

import numpy as np
import pytest
from examples import EPOCH_MS
from sqlalchemy import update
from storage_examples import a_polling

from service.evaluation import Policy, minding
from service.evaluation.listening import counted, standings
from service.evaluation.minding import Rank, Sought
from service.storage import agents, inventory, tables
from service.terms import PortName, Rule

WAITS_MS = Policy(lambda _device, _team: Rule()).waits_ms
NOW_MS = EPOCH_MS + 5_000
SILENT, STRETCHED, TROUBLED = (f"sw-{k:02}" for k in (3, 5, 8))
CLEAR = ("sw-02", "sw-06")


@pytest.fixture
def fleet(connection):
    """Ten sources that send or are polled, one that was never heard, one whose file has ended."""
    names = [f"sw-{k:02}" for k in range(10)]
    inventory.resolve(connection, [PortName(name, "m1", "front") for name in names], feed="push", now_ms=EPOCH_MS)
    inventory.resolve(connection, [PortName("st-01", "m1", "front")], feed="csv", now_ms=EPOCH_MS)
    ids = np.arange(1, 12, dtype=np.int32)
    inventory.note_samples(connection, ids, np.full(11, EPOCH_MS, dtype=np.int64), EPOCH_MS)
    connection.execute(update(tables.devices).values(interval_ms=10_000))
    inventory.note_device(connection, 1 + names.index(SILENT), silent_since_ms=EPOCH_MS)
    polled = [a_polling(name, clear_text=True) for name in CLEAR]
    polled += [a_polling(STRETCHED, stretched_ms=40_000), a_polling(TROUBLED, trouble="three answers were lost")]
    agents.note(connection, [*polled, a_polling("sw-30")])
    return connection


def listed(connection, words=(), after=None, limit=100):
    return minding.roll(connection, WAITS_MS, NOW_MS, Sought(tuple(words), after), limit)


class TestRoll:
    def test_lists_those_first_that_need_minding(self, fleet):
        order = [one.pulse.device for one in listed(fleet).some]

        worst = [SILENT, "sw-30", STRETCHED, TROUBLED, *CLEAR]
        assert order == [*worst, "st-01", *(f"sw-{k:02}" for k in (0, 1, 4, 7, 9))]

    def test_tells_what_is_told_of_them_one_by_one(self, fleet):
        known = standings(fleet, WAITS_MS, NOW_MS)
        found = listed(fleet)

        assert {(one.pulse, one.stands) for one in found.some} == set(known)
        assert found.counts == counted([stands for _, stands in known])

    @pytest.mark.parametrize("limit", [1, 2, 5])
    def test_goes_on_where_it_ended(self, fleet, limit):
        seen, after = [], None
        for _ in range(12):
            some = listed(fleet, after=after, limit=limit).some
            if not some:
                break
            seen += some
            after = some[-1].place

        assert [one.pulse.device for one in seen] == [one.pulse.device for one in listed(fleet).some]

    def test_finds_parts_of_names_in_any_case_and_counts_all(self, fleet):
        found = listed(fleet, words=["W-0", "3"])

        assert [one.pulse.device for one in found.some] == [SILENT]
        assert found.counts == listed(fleet).counts
        assert [one.pulse.device for one in listed(fleet, words=["ST-"]).some] == ["st-01"]
        assert listed(fleet, words=["%"]).some == []

    def test_orders_names_by_their_letters_on_every_database(self, fleet):
        names = ["SW_00", "_w", "swé"]
        inventory.resolve(fleet, [PortName(name, "m1", "front") for name in names], feed="push", now_ms=EPOCH_MS)
        heard = np.array([one.id for one in inventory.devices(fleet).items], dtype=np.int32)
        inventory.note_samples(fleet, heard, np.full(len(heard), EPOCH_MS, dtype=np.int64), EPOCH_MS)
        fleet.execute(update(tables.devices).values(interval_ms=10_000))

        calm = [one.pulse.device for one in listed(fleet).some if one.rank is Rank.CALM]

        assert set(names) <= set(calm)
        assert calm == sorted(calm)

    def test_is_calm_where_nothing_is_to_be_minded(self, fleet):
        assert {one.pulse.device: one.rank for one in listed(fleet).some}["sw-00"] is Rank.CALM
