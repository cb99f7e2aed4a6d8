import numpy as np
import pytest
from examples import GIGABIT, a_layout, facts_of, samples_of

from service.numerics.intervals import intervals
from service.numerics.repeats import without_repeats
from service.numerics.windows import member_windows
from service.terms import EGRESS, Facts, Form, Span

LOAD = 75_000_000  # octets a second: 60 % of 1 Gbit/s


def polled(poll_s, refresh_s, until_s=300, ports=2, per_second=LOAD):
    """What a poller sees of an agent that refreshes its counters every `refresh_s`."""
    return samples_of(
        [
            {"port": port, "at": at, "out_octets": (at // refresh_s) * refresh_s * per_second // (port + 1)}
            for port in range(ports)
            for at in range(0, until_s + 1, poll_s)
        ]
    )


def shown(samples):
    windows = member_windows(intervals(samples, facts_of()), facts_of(), 2, Span(0, 10))
    return windows.utilisation[0, :, EGRESS]


class TestWithoutRepeats:
    def test_makes_a_steady_load_of_a_saw_tooth(self):
        samples = polled(10, 20, per_second=LOAD // 2)
        kept, refresh_ms = without_repeats(samples, a_layout(2))

        assert refresh_ms.tolist() == [20_000]
        assert shown(samples)[:4].tolist() == pytest.approx([0.2, 0.4, 0.2, 0.4])
        assert shown(kept)[1:-1].tolist() == pytest.approx([0.3] * 8)

    def test_finds_a_load_that_the_repeats_made_implausible(self):
        # 60 % refreshed every 20 s is 120 % in every second interval of 10 s.
        samples = polled(10, 20)

        assert np.isnan(shown(samples)[1])
        assert shown(without_repeats(samples, a_layout(2)).samples)[1:-1].tolist() == pytest.approx([0.6] * 8)

    def test_finds_a_refresh_that_is_no_whole_number_of_polls(self):
        kept, refresh_ms = without_repeats(polled(10, 25, until_s=600), a_layout(2))

        assert refresh_ms[0] == pytest.approx(25_000, abs=3_000)
        assert len(kept) < len(polled(10, 25, until_s=600))

    def test_leaves_an_agent_alone_that_refreshes_as_often_as_it_is_polled(self):
        samples = polled(10, 10)
        kept, refresh_ms = without_repeats(samples, a_layout(2))

        assert kept is samples
        assert refresh_ms.tolist() == [0]

    def test_leaves_an_idle_device_alone(self):
        samples = polled(10, 20, per_second=0)

        assert without_repeats(samples, a_layout(2)).samples is samples

    def test_takes_no_keepalive_for_a_refresh(self):
        # 128 octets every 30 s on an idle link.
        samples = polled(10, 30, per_second=4)

        assert without_repeats(samples, a_layout(2)).samples is samples

    def test_needs_all_ports_of_the_device_to_move_together(self):
        samples = polled(10, 20)
        samples.counters[np.flatnonzero(samples.port == 1), 0] = np.arange(31, dtype=np.uint64) * 10_000_000

        assert without_repeats(samples, a_layout(2)).refresh_ms.tolist() == [0]

    @pytest.mark.parametrize("still", [[5], [20, 25], [18, 22, 27], [18, 19, 20, 26, 29], list(range(19, 25))])
    def test_takes_no_pauses_of_the_load_for_a_refresh(self, still):
        samples = polled(10, 10)
        grown = np.cumsum([0 if poll in still else LOAD * 10 for poll in range(31)])
        samples.counters[:, 0] = np.concatenate([grown, grown])

        assert without_repeats(samples, a_layout(2)).samples is samples

    def test_needs_twelve_polls(self):
        assert without_repeats(polled(10, 20, until_s=100), a_layout(2)).refresh_ms.tolist() == [0]

    def test_keeps_a_silence_longer_than_a_refresh(self):
        samples = polled(10, 20, until_s=600)
        quiet = (samples.at_ms >= 200_000) & (samples.at_ms < 400_000)
        samples.counters[quiet, 0] = samples.counters[np.flatnonzero(quiet)[0], 0]
        kept, refresh_ms = without_repeats(samples, a_layout(2))

        assert refresh_ms[0] == 20_000
        assert np.count_nonzero((kept.at_ms > 240_000) & (kept.at_ms < 380_000)) > 20

    def test_takes_an_average_that_comes_again_for_a_value(self):
        samples = polled(10, 20)
        rates = facts_of(Facts(speed_bps=GIGABIT, form=Form.RATE))

        assert without_repeats(samples, a_layout(2), facts_of()).refresh_ms.tolist() == [20_000]
        assert without_repeats(samples, a_layout(2), rates).samples is samples
