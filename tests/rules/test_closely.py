import numpy as np
import pytest
from examples import EPOCH_MS, a_layout, facts_of, samples_of

from service.rules.assess import Run, assess
from service.rules.closely import Moving, View, followed, stretched
from service.terms import EGRESS, INGRESS, Change, Rule, Span

WIDTH_S = 5
APART, TOGETHER = (0.80, 0.10), (0.46, 0.44)
OCTETS_A_SECOND = 125_000_000  # of 1 Gbit/s


def a_view(*stretches, every_s=WIDTH_S, width_s=WIDTH_S, discards=None, hole=()):
    """A team of two members of 1 Gbit/s: stretches of seconds and the members' loads; samples in `hole` are missing."""
    octets, dropped, at_s, rows = [0.0, 0.0], 0, 0, []

    def read():
        for port in (0, 1):
            more = {} if discards is None else {"out_discards": dropped * (port == 0)}
            reading = {"port": port, "at": EPOCH_MS / 1000 + at_s, "out_octets": round(octets[port]), **more}
            if at_s not in hole:
                rows.append(reading)

    read()
    for number, (seconds, loads) in enumerate(stretches):
        for _ in range(seconds // every_s):
            at_s += every_s
            octets = [had + load * OCTETS_A_SECOND * every_s for had, load in zip(octets, loads, strict=True)]
            dropped += (discards or 0) if number else 0
            read()
    layout, span = a_layout(), Span(EPOCH_MS, at_s // width_s, width_s * 1000)
    rule = Rule()
    return View.of(assess(Run(samples_of(rows), facts_of(), layout, (rule,), span, now_ms=span.end_ms)), layout, rule)


def change_at(seconds, name="c1"):
    return Change(name, EPOCH_MS + 1000 * seconds, "T. Haverly", "hashed by addresses and ports", settle_ms=30_000)


def the_one(view, seconds=60, way=EGRESS):
    (one,) = followed(view, way, [change_at(seconds)])
    return one


class TestShares:
    def test_are_of_what_the_team_carries(self):
        shares = a_view((20, APART)).shares(EGRESS)

        assert shares[:, 1] == pytest.approx([8 / 9, 1 / 9])

    def test_are_unknown_where_hardly_anything_is_carried(self):
        assert np.isnan(a_view((20, (0.004, 0.001))).shares(EGRESS)).all()

    def test_are_unknown_where_a_member_is(self):
        shares = a_view((60, APART), hole=(20, 25, 30, 35)).shares(EGRESS)

        assert np.isnan(shares[:, 4:6]).all()
        assert not np.isnan(shares[:, 0]).any()


class TestShift:
    def test_lasts_from_the_change_until_shares_stand(self):
        view = a_view((60, APART), (5, (0.70, 0.20)), (5, (0.60, 0.30)), (50, TOGETHER))
        shift = the_one(view).shift

        assert (shift.moving, shift.seconds, shift.resolution_s) == (Moving.SETTLED, 10, 5)

    def test_takes_no_time_where_members_moved_at_once(self):
        shift = the_one(a_view((60, APART), (60, TOGETHER))).shift

        assert (shift.moving, shift.seconds) == (Moving.SETTLED, 0)

    def test_is_seen_although_the_load_as_a_whole_changes(self):
        view = a_view((60, (0.8, 0.1)), (60, (0.24, 0.22)))

        assert the_one(view).shift.moving is Moving.SETTLED

    def test_is_none_where_only_the_load_as_a_whole_changes(self):
        view = a_view((60, (0.8, 0.1)), (60, (0.4, 0.05)))

        assert the_one(view).shift.moving is Moving.NONE_SEEN

    @pytest.mark.parametrize(("seconds", "moving"), [(5, "not-yet"), (10, "not-yet"), (15, "settled")])
    def test_is_believed_once_three_windows_stand(self, seconds, moving):
        assert the_one(a_view((60, APART), (seconds, TOGETHER))).shift.moving == moving

    def test_is_unknown_without_a_window_before_it(self):
        shift = the_one(a_view((60, TOGETHER)), seconds=2).shift

        assert (shift.moving, shift.seconds) == (Moving.UNKNOWN, None)

    def test_counts_what_was_discarded_meanwhile(self):
        view = a_view((60, APART), (10, (0.70, 0.20)), (50, TOGETHER), discards=7)

        assert the_one(view).shift.seconds == 10
        assert the_one(view).shift.discards == 14

    def test_does_not_know_discards_that_nobody_counts(self):
        assert the_one(a_view((60, APART), (60, TOGETHER))).shift.discards is None

    def test_ends_at_the_next_change(self):
        view = a_view((60, APART), (60, TOGETHER), (60, APART))
        first, second = followed(view, EGRESS, [change_at(120, "c2"), change_at(60)])

        assert (first.change.id, second.change.id) == ("c1", "c2")
        assert (first.shift.seconds, second.shift.seconds) == (0, 0)
        assert first.verdict.outcome == "evened-out"
        assert second.verdict.outcome == "worse"

    def test_of_an_idle_direction_is_unknown(self):
        assert the_one(a_view((60, APART), (60, TOGETHER)), way=INGRESS).shift.moving is Moving.UNKNOWN


class TestVerdict:
    def test_compares_the_windows_before_with_those_after_the_shift(self):
        told = the_one(a_view((60, APART), (10, (0.70, 0.20)), (60, TOGETHER))).verdict

        assert told.outcome == "evened-out"
        assert (told.before.windows, told.after.windows) == (12, 12)
        # Busiest less even split: 0.80 - 0.45, then 0.46 - 0.45.
        assert told.difference == pytest.approx(-0.34, abs=1e-3)

    def test_cannot_be_told_of_few_windows(self):
        one = the_one(a_view((60, APART), (20, TOGETHER)))

        assert one.verdict.outcome == "cannot-tell-yet"
        assert one.verdict.after.effective < one.needed == 8


class TestStretched:
    def test_is_nothing_where_each_window_has_a_sample(self):
        view = a_view((60, APART))

        assert not stretched(view.found.intervals, 2, view.span).any()

    def test_is_everything_where_samples_are_twice_as_far_apart(self):
        view = a_view((60, APART), every_s=10)

        assert stretched(view.found.intervals, 2, view.span).all()

    def test_is_where_a_sample_is_missing(self):
        view = a_view((60, APART), hole=(20,))

        # From 15 s to 25 s there is one interval: the windows from 15 s and from 20 s.
        assert np.flatnonzero(stretched(view.found.intervals, 2, view.span)[0]).tolist() == [3, 4]
