"""Before and after: what came of a change, how sure that is, and how good predictions were."""

from __future__ import annotations

import numpy as np
import pytest
from examples import EPOCH_MS
from verdict_examples import DAY_MS, a_series, apart, wandering

from service.numerics.autocorrelation import effective_at
from service.rules.verdicts.comparing import verdict
from service.rules.verdicts.fleet import fleet_verdict
from service.rules.verdicts.scores import Foretold, score
from service.rules.verdicts.wording import heading
from service.terms import Outcome

LATER = EPOCH_MS + DAY_MS
NIGHT = 930


class TestVer2ComparableLoad:
    """82 % fell to 8 % and the share stayed 0.887: a tenth of the load proves nothing."""

    def test_cannot_be_told_at_a_tenth_of_the_load(self):
        before = np.array([[820, 840, 830, 810], [110, 90, 100, 120]]) / 1000

        found = verdict(a_series(before), a_series(before / 10, first_ms=LATER))

        assert heading(found) == "cannot tell"
        assert found.reasons == ("load not comparable: 0.10 times what it was before",)
        assert (found.before.share, found.after.share) == pytest.approx((0.887, 0.887), abs=5e-4)


class TestVer3Autocorrelation:
    """Twelve windows in two plateaus a side: naively t = -3.66, and worth 3.4 independent ones each."""

    BEFORE = np.array([30, 31, 30, 32, 31, 30, 18, 17, 18, 19, 18, 17]) / 100
    AFTER = np.array([20, 19, 20, 21, 20, 19, 12, 11, 12, 13, 12, 11]) / 100

    def test_cannot_be_told_from_twelve_windows_in_plateaus(self):
        found = verdict(apart(self.BEFORE), apart(self.AFTER, first_ms=LATER))

        assert found.outcome is Outcome.CANNOT_TELL_YET
        assert (found.before.effective, found.after.effective) == pytest.approx((3.4, 3.4), abs=0.05)
        assert (100 * found.low, 100 * found.high) == pytest.approx((-20.4, 3.6), abs=0.1)

    def test_is_what_a_test_of_independent_windows_calls_proved(self):
        errors = [side.var(ddof=1) / 12 for side in (self.BEFORE, self.AFTER)]

        assert (self.AFTER.mean() - self.BEFORE.mean()) / np.sqrt(sum(errors)) == pytest.approx(-3.66, abs=0.005)

    def test_counts_2880_windows_with_098_as_29(self):
        assert effective_at(2880, 0.98) == pytest.approx(29, abs=0.5)

    def test_finds_that_in_the_windows_themselves(self):
        wander = [wandering(40, 2880, 0.98, 0.02, np.random.default_rng(seed)) for seed in (1, 2)]

        found = [
            verdict(apart(0.2 + before), apart(0.2 + after, first_ms=LATER)).after.effective
            for before, after in zip(*wander, strict=True)
        ]

        assert np.median(found) == pytest.approx(29, rel=0.35)


class TestVer4Verdicts:
    def test_evened_out_and_the_team_is_full_now(self):
        # 985 and 15 Mbit/s became 930 and 905: what the full member held back is on the wire now.
        before = np.tile([[0.985], [0.015]], NIGHT)
        after = np.tile([[0.930, 0.940, 0.935, 0.925], [0.905, 0.915, 0.910, 0.920]], NIGHT // 4)

        found = verdict(a_series(before), a_series(after, first_ms=LATER))

        assert heading(found) == "evened out; team now full"
        assert (found.before.share, found.after.share) == pytest.approx((0.985, 0.505), abs=5e-4)
        assert "delivered +84.5 %" in found.text

    def test_moved_where_the_hot_member_changed_places(self):
        before, after = np.tile([[0.92], [0.02]], NIGHT), np.tile([[0.03], [0.91]], NIGHT)

        found = verdict(a_series(before), a_series(after, first_ms=LATER))

        assert found.outcome is Outcome.MOVED
        assert (found.before.hot_port, found.after.hot_port) == ("m1", "m2")

    def test_of_a_bulk_change_stands_beside_luck(self):
        even = verdict(apart(np.full(NIGHT, 0.4)), apart(np.full(NIGHT, 0.02), first_ms=LATER))
        same = verdict(apart(np.full(NIGHT, 0.4)), apart(np.full(NIGHT, 0.4), first_ms=LATER))

        nine, eight = fleet_verdict([even] * 9 + [same]), fleet_verdict([even] * 8 + [same] * 2)

        assert (nine.is_shown, eight.is_shown) == (True, False)
        assert "9 of 10 better, luck alone would make 5 better" in nine.text


class TestVer5Harm:
    def test_drops_and_a_lost_member_are_harm_however_even(self):
        def frames(ratio):
            return {
                "dropped": np.full((1, NIGHT), 1000 * ratio, np.float32),
                "sent": np.full((1, NIGHT), 1000, np.float32),
            }

        lost = {"lost": np.full((1, NIGHT), 4, np.uint8), "eligible": np.full((1, NIGHT), 3, np.uint8)}
        ports = {"ports": (("m1", "m2", "m3"),)}
        before = a_series(np.tile([[0.8], [0.1], [0.1]], NIGHT), **frames(0))
        after = a_series(np.tile([[0.5], [0.5]], NIGHT), first_ms=LATER, **frames(3e-5), **lost, **ports)

        found = verdict(before, after)

        assert found.harm == ("discards 3e-05 of frames, before 0", "1 member lost: m3")
        assert ", with harm" in heading(found)
        assert found.text.endswith("consider backing the change out, under your own change control")

    def test_drops_alone_make_it_worse(self):
        def frames(dropped):
            return {"dropped": np.full((1, NIGHT), dropped, np.float32), "sent": np.full((1, NIGHT), 1000, np.float32)}

        before = apart(np.full(NIGHT, 0.4), **frames(0))
        after = apart(np.full(NIGHT, 0.02), first_ms=LATER, **frames(0.03))

        assert heading(verdict(before, after)) == "worse, with harm"


class TestVer6Score:
    def test_of_four_predictions_is_0126_and_too_few_to_judge(self):
        outcomes = [(0.50, True), (0.50, False), (0.93, True), (0.00, False)]

        found = score([Foretold(*one) for one in outcomes])

        assert found.text == "Brier score 0.126, n = 4: too few to judge (< 20)"
