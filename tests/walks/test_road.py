"""From a push to a signed message, to a person, and to the end of the finding; only the two far ends are stand-ins."""

from __future__ import annotations

import json

import pytest
from examples import EPOCH_MS
from walks.road import is_signed
from walks.traffic import polls

SAMPLES = polls((2, (0.30, 0.25)), (8, (0.92, 0.02)), (8, (0.47, 0.47)))
HOT_FROM_S, HOT_UNTIL_S, END_S = 2 * 60, 10 * 60, 18 * 60
LATENESS_S = 90


def messages(way) -> list[dict]:
    return [json.loads(heard.body)["data"] for heard in way.receiver.heard]


def asked(way, path: str) -> dict:
    answer = way.http.get(path)
    assert answer.status_code == 200, answer.text
    return answer.json()


@pytest.fixture
def hot(way):
    """The road walked until the team has been hot for six minutes."""
    way.walk(SAMPLES, step_s=60, end_s=HOT_UNTIL_S - 120)
    return way


@pytest.fixture
def over(hot):
    """The same, taken by a person, and walked on until the load has evened out for long enough."""
    (finding,) = asked(hot, "/v1/findings?state=open")["items"]
    answer = hot.http.post(f"/v1/findings/{finding['id']}/ack", json={"who": "R. Olin", "note": "moving scan-index"})
    assert answer.status_code == 200, answer.text
    hot.walk(SAMPLES, step_s=60, end_s=END_S, begin_s=HOT_UNTIL_S - 120)
    hot.work(END_S + LATENESS_S)
    return hot


class TestRoad:
    def test_leads_from_samples_to_one_finding(self, hot):
        (finding,) = asked(hot, "/v1/findings?state=open")["items"]

        assert (finding["device"], finding["team"], finding["direction"]) == ("sm-07", "front", "egress")
        assert (finding["kind"], finding["severity"]) == ("uneven", "warning")
        # 8 x (1230 + 20) octets x frames over 10^9 bit/s x 10 s: 92 % beside 2 %, and (92 + 2) / 2 evenly split.
        assert finding["peak"] == pytest.approx(0.92)
        assert finding["even_split"] == pytest.approx(0.47)

    def test_raises_at_the_end_of_the_third_hot_window(self, hot):
        (finding,) = asked(hot, "/v1/findings")["items"]

        assert finding["raised_at"] == "2026-11-25T10:03:30Z"
        assert (HOT_FROM_S + 90) * 1000 + EPOCH_MS == 1_795_601_010_000

    def test_leads_on_to_one_signed_message(self, hot):
        (heard,) = hot.receiver.heard

        assert is_signed(heard)
        assert messages(hot)[0]["what"] == "raised"
        assert messages(hot)[0]["text"].startswith(
            "sm-07, team front, egress: member m1 at 92 % for 90 s, member m2 at 2 %"
        )

    def test_says_nothing_more_while_nothing_changes(self, hot):
        hot.work(HOT_UNTIL_S - 120)
        hot.work(HOT_UNTIL_S - 120)

        assert hot.told() == ["raised"]

    def test_ends_with_a_message_once_the_load_has_evened_out(self, over):
        assert over.told() == ["raised", "cleared"]
        assert all(is_signed(heard) for heard in over.receiver.heard)
        assert messages(over)[1]["text"].startswith("sm-07, team front, egress: over.")

    def test_leaves_the_whole_story_in_the_history(self, over):
        (finding,) = asked(over, "/v1/findings?state=cleared")["items"]
        story = asked(over, f"/v1/findings/{finding['id']}")

        assert [line["what"] for line in story["history"]] == ["raised", "ack", "cleared"]
        assert (story["history"][1]["who"], story["history"][1]["text"]) == ("R. Olin", "moving scan-index")
        # Ten calm windows after the last hot one.
        assert story["cleared_at"] == "2026-11-25T10:15:00Z"
        assert [message["state"] for message in story["deliveries"]] == ["taken", "taken"]

    def test_leaves_nothing_open_and_nothing_owed(self, over):
        assert asked(over, "/v1/findings?state=open")["items"] == []
        over.work(END_S + LATENESS_S + 60)
        assert over.told() == ["raised", "cleared"]
