import math
from urllib.parse import parse_qs, urlsplit

import pytest
from weekly_examples import a_day, a_week, before

from service.reports.printed import pdf
from service.reports.weekly import paper


@pytest.fixture
def told():
    return paper(a_week())


def texts(sheet):
    return [[cell.text for cell in row] for row in sheet.rows]


class TestPaper:
    def test_has_six_figures_three_sentences_and_one_table(self, told):
        assert (len(told.figures), len(told.sentences)) == (6, 3)
        assert told.table.key == "stranded"

    def test_says_what_matters(self, told):
        assert told.sentences[0] == (
            "58.3 Gbit/s·h of capacity lay stranded, most of it at sm-01 front, egress: 34.3 Gbit/s·h in 6.0 h."
        )
        assert told.sentences[1] == (
            "One team could not have carried the busiest hour with a member less;"
            " sm-04 front, egress would have been at 120 %."
        )
        assert told.sentences[2].startswith(
            "The even split of sm-04 front, egress changes by +1.46 points a week"
            " and would cross 70 % in about 16 weeks (between "
        )
        assert "weak: 6 points" in told.sentences[2]

    def test_counts_in_six_figures(self, told):
        assert [figure.cell.text for figure in told.figures] == ["4", "26 %", "58.3 Gbit/s·h", "2", "1", "1"]

    def test_names_the_mismatched_method_first(self, told):
        assert texts(told.further[2])[0][:3] == ["layer4-tuple", "none", "1"]
        assert "needs a matching bundle" in texts(told.further[2])[0][3]

    def test_leads_every_figure_of_a_team_to_its_windows(self, told):
        for part, _, name, cell in told.numbers():
            if part in {"stranded", "losing"} or name == "This week":
                address = urlsplit(cell.place)
                assert address.path.startswith("/teams/")
                assert set(parse_qs(address.query)) == {"zoom", "until"}

    def test_is_the_same_for_the_same_week(self, told):
        assert paper(a_week()) == told
        assert pdf(paper(a_week())) == pdf(told)

    def test_says_that_nothing_is_known_of_a_week_without_days(self):
        empty = paper(a_week(days=[], before=[], named={}))

        assert empty.sentences[0] == "No day of any team was summed up in this week, so that nothing is known of it."
        assert [figure.cell.text for figure in empty.figures[1:5]] == ["unknown"] * 4
        assert pdf(empty)

    def test_says_when_nothing_is_amiss(self):
        calm = paper(a_week(days=[a_day(1)], before=[]))

        assert calm.sentences == (
            "No team left 1 Gbit/s·h or more stranded.",
            "Every team that was seen could have carried its busiest hour with a member less.",
            "Where the even split is heading is unknown: fewer than three weeks are kept.",
        )

    @pytest.mark.parametrize(
        ("now", "sentence"),
        [
            (0.10, "The even split of none of the fullest teams rises towards its hot line."),
            (0.71, "The even split of sm-04 front, egress is already above 70 %."),
        ],
    )
    def test_dates_no_crossing_that_is_past_or_never(self, now, sentence):
        assert paper(a_week(days=[a_day(4, even_p95=now)], before=before())).sentences[2] == sentence

    def test_knows_a_team_of_one_member_without_a_number(self):
        lone = paper(a_week(days=[a_day(1, speeds_bps=(10e9,))]))

        assert texts(lone.further[0])[0][3] == "more than there would be"
        assert pdf(lone)

    def test_bounds_its_tables_and_says_so(self):
        full = [a_day(number, busy_bps=12e9, stranded_bit_seconds=4e12 * number) for number in range(1, 25)]
        many = paper(a_week(days=full))

        assert len(many.table.rows) == 10
        assert many.table.note.endswith("The first 10 of 24.")
        assert not any(cell.number is not None and math.isnan(cell.number) for _, _, _, cell in many.numbers())
