import numpy as np
import pytest
from examples import GIGABIT

from service.storage import facts
from service.terms import Facts, FactsTable, OperStatus

SOME = (
    Facts(speed_bps=GIGABIT, oper=OperStatus.UP, mac=0x0200_5E00_5301, mtu=1500),
    Facts(),
    Facts(speed_bps=400 * GIGABIT, half_duplex=True, last_change_ticks=2**32 - 1, counter_bits=32),
)


class TestIds:
    def test_gives_the_same_facts_the_same_id(self, connection):
        first = facts.ids(connection, FactsTable.of(SOME))

        assert facts.ids(connection, FactsTable.of((*SOME[::-1], SOME[1]))).tolist() == [*first[::-1], first[1]]

    def test_remembers_over_transactions_only_what_was_committed(self, engine):
        with engine.connect() as connection:
            facts.ids(connection, FactsTable.of(SOME))
            facts.ids(connection, FactsTable.of(SOME))
            connection.rollback()
        with engine.begin() as connection:
            kept = facts.ids(connection, FactsTable.of(SOME))
        with engine.begin() as connection:
            again = facts.ids(connection, FactsTable.of(SOME))
            found = facts.table(connection, again)

        assert again.tolist() == kept.tolist()
        assert found.speed_bps.tolist() == [GIGABIT, 0, 400 * GIGABIT]

    def test_takes_thousands_at_once(self, connection):
        many = FactsTable.of([Facts(mac=number) for number in range(2500)])

        assert len(set(facts.ids(connection, many).tolist())) == 2500


class TestTable:
    def test_gives_back_every_fact(self, connection):
        told = FactsTable.of(SOME)

        found = facts.table(connection, facts.ids(connection, told))

        for name in facts.NAMES:
            assert getattr(found, name).tolist() == getattr(told, name).tolist()
            assert getattr(found, name).dtype == getattr(told, name).dtype

    def test_knows_nothing_of_an_id_that_nothing_has(self, connection):
        with pytest.raises(KeyError):
            facts.table(connection, np.array([99], dtype=np.int32))
