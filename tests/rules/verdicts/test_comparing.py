import numpy as np
import pytest
from examples import EPOCH_MS
from verdict_examples import DAY_MS, WIDTH_MS, a_series, apart, wandering

from service.rules.verdicts.comparing import verdict, verdicts
from service.terms import Outcome

N = 240
LATER = EPOCH_MS + DAY_MS


def noise(seed, windows=N, deviation=0.005, rho=0.0):
    return wandering(1, windows, rho, deviation, np.random.default_rng(seed))[0]


def of(excess_before, excess_after, **changes):
    """The verdict of so many points above the even split, give or take half a point."""
    before, after = apart(excess_before + noise(1)), apart(excess_after + noise(2), first_ms=LATER, **changes)
    return verdict(before, after)


class TestVerdict:
    @pytest.mark.parametrize(
        ("before", "after", "expected"),
        [
            (0.38, 0.02, Outcome.EVENED_OUT),
            (0.38, 0.37, Outcome.UNCHANGED),
            (0.20, 0.34, Outcome.WORSE),
            (0.30, 0.20, Outcome.EVENED_OUT),  # never flagged, and more than five points less
        ],
    )
    def test_is_the_first_that_holds(self, before, after, expected):
        assert of(before, after).outcome is expected

    def test_is_improved_where_it_is_flagged_as_before(self):
        assert of(0.39, 0.36 - 0.03, flagged=np.ones((1, N), dtype=bool)).outcome is Outcome.IMPROVED

    @pytest.mark.parametrize(("flagged", "expected"), [(60, Outcome.EVENED_OUT), (61, Outcome.IMPROVED)])
    def test_evens_out_with_a_quarter_of_the_flagged_minutes(self, flagged, expected):
        before = apart(0.38 + noise(1), flagged=np.ones((1, N), dtype=bool))
        after = apart(0.20 + noise(2), first_ms=LATER, flagged=np.arange(N)[np.newaxis] < flagged)

        assert verdict(before, after).outcome is expected

    def test_is_moved_where_another_member_is_as_hot(self):
        before, after = a_series([[0.92] * N, [0.02] * N]), a_series([[0.03] * N, [0.91] * N], first_ms=LATER)

        found = verdict(before, after)

        assert found.outcome is Outcome.MOVED
        assert (found.before.hot_port, found.after.hot_port) == ("m1", "m2")
        assert "m1 was the busiest, now it is m2" in found.text

    def test_is_unchanged_where_an_even_team_has_no_member_to_speak_of(self):
        before, after = a_series([[0.51] * N, [0.49] * N]), a_series([[0.49] * N, [0.51] * N], first_ms=LATER)

        assert verdict(before, after).outcome is Outcome.UNCHANGED

    def test_cannot_be_told_where_the_interval_reaches_over_a_limit(self):
        before = apart(0.30 + noise(1, deviation=0.1, rho=0.9))
        after = apart(0.24 + noise(2, deviation=0.1, rho=0.9), first_ms=LATER)

        found = verdict(before, after)

        assert found.outcome is Outcome.CANNOT_TELL_YET
        assert found.low < -0.05 < found.high

    def test_says_that_the_team_is_full_now(self):
        before, after = a_series([[0.985] * N, [0.015] * N]), a_series([[0.73] * N, [0.70] * N], first_ms=LATER)

        assert verdict(before, after).now_full
        assert verdict(before, after).text.startswith("evened out; team now full: ")

    @pytest.mark.parametrize("empty", [0, 1])
    def test_cannot_be_told_without_a_window_on_one_side(self, empty):
        sides = [apart(0.3 + noise(1)), apart(0.1 + noise(2), first_ms=LATER)]
        sides[empty] = apart(np.empty(0))

        assert verdict(*sides).outcome is Outcome.CANNOT_TELL_YET


