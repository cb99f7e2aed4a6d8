"""JSON samples as objects: one by one where they differ, and each refused by itself."""

import json

import pytest
from feed_examples import a_row, as_json, plain

from service.errors import UnusableInput
from service.feeds import json_rows
from service.feeds.limits import IngestLimits

LIMITS = IngestLimits()


def parse_items(*items):
    """A batch of samples given as JSON text."""
    return json_rows.parse(b'{"samples": [' + ",".join(items).encode() + b"]}", LIMITS)


def text(**changes):
    return json.dumps(a_row(**changes))


class TestParse:
    def test_takes_samples_with_different_fields(self):
        parsed = json_rows.parse(as_json([a_row(), a_row(port="m2", in_errors=3), a_row(port="m3", mac=None)]), LIMITS)

        assert [row.get("in_errors") for row in plain(parsed)] == [None, 3, None]

    def test_takes_a_batch_of_nothing(self):
        assert len(parse_items().samples) == 0

    def test_takes_nulls_as_unknown(self):
        (row,) = plain(parse_items(json.dumps(a_row() | {"in_octets": None, "speed_bps": None, "mac": None})))

        assert "in_octets" not in row
        assert row["speed_bps"] == 0

    @pytest.mark.parametrize(("written", "octets"), [("4257.0", 4257), ("4257.00", 4257), ("4.257e3", 4257), ("-0", 0)])
    def test_takes_a_whole_number_however_it_is_written(self, written, octets):
        # JSON Schema 2020-12, 4.2.3 and 6.1.1: a number with a zero fraction is an integer.
        (row,) = plain(parse_items(text().replace('"in_octets": 1', f'"in_octets": {written}')))

        assert row["in_octets"] == octets

    @pytest.mark.parametrize(
        ("written", "says"),
        [
            ("NaN", "send null"),
            ("Infinity", "send null"),
            ("-Infinity", "send null"),
            ("1e999", "send null"),
            ("1.5", "whole number"),
            ("9007199254740994.0", "whole number that a float holds exactly"),
            ("1.8446744073709552e19", "whole number that a float holds exactly"),
            ("-1", "less than 0"),
            (str(2**64), "more than"),
            ("1" + "0" * 5000, "send null"),
            ('"5"', "without quotes"),
            ("true", "neither a number nor a text"),
            ("[1]", "neither a number nor a text"),
            ('{"a": 1}', "neither a number nor a text"),
        ],
    )
    def test_refuses_one_sample_whose_number_is_none(self, written, says):
        bad = text(port="m2").replace('"in_octets": 1', f'"in_octets": {written}')
        parsed = parse_items(text(), bad, text(port="m3"))

        assert parsed.index.tolist() == [0, 2]
        assert [(reject.index, reject.column) for reject in parsed.rejects] == [(1, "in_octets")]
        assert says in parsed.rejects[0].reason

    @pytest.mark.parametrize("first", [True, False])
    def test_refuses_one_sample_that_gives_a_name_twice(self, first):
        # RFC 8259 section 4: what a reader makes of a name given twice is unpredictable.
        twice = text(port="m2")[:-1] + ', "in_octets": 7}'
        parsed = parse_items(*([twice, text()] if first else [text(), twice]))

        assert len(parsed.samples) == 1
        assert "gives 'in_octets' twice" in parsed.rejects[0].reason

    @pytest.mark.parametrize(
        ("item", "says"),
        [
            ("5", "is no object"),
            ("null", "is no object"),
            ("[]", "is no object"),
            ("{}", "'time' is missing"),
            (text(device=None), "'device' is missing"),
            (text(in_octets=None, out_octets=None), "no column of traffic"),
            (text(in_octet=5), "'in_octet' is unknown"),
            (text(device=7), "put it in quotes"),
            (text(device="\ud800"), "is no name"),
            (text(time=-1), "before 1970"),
            (text(time=1e300), "divide by 1000"),
            (text(time=True), "neither"),
        ],
    )
    def test_refuses_one_item_that_is_no_sample(self, item, says):
        parsed = parse_items(text(), item, text(port="m3"))

        assert parsed.index.tolist() == [0, 2]
        assert says in parsed.rejects[0].reason

    def test_carries_fields_that_are_the_senders_own(self):
        assert parse_items(text(x_rack={"row": [7]})).rejects == ()

    def test_is_not_fooled_by_a_name_that_looks_like_json(self):
        parsed = parse_items(text(device='sm","port":"m9'), text(device='a\\":'))

        assert [name.device for name in parsed.ports] == ['sm","port":"m9', 'a\\":']

    @pytest.mark.parametrize(
        "body",
        [
            b"[]",
            b"5",
            b'"samples"',
            b"{}",
            b'{"samples": 5}',
            b'{"samples": {}}',
            b'{"samples": [], "more": 1}',
            b'{"samples": [], "samples": []}',
            b'{"samples": [',
            b'{"samples": [{"time": "\xff"}]}',
            b'{"samples": []} {"samples": []}',
        ],
    )
    def test_refuses_a_body_that_is_no_batch(self, body):
        with pytest.raises(UnusableInput) as refusal:
            json_rows.parse(body, LIMITS)
        assert refusal.value.remedy

    def test_names_the_repeated_one_of_very_many_fields_at_once(self):
        # Comparing each with each would take hours.
        many = ", ".join(f'"x_{number}": 0' for number in range(300_000))
        parsed = parse_items(text(), "{" + many + ', "x_7": 1}')

        assert "gives 'x_7' twice" in parsed.rejects[0].reason

    def test_refuses_a_sample_with_more_fields_than_anyone_needs(self):
        parsed = parse_items(text(), text(**{f"x_{number}": 0 for number in range(200)}), text(**{"x_" + "y" * 254: 1}))

        assert [reject.index for reject in parsed.rejects] == [1, 2]
