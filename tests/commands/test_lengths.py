import pytest

from service.commands.lengths import length_ms_of


class TestLengthMsOf:
    @pytest.mark.parametrize(
        ("text", "expected"), [("5m", 300_000), ("300", 300_000), ("90s", 90_000), ("1h", 3_600_000), ("0", 0)]
    )
    def test_reads_seconds_minutes_and_hours(self, text, expected):
        assert length_ms_of(text, "--settle") == expected
