import pytest
from examples import EPOCH_MS, GIGABIT

from service.webhooks import spoken

MINUTE = 60_000
HOUR = 60 * MINUTE


class TestPercent:
    @pytest.mark.parametrize(
        ("share", "said"),
        [
            (0.92, "92 %"),
            (0.9249, "92 %"),
            (0.024, "2.4 %"),
            (0.02, "2 %"),
            (0.0002, "0.02 %"),
            (0.00001, "below 0.01 %"),
            (0.0, "0 %"),
            (0.0997, "10 %"),
            (1.0, "100 %"),
            (1.04, "104 %"),
            (None, "an unknown load"),
            (float("nan"), "an unknown load"),
        ],
    )
    def test_has_two_significant_digits_and_is_never_clamped(self, share, said):
        assert spoken.percent(share) == said


class TestRate:
    @pytest.mark.parametrize(
        ("bits_per_s", "said"),
        [
            (GIGABIT, "1 G"),
            (1_021_739_130, "1.02 G"),
            (730_000_000, "730 M"),
            (2_500_000_000, "2.5 G"),
            (999_999_999, "1 G"),
            (100_000_000_000, "100 G"),
            (3_000, "3 k"),
            (12, "12 bit/s"),
            (0, "0 bit/s"),
        ],
    )
    def test_keeps_three_digits(self, bits_per_s, said):
        assert spoken.rate(bits_per_s) == said


class TestSpeeds:
    @pytest.mark.parametrize(
        ("speeds", "said"),
        [
            ([GIGABIT, GIGABIT], "1 G each"),
            ([10 * GIGABIT, GIGABIT], "1 G and 10 G"),
            ([10 * GIGABIT, 25 * GIGABIT, GIGABIT], "1 G to 25 G"),
            ([GIGABIT], "1 G"),
            ([GIGABIT, 0], "speed unknown"),
            ([], "speed unknown"),
        ],
    )
    def test_say_each_speed_once(self, speeds, said):
        assert spoken.speeds(speeds) == said


class TestLasting:
    @pytest.mark.parametrize(
        ("ms", "said"),
        [
            (90_000, "90 s"),
            (119_999, "119 s"),
            (2 * MINUTE, "2 min"),
            (6 * MINUTE + 30_000, "6 min"),
            (HOUR, "1 h"),
            (103 * MINUTE, "1 h 43 min"),
            (47 * HOUR + 59 * MINUTE, "47 h 59 min"),
            (51 * HOUR, "2 d 3 h"),
            (-5, "0 s"),
        ],
    )
    def test_names_at_most_two_units(self, ms, said):
        assert spoken.lasting(ms) == said


class TestDrops:
    @pytest.mark.parametrize(
        ("ratio", "said"),
        [
            (None, "drops unknown"),
            (0.0, "no drops"),
            (2e-4, "drops 2e-4 of packets"),
            (1.26e-6, "drops 1.3e-6 of packets"),
            (0.012, "drops 1.2 % of packets"),
        ],
    )
    def test_say_unknown_where_nobody_counts(self, ratio, said):
        assert spoken.drops(ratio) == said


class TestClock:
    def test_is_a_time_of_day_on_the_day_of_the_message(self):
        assert spoken.clock(EPOCH_MS, EPOCH_MS + HOUR, "UTC") == "10:00"

    def test_has_its_date_on_another_day(self):
        assert spoken.clock(EPOCH_MS, EPOCH_MS + 14 * HOUR, "UTC") == "25 Nov 10:00"

    def test_takes_the_day_of_the_zone(self):
        # At 10:00Z it is 23:00 in this zone, so two hours later another day began there (IANA time zone database).
        assert spoken.clock(EPOCH_MS, EPOCH_MS + 2 * HOUR, "Pacific/Auckland") == "25 Nov 23:00"
        assert spoken.zone_name(EPOCH_MS, "Pacific/Auckland") == "NZDT"
