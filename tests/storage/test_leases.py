from examples import EPOCH_MS

from service.storage import leases


def take(connection, owner, after_ms=0):
    return leases.take(connection, "evaluation", owner, ttl_ms=1000, now_ms=EPOCH_MS + after_ms)


class TestTake:
    def test_holds_others_off_until_it_runs_out(self, connection):
        assert take(connection, "a") == 1
        assert take(connection, "b", after_ms=999) is None
        assert take(connection, "b", after_ms=1000) == 2
        assert take(connection, "a", after_ms=1001) is None

    def test_is_kept_by_taking_it_again(self, connection):
        take(connection, "a")

        assert take(connection, "a", after_ms=900) == 1
        assert take(connection, "b", after_ms=1500) is None

    def test_goes_to_another_at_once_when_given_up(self, connection):
        take(connection, "a")
        leases.give_up(connection, "evaluation", "a", EPOCH_MS + 1)

        assert take(connection, "b", after_ms=1) == 2

    def test_of_one_who_took_it_before_the_clock_was_set_back_is_over(self, connection):
        take(connection, "a", after_ms=leases.LONGEST_MS + 10)

        assert take(connection, "b", after_ms=1010) is None
        assert take(connection, "b") == 2

    def test_is_not_given_up_by_somebody_else(self, connection):
        take(connection, "a")
        leases.give_up(connection, "evaluation", "b", EPOCH_MS)

        assert take(connection, "b") is None
