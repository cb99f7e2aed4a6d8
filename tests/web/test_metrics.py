import numpy as np
import pytest
from examples import EPOCH_MS, a_finding
from feed_examples import a_row
from storage_examples import a_polling
from web.test_openmetrics import checked
from web_examples import NOW_MS, a_key, asked

from service.storage import agents, deliveries, findings, inventory
from service.storage.deliveries import Owed
from service.terms import PortName, Severity


@pytest.fixture
def http(engine):
    return asked(engine)


def figures(http):
    answer = http.get("/metrics")
    assert answer.status_code == 200, answer.text
    return checked(answer.text)


def a_team(connection, device="sm-07"):
    [port_id, _] = inventory.resolve(
        connection, [PortName(device, f"m{k}", "front") for k in (1, 2)], feed="push", now_ms=EPOCH_MS
    )
    return port_id, inventory.team_named(connection, device, "front")


class TestMetrics:
    def test_name_their_form_and_version(self, http):
        kind = http.get("/metrics").headers["content-type"]

        # OpenMetrics 1.0, section "Content type".
        assert kind == "application/openmetrics-text; version=1.0.0; charset=utf-8"

    def test_count_samples_by_what_became_of_them(self, http):
        time = "2026-11-25T10:01:00Z"
        batch = {"samples": [a_row(time=time), a_row(time=time, port="m2"), a_row(time=time, port="m2"), {"time": 1}]}
        http.post("/v1/samples", json=batch)

        told = figures(http)

        assert told["lopside_samples_total", 'outcome="accepted"'] == 2
        assert told["lopside_samples_total", 'outcome="duplicate"'] == 1
        assert told["lopside_samples_total", 'outcome="rejected"'] == 1

    def test_count_requests_by_route_and_not_by_what_was_asked(self, http):
        http.get("/v1/findings/f1")
        http.get("/v1/findings/f2")
        http.get("/nowhere/at/all")

        told = figures(http)

        assert told["lopside_requests_total", 'method="GET",route="/v1/findings/{finding_id}",status="404"'] == 2
        assert not any("nowhere" in (labels or "") for _, labels in told)

    def test_count_open_findings_by_severity(self, engine, http):
        with engine.begin() as connection:
            _, team_id = a_team(connection)
            findings.save(connection, team_id, a_finding(severity=Severity.MAJOR))
            findings.save(connection, team_id, a_finding(id="f2", severity=Severity.MINOR, cleared_ms=EPOCH_MS))

        told = figures(http)

        assert told["lopside_findings_open", 'severity="major"'] == 1
        assert told["lopside_findings_open", 'severity="minor"'] == 0

    def test_count_messages_by_state_and_say_how_long_the_oldest_waits(self, engine, http):
        with engine.begin() as connection:
            deliveries.owe(connection, [Owed(f"m{k}", None, "pager", "try", "{}", NOW_MS - 9000 * k) for k in (1, 2)])
            deliveries.given_up(connection, "m2", NOW_MS, "answered 410")

        told = figures(http)

        assert told["lopside_deliveries", 'state="owed"'] == 1
        assert told["lopside_deliveries", 'state="given-up"'] == 1
        assert told["lopside_delivery_waiting_seconds", None] == 9

    def test_tell_the_lag_of_evaluation(self, engine, http):
        with engine.begin() as connection:
            _, team_id = a_team(connection)
            inventory.note_samples(connection, *_newest(connection, NOW_MS), NOW_MS)
            # Due 30 s after it began and 90 s of waiting later, as for every pushed sample.
            inventory.note_decided(connection, [team_id], NOW_MS - 30_000 - 90_000 - 45_000)

        assert figures(http)["lopside_evaluation_lag_seconds", None] == 45

    def test_count_silent_sources(self, engine, http):
        with engine.begin() as connection:
            for device in ("sm-07", "sm-08", "sm-09"):
                a_team(connection, device)
            inventory.note_samples(connection, *_newest(connection, NOW_MS - 60_000), NOW_MS - 60_000)
            inventory.note_device(connection, 2, silent_since_ms=NOW_MS - 60_000)

        told = figures(http)

        assert told["lopside_sources", None] == 3
        assert told["lopside_sources_silent", None] == 1
        assert told["lopside_source_states", 'state="heard"'] == 2
        assert told["lopside_source_states", 'state="never"'] == 0
        assert told["lopside_source_unheard_seconds", None] == 60

    def test_tell_of_polls_where_any_are_made(self, engine, http):
        assert ("lopside_polls_total", None) not in figures(http)
        with engine.begin() as connection:
            polled = a_polling("sm-30", polls=100, lost=7, stretched_ms=15_000)
            agents.note(connection, [polled, a_polling("sm-31", polls=50, lost=50, version="2c", clear_text=True)])

        told = figures(http)

        assert (told["lopside_polls_total", None], told["lopside_polls_lost_total", None]) == (150, 57)
        assert told["lopside_sources_stretched", None] == 1
        assert told["lopside_sources_clear_text", None] == 1
        assert told["lopside_source_states", 'state="never"'] == 2
        assert told["lopside_source_unheard_seconds", None] == 0

    def test_are_not_for_everybody(self, engine):
        http = asked(engine, open_on_loopback=False)

        assert http.get("/metrics").status_code == 401
        assert http.get("/metrics", headers=a_key(engine, "feed")).status_code == 403
        assert http.get("/metrics", headers=a_key(engine, "view")).status_code == 200


def _newest(connection, at_ms):
    known = inventory.devices(connection).items
    return np.array([device.id for device in known], dtype=np.int32), np.full(len(known), at_ms, dtype=np.int64)
