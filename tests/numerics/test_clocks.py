import numpy as np
from examples import samples_of

from service.numerics.clocks import offsets

ONE_DEVICE = np.zeros(2, dtype=np.int32)


def heard(late, count=25):
    """Samples of two ports every 30 s, received so many seconds after the time they tell."""
    return samples_of(
        [
            {"port": port, "at": 900 + 30 * k, "received": 900 + 30 * k + late(k)}
            for port in range(2)
            for k in range(count)
        ]
    )


class TestOffsets:
    def test_place_a_fast_clock_on_the_collectors(self):
        assert set(offsets(heard(lambda _: -25), ONE_DEVICE).tolist()) == {-25_000}

    def test_are_none_up_to_five_seconds(self):
        assert not offsets(heard(lambda _: 5), ONE_DEVICE).any()
        assert offsets(heard(lambda _: 5.001), ONE_DEVICE).all()

    def test_are_none_where_nobody_noted_when_samples_came(self):
        assert not offsets(samples_of([{"at": 0}, {"at": 30}]), ONE_DEVICE).any()

    def test_do_not_follow_one_late_sample(self):
        shift_ms = offsets(heard(lambda k: 60 if k == 12 else 0), ONE_DEVICE)

        assert not shift_ms.any()

    def test_do_not_take_a_backlog_for_a_clock(self):
        # All received at once, after ten minutes.
        shift_ms = offsets(heard(lambda k: 750 - 30 * k), ONE_DEVICE)

        assert np.count_nonzero(shift_ms) <= 4

    def test_belong_to_their_device(self):
        samples = heard(lambda _: -25)
        samples.received_ms[samples.port == 1] = samples.at_ms[samples.port == 1]
        shift_ms = offsets(samples, np.array([0, 1], dtype=np.int32))

        assert set(shift_ms[samples.port == 0].tolist()) == {-25_000}
        assert not shift_ms[samples.port == 1].any()
