"""ADM-3: history is judged by other rules, the differences are listed, and nothing is sent or written."""

import json

import pytest
from click.testing import CliRunner
from replay_examples import DAY_MS, MIDNIGHT_MS, Episode, a_file, a_past
from storage_examples import counts

from service import app, ingest
from service.cli import cli
from service.evaluation import Evaluator, Policy
from service.feeds.limits import IngestLimits
from service.storage import database
from service.terms import Rule
from service.webhooks.routes import Route

DAYS = 7
# Two a day: five at 78 % beside 25 %, which 80 and 20 % pass over, and nine at 92 % beside 5 %. One lies over midnight.
MILD = {1, 4, 6, 9, 12}
EPISODES = tuple(
    Episode(300 + 720 * k + (0 if k != 3 else 520), 30, 0, (0.78, 0.25) if k in MILD else (0.92, 0.05))
    for k in range(14)
)


@pytest.fixture(scope="module")
def past():
    return a_past(*EPISODES, hours=24 * DAYS, start_ms=MIDNIGHT_MS - DAYS * DAY_MS)


@pytest.fixture(scope="module")
def folder(tmp_path_factory, past):
    folder = tmp_path_factory.mktemp("week")
    a_file(folder / "week.csv", past)
    (folder / "settings.toml").write_text(f'[database]\nurl = "sqlite:///{folder}/lopside.sqlite"\n')
    return folder


def replayed(folder, *words):
    rules = ("--rule", "hot_above=0.8", "--rule", "idle_below=0.2")
    settings = ("--settings", str(folder / "settings.toml"))
    result = CliRunner().invoke(cli, ["replay", *settings, *map(str, words), *rules, "--json"], catch_exceptions=False)
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


class TestAdm3OtherRules:
    def test_seven_days_have_14_findings_at_75_and_30_and_9_at_80_and_20(self, folder):
        told = replayed(folder, folder / "week.csv")

        assert (told["present"]["findings"], told["tried"]["findings"]) == (14, 9)
        gone = [one["present"] for one in told["differences"] if one["what"] == "only-present"]
        assert len(gone) == 5
        assert all(0.75 < one["peak"] < 0.80 for one in gone)
        assert not [one for one in told["differences"] if one["what"] == "only-tried"]

    def test_the_database_answers_the_same_and_nothing_is_sent_or_written(self, folder, past, monkeypatch):
        engine = database.open(f"sqlite:///{folder}/lopside.sqlite")
        database.upgrade(engine)
        now_ms = int(past.samples.at_ms.max()) + 120_000
        ingest.keep(engine, past, feed="push", now_ms=now_ms, limits=IngestLimits(retention_ms=10 * DAY_MS))
        route = Route("pager", "http://127.0.0.1:9/")
        Evaluator(engine, Policy(lambda _device, _team: Rule()), [route]).run(now_ms)
        before = counts(engine)
        monkeypatch.setattr(app, "now_ms", lambda: now_ms, raising=False)

        told = replayed(folder)

        assert (before["findings"], before["deliveries"] > 0) == (14, True)
        assert told["differences"] == replayed(folder, folder / "week.csv")["differences"]
        assert counts(engine) == before
        engine.dispose()
