import re

import pytest

from service.web.openmetrics import Family, written

# From the ABNF of the OpenMetrics 1.0 specification (section "ABNF"), written as regular expressions.
NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
TEXT = r'(?:[^"\\\n]|\\["\\n])*'
LABEL = rf'[a-zA-Z_][a-zA-Z0-9_]*="{TEXT}"'
NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
TYPE = re.compile(rf"# TYPE ({NAME}) (counter|gauge)")
UNIT = re.compile(rf"# UNIT ({NAME}) ([a-z]+)")
HELP = re.compile(rf"# HELP ({NAME}) ({TEXT})")
SAMPLE = re.compile(rf"({NAME})(?:\{{({LABEL}(?:,{LABEL})*)?\}})? ({NUMBER})")


def checked(text):
    """The samples of an exposition, by name and labels, after every line has been held against the rules."""
    assert text.endswith("# EOF\n")
    assert text.count("# EOF") == 1
    found, families, kind, current = {}, set(), "", ""
    for line in text.removesuffix("# EOF\n").splitlines():
        if told := TYPE.fullmatch(line):
            current, kind = told[1], told[2]
            assert current not in families, "a family comes in one piece"
            families.add(current)
        elif told := UNIT.fullmatch(line):
            assert told[1] == current
            assert current.endswith(f"_{told[2]}"), "a name ends in its unit"
        elif told := HELP.fullmatch(line):
            assert told[1] == current
        else:
            sample = SAMPLE.fullmatch(line)
            assert sample, line
            assert sample[1] == (f"{current}_total" if kind == "counter" else current)
            assert (sample[1], sample[2]) not in found, "a figure is told once"
            assert kind == "gauge" or float(sample[3]) >= 0
            found[sample[1], sample[2]] = float(sample[3])
    return found


class TestWritten:
    def test_is_an_end_where_there_is_nothing(self):
        assert written([]) == "# EOF\n"

    def test_ends_a_counter_in_total(self):
        family = Family("lopside_samples", "counter", "Samples.", {(("outcome", "accepted"),): 3})

        assert 'lopside_samples_total{outcome="accepted"} 3\n' in written([family])

    def test_tells_a_unit_that_ends_the_name(self):
        family = Family("lopside_lag", "gauge", "Lag.", {(): 1.5}, unit="seconds")

        assert checked(written([family])) == {("lopside_lag_seconds", None): 1.5}
        assert "# UNIT lopside_lag_seconds seconds\n" in written([family])

    @pytest.mark.parametrize("text", ['a"b', "a\\b", "a\nb", "a{b} 1", ""])
    def test_keeps_foreign_text_within_its_quotes(self, text):
        family = Family("lopside_x", "gauge", "X.", {(("place", text),): 1})

        [(name, _labels)] = checked(written([family]))

        assert name == "lopside_x"

    def test_keeps_whole_numbers_whole(self):
        assert "lopside_x 9007199254740993\n" in written([Family("lopside_x", "gauge", "X.", {(): 2**53 + 1})])

    @pytest.mark.parametrize(
        "broken",
        [
            "lopside_x 1\n",
            "# TYPE a gauge\na 1\n# EOF\n# EOF\n",
            "# TYPE a counter\na 1\n# EOF\n",
            "# TYPE a_s gauge\n# UNIT a_s seconds\na_s 1\n# EOF\n",
            '# TYPE a gauge\na{b="c\nd"} 1\n# EOF\n',
            "# TYPE a gauge\na 1\n# TYPE b gauge\nb 1\n# TYPE a gauge\na 2\n# EOF\n",
        ],
    )
    def test_is_held_against_rules_that_can_fail(self, broken):
        with pytest.raises(AssertionError):
            checked(broken)
