"""A guided heavy-traffic check: streams are declared, land, are shifted by a change, and are held against counters."""

from __future__ import annotations

import json

import pytest
from examples import EPOCH_MS
from trial_examples import CHANGED_MS, DEVICE, EIGHT, PLAN, TEAM
from web_examples import asked

NOW_MS = EPOCH_MS + 900_000


@pytest.fixture(scope="module")
def found(tmp_path_factory, _sqlite_template):
    """What the service answers once it was pushed the counters, and told when the method was changed."""
    import shutil

    from service.storage import database

    path = tmp_path_factory.mktemp("trial") / "lopside.sqlite"
    shutil.copy(_sqlite_template, path)
    engine = database.open(f"sqlite:///{path}")
    http = asked(engine, now_ms=lambda: NOW_MS)
    assert http.post("/v1/samples", json={"samples": EIGHT.samples()}).json()["rejected"] == []
    change = {"at": "2026-11-25T10:05:03Z", "what": "layer 4", "kind": "method"}
    teams = [{"device": DEVICE, "team": TEAM}]
    assert http.post("/v1/changes", json={**change, "teams": teams}).status_code == 201
    yield http.post("/v1/trials", json=PLAN).json()
    engine.dispose()


class TestLab1HeavyTraffic:
    """Eight TCP streams of 110 Mbit/s on two members of 1 Gbit/s for ten minutes, polled every ten seconds.

    Worked by hand: 110 Mbit/s of payload are 110 x 1518/1448 = 115.3 Mbit/s of frames (MTU 1500, timestamps), eight
    are 922.5; one second without any is 115.3 MB; at least five of eight on one of two is 1 - 70/256 = 72.7 %, no
    seven on one is 1 - 18/256 = 93.0 %: seven take 818 of 750 Mbit/s on the wire, six 701.
    """

    def test_holds_counted_against_offered_within_two_per_cent_after_overhead(self, found):
        count = found["count"]

        assert count["offered_bps"] == pytest.approx(880e6)
        assert count["expected_bps"] == pytest.approx(922.54e6, rel=1e-4)
        assert count["background_bps"] == pytest.approx(4e6, rel=1e-3)
        assert count["ratio"] == pytest.approx(1 - 1 / 590, abs=2e-4)
        assert count["agrees"] is True

    def test_records_which_member_each_stream_landed_on(self, found):
        began = {step["port"]: step["streams"] for step in found["landed"] if step["declared"] == "begin"}

        assert began == {"m1": 5, "m2": 3}
        assert found["seats"] == [{"port": "m1", "streams": 5}, {"port": "m2", "streams": 3}]
        assert found["seats_by"] == "steps"

    def test_takes_the_change_from_the_record_and_times_the_shift_as_finely_as_polls_do(self, found):
        [shift] = found["shifts"]

        assert (shift["change_at"], shift["what"]) == ("2026-11-25T10:05:03Z", "layer 4")
        assert shift["resolution_s"] == 10
        assert shift["seconds"] == pytest.approx(1, abs=10)
        assert {step["port"]: step["streams"] for step in shift["steps"]} == {"m1": -1, "m2": 1}

    def test_tells_the_loss_during_the_shift_in_octets_and_discards(self, found):
        [shift] = found["shifts"]

        assert shift["lost_octets"] == pytest.approx(115.3e6, rel=0.01)
        assert shift["lost_ms"] == pytest.approx(1000, rel=0.01)
        assert shift["discards"] == 75_968

    def test_tells_what_the_odds_had_said(self, found):
        assert found["foretold"]["success"] == pytest.approx(1 - 18 / 256)
        assert found["foretold"]["as_uneven"] == pytest.approx(1 - 70 / 256)
        assert found["foretold"]["most_on_one"] == 5

    def test_cautions(self, found):
        assert any("own" in text and "end" in text for text in found["cautions"])
        assert any("sends no traffic" in text for text in found["cautions"])

    def test_says_that_one_stream_can_never_spread(self, found, tmp_path, lopside):
        (tmp_path / "counters.csv").write_text(EIGHT.csv())

        said = lopside(*TRIAL, "--file", tmp_path / "counters.csv", "--stream", "110M")

        assert "one stream stays on one member" in said.output

    def test_is_the_same_from_files(self, found, tmp_path, lopside):
        (tmp_path / "counters.csv").write_text(EIGHT.csv())
        change = ("--change", "2026-11-25T10:05:03Z")

        said = lopside(*TRIAL, "--file", tmp_path / "counters.csv", "--stream", "8x110M", *change, "--json")

        told = json.loads(said.output)
        assert said.exit_code == 0
        assert told["count"] == found["count"]
        assert told["shifts"][0]["change_ms"] == CHANGED_MS
        for name in ("seconds", "lost_octets", "discards"):
            assert told["shifts"][0][name] == found["shifts"][0][name]


TRIAL = ("trial", f"{DEVICE}/{TEAM}", "--from", "2026-11-25T10:00:00Z", "--for", "10m")


@pytest.fixture
def lopside():
    from click.testing import CliRunner

    from service.cli import cli

    def run(*arguments):
        return CliRunner().invoke(cli, [str(argument) for argument in arguments], catch_exceptions=False)

    return run
