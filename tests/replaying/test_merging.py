import itertools
from dataclasses import replace

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from replay_examples import a_past

from service.feeds.joining import joined
from service.replaying.merging import merged
from service.terms import Parsed


def cut(past, *edges):
    """Pieces of a past by time."""
    at_ms = past.samples.at_ms
    bounds = [at_ms.min(), *(at_ms.min() + 60_000 * edge for edge in sorted(edges)), at_ms.max() + 1]
    return [past.samples.take((at_ms >= first) & (at_ms < end)) for first, end in itertools.pairwise(bounds)]


def same(one, other):
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in type(one).__dataclass_fields__)


class TestMerged:
    @given(st.lists(st.integers(0, 60), max_size=4))
    def test_puts_pieces_together_as_they_were(self, edges):
        past = a_past(teams=2, hours=1)

        assert same(merged(cut(past, *edges), 4), past.samples)

    def test_puts_ports_of_another_order_in_order(self):
        past = a_past(teams=2, hours=0.2)
        back = past.samples.take(np.argsort(-past.samples.port, kind="stable"))

        assert same(merged([back], 4), past.samples)

    # Outside check: `joined`, which puts rows one after the other, sorted by numpy.
    def test_keeps_counters_that_only_one_piece_tells(self):
        early, late = cut(a_past(teams=1, hours=0.5), 15)
        late = replace(late, counters=late.counters[:, :2], columns=(0, 1), known=late.known & np.uint16(3))
        whole = joined(Parsed(p, a_past().facts, a_past().ports, p.at_ms) for p in (early, late)).samples

        expected = whole.take(np.lexsort((whole.at_ms, whole.port)))

        assert same(merged([early, late], 2), expected)

    def test_of_nothing_is_nothing(self):
        assert len(merged([], 3)) == 0
