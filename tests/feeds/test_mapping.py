"""Mappings: what must be said, and that nothing is guessed."""

from dataclasses import replace

import pytest
from exports import a_long_mapping, a_wide_mapping

from service.feeds.mapping import Mapping, Series, refusal


class TestRefusal:
    @pytest.mark.parametrize("mapping", [a_long_mapping(), a_wide_mapping()], ids=["long", "wide"])
    def test_is_none_where_all_is_said(self, mapping):
        assert refusal(mapping) is None

    @pytest.mark.parametrize(
        ("key", "value"),
        [
            ("unit", ""),
            ("unit", "kb/s"),
            ("unit", "octets"),
            ("form", "gauge"),
            ("stamped", "middle"),
            ("vantage", "far"),
            ("decimal", "'"),
            ("kilo", 1023),
            ("delimiter", ""),
            ("delimiter", ";;"),
            ("delimiter", '"'),
            ("delimiter", "."),
            ("skip_lines", -1),
            ("time_column", ""),
            ("interval_s", 0),
            ("interval_s", 3601),
            ("time_format", "%H:%M:%S"),
            ("time_format", "%d.%m.%Y"),
            ("time_format", "%d.%m.%Y %Q"),
            ("zone", "Mars/Olympus"),
            ("device", "sm-07"),
            ("team", "front"),
            ("port_column", ""),
            ("time_column", "sent"),
        ],
    )
    def test_names_the_key_and_what_would_do(self, key, value):
        found = refusal(a_long_mapping(**{key: value}))

        assert found.key == key
        assert found.why
        assert found.remedy

    def test_demands_a_column_of_traffic(self):
        assert refusal(a_long_mapping(in_column="", out_column="")).key == "out_column"
        assert refusal(a_long_mapping(in_column="")) is None

    @pytest.mark.parametrize("seconds", ["%Y-%m-%d %H:%M:%S", "%d/%m/%y %I:%M:%S %p", "%Y-%m-%dT%H:%M:%S.%f%z"])
    def test_takes_formats_that_tell_a_moment(self, seconds):
        assert refusal(a_long_mapping(time_format=seconds)) is None

    @pytest.mark.parametrize("interval_s", [60, 300, 3600])
    def test_takes_minutes_where_rows_are_whole_minutes_apart(self, interval_s):
        assert refusal(a_long_mapping(time_format="%Y-%m-%d %H:%M", interval_s=interval_s)) is None

    @pytest.mark.parametrize("interval_s", [1, 20, 30, 59, 90])
    def test_refuses_minutes_where_rows_begin_within_them(self, interval_s):
        found = refusal(a_long_mapping(time_format="%Y-%m-%d %H:%M", interval_s=interval_s))

        assert found.key == "time_format"
        assert f"rows {interval_s} s apart" in found.why
        assert "%S" in found.remedy

    @pytest.mark.parametrize(
        ("changes", "key"),
        [
            ({"device": ""}, "device"),
            ({"port_column": "nic"}, "port_column"),
            ({"in_column": "got"}, "in_column"),
            ({"device": " sm-07"}, "device"),
            ({"series": (Series("a", "m1", "out"),)}, "series.0.direction"),
            ({"series": (Series("a", "", "egress"),)}, "series.0.port"),
            ({"series": (Series("a", "m1", "egress"), Series("a", "m2", "egress"))}, "series"),
            ({"series": (Series("a", "m1", "egress"), Series("b", "m1", "egress"))}, "series"),
            ({"series": (Series("a", "m1", "egress", 10**9), Series("b", "m1", "ingress", 10**10))}, "series.1.port"),
        ],
    )
    def test_refuses_a_wide_mapping_that_contradicts_itself(self, changes, key):
        assert refusal(replace(a_wide_mapping(), **changes)).key == key

    @pytest.mark.parametrize("other", [{"speed_bps": 10**10}, {"team": "store"}], ids=["speed", "team"])
    @pytest.mark.parametrize("devices", [("sm-07", ""), ("", "sm-07")], ids=["named first", "named second"])
    def test_refuses_a_port_that_contradicts_itself_where_only_one_direction_names_the_device(self, devices, other):
        said = {"speed_bps": 10**9, "team": "front"}
        one, two = Series("a", "m1", "egress", **said), Series("b", "m1", "ingress", **said | other)
        series = (replace(one, device=devices[0]), replace(two, device=devices[1]))

        assert refusal(a_wide_mapping(device="sm-07", series=series)).key == "series.1.port"
        apart = (series[0], replace(series[1], device="sm-08"))
        assert refusal(a_wide_mapping(device="sm-07", series=apart)) is None

    def test_takes_series_with_devices_of_their_own(self):
        series = (Series("a", "m1", "egress", device="sm-07"), Series("b", "m1", "egress", device="sm-08"))

        assert refusal(a_wide_mapping(device="", series=series)) is None


class TestBits:
    """The prefixes are decimal (SI brochure, 9th edition, table 7); 1024 is common practice, no source."""

    @pytest.mark.parametrize(
        ("unit", "kilo", "bits"),
        [
            ("bit/s", 1000, 1),
            ("kbit/s", 1000, 1_000),
            ("Mbit/s", 1000, 1_000_000),
            ("Gbit/s", 1000, 1_000_000_000),
            ("B/s", 1000, 8),
            ("kB/s", 1000, 8_000),
            ("MB/s", 1000, 8_000_000),
            ("kB/s", 1024, 8_192),
            ("MB/s", 1024, 8_388_608),
        ],
    )
    def test_are_those_of_one_unit(self, unit, kilo, bits):
        assert Mapping(unit, "at", 20, kilo=kilo).bits() == bits
