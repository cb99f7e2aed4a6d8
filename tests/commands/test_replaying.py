import json

import pytest
from replay_examples import MIDNIGHT_MS, Episode, a_file, a_past

from service import app, ingest
from service.evaluation import Evaluator, Policy
from service.feeds.limits import IngestLimits
from service.settings.reading import read
from service.terms import Rule

EPISODES = (Episode(100, 60), Episode(10, 20, 3, (0.78, 0.25)), Episode(150, 30, 2, (0.3, 0.85)))
START_MS = MIDNIGHT_MS + 22 * 3_600_000
AT_80_20 = ("--rule", "hot_above=0.8", "--rule", "idle_below=0.2")


@pytest.fixture(scope="module")
def past():
    return a_past(*EPISODES, teams=4, hours=4, start_ms=START_MS)


@pytest.fixture
def file(tmp_path, past):
    return a_file(tmp_path / "counters.csv", past)


def differences(result):
    return json.loads(result.stdout)["differences"]


class TestReplay:
    def test_lists_what_differs_and_says_that_nothing_was_sent(self, lopside, settings_file, file):
        result = lopside("replay", file, *AT_80_20)

        assert result.exit_code == 0
        assert "present rules: 3 findings, hot above 75 %, idle below 30 %, 3 of 4 windows of 30 s" in result.stdout
        assert "rules tried:   2 findings, hot above 80 %, idle below 20 %" in result.stdout
        assert "Raised by the present rules only: 1\n  sm-01, team team3, egress" in result.stdout
        assert result.stdout.endswith("Nothing was sent, and nothing written.\n")

    def test_tells_programs_the_same(self, lopside, settings_file, file):
        told = json.loads(lopside("replay", file, *AT_80_20, "--json").stdout)

        assert (told["present"]["findings"], told["tried"]["findings"]) == (3, 2)
        assert told["tried"]["rule"]["hot_above"] == 0.8
        [gone] = [one for one in told["differences"] if one["what"] == "only-present"]
        assert (gone["team"], gone["present"]["kind"], gone["tried"]) == ("team3", "uneven", None)

    def test_answers_alike_on_archives_by_one_process_and_by_two(self, lopside, settings_file, file, tmp_path):
        lopside("archive", tmp_path / "archive", file, "--parts", "5")

        of_file = lopside("replay", file, *AT_80_20, "--json")
        alone = lopside("replay", tmp_path / "archive", *AT_80_20, "--json")
        together = lopside("replay", tmp_path / "archive", *AT_80_20, "--json", "--workers", "2")

        assert differences(of_file) == differences(alone) == differences(together)
        assert json.loads(alone.stdout) == json.loads(together.stdout)

    def test_answers_alike_on_the_database(self, lopside, settings_file, file, past, monkeypatch):
        now_ms = int(past.samples.at_ms.max()) + 120_000
        engine = app.database_of(read(settings_file))
        ingest.keep(engine, past, feed="push", now_ms=now_ms, limits=IngestLimits())
        Evaluator(engine, Policy(lambda _device, _team: Rule())).run(now_ms)
        monkeypatch.setattr(app, "now_ms", lambda: now_ms, raising=False)

        windows = lopside("replay", *AT_80_20, "--json")
        samples = lopside(
            "replay", *AT_80_20, "--against", "coverage_min=0.7", "--from", "2026-11-25T21:00:00Z", "--json"
        )

        assert json.loads(windows.stdout)["source"] == "the database, its windows"
        assert json.loads(samples.stdout)["source"] == "the database, its samples"
        assert differences(lopside("replay", file, *AT_80_20, "--json")) == differences(windows) == differences(samples)

    def test_says_when_the_database_keeps_no_samples_of_that_time(self, lopside, settings_file, file, past):
        ingest.keep(
            app.database_of(read(settings_file)),
            past,
            feed="push",
            now_ms=int(past.samples.at_ms.max()),
            limits=IngestLimits(),
        )

        result = lopside("replay", "--rule", "window_seconds=60", "--from", "2026-01-01T00:00:00Z")

        assert result.exit_code == 2
        assert "samples are kept for 48 h only; begin later, or replay archives" in result.stderr

    def test_keeps_to_a_time_and_to_devices(self, lopside, settings_file, file):
        early = lopside("replay", file, *AT_80_20, "--to", "2026-11-25T23:00:00Z", "--json")
        one = lopside("replay", file, *AT_80_20, "--device", "sm-00", "--json")

        assert json.loads(early.stdout)["present"]["findings"] == 1
        assert json.loads(one.stdout)["teams"] == 2

    def test_compares_with_other_rules_than_those_of_the_settings(self, lopside, settings_file, file):
        told = json.loads(
            lopside("replay", file, "--rule", "raise_windows=4", "--against", "hot_above=0.8", "--json").stdout
        )

        assert told["present"]["rule"]["hot_above"] == told["tried"]["rule"]["hot_above"] == 0.8
        assert (told["present"]["rule"]["raise_windows"], told["tried"]["rule"]["raise_windows"]) == (3, 4)

    def test_leaves_alone_what_a_team_has_of_its_own(self, lopside, settings_file, file):
        own = (
            '\n[[teams]]\ndevice = "sm-01"\nteam = "team3"\nhot_above = 0.76\nset_by = "R. Umber"\nbecause = "backup"\n'
        )
        settings_file.write_text(settings_file.read_text() + own)

        told = json.loads(lopside("replay", file, "--rule", "hot_above=0.8", "--json").stdout)

        assert not [one for one in told["differences"] if one["team"] == "team3"]

    @pytest.mark.parametrize(
        ("words", "why"),
        [
            (["--rule", "hot_above=0.6"], "each must lie below the next"),
            (["--rule", "hot_above=80"], "80 % is 0.8"),
            (["--rule", "hot=0.8"], "is not NAME=VALUE with one of hot_above"),
            (["--rule", "hot_above=0.8", "--from", "yesterday"], "--from: is no instant"),
            (["--rule", "hot_above=0.8", "--from", "2027-01-01T00:00:00Z"], "there is no sample within that time"),
            (["--rule", "hot_above=0.8", "--device", "sm-99"], "there is no team to judge"),
            (["--rule", "hot_above=0.8", "--dask", "tcp://192.0.2.1:8786"], "clear text is for loopback only"),
            ([], "Missing option '--rule'"),
        ],
    )
    def test_refuses_in_a_line_that_says_what_would_do(self, lopside, settings_file, file, words, why):
        result = lopside("replay", file, *words)

        assert result.exit_code == 2
        assert why in result.stderr.replace("\n", " ")
        assert "Traceback" not in result.stderr

    def test_refuses_several_processes_for_the_database(self, lopside, settings_file):
        result = lopside("replay", "--rule", "hot_above=0.8", "--workers", "2")

        assert result.exit_code == 2
        assert "for several write archives first: lopside archive" in result.stderr

    def test_names_lines_that_could_not_be_used(self, lopside, settings_file, file):
        file.write_text(file.read_text() + "nonsense\n")

        assert "line" in lopside("replay", file, *AT_80_20).stderr
