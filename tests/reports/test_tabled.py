import csv
import io

from report_examples import a_paper

from service.reports.tabled import COLUMNS, comma_separated

BOUNDS = "2025-11-24T00:00:00Z", "2025-12-01T00:00:00Z"


def rows(octets):
    """Read by the standard library's reader of RFC 4180."""
    return list(csv.DictReader(io.StringIO(octets.decode(), newline="")))


class TestCommaSeparated:
    def test_holds_a_row_for_each_figure(self):
        told = rows(comma_separated(a_paper(), BOUNDS))

        assert tuple(told[0]) == COLUMNS
        assert [row["part"] for row in told] == ["figures"] * 6 + ["stranded"] * 2
        assert {row["to"] for row in told} == {"2025-12-01T00:00:00Z"}

    def test_holds_the_number_whole_beside_its_words(self):
        stranded = rows(comma_separated(a_paper(), BOUNDS, "https://lopside.example"))[6]

        assert (stranded["value"], stranded["unit"]) == ("34.26", "Gbit/s·h")
        assert stranded["words"] == "34.3 Gbit/s·h"
        assert stranded["windows"] == "https://lopside.example/teams/1?direction=egress"

    def test_leaves_what_is_not_known_empty(self):
        unknown = rows(comma_separated(a_paper(), BOUNDS))[7]

        assert (unknown["value"], unknown["words"]) == ("", "unknown")

    def test_holds_no_formula(self):
        """Source: the OWASP page on CSV injection: a cell must not begin with =, +, - or @."""
        assert rows(comma_separated(a_paper(), BOUNDS))[6]["about"] == "'=sw-01 front"
