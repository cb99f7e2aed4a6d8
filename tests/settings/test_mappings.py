"""Mappings in the settings: refused with key, line and remedy, and what they become."""

import pytest

from service.errors import ServiceError, WrongSetting
from service.feeds.mapping import Series

LONG = """[[mappings]]
name = "hall-5"
unit = "Mbit/s"
time_column = "at"
interval_s = 30
device_column = "host"
port_column = "port"
out_column = "sent"
"""


class TestMapping:
    def test_becomes_what_the_feed_reads_by(self, settings_of):
        text = LONG.replace('port_column = "port"\nout_column = "sent"', "").replace("device_column", "device")
        series = 'series = [{ column = "a", port = "m1", direction = "egress", speed_bps = 1000000000 }]\n'

        mapping = settings_of(text + series).mapping_of("hall-5")

        assert mapping.series == (Series("a", "m1", "egress", 1_000_000_000),)
        assert (mapping.unit, mapping.interval_ms, mapping.missing) == ("Mbit/s", 30_000, ("",))

    @pytest.mark.parametrize(
        ("text", "says"),
        [
            (LONG.replace('unit = "Mbit/s"\n', ""), "none is guessed"),
            (LONG.replace("Mbit/s", "mbps"), "mappings[0].unit (line 3): 'mbps' is no unit known here"),
            (LONG.replace("Mbit/s", "octets"), "octets are counted and are no rate"),
            (LONG.replace("interval_s = 30\n", ""), "mappings[0].interval_s"),
            (LONG.replace("30", "true"), "true is not a number"),
            (LONG.replace("30", "0"), "rows are not 0 s apart"),
            (LONG + "speed_bps = 1000\n", "a port's speed must lie between"),
            (LONG + 'zone = "Mars"\n', "is no time zone"),
            (LONG + 'colour = "red"\n', "there is no such setting"),
            (LONG + 'series = [{ column = "a", port = "m1", direction = "egress" }]\n', "a mapping is long or wide"),
            (LONG + LONG, "another mapping is called 'hall-5'"),
        ],
    )
    def test_is_refused_with_what_would_do(self, settings_of, text, says):
        with pytest.raises(ServiceError) as refused:
            settings_of(text)

        assert says in str(refused.value)

    def test_is_asked_for_by_a_name_that_is_there(self, settings_of):
        with pytest.raises(
            WrongSetting, match="there is no mapping 'hall-9'; add it, or name one that is there: hall-5"
        ):
            settings_of(LONG).mapping_of("hall-9")
