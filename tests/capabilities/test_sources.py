"""Sources that go blind, and who may read along: told within three polls, and before any finding."""

from __future__ import annotations

import numpy as np
import pytest
from capabilities.readings import START_S, a_reading
from evaluation.rounds import Rounds
from storage_examples import a_polling
from web_examples import asked

from service.evaluation.listening import Listener
from service.pages import site
from service.storage import agents, events
from service.storage.database import reading

DEVICES = tuple(f"sm-{k:02}" for k in range(1, 25))
STOPPED = ("sm-05", "sm-11", "sm-19")
POLL_S = 10
LOOK_S = 3  # how often the service looks who is heard


def served(engine, **told):
    """A client of the service with its pages."""
    http = asked(engine, **told)
    site.add(http.app)
    return http


class TestInt4ThreeOfTwentyFour:
    """24 sources send every 10 s; three stop after 10:05:00, and come back at 10:10:00."""

    STOP_S, BACK_S = 300, 600

    @pytest.fixture
    def rounds(self, engine):
        self.clock_s = 0
        self.rounds = Rounds(engine)
        self.listener = Listener(engine, self.rounds.policy.waits_ms)
        self.http = served(engine, now_ms=lambda: (START_S + self.clock_s) * 1000)
        return self.rounds

    def walk(self, end_s, devices):
        """Simulated time goes on: what is polled is pushed, looked at and evaluated as the service does."""
        for now_s in range(self.clock_s + 1, end_s + 1):
            self.clock_s = now_s
            if now_s % POLL_S == 0:
                every = [
                    a_reading(now_s, port, device=device, out_octets=now_s)
                    for device in devices
                    for port in ("m1", "m2")
                ]
                self.rounds.push(every, now_s)
            if now_s % LOOK_S == 0:
                self.listener.listen((START_S + now_s) * 1000)
            if now_s % 30 == 0:
                self.rounds.run(now_s)

    def told(self):
        return self.http.get("/readyz").json()["cannot_see"], self.http.get("/").text

    def kinds(self, engine):
        with reading(engine) as connection:
            kept = (kept.event for kept in events.listing(connection, limit=500).items)
            return sorted((event.kind, event.device) for event in kept)

    def test_is_told_within_three_polls_and_taken_back_when_they_are_heard(self, rounds, engine):
        self.walk(self.STOP_S, DEVICES)
        assert self.told()[0] == []

        # The third poll after the last sample is due at 30 s and missed at 35 s; somebody looks within 3 s of that.
        self.walk(self.STOP_S + 3 * POLL_S + 5 + LOOK_S, set(DEVICES) - set(STOPPED))
        cannot_see, page = self.told()

        assert cannot_see == [
            "3 of 24 sources are silent: nothing is known of their teams meanwhile; findings are possible for 21 of 24"
        ]
        assert "Not seen: 3 of 24 sources are silent" in page
        assert "Findings are possible for 21 of 24 sources only" in page
        assert page.index("Not seen") < page.index("Open findings")
        silent = self.http.get("/v1/sources", params={"state": "silent"}).json()["items"]
        assert [(one["device"], one["silent_since_at"]) for one in silent] == [
            (device, "2026-11-25T10:05:00Z") for device in STOPPED
        ]

        self.walk(self.BACK_S - 1, set(DEVICES) - set(STOPPED))
        self.walk(self.BACK_S + LOOK_S, DEVICES)

        assert self.told()[0] == []
        assert "All 24 sources are heard" in self.told()[1]
        assert self.kinds(engine) == sorted((kind, device) for kind in ("silent", "heard-again") for device in STOPPED)


class TestTru5Polled:
    def test_a_device_that_never_answered_is_silent_and_not_left_out(self, sqlite_engine):
        with sqlite_engine.begin() as connection:
            agents.note(connection, [a_polling("sm-30", failures=9, trouble="no answer within 1 s")])
        http = served(sqlite_engine)

        [source] = http.get("/v1/sources").json()["items"]

        assert (source["state"], source["polling"]["trouble"]) == ("never", "no answer within 1 s")
        assert "Findings are possible for 0 of 1 sources only" in http.get("/").text


class TestTru5PortsReadOneAfterTheOther:
    """Two teams of one device are read 40 ms apart, as requests of their own: that is no interval of 40 ms."""

    def test_are_no_silence(self, engine):
        rounds = Rounds(engine)
        told = [
            a_reading(at + 0.04 * number, f"{team}{port}", team=team, out_octets=at)
            for at in np.arange(0, 601, 10).tolist()
            for number, team in enumerate(("front", "store"))
            for port in (1, 2)
        ]
        rounds.walk(told, 600)

        with reading(engine) as connection:
            assert events.listing(connection, kind="silent").items == ()
        [source] = asked(engine).get("/v1/sources").json()["items"]
        assert source["interval_seconds"] == 10


class TestSec1ClearText:
    def test_is_marked_on_the_page_and_where_sources_are_listed(self, sqlite_engine):
        with sqlite_engine.begin() as connection:
            agents.note(connection, [a_polling("sm-30"), a_polling("sm-31", version="2c", clear_text=True)])
        http = served(sqlite_engine)

        listed = {one["device"]: one["polling"] for one in http.get("/v1/sources").json()["items"]}

        assert [listed[device]["clear_text"] for device in ("sm-30", "sm-31")] == [False, True]
        assert "Polled in clear text: 1" in http.get("/").text
        assert "sm-31: SNMP version 2c" in http.get("/").text
