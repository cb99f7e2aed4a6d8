"""JSON samples as columns."""

import json

import pytest
from feed_examples import TIME, a_row, as_columnar, plain

from service.errors import UnusableInput
from service.feeds import columnar
from service.feeds.limits import IngestLimits

LIMITS = IngestLimits()


def columns(**changes):
    said = {"time": [TIME] * 2, "device": ["sm-07"] * 2, "port": ["m1", "m2"], "in_octets": [1, 2], **changes}
    return json.dumps({"columns": {name: values for name, values in said.items() if values != "out"}}).encode()


class TestParse:
    def test_takes_nulls_as_unknown(self):
        parsed = columnar.parse(columns(in_octets=[None, 2], speed_bps=[None, None], role=[None, "standby"]), LIMITS)

        assert [(row.get("in_octets"), row["role"]) for row in plain(parsed)] == [(None, 0), (2, 2)]

    def test_takes_times_of_both_forms(self):
        parsed = columnar.parse(columns(time=[TIME, 1_795_600_800.0]), LIMITS)

        assert len({row["at_ms"] for row in plain(parsed)}) == 1

    @pytest.mark.parametrize("cell", [-1, 2**64, 1.5, "5", True, [], float("nan")])
    def test_refuses_one_sample_by_its_place(self, cell):
        parsed = columnar.parse(columns(in_octets=[1, cell]), LIMITS)

        assert parsed.index.tolist() == [0]
        assert [(reject.index, reject.column) for reject in parsed.rejects] == [(1, "in_octets")]

    @pytest.mark.parametrize(
        ("body", "says"),
        [
            (columns(device=["sm-07"]), "'device' is no list as long as time's"),
            (columns(in_octets=5), "'in_octets' is no list"),
            (columns(time="now"), "'time' is no list"),
            (columns(device="out"), "'device' is missing"),
            (columns(in_octet=[1, 2]), "'in_octet' is unknown"),
            (b'{"columns": [1]}', "columns is no object"),
            (as_columnar([a_row()]).replace(b'"port":', b'"device":'), "'device' is there twice"),
        ],
    )
    def test_refuses_the_whole_where_columns_do_not_match(self, body, says):
        with pytest.raises(UnusableInput, match=says):
            columnar.parse(body, LIMITS)
