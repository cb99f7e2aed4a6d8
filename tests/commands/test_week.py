import csv
import io
import json

import pytest
from weekly_examples import TO_MS, before, days

from service.storage import database, inventory, team_days
from service.terms import PortName

UNTIL = ("--until", "2025-12-01")


@pytest.fixture
def kept(settings_file):
    engine = database.open(f"sqlite:///{settings_file.parent}/lopside.sqlite")
    database.upgrade(engine)
    with engine.begin() as connection:
        names = [PortName(f"sm-0{number}", port, "front") for number in range(1, 6) for port in ("m1", "m2")]
        inventory.resolve(connection, names, feed="push", now_ms=TO_MS)
        team_days.write(connection, [*days(), *before()], TO_MS)
    engine.dispose()


@pytest.mark.usefixtures("kept")
class TestWeek:
    def test_tells_the_week_as_text(self, lopside):
        told = lopside("week", *UNTIL).output

        assert told.startswith("The week of the teams: 2025-11-24 to 2025-11-30, whole days in UTC\n")
        assert "34.3 Gbit/s·h in 6.0 h." in told
        assert "120 %" in told

    def test_tells_the_same_figures_in_all_forms(self, lopside):
        text = lopside("week", *UNTIL).output
        figures = json.loads(lopside("week", *UNTIL, "--format", "json").output)["figures"]
        rows = csv.DictReader(io.StringIO(lopside("week", *UNTIL, "--format", "csv").output))

        assert [row["words"].lstrip("'") for row in rows] == [one["words"] for one in figures]
        assert all(one["words"] in text for one in figures)

    def test_writes_a_pdf(self, lopside, tmp_path):
        lopside("week", *UNTIL, "--format", "pdf", "--output", tmp_path / "week.pdf")

        assert (tmp_path / "week.pdf").read_bytes().startswith(b"%PDF-")

    def test_writes_no_pdf_to_a_terminal(self, lopside):
        assert lopside("week", "--format", "pdf").exit_code == 2
