"""What is told to people and programs, and what is never told."""

from __future__ import annotations

import base64
import json
import re
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from receivers import SECRET
from walks.road import road
from walks.traffic import polls

from service.webhooks.envelope import example_body

SAMPLES = polls((6, (0.92, 0.02)), (6, (0.47, 0.47)))
END_S = 12 * 60


@pytest.fixture
def over(sqlite_engine):
    """A road walked from a raise to its end."""
    with road(sqlite_engine) as way:
        way.walk(SAMPLES, step_s=60, end_s=END_S)
        way.work(END_S + 90)
        yield way


class TestSec2Secrets:
    def test_of_a_route_are_in_no_message_and_in_no_answer(self, over):
        paths = [
            "/",
            "/metrics",
            "/v1/findings",
            "/v1/deliveries",
            "/v1/sources",
            "/healthz",
            "/readyz",
            "/openapi.json",
        ]
        (finding,) = over.http.get("/v1/findings").json()["items"]
        said = [over.http.get(path).text for path in (*paths, f"/v1/findings/{finding['id']}")]
        said += [heard.body.decode() for heard in over.receiver.heard]
        place = urlsplit(over.receiver.url()).path

        assert len(over.receiver.heard) == 2
        for secret in (SECRET.decode(), base64.b64encode(SECRET).decode(), place):
            assert len(secret) > 1
            assert not [text for text in said if secret in text]


class TestOnc3Timeline:
    def test_tells_raise_and_clear_with_the_figures_of_their_moment(self, over):
        (finding,) = over.http.get("/v1/findings").json()["items"]
        story = over.http.get(f"/v1/findings/{finding['id']}").json()

        lines = {line["what"]: line["text"] for line in story["history"]}
        assert list(lines) == ["raised", "cleared"]
        assert "m1 at 92 %, m2 at 2 %" in lines["raised"]
        assert "hot for 6 min, at most 92 % on m1" in lines["cleared"]
        assert (story["peak_port"], round(story["peak"], 4)) == ("m1", 0.92)


class TestNot5Readable:
    def test_has_all_that_matters_in_its_first_120_letters(self, over):
        text = json.loads(over.receiver.heard[0].body)["data"]["text"]

        assert len(text) <= 900
        for told in ("sm-07", "front", "egress", "m1", "92 %", "m2", "2 %", "90 s"):
            assert told in text[:120]


class TestInt2SampleBody:
    def test_of_the_readme_is_what_would_be_sent(self):
        readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")

        assert re.findall(r"```json\n(\{\n.*?\n\})\n```", readme, flags=re.DOTALL)[-1] == example_body("raised")
