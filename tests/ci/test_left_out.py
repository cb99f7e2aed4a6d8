import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("left_out", Path(__file__).parents[2] / ".ci" / "left_out.py")
left_out = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(left_out)

RAN = '<testcase classname="a" name="b"/>'
SKIPPED = '<testcase classname="a" name="c"><skipped type="pytest.skip" message="no PostgreSQL here"/></testcase>'


@pytest.fixture
def report(tmp_path):
    def written(*cases):
        file = tmp_path / "tests.xml"
        file.write_text(f"<testsuites><testsuite>{''.join(cases)}</testsuite></testsuites>")
        return str(file)

    return written


class TestMain:
    def test_is_content_where_every_test_ran(self, report):
        assert left_out.main(report(RAN, RAN)) == 0

    def test_names_a_test_that_was_skipped_with_its_reason(self, report, capsys):
        assert left_out.main(report(RAN, SKIPPED)) == 1
        assert capsys.readouterr().err == "left out: a::c: no PostgreSQL here\n"

    def test_lets_a_test_be_skipped_for_a_listed_reason(self, report, monkeypatch):
        monkeypatch.setitem(left_out.MAY_SKIP, "^no PostgreSQL", "not on this machine")

        assert left_out.main(report(RAN, SKIPPED)) == 0

    def test_is_not_content_where_no_test_ran(self, report, monkeypatch):
        monkeypatch.setitem(left_out.MAY_SKIP, ".", "all")

        assert left_out.main(report()) == 1
        assert left_out.main(report(SKIPPED)) == 1

    def test_is_not_content_without_a_report(self, tmp_path):
        assert left_out.main(str(tmp_path / "none.xml")) == 1


class TestMaySkip:
    def test_gives_a_reason_for_each(self):
        assert all(left_out.MAY_SKIP.values())
