import numpy as np
import pytest
from examples import GIGABIT, facts_of, samples_of

from service.rules.speeds import as_set
from service.terms import Facts, Role

SAMPLES = samples_of([{"at": 0, "port": port} for port in (0, 1, 2)])
FACTS = facts_of(Facts(speed_bps=10 * GIGABIT, role=Role.ACTIVE))


def told(set_bps=(0, 0, 0), far_bps=(0, 0, 0), roles=(0, 0, 0)):
    """Speed in Gbit/s and role of each port, as they count."""
    samples, table = as_set(SAMPLES, FACTS, np.array(set_bps), np.array(far_bps), np.array(roles, dtype=np.uint8))
    return [(int(table.speed_bps[row]) // GIGABIT, int(table.role[row])) for row in samples.facts]


class TestAsSet:
    def test_leaves_all_as_it_is_told_where_nobody_says_otherwise(self):
        assert as_set(SAMPLES, FACTS, np.zeros(3, dtype=np.int64)) == (SAMPLES, FACTS)

    def test_hears_the_operator_before_the_far_end_and_the_far_end_before_the_port(self):
        assert [speed for speed, _ in told((2 * GIGABIT, 0, 0), (GIGABIT, GIGABIT, 0))] == [2, 1, 10]

    @pytest.mark.parametrize("role", [Role.STANDBY, Role.OUT])
    def test_puts_a_declared_role_in_place_of_the_one_told_and_no_other(self, role):
        assert told(roles=(0, role, 0)) == [(10, Role.ACTIVE), (10, role), (10, Role.ACTIVE)]

    def test_keeps_the_rows_of_the_table_where_they_are(self):
        _, table = as_set(SAMPLES, FACTS, np.array([GIGABIT, 0, 0]))

        assert table.speed_bps.tolist() == [10 * GIGABIT, GIGABIT]
