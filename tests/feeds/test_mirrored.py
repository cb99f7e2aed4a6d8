"""What was read at the far end, told as the near end would tell it."""

import json

import numpy as np
from feed_examples import a_row, as_csv, plain
from hypothesis import given
from hypothesis import strategies as st

from service.feeds import body
from service.feeds.mirrored import mirrored
from service.terms import COUNTERS

ALL = {name: number for number, name in enumerate(COUNTERS, start=1)}


def parsed(*rows):
    return body.parse(as_csv(rows), body.CSV)


class TestMirrored:
    def test_changes_over_every_counter(self):
        (near,) = plain(mirrored(parsed(a_row(**ALL))))

        for name, number in ALL.items():
            way, _, measure = name.partition("_")
            other = {"in": "out", "out": "in"}[way]
            assert near[f"{other}_{measure}"] == number

    def test_changes_over_rates(self):
        row = a_row(in_octets=None, out_octets=None, in_bps=902_000_000, out_bps=41_000_000)
        (near,) = plain(mirrored(parsed(row)))

        assert (near["out_octets"], near["in_octets"]) == (902_000_000, 41_000_000)

    def test_knows_no_more_than_was_told(self):
        (near,) = plain(mirrored(parsed(a_row(in_octets=None, out_discards=7))))

        assert {name: near[name] for name in near if name in COUNTERS} == {"in_octets": 2, "in_discards": 7}

    def test_keeps_names_and_rejects_and_drops_the_far_end_s_method(self):
        far = parsed(a_row(method="ip-pair", bundle="lacp"), a_row(port="m2", in_octets=-1))
        near = mirrored(far)

        assert [(name.port, name.method, name.bundle) for name in near.ports] == [("m1", "unknown", "lacp")]
        assert near.rejects == far.rejects

    @given(st.lists(st.dictionaries(st.sampled_from(COUNTERS), st.integers(0, 2**64 - 1)), max_size=5))
    def test_is_undone_by_itself(self, told):
        rows = [a_row(time=n, in_octets=None, out_octets=None) | counters for n, counters in enumerate(told)]
        once = body.parse(json.dumps({"samples": rows}).encode(), body.JSON)
        twice = mirrored(mirrored(once))

        assert plain(twice) == plain(once)
        assert np.array_equal(twice.samples.counters, once.samples.counters)
