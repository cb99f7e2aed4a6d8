"""JSON samples one a line: a bad line is refused alone."""

import pytest
from feed_examples import a_row, as_ndjson, plain

from service.feeds import ndjson
from service.feeds.limits import IngestLimits

LIMITS = IngestLimits()
GOOD = as_ndjson([a_row()])


class TestParse:
    def test_counts_lines_from_one(self):
        assert ndjson.parse(GOOD + b"\n" + GOOD + b"\n", LIMITS).index.tolist() == [1, 2]

    def test_skips_blank_lines_and_counts_them(self):
        assert ndjson.parse(GOOD + b"\n\n\r\n" + GOOD, LIMITS).index.tolist() == [1, 4]

    @pytest.mark.parametrize(
        ("line", "says"),
        [
            (b'{"time": 5', "is not JSON"),
            (b"time,device", "is not JSON"),
            (b"\xff\xfe", "is no UTF-8"),
            (b"[" * 100_000, "nested too deeply"),
            (GOOD + GOOD, "is not JSON"),
            (GOOD[:-1] + b', "port": "m9"}', "gives 'port' twice"),
            (GOOD.replace(b": 1,", b": NaN,"), "send null"),
            (b"7", "is no object"),
        ],
    )
    def test_refuses_one_line_and_says_why(self, line, says):
        parsed = ndjson.parse(b"\n".join([GOOD, line, GOOD]), LIMITS)

        assert parsed.index.tolist() == [1, 3]
        assert [reject.index for reject in parsed.rejects] == [2]
        assert says in parsed.rejects[0].reason

    def test_takes_lines_with_different_fields(self):
        parsed = ndjson.parse(as_ndjson([a_row(), a_row(in_errors=4)]), LIMITS)

        assert [row.get("in_errors") for row in plain(parsed)] == [None, 4]
