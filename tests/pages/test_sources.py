"""The page of sources: who is not heard is said before all else; the list goes on, and is searched."""

import re

import numpy as np
import pytest
from examples import EPOCH_MS
from sqlalchemy import update
from storage_examples import a_polling
from web_examples import asked

from service.pages import site
from service.storage import agents, inventory, tables
from service.terms import PortName

NOW_MS = EPOCH_MS + 5_000
SMUGGLED = "<img src=x onerror=1>"


@pytest.fixture
def http(sqlite_engine):
    http = asked(sqlite_engine, now_ms=lambda: NOW_MS)
    site.add(http.app)
    return http


@pytest.fixture
def hear(sqlite_engine):
    """Makes so many sources heard just now."""

    def heard(count):
        with sqlite_engine.begin() as connection:
            names = [PortName(f"sw-{k:04}", "m1", "front") for k in range(count)]
            inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
            ids = np.arange(1, count + 1, dtype=np.int32)
            inventory.note_samples(connection, ids, np.full(count, EPOCH_MS, dtype=np.int64), EPOCH_MS)
            connection.execute(update(tables.devices).values(interval_ms=10_000))

    return heard


def devices(text):
    return re.findall(r'<th scope="row">([^<]*)</th>', text)


class TestSources:
    def test_says_that_none_is_known(self, http):
        text = http.get("/sources").text

        assert "No source is to be heard." in text
        assert "No source is known yet" in text

    def test_says_before_all_else_who_is_not_heard_and_since_when(self, http, hear, sqlite_engine):
        hear(3)
        with sqlite_engine.begin() as connection:
            inventory.note_device(connection, 2, silent_since_ms=EPOCH_MS)

        text = http.get("/sources").text

        assert "Not seen: 1 of 3 sources are silent" in text
        assert devices(text) == ["sw-0001", "sw-0000", "sw-0002"]
        assert "<strong>silent</strong> since <time" in text

    def test_says_that_all_are_heard(self, http, hear):
        hear(3)

        assert "Findings are possible for 3 of 3 sources: all are heard." in http.get("/sources").text

    def test_says_what_is_to_be_minded_of_polling(self, http, hear, sqlite_engine):
        hear(2)
        with sqlite_engine.begin() as connection:
            slow = a_polling("sw-0000", version="2c", clear_text=True, stretched_ms=40_000, trouble=SMUGGLED)
            agents.note(connection, [slow])

        text = http.get("/sources").text

        assert "Polled every 40 s instead of 10 s." in text
        assert "Polled in clear text, version 2c." in text
        assert "<img" not in text

    def test_goes_on_after_a_hundred_and_keeps_what_was_sought(self, http, hear):
        hear(150)
        first = http.get("/sources", params={"words": "W-0"}).text
        further = re.search(r'<a href="(/sources\?[^"]+)">More sources', first)[1].replace("&amp;", "&")
        rest = http.get(further).text

        assert devices(first) + devices(rest) == [f"sw-{k:04}" for k in range(150)]
        assert "More sources" not in rest
        assert 'value="W-0"' in rest

    def test_finds_by_parts_of_names(self, http, hear):
        hear(12)

        assert devices(http.get("/sources", params={"words": "sw 11"}).text) == ["sw-0011"]
        assert "No such source" in http.get("/sources", params={"words": 'x"<'}).text

    def test_refuses_a_cursor_of_another_list(self, http, hear):
        hear(1)

        assert http.get("/sources", params={"cursor": "WyJhIl0"}).status_code == 400
