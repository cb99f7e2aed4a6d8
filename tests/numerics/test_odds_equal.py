import pytest

from service.numerics.odds_equal import equal_items, exhibited

# k, n, all together, busiest has the least it can, mean busiest share, at least 60 %, at least 70 %: exact, to the
# digits shown; two links follow from the binomial distribution, three and four were counted over all placements.
TABLE = [
    (1, 2, 1, 1, 1.000, 1, 1),
    (2, 2, 0.5, 0.5, 0.750, 0.5, 0.5),
    (3, 2, 0.25, 0.75, 0.750, 1, 0.25),
    (4, 2, 0.125, 0.375, 0.688, 0.625, 0.625),
    (6, 2, 0.0313, 0.3125, 0.656, 0.688, 0.219),
    (8, 2, 0.0078, 0.2734, 0.637, 0.727, 0.289),
    (10, 2, 0.0020, 0.2461, 0.623, 0.754, 0.344),
    (16, 2, 0, 0.1964, 0.598, 0.454, 0.077),
    (20, 2, 0, 0.1762, 0.588, 0.503, 0.115),
    (50, 2, 0, 0.1123, 0.556, 0.203, 0.007),
    (100, 2, 0, 0.0796, 0.540, 0.057, 0),
    (2, 4, 0.25, 0.75, 0.625, 0.25, 0.25),
    (3, 4, 0.0625, 0.375, 0.563, 0.625, 0.063),
    (4, 4, 0.0156, 0.0938, 0.531, 0.203, 0.203),
    (8, 4, 0.0001, 0.0385, 0.442, 0.109, 0.017),
    (16, 4, 0, 0.0147, 0.384, 0.007, 0),
    (4, 3, 0.0370, 0.6667, 0.593, 0.333, 0.333),
    (6, 3, 0.0041, 0.1235, 0.539, 0.300, 0.054),
]


class TestEqualItems:
    @pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]}-on-{row[1]}")
    def test_are_as_worked_out(self, row):
        k, n, *figures = row
        found = equal_items(k, n)

        told = (
            found.all_together,
            found.least_on_busiest,
            found.mean_busiest_share,
            found.busiest_60,
            found.busiest_70,
        )
        assert told == pytest.approx(figures, abs=6e-4)


class TestExhibited:
    def test_stands_beside_what_is_exact(self):
        found = exhibited(10, 2, draws=10_000, seed=1)

        for _, drawn, exact in found.counts:
            assert drawn == pytest.approx(exact, abs=0.02)
        assert sum(drawn for _, drawn, _ in found.counts) == pytest.approx(1)
        assert sum(exact for _, _, exact in found.counts) == pytest.approx(1)

    def test_leaves_out_counts_that_cannot_be(self):
        assert [m for m, _, _ in exhibited(4, 2, draws=10, seed=1).counts] == [2, 3, 4]
