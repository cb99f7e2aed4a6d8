"""Where intervals of averages begin: never over a hole, whatever the order and the size of the pieces."""

import json

from examples import EPOCH_MS
from feed_examples import a_row
from hypothesis import given
from hypothesis import strategies as st

from service.feeds import body
from service.feeds.anchors import anchored, apart
from service.terms import UNKNOWN, Form

SPACING_MS = 20_000


def piece(*ends_s, port="m1"):
    rows = [a_row(time=EPOCH_MS // 1000 + end, port=port, in_octets=None, out_octets=None, out_bps=8) for end in ends_s]
    return body.parse(json.dumps({"samples": rows}).encode(), body.JSON)


def anchors_of(pieces):
    """The seconds at which anchors stand, a millisecond more as they do."""
    anchors = [apart(one)[0] for one in anchored(pieces, SPACING_MS)]
    return [(at_ms - EPOCH_MS - 1) / 1000 for one in anchors for at_ms in one.samples.at_ms.tolist()]


class TestAnchored:
    def test_marks_where_the_first_interval_begins(self):
        assert anchors_of([piece(20, 40, 60)]) == [0]

    def test_marks_the_end_of_a_hole(self):
        assert anchors_of([piece(20, 40, 100, 120)]) == [0, 80]

    def test_goes_by_the_port(self):
        assert anchors_of([piece(20, 60), piece(40, port="m2")]) == [0, 40, 20]

    def test_takes_a_twentieth_of_lateness_for_no_hole(self):
        assert anchors_of([piece(20, 41)]) == [0]
        assert anchors_of([piece(20, 41.001)]) == [0, 21.001]

    def test_says_nothing_of_values_and_has_the_facts_of_its_row(self):
        (one,) = anchored([piece(20)], SPACING_MS)
        anchors, readings = apart(one)

        assert anchors.samples.known.tolist() == [0]
        assert anchors.index.tolist() == [UNKNOWN]
        assert one.facts.form[anchors.samples.facts].tolist() == [Form.RATE]
        assert readings.samples.at_ms.tolist() == [EPOCH_MS + 20_000]

    def test_stands_beside_a_reading_that_another_file_brings(self):
        (one,) = anchored([piece(40)], SPACING_MS)

        assert apart(one)[0].samples.at_ms.tolist() == [EPOCH_MS + 20_001]

    @given(st.permutations(range(20, 420, 20)), st.integers(1, 20))
    def test_needs_one_for_what_was_exported_whole_in_any_order_of_one_piece(self, ends, cut):
        newest_first = sorted(ends, reverse=True)
        pieces = [piece(*newest_first[at : at + cut]) for at in range(0, len(ends), cut)]

        assert anchors_of([piece(*ends)]) == [0]
        assert anchors_of(pieces) == [0]

    def test_leaves_nothing_where_there_is_nothing(self):
        assert list(anchored([], SPACING_MS)) == []
        assert anchors_of([piece()]) == []
