import numpy as np
import pytest
from examples import EPOCH_MS, GIGABIT, a_layout

from service.rules.kinds import team_windows
from service.rules.table import rule_table
from service.rules.verdicts.series import chosen, series_of, series_of_teams
from service.terms import Basis, MemberWindows, Rule, Span, Stretches, WhyNot

WIDTH_MS = 30_000


def members_of(utilisation, **changes):
    """Windows of ports that are up, both directions alike, 1000 frames a second and none dropped."""
    u = np.repeat(np.asarray(utilisation, dtype=np.float64)[:, :, np.newaxis], 2, axis=2)
    shape = u.shape
    told = {
        "utilisation": u,
        "lower": u.astype(np.float32),
        "upper": u.astype(np.float32),
        "coverage": np.ones(shape, np.float32),
        "basis": np.full(shape, Basis.WIRE, np.uint8),
        "discard_ratio": np.zeros(shape, np.float32),
        **{name: np.full(shape, 1000, np.float32) for name in ("packets", "mcast", "bcast", "errors")},
        "speed_bps": np.full(shape[:2], GIGABIT, np.int64),
        "marks": np.zeros(shape[:2], np.uint16),
        "why_not": np.full(shape, WhyNot.ELIGIBLE, np.uint8),
    }
    return MemberWindows(span=Span(EPOCH_MS, shape[1]), **{**told, **changes})


def all_of(members):
    return Stretches(((members.span.first_ms, members.span.end_ms),))


def series(members, rows=(0, 1), direction="egress", stretches=None):
    names = [f"m{row + 1}" for row in rows]
    return series_of(members, rows, names, Rule(), direction, stretches or all_of(members))


class TestSeriesOf:
    def test_holds_the_measures_of_the_team(self):
        found = series(members_of([[0.92, 0.5], [0.08, 0.3]]))

        assert found.even_split[0].tolist() == pytest.approx([0.5, 0.4])
        assert found.excess[0].tolist() == pytest.approx([0.42, 0.1])
        assert found.share[0].tolist() == pytest.approx([0.92, 0.625])
        assert found.total_bps[0].tolist() == pytest.approx([1e9, 0.8e9])
        assert found.flagged[0].tolist() == [True, False]
        assert found.ports == (("m1", "m2"),)

    def test_takes_members_by_their_rows_in_their_order(self):
        found = series(members_of([[0.1], [0.2], [0.9]]), rows=(2, 0))

        assert found.ports == (("m3", "m1"),)
        assert found.position[0, 0] == 0

    def test_takes_windows_that_lie_wholly_in_a_stretch(self):
        members = members_of([[0.9] * 6, [0.1] * 6])
        inside = Stretches(((EPOCH_MS + 15_000, EPOCH_MS + 75_000), (EPOCH_MS + 120_000, EPOCH_MS + 180_000)))

        found = series(members, stretches=inside)

        assert ((found.starts - EPOCH_MS) // WIDTH_MS).tolist() == [1, 4, 5]
        assert found.breaks().tolist() == [True, True, False]

    def test_knows_who_counts_and_who_is_lost(self):
        why = np.full((2, 3, 2), WhyNot.ELIGIBLE, np.uint8)
        why[1, 1:] = [[WhyNot.DOWN] * 2, [WhyNot.NO_DATA] * 2]
        u = np.array([[0.5] * 3, [0.5, np.nan, np.nan]])

        found = series(members_of(u, why_not=why))

        assert found.eligible[0].tolist() == [3, 1, 1]
        assert found.lost[0].tolist() == [0, 2, 0]

    def test_a_member_in_maintenance_does_not_count(self):
        why = np.full((2, 1, 2), WhyNot.ELIGIBLE, np.uint8)
        why[1] = WhyNot.MAINTENANCE

        assert series(members_of([[0.5], [0.5]], why_not=why)).eligible[0].tolist() == [1]

    def test_adds_up_the_frames_that_members_dropped(self):
        ratio = np.zeros((2, 1, 2), np.float32)
        ratio[0] = 0.5

        found = series(members_of([[0.5], [0.5]], discard_ratio=ratio))

        # Of the first, 1000 frames a second left and as many were dropped.
        assert (found.dropped[0, 0], found.sent[0, 0]) == (1000, 3000)

    def test_knows_nothing_of_what_is_dropped_on_the_way_in(self):
        assert np.isnan(series(members_of([[0.5], [0.5]]), direction="ingress").sent).all()


class TestSeriesOfTeams:
    def test_is_of_each_team_what_it_is_of_one(self):
        members, layout = members_of([[0.92, 0.5], [0.08, 0.3], [0.2, 0.3], [0.4, 0.3]]), a_layout(2, 2)
        teams = team_windows(members, layout, rule_table((Rule(),) * 2, layout.teams, WIDTH_MS))

        both = series_of_teams(teams, members, layout, "egress", all_of(members))

        alone = series(members, rows=(2, 3))
        assert both.ports[1] == alone.ports[0]
        for name in ("even_split", "busiest", "share", "total_bps", "position", "eligible", "flagged", "sent"):
            assert getattr(both, name)[1].tolist() == getattr(alone, name)[0].tolist()


class TestChosen:
    def test_takes_a_window_once_where_stretches_overlap(self):
        starts = np.arange(4) * WIDTH_MS

        assert chosen(starts, WIDTH_MS, Stretches(((0, 90_000), (30_000, 60_000)))).tolist() == [0, 1, 2]
