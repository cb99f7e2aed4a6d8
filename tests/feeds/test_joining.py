"""Pieces of one feed put together."""

from feed_examples import a_row, as_json, plain

from service.feeds import json_rows
from service.feeds.joining import joined
from service.feeds.limits import IngestLimits


def piece(*rows):
    return json_rows.parse(as_json(rows), IngestLimits())


class TestJoined:
    def test_makes_of_pieces_what_one_batch_would_have_made(self):
        rows = [
            a_row(speed_bps=10**9),
            a_row(port="m2", speed_bps=10**9, in_errors=5, uptime_ticks=7),
            a_row(port="m1", speed_bps=10**10, time=1_795_600_830),
            a_row(port="m2", speed_bps=10**9, out_octets=None),
        ]
        whole, pieces = piece(*rows), joined([piece(row) for row in rows])

        assert plain(pieces) == plain(whole)
        assert pieces.ports == whole.ports
        assert len(pieces.facts.speed_bps) == len(whole.facts.speed_bps) == 2

    def test_keeps_what_only_an_earlier_piece_told_of_a_port(self):
        told = a_row(team="front", method="source-mac", bundle="none", if_index=3)
        pieces = joined([piece(told), piece(a_row(team=None)), piece(a_row(team="store"))])

        (name,) = pieces.ports
        assert (name.team, name.method, name.bundle, name.if_index) == ("store", "source-mac", "none", 3)

    def test_keeps_every_refusal(self):
        pieces = joined([piece(a_row(in_octets=-1)), piece(a_row()), piece(a_row(in_octets="x"))])

        assert [reject.value for reject in pieces.rejects] == ["-1", "x"]

    def test_of_nothing_has_no_samples(self):
        assert len(joined([]).samples) == len(joined([]).index) == 0
