import pytest
from rules.trials.planned import a_plan, polled

from service.rules.trials.landing import landed
from service.rules.trials.shifting import shifts


def shifted(plan, cells):
    return shifts(plan, cells, landed(plan, cells))


def moved(between, before=(500, 300), after=(400, 400), **told):
    """A poll of each member between the levels before second 300 and after second 310."""
    return polled(
        *([0] * 6 + [b] * 30 + [during] + [a] * 29 for b, during, a in zip(before, between, after, strict=True)),
        **told,
    )


class TestShift:
    def test_times_the_shift_and_says_how_finely(self):
        """Changed at second 304: four tenths of the poll are on the old levels."""
        [found] = shifted(a_plan(changes_s=(304,)), moved((440, 360)))

        assert found.seconds == pytest.approx(0, abs=0.01)
        assert found.resolution_s == 10
        assert found.moved_bps == pytest.approx(100e6)
        assert (found.before_bps, found.after_bps) == ((500e6, 300e6), (400e6, 400e6))

    def test_shows_no_loss_where_all_was_delivered(self):
        [found] = shifted(a_plan(changes_s=(304,)), moved((440, 360)))

        assert found.lost_octets <= found.error_octets + 1

    def test_tells_what_was_not_delivered(self):
        """80 of 800 Mbit/s less over 10 s are 100 MB, as much as all carry in one second."""
        [found] = shifted(a_plan(changes_s=(304,)), moved((400, 320)))

        assert found.lost_octets == pytest.approx(100e6)
        assert found.lost_ms == pytest.approx(1000)

    def test_does_not_take_a_level_that_rises_for_loss(self):
        [found] = shifted(a_plan(changes_s=(300,)), moved((500, 350), (500, 300), (500, 350)))

        assert found.lost_octets == 0

    def test_says_that_nothing_moved(self):
        [found] = shifted(a_plan(changes_s=(300,)), moved((500, 300), after=(500, 300)))

        assert found.seconds is None
        assert found.steps == ()
        assert "nothing moved" in found.text

    def test_says_that_the_record_is_late(self):
        [found] = shifted(a_plan(changes_s=(318,)), moved((400, 400)))

        assert found.seconds == pytest.approx(-18, abs=0.1)
        assert "the record are off" in found.text

    def test_gives_each_change_its_own_steps(self):
        cells = polled([0] * 6 + [500] * 20 + [400] * 20 + [300] * 20, [0] * 6 + [300] * 20 + [400] * 20 + [500] * 20)

        first, second = shifted(a_plan(changes_s=(200, 400)), cells)

        assert {step.port: step.streams for step in first.steps} == {"m1": -1, "m2": 1}
        assert {step.port: step.streams for step in second.steps} == {"m1": -1, "m2": 1}
        assert (first.before_bps, second.after_bps) == ((500e6, 300e6), (300e6, 500e6))

    def test_gives_a_step_just_before_a_change_to_that_change_alone(self):
        cells = polled([0] * 6 + [500] * 39 + [400] * 21, [0] * 6 + [300] * 39 + [400] * 21)

        first, second = shifted(a_plan(changes_s=(200, 395)), cells)

        assert first.steps == ()
        assert second.seconds == pytest.approx(-5)

    def test_counts_once_what_was_away_for_long(self):
        """Nothing gets through for 40 s: each member falls to nothing and rises to its new level."""
        cells = polled([0] * 6 + [500] * 30 + [0] * 4 + [400] * 26, [0] * 6 + [300] * 30 + [0] * 4 + [400] * 26)

        [found] = shifted(a_plan(changes_s=(300,)), cells)

        assert found.seconds == pytest.approx(40)
        assert found.moved_bps == pytest.approx(100e6)
        assert found.lost_octets == pytest.approx(40 * 800e6 / 8)

    def test_counts_discards_of_the_polls_around_it(self):
        discards = [[0] * 66, [0] * 66]
        discards[0][36], discards[1][36], discards[0][20] = 30, 12, 1000

        [found] = shifted(a_plan(changes_s=(304,)), moved((440, 360), discards=discards))

        assert found.discards == 42

    def test_knows_no_loss_where_a_level_is_not_seen(self):
        cells = polled([0] * 6 + [500] * 30, [0] * 6 + [300] * 30)

        [found] = shifted(a_plan(changes_s=(300,)), cells)

        assert (found.lost_octets, found.after_bps) == (None, ())
