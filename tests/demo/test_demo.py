"""The demo as it is shown: the whole day through HTTP, database, evaluation and webhook. What is asked is its own."""

from __future__ import annotations

import base64
import json
from collections import Counter
from datetime import UTC, datetime
from typing import NamedTuple

import numpy as np
import pytest
from demo.assessed import assessed
from standardwebhooks import Webhook

from service.demo import narration
from service.demo.exchange import MEMBERS, position_of
from service.demo.player import Played
from service.demo.plots import END_MS, START_MS, monday, tuesday
from service.demo.scenario import SEED
from service.demo.show import perform
from service.demo.stage import Stage, stage
from service.storage import inventory, windows
from service.storage.database import reading
from service.terms import EGRESS

LATENESS_MS = 90_000  # of a pushed sample: the last windows before the end are not decided yet


class Shown(NamedTuple):
    theatre: Stage
    played: Played
    lines: list[str]


@pytest.fixture(scope="module")
def shown():
    lines: list[str] = []
    with stage(0) as theatre:
        yield Shown(theatre, perform(theatre, SEED, lines.append), lines)


def asked(shown, path: str) -> dict:
    answer = shown.theatre.http.get(path)
    assert answer.status_code == 200, answer.text
    return answer.json()


def utilisations(shown, device: str, team: str, start_ms: int, end_ms: int) -> np.ndarray:
    """Egress utilisation of the members in decided windows, shape (n_members, n_windows)."""
    with reading(shown.theatre.parts.engine) as connection:
        team_id = inventory.team_named(connection, device, team)
        return windows.read(connection, team_id, start_ms, end_ms).members.utilisation[..., EGRESS]


class TestOpenList:
    def test_holds_exactly_sm_07_front_egress_at_02_31(self, shown):
        found = asked(shown, "/v1/findings?state=open")["items"]

        assert [(f["device"], f["team"], f["direction"], f["kind"], f["severity"]) for f in found] == [
            ("sm-07", "front", "egress", "uneven", "minor")
        ]

    def test_shows_92_beside_2_percent_and_an_even_split_of_47(self, shown):
        (finding,) = asked(shown, "/v1/findings?state=open")["items"]

        assert finding["peak"] == pytest.approx(0.92, abs=0.01)
        assert finding["even_split"] == pytest.approx(0.47, abs=0.01)
        # RFC 7424's mean utilisation and the busiest share: 2 G x 0.47 / 0.92.
        assert finding["usable_bps"] == pytest.approx(1.02e9, rel=0.01)

    def test_leaves_sm_12_store_as_recent(self, shown):
        found = asked(shown, "/v1/findings?state=cleared")["items"]

        assert [(f["device"], f["team"], f["kind"], f["raised_at"], f["cleared_at"]) for f in found] == [
            ("sm-12", "store", "full", "2026-06-01T13:01:30Z", "2026-06-01T15:05:00Z")
        ]

    def test_is_what_the_same_samples_give_at_once(self, shown, day):
        at_once = assessed(day, (END_MS - LATENESS_MS) // 30_000 * 30_000)

        kept = narration.all_findings(shown.theatre.parts.engine)
        assert sorted(kept, key=lambda f: f.device) == sorted(at_once.findings, key=lambda f: f.device)


class TestMessages:
    def test_are_one_a_change_of_state(self, shown):
        told = [json.loads(message.body)["data"] for message in shown.theatre.receiver.messages]

        assert [(data["finding"]["device"], data["what"]) for data in told] == [
            ("sm-12", "raised"),
            ("sm-12", "cleared"),
            ("sm-07", "raised"),
            ("sm-07", "severity"),
        ]

    def test_are_signed_as_the_reference_library_signs_them(self, shown):
        secret = "whsec_" + base64.b64encode(shown.theatre.receiver.route.secrets[0]).decode()
        for message in shown.theatre.receiver.messages:
            told = {name.lower(): value for name, value in message.headers.items()}
            at = datetime.fromtimestamp(int(told["webhook-timestamp"]), UTC)

            assert told["webhook-signature"] == Webhook(secret).sign(message.id, at, message.body.decode())
            assert message.refused == ""


class TestData:
    def test_is_taken_whole(self, shown, day):
        assert shown.played.pushed.accepted == len(day.between(START_MS - 1, END_MS))
        assert shown.played.pushed.rejected == shown.played.pushed.duplicates == 0

    def test_pushed_twice_is_all_duplicates(self, shown):
        repeated = shown.played.repeated

        assert repeated.duplicates > 7000
        assert repeated.accepted == repeated.rejected == 0

    def test_has_one_silent_source(self, shown):
        sources = asked(shown, "/v1/sources")["items"]

        silent = [(source["device"], source["silent_since_at"]) for source in sources if source["silent_since_at"]]
        assert silent == [("uw-06", "2026-06-02T02:05:00Z")]
        assert len(sources) == 24

    def test_notes_the_silence_and_the_clock_and_nothing_else(self, shown):
        noted = Counter((event.kind, event.device) for event in narration.all_events(shown.theatre.parts.engine))

        assert noted == {("silent", "uw-06"): 1, ("clock-offset", "sm-02"): 1}

    def test_keeps_80_percent_at_80_through_32_bit_wraps(self, shown):
        minute = utilisations(shown, "sm-14", "front", monday(11, 40), monday(11, 41))

        assert minute == pytest.approx(np.full((2, 2), 0.8), abs=1e-9)

    def test_keeps_the_hour_of_the_uptime_rollover_whole(self, shown):
        hour = utilisations(shown, "sm-16", "store", monday(9), monday(10))

        assert np.isfinite(hour).all()

    def test_places_the_windows_of_a_clock_that_is_25_s_ahead(self, shown, day):
        start_ms, end_ms = monday(12), monday(18)
        first, last = (start_ms - START_MS) // 10_000, (end_ms - START_MS) // 10_000
        port = MEMBERS * position_of("sm-02", "store")
        true = day.traffic.wire[port, EGRESS, first:last].reshape(-1, 3).mean(axis=1)

        told = utilisations(shown, "sm-02", "store", start_ms, end_ms)[0]
        # Right to within the quarter of a second from reading to arrival; one window off is 20 times worse.
        assert np.abs(told - true).mean() < 0.1 * np.abs(told[1:] - true[:-1]).mean()

    def test_knows_nothing_of_uw_06_once_it_is_silent(self, shown):
        after = utilisations(shown, "uw-06", "front", tuesday(2, 6), tuesday(2, 29))

        assert np.isnan(after).all()


class TestNarration:
    def test_says_that_data_is_invented_and_that_it_only_advises(self, shown):
        assert "invented" in shown.lines[0]
        assert "Advice only" in shown.lines[0]
        assert shown.theatre.address in shown.lines[0]

    def test_says_each_change_and_message_once_in_order(self, shown):
        told = [line.split()[2] for line in shown.lines if line[:3] in ("Mon", "Tue")]

        assert Counter(told) == {"raised": 2, "cleared": 1, "severity": 1, "message": 4, "data": 2}

    def test_ends_with_how_things_stand(self, shown):
        assert "sm-07, team front, egress: uneven, minor, raised Tue 02:15:30" in shown.lines[-1]
        assert "4, of which 4 with a good signature" in shown.lines[-1]
