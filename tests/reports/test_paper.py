from report_examples import a_paper


class TestNumbers:
    def test_names_what_each_figure_is_about(self):
        told = [(part, about, name, cell.number) for part, about, name, cell in a_paper().numbers()]

        assert told[0] == ("figures", "week", "figure 0", 0)
        assert told[6:] == [("stranded", "=sw-01 front", "Stranded", 34.26), ("stranded", "=sw-01 front", "Hot", None)]

    def test_leaves_out_no_table(self):
        assert [sheet.key for sheet in a_paper().sheets] == ["stranded", "losing"]
