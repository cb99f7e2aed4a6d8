from datetime import UTC, datetime

import pytest
from examples import EPOCH_MS
from hypothesis import given
from hypothesis import strategies as st

from service.errors import WrongQuestion
from service.web.parameters import milliseconds


class TestMilliseconds:
    @pytest.mark.parametrize(
        ("text", "ms"),
        [
            ("2026-11-25T10:00:00Z", EPOCH_MS),
            ("2026-11-25t10:00:00z", EPOCH_MS),
            ("2026-11-25T11:30:00+01:30", EPOCH_MS),
            ("2026-11-25T04:00:00-06:00", EPOCH_MS),
            ("2026-11-25T10:00:00.25Z", EPOCH_MS + 250),
            ("2026-11-25T10:00:00.2509Z", EPOCH_MS + 250),
            # RFC 3339, section 5.8: a leap second, and the same in another zone.
            ("1990-12-31T23:59:60Z", 662_688_000_000),
            ("1990-12-31T15:59:60-08:00", 662_688_000_000),
            ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130),
        ],
    )
    def test_reads_rfc_3339(self, text, ms):
        assert milliseconds("since", text) == ms

    @given(st.datetimes(timezones=st.just(UTC)))
    def test_agrees_with_the_standard_library(self, at):
        whole = at.replace(microsecond=at.microsecond // 1000 * 1000)

        told = milliseconds("since", whole.isoformat().replace("+00:00", "Z"))

        assert told == (whole - datetime(1970, 1, 1, tzinfo=UTC)) // (datetime.resolution * 1000)

    @pytest.mark.parametrize(
        "text",
        [
            "",
            "now",
            "1795600800",
            "2026-11-25",
            "2026-11-25T10:00:00",
            "2026-11-25 10:00:00Z",
            "2026-13-25T10:00:00Z",
            "2026-11-25T24:00:00Z",
            "2026-11-25T10:00:61Z",
            "2026-11-25T10:00:00+24:00",
            "0000-01-01T00:00:00Z",
            "٢٠٢٦-11-25T10:00:00Z",
            "2026-11-25T10:00:00Z\n",
        ],
    )
    def test_refuses_anything_else_and_names_the_parameter(self, text):
        with pytest.raises(WrongQuestion, match="since"):
            milliseconds("since", text)

    def test_leaves_out_what_was_left_out(self):
        assert milliseconds("since", None) is None
