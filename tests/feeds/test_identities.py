"""Ports and facts, each distinct one once."""

import numpy as np
from feed_examples import a_row, as_json
from hypothesis import given
from hypothesis import strategies as st

from service.feeds import identities, json_rows
from service.feeds.limits import IngestLimits


def parse(*rows):
    return json_rows.parse(as_json(rows), IngestLimits())


class TestDistinct:
    @given(st.lists(st.tuples(st.integers(-3, 3), st.integers(0, 2)), max_size=30))
    def test_gives_equal_rows_one_number_and_says_where_each_came_first(self, rows):
        parts = [np.array([row[place] for row in rows], dtype=np.int64) for place in (0, 1)]
        codes, firsts = identities.distinct(parts, len(rows))

        assert [rows[first] for first in firsts] == list(dict.fromkeys(rows))
        assert [rows[firsts[code]] for code in codes] == rows


class TestPorts:
    def test_of_the_same_names_in_other_places_are_not_mixed_up(self):
        one = parse(a_row(), a_row(port="m2"))
        other = parse(a_row(port="m2"), a_row())

        assert [name.port for name in one.ports] == ["m1", "m2"]
        assert [name.port for name in other.ports] == ["m2", "m1"]

    def test_of_the_same_names_in_another_team_are_not_mixed_up(self):
        teams = [parse(a_row(team=team)).ports[0].team for team in ("front", "store", None, "front")]

        assert teams == ["front", "store", "", "front"]

    def test_that_come_again_are_the_same_objects(self):
        assert parse(a_row(in_octets=5)).ports[0] is parse(a_row(in_octets=6), a_row(port="m9")).ports[0]


class TestFacts:
    def test_are_kept_once_however_many_samples_have_them(self):
        speeds = [10**9, 10**10, 10**9, 10**10]
        parsed = parse(*(a_row(speed_bps=speed, oper_status="up") for speed in speeds))

        assert parsed.facts.speed_bps.tolist() == [10**9, 10**10]
        assert parsed.samples.facts.tolist() == [0, 1, 0, 1]

    def test_take_a_32_bit_speed_at_its_end_for_unknown(self):
        # RFC 2863, ifSpeed: what is faster than the gauge can say reports 4,294,967,295.
        speeds = [4_294_967_294, 4_294_967_295, 4_294_967_296]

        parsed = parse(*(a_row(speed_bps=speed) for speed in speeds))

        assert parsed.facts.speed_bps[parsed.samples.facts].tolist() == [4_294_967_294, 0, 4_294_967_296]
