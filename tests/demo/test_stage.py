from __future__ import annotations

import socket
from pathlib import Path

from service.demo.plots import START_MS
from service.demo.stage import stage


class TestStage:
    def test_answers_on_another_port_where_the_wanted_one_is_taken(self):
        with socket.create_server(("127.0.0.1", 0)) as taken, stage(taken.getsockname()[1]) as theatre:
            assert not theatre.address.endswith(f":{taken.getsockname()[1]}")
            assert theatre.http.get("/healthz").status_code == 200

    def test_begins_at_the_first_sample_with_nothing_known(self):
        with stage(0) as theatre:
            assert theatre.clock.now_ms() == START_MS
            assert theatre.http.get("/v1/teams").json()["items"] == []

    def test_leaves_nothing_behind(self):
        with stage(0) as theatre:
            database = theatre.parts.engine.url.database

        assert not Path(database).parent.exists()
