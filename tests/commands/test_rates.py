import click
import pytest

from service.commands.rates import Items, ItemsOfARate, Rate, rate_of


class TestRateOf:
    @pytest.mark.parametrize(
        ("text", "bps"),
        [("430M", 430e6), ("1.5g", 1.5e9), ("64k", 64e3), ("10Gbit/s", 10e9), ("7", 7), ("0", 0), ("1T", 1e12)],
    )
    def test_reads_units(self, text, bps):
        assert rate_of(text) == bps

    @pytest.mark.parametrize("text", ["", "M", "-1M", "1e6", "1,5M", "4q", "1MB", "٣M", "1" * 16])
    def test_reads_nothing_else(self, text):
        assert rate_of(text) is None


class TestRate:
    def test_leaves_numbers_as_they_are(self):
        assert Rate().convert(10**9, None, None) == 1e9


class TestItemsOfARate:
    @pytest.mark.parametrize(
        ("text", "items"),
        [("430M", Items(1, 430e6, 0)), ("8x53.75M@2", Items(8, 53.75e6, 2)), ("24x40M", Items(24, 40e6, 0))],
    )
    def test_reads_count_and_link(self, text, items):
        assert ItemsOfARate().convert(text, None, None) == items

    @pytest.mark.parametrize("text", ["", "0x1M", "513x1M", "1M@0", "1M@", "x1M", "1M@1@2"])
    def test_refuses_what_is_none(self, text):
        with pytest.raises(click.BadParameter):
            ItemsOfARate().convert(text, None, None)
