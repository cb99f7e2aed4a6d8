import pytest
from rules.trials.planned import BEGIN_MS, a_group, a_plan, polled

from service.rules.trials.landing import landed, seats, seats_by_records
from service.terms import CONVERSATION, Item


def told(plan, cells):
    return [
        ((step.at_ms - BEGIN_MS) / 1000, step.port, step.declared, step.streams, step.stream_bps)
        for step in landed(plan, cells)
    ]


def seated(plan, cells):
    return {seat.port: seat.streams for seat in seats(plan, cells, landed(plan, cells))}


class TestLanded:
    def test_counts_alike_streams_by_the_height_of_the_step(self):
        cells = polled([5] * 6 + [505] * 60, [5] * 6 + [305] * 60)

        assert told(a_plan(), cells)[:2] == [(0, "m1", "begin", 5, 100e6), (0, "m2", "begin", 3, 100e6)]
        assert seated(a_plan(), cells) == {"m1": 5, "m2": 3}

    def test_sees_each_stream_that_begins_by_itself(self):
        plan = a_plan(*(a_group(1, 100, begin_s=60 * at) for at in range(3)))
        cells = polled([0] * 6 + [100] * 6 + [100] * 6 + [200] * 48, [0] * 12 + [100] * 54)

        assert [one[:4] for one in told(plan, cells)] == [
            (0, "m1", "begin", 1),
            (60, "m2", "begin", 1),
            (120, "m1", "begin", 1),
        ]

    def test_counts_streams_that_nobody_told_the_beginning_of(self):
        cells = polled([0] * 16 + [100] * 50, [0] * 26 + [100] * 40)
        plan = a_plan(a_group(2, 100))

        assert [one[:4] for one in told(plan, cells)] == [(100, "m1", "", 1), (200, "m2", "", 1)]
        assert seated(plan, cells) == {"m1": 1, "m2": 1}

    def test_tells_streams_of_several_rates_apart(self):
        plan = a_plan(a_group(3, 100), a_group(1, 210))
        cells = polled([0] * 6 + [300] * 60, [0] * 6 + [210] * 60)

        assert [one[2:] for one in told(plan, cells)] == [("begin", 3, 100e6), ("begin", 1, 210e6)]

    def test_does_not_guess_which_of_several_rates_it_was(self):
        plan = a_plan(a_group(2, 100), a_group(1, 200))
        cells = polled([0] * 6 + [200] * 60, [0] * 6 + [200] * 60)

        assert [one[3] for one in told(plan, cells)] == [None, None]
        assert seated(plan, cells) == {}

    @pytest.mark.parametrize(("mbps", "streams"), [(124, 1), (126, None), (174, None), (176, 2)])
    def test_takes_a_step_within_a_quarter_of_a_stream(self, mbps, streams):
        cells = polled([0] * 6 + [mbps] * 60, [0] * 66)

        assert [one[3] for one in told(a_plan(a_group(2, 100)), cells)] == [streams]

    def test_takes_half_of_a_stream_for_none(self):
        assert told(a_plan(a_group(1, 100)), polled([0] * 6 + [49] * 60, [0] * 66)) == []

    def test_times_a_step_within_a_poll_from_its_octets(self):
        """Sending begins 4 s into a poll of 10 s: six tenths of the new level are in it."""
        plan = a_plan(a_group(1, 100, begin_s=4))

        [(at_s, *_)] = told(plan, polled([0] * 6 + [60] + [100] * 59, [0] * 66))

        assert at_s == pytest.approx(4)

    def test_knows_a_step_of_the_change(self):
        plan = a_plan(changes_s=(300,))
        cells = polled([0] * 6 + [500] * 30 + [400] * 30, [0] * 6 + [300] * 30 + [400] * 30)

        assert [one[1:4] for one in told(plan, cells)[2:]] == [("m1", "change", -1), ("m2", "change", 1)]
        assert seated(plan, cells) == {"m1": 5, "m2": 3}


class TestByRecords:
    def items(self, *ports, mbps=100):
        return [Item(CONVERSATION, f"talk-{at}", port, mbps * 1e6) for at, port in enumerate(ports)]

    def test_counts_records_near_the_rate_of_a_stream(self):
        cells = polled([0] * 6, [0] * 6)
        items = self.items("m1", "m1", "m2") + self.items("m1", mbps=3)

        found = seats_by_records(a_plan(a_group(3)), cells, items)

        assert {seat.port: seat.streams for seat in found} == {"m1": 2, "m2": 1}

    @pytest.mark.parametrize("ports", [("m1", "m2"), ("m1", "m2", "m1", "m1"), ("m1", "m2", "m9")])
    def test_says_nothing_where_they_are_not_all_of_the_streams(self, ports):
        assert seats_by_records(a_plan(a_group(3)), polled([0] * 6, [0] * 6), self.items(*ports)) == ()

    @pytest.mark.parametrize(("mbps", "counts"), [(119, True), (121, False), (81, True), (79, False)])
    def test_takes_records_within_a_fifth(self, mbps, counts):
        found = seats_by_records(a_plan(a_group(1)), polled([0], [0]), self.items("m1", mbps=mbps))

        assert bool(found) is counts
