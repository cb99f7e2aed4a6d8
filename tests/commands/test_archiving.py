import pandas as pd
from replay_examples import DAY_MS, MIDNIGHT_MS, a_file, a_past

from service import app, ingest
from service.feeds.limits import IngestLimits
from service.settings.reading import read

START_MS = MIDNIGHT_MS + 22 * 3_600_000


class TestArchive:
    def test_writes_files_once(self, lopside, settings_file, tmp_path):
        file = a_file(tmp_path / "counters.csv", a_past(teams=2, hours=4, start_ms=START_MS))

        first = lopside("archive", tmp_path / "archive", file)
        second = lopside("archive", tmp_path / "archive", file)

        assert first.stdout.endswith("archive: 2 archives written with 1,924 samples, 0 there already\n")
        assert second.stdout.endswith("archive: 0 archives written with 0 samples, 2 there already\n")
        # Outside check: pandas counts the rows.
        assert sum(len(pd.read_parquet(path)) for path in (tmp_path / "archive").glob("*/*.parquet")) == 1924

    def test_writes_days_of_the_database_that_are_over(self, lopside, settings_file, tmp_path, monkeypatch):
        past = a_past(teams=2, hours=4, start_ms=START_MS)
        now_ms = MIDNIGHT_MS + DAY_MS + 3 * 3_600_000
        ingest.keep(app.database_of(read(settings_file)), past, feed="push", now_ms=now_ms, limits=IngestLimits())
        monkeypatch.setattr(app, "now_ms", lambda: now_ms, raising=False)

        result = lopside("archive", tmp_path / "archive")

        assert "1 archives written with 960 samples" in result.stdout  # of 22:00 up to midnight, 240 a port
        assert [path.name for path in (tmp_path / "archive").iterdir()] == ["2026-11-25"]

    def test_refuses_a_folder_where_there_is_a_file(self, lopside, settings_file, tmp_path):
        file = a_file(tmp_path / "counters.csv", a_past(hours=0.1))

        assert lopside("archive", file, file).exit_code == 2
