"""What is told of news, without a browser."""

from __future__ import annotations

import asyncio

import pytest
from sqlalchemy import insert, update
from web_examples import NOW_MS, asked

from service.errors import Overloaded
from service.pages import live, news, site
from service.pages.watching import Watcher
from service.storage import tables
from service.web.services import Services


@pytest.fixture
def team_id(sqlite_engine):
    with sqlite_engine.begin() as connection:
        device = {"id": 1, "name": "sm-01", "feed": "push", "created_ms": NOW_MS}
        connection.execute(insert(tables.devices).values(device))
        team = {"id": 7, "device_id": 1, "name": "front", "created_ms": NOW_MS, "decided_ms": NOW_MS}
        connection.execute(insert(tables.teams).values(team))
    return 7


def decide(engine, at_ms):
    with engine.begin() as connection:
        connection.execute(update(tables.teams).values(decided_ms=at_ms))


def watcher_of(engine, most=500):
    return Watcher(Services(engine=engine, now_ms=lambda: NOW_MS), most)


class TestTopics:
    @pytest.mark.parametrize("topic", [*sorted(news.LISTS), "team:1", "lab:2", "finding:f-1", "change:c_1"])
    def test_are_those_that_pages_are_about(self, topic, connection):
        assert news.is_topic(topic)
        assert set(news.states(connection, [topic], NOW_MS)) == {topic}

    @pytest.mark.parametrize(
        "topic", ["", "team", "team:0", "team:x", "finding:", "keys", "team:1;", "team:" + "9" * 30]
    )
    def test_are_nothing_else(self, topic):
        assert not news.is_topic(topic)


class TestWatcher:
    def test_wakes_whom_it_concerns_and_nobody_without_news(self, sqlite_engine, team_id):
        async def run():
            watcher = watcher_of(sqlite_engine)
            with watcher.viewing(f"team:{team_id}") as here, watcher.viewing("team:8") as other:
                await watcher.look()
                await watcher.look()
                assert not here.is_set()
                decide(sqlite_engine, NOW_MS + 30_000)
                await watcher.look()
                assert here.is_set()
                assert not other.is_set()
                watcher.end()

        asyncio.run(run())

    def test_refuses_more_than_it_has_room_for(self, sqlite_engine):
        async def run():
            watcher = watcher_of(sqlite_engine, 1)
            watcher.refuse_many()
            with watcher.viewing("teams"), pytest.raises(Overloaded):
                watcher.refuse_many()
            watcher.refuse_many()
            watcher.end()

        asyncio.run(run())


class TestLive:
    def client(self, engine):
        client = asked(engine)
        site.add(client.app)
        return client

    def test_refuses_what_no_page_is_about(self, sqlite_engine):
        assert self.client(sqlite_engine).get("/live?watch=keys").status_code == 400

    def test_says_the_type_of_the_standard_and_when_to_try_again(self, sqlite_engine):
        client = self.client(sqlite_engine)
        client.app.state.watcher.end()  # so that the stream ends at once
        answer = client.get("/live?watch=teams")
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert answer.content == live.RETRY

    def test_has_a_bound(self, sqlite_engine):
        client = self.client(sqlite_engine)
        client.app.state.watcher = watcher_of(sqlite_engine, 0)
        assert client.get("/live?watch=teams").status_code == 503
