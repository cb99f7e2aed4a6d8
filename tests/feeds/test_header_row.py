import pytest

from service.feeds.header_row import unusable, values_of


class TestValuesOf:
    @pytest.mark.parametrize(
        ("line", "values"),
        # RFC 4180 section 2: a quote within a quoted value is doubled, spaces count, an empty line has no values.
        [('a,"b,""c""", d', ["a", 'b,"c"', " d"]), ("", []), ('a,"b', None), ('"a"b', None)],
    )
    def test_are_those_of_a_row_or_none(self, line, values):
        assert values_of(line) == values


class TestUnusable:
    @pytest.mark.parametrize(
        ("names", "told"),
        [
            (("port", "device"), ""),
            (("device", "prot"), "has a column that is not known here, 'prot'"),
            (("device", "port", "port"), "has the column port twice"),
            (("device", "team"), "lacks the column port"),
        ],
    )
    def test_says_what_is_wrong_with_a_header(self, names, told):
        assert unusable(names, ("device", "port", "team"), ("device", "port")) == told