class TestBands:
    def test_compare_like_loads_with_like(self):
        # At an even split of 20 % the excess is 5 points, at 50 % it is 40: before mostly one, after mostly the other.
        high = np.tile([True, True, True, False], N // 4)
        loads = [np.where(busy, 0.5, 0.2) for busy in (high, ~high)]
        excess = [np.where(busy, 0.40, 0.05) + noise(seed) for busy, seed in ((high, 1), (~high, 2))]
        ratio = loads[1].mean() / loads[0].mean()

        found = verdict(apart(excess[0], loads[0]), apart(excess[1], loads[1], first_ms=LATER))

        assert found.difference == pytest.approx(0.0, abs=0.005)
        assert ratio < 0.8  # and so it is not told
        assert found.reasons == (f"load not comparable: {ratio:.2f} times what it was before",)

    @pytest.mark.parametrize(("seen", "expected"), [(0.60, Outcome.EVENED_OUT), (0.59, Outcome.CANNOT_TELL_YET)])
    def test_must_have_been_seen_for_60_per_cent_of_the_windows_after(self, seen, expected):
        load = np.where(np.arange(1000) < 1000 * seen, 0.54, 0.56)
        before, after = apart(0.35 + noise(1), 0.5), apart(0.02 + noise(2, 1000), load, first_ms=LATER)

        found = verdict(before, after)

        assert found.outcome is expected
        assert found.comparable == pytest.approx(seen)

    @pytest.mark.parametrize(("ratio", "told"), [(0.79, False), (0.81, True), (1.24, True), (1.26, False)])
    def test_take_a_load_from_08_to_125_times_that_before(self, ratio, told):
        # Loads within the band from 25 to 40 %.
        before = apart(0.24 + noise(1), 0.32)
        after = apart(0.02 + noise(2), 0.32 * ratio, first_ms=LATER)
        found = verdict(before, after)

        assert ("load not comparable" in found.text) is not told

    def test_are_one_where_a_full_member_held_load_back(self):
        before = a_series([[0.985] * N, [0.015] * N])
        after = a_series([[0.93] * N, [0.91] * N], first_ms=LATER)

        found = verdict(before, after)

        assert found.outcome is Outcome.EVENED_OUT
        assert found.load_ratio == pytest.approx(1.84)


class TestCounted:
    def test_are_windows_with_an_even_split_of_10_per_cent(self):
        load = np.where(np.arange(N) % 2, 0.10, 0.0999)

        found = verdict(apart(0.05 + 0 * load, load), apart(0.05 + 0 * load, load, first_ms=LATER))

        assert (found.before.windows, found.before.counted) == (N, N // 2)

    def test_are_windows_in_which_all_members_are_known(self):
        eligible = np.where(np.arange(N)[np.newaxis] % 3, 3, 1).astype(np.uint8)

        assert of(0.3, 0.1, eligible=eligible).after.counted == N * 2 // 3

    def test_a_standby_that_helped_out_for_a_while_is_no_member(self):
        eligible = np.where(np.arange(N)[np.newaxis] < 20, 7, 3).astype(np.uint8)
        before = apart(0.3 + noise(1), ports=(("m1", "m2", "m3"),), eligible=eligible)
        after = apart(0.1 + noise(2), first_ms=LATER, ports=(("m1", "m2", "m3"),))

        assert verdict(before, after).before.counted == N - 20

    def test_cannot_be_compared_with_another_set_of_members(self):
        alone = np.full((1, N), 1, dtype=np.uint8)

        found = of(0.3, 0.1, eligible=alone)

        assert found.outcome is Outcome.CANNOT_TELL_YET
        assert found.reasons == ("m2 counts only before the change",)
        assert found.harm == ()  # nobody knows that it is lost


class TestHarm:
    def frames(self, ratio):
        return {"dropped": np.full((1, N), 1000 * ratio, np.float32), "sent": np.full((1, N), 1000, np.float32)}

    @pytest.mark.parametrize(
        ("before", "after", "expected"),
        [
            (0, 1e-5, Outcome.WORSE),
            (0, 0.9e-5, Outcome.EVENED_OUT),
            (2e-5, 3e-5, Outcome.EVENED_OUT),  # not newly
        ],
    )
    def test_is_worse_from_one_frame_in_100_000_dropped_newly(self, before, after, expected):
        found = verdict(
            apart(0.38 + noise(1), **self.frames(before)),
            apart(0.02 + noise(2), first_ms=LATER, **self.frames(after * 1.0001)),
        )

        assert found.outcome is expected
        assert bool(found.harm) is (expected is Outcome.WORSE)

    def test_is_not_claimed_where_nobody_counted_before(self):
        assert of(0.38, 0.02, **self.frames(3e-5)).harm == ()

    def test_is_told_where_the_verdict_cannot_be(self):
        lost = np.full((1, N), 2, dtype=np.uint8)

        found = of(0.38, 0.02, eligible=np.full((1, N), 1, dtype=np.uint8), lost=lost)

        assert found.outcome is Outcome.CANNOT_TELL_YET
        assert found.harm == ("1 member lost: m2",)
        assert "consider backing the change out" in found.text


class TestWaiting:
    def test_names_the_hour_when_enough_would_have_been_seen(self):
        before, after = apart(0.38 + noise(1)), apart(0.02 + noise(2, 6), first_ms=LATER)

        found = verdict(before, after)

        needed = 10 * found.after.tau  # more than 8 of them
        assert found.could_tell_ms == LATER + int(np.ceil(needed * WIDTH_MS))
        assert "could be told from about" in found.text

    def test_counts_nights_where_only_nights_are_compared(self):
        nights = np.concatenate([LATER + np.arange(3) * WIDTH_MS, LATER + DAY_MS + np.arange(3) * WIDTH_MS])
        before, after = apart(0.38 + noise(1)), apart(0.02 + noise(2, 6), starts=nights)

        assert verdict(before, after).could_tell_ms > LATER + DAY_MS

    def test_names_none_where_it_is_the_time_before_that_is_short(self):
        assert verdict(apart(0.38 + noise(1, 6)), apart(0.02 + noise(2), first_ms=LATER)).could_tell_ms is None

    def test_names_the_hour_when_the_interval_would_be_narrow_enough(self):
        before = apart(0.38 + noise(1, 3000))
        wide = noise(2, 1200, deviation=0.15, rho=0.95)
        early = verdict(before, apart(0.31 + wide - wide.mean(), first_ms=LATER))  # seven points less
        assert early.outcome is Outcome.CANNOT_TELL_YET
        assert early.low < -0.05 < early.high

        assert LATER + 1200 * WIDTH_MS < early.could_tell_ms <= LATER + 7 * DAY_MS


class TestVerdicts:
    def test_of_many_are_those_of_each(self):
        rng = np.random.default_rng(8)
        levels = [0.38, 0.30, 0.10]
        befores = [0.35 + wandering(1, N, 0.6, 0.02, rng)[0] for _ in levels]
        afters = [level + wandering(1, N, 0.6, 0.02, rng)[0] for level in levels]

        many = verdicts(apart(np.stack(befores)), apart(np.stack(afters), first_ms=LATER))

        each = [verdict(apart(b), apart(a, first_ms=LATER)) for b, a in zip(befores, afters, strict=True)]
        assert list(many) == each

    def test_of_no_team_are_none(self):
        assert verdicts(apart(np.empty((0, 5))), apart(np.empty((0, 5)))) == ()


class TestResampling:
    def test_stands_beside_the_interval_from_a_day_of_windows_on(self):
        before, after = apart(0.30 + noise(1, 2880)), apart(0.10 + noise(2, 2880), first_ms=LATER)

        found = verdict(before, after)

        assert (found.boot_low, found.boot_high) == pytest.approx((found.low, found.high), abs=5e-4)

    def test_is_left_out_below_it(self):
        assert verdict(apart(0.3 + noise(1, 2880)), apart(0.1 + noise(2, 2879))).boot_low is None


class TestIntervals:
    """Figures of tests/benchmarks/coverage.py; floors some four deviations below them."""

    @pytest.mark.parametrize(("rho", "floor"), [(0.5, 0.91), (0.9, 0.91), (0.98, 0.84)])
    def test_hold_the_truth_nearly_as_often_as_they_say(self, rho, floor):
        rng = np.random.default_rng(1)
        before, after = (apart(0.2 + wandering(400, count, rho, 0.03, rng)) for count in (2790, 930))

        found = verdicts(before, after)

        assert np.mean([one.low <= 0 <= one.high for one in found]) > floor
