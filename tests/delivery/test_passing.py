"""What nobody took is told to another route: grave findings (by people), messages (by receivers)."""

from collections import Counter
from dataclasses import replace
from datetime import datetime

import pytest
from examples import a_finding

from service import delivery
from service.storage import deliveries, findings, quiet_times
from service.terms import QuietTime, Severity
from service.webhooks import envelope
from service.webhooks.retry import Answer
from service.webhooks.routes import Instead, Route

MINUTE = 60_000
SECOND_LINE = Route("second", "https://second.example/", severities=frozenset())
MAIL = Route("mail", "https://mail.example/", severities=frozenset())
CHAT = Route("chat", "https://chat.example/", unanswered=Instead("second", 15), unheard=Instead("mail", 10))
ROUTES = (CHAT, SECOND_LINE, MAIL)
GRAVE = a_finding(severity=Severity.MAJOR)
AT_MS = GRAVE.raised_ms


def owing(engine, finding=GRAVE, what="raised", at_ms=AT_MS):
    with engine.begin() as connection:
        findings.save(connection, 1, finding)
        delivery.owe(connection, finding, what, ROUTES, at_ms)


def pass_on(engine, minutes):
    return +delivery.pass_on(engine, ROUTES, AT_MS + minutes * MINUTE)


def told(engine, route):
    with engine.connect() as connection:
        return [one for one in deliveries.listing(connection).items if one.route == route]


class TestEscalate:
    def test_tells_the_second_route_once_of_a_grave_finding_that_nobody_took(self, engine):
        owing(engine)

        assert [pass_on(engine, minutes) for minutes in (14, 15, 16, 600)] == [{}, {"escalated": 1}, {}, {}]
        [message] = told(engine, "second")
        text = envelope.event_of(message.body)["data"]["text"]
        assert "92 % for 16 min" in text
        assert "Nobody has taken it." in text.split("\n")[0]

    def test_leaves_a_line_in_the_history(self, engine):
        owing(engine)
        pass_on(engine, 15)

        with engine.connect() as connection:
            [line] = findings.history(connection, GRAVE.id)
        assert (line.what, line.text) == ("escalated", "nobody took it for 15 min: told second")

    @pytest.mark.parametrize("state", ["ack", "shelved", "closed"])
    def test_leaves_alone_what_somebody_took(self, engine, state):
        owing(engine)
        with engine.begin() as connection:
            findings.set_operator(
                connection, GRAVE.id, state, "R. Olin", AT_MS + 600 * MINUTE if state == "shelved" else None
            )

        assert pass_on(engine, 60) == {}

    def test_leaves_alone_what_can_wait_and_what_is_over(self, engine):
        owing(engine, replace(GRAVE, id="f2", severity=Severity.MINOR))
        owing(engine, replace(GRAVE, id="f3", cleared_ms=AT_MS + MINUTE))

        assert pass_on(engine, 60) == {}

    def test_counts_from_when_it_became_grave(self, engine):
        owing(engine, replace(GRAVE, severity=Severity.WARNING))
        graver = replace(GRAVE, updated_ms=AT_MS + 30 * MINUTE)
        owing(engine, graver, "severity", AT_MS + 30 * MINUTE)

        assert pass_on(engine, 44) == {}
        assert pass_on(engine, 45) == Counter(escalated=1)

    def test_waits_while_a_quiet_time_holds_messages(self, engine):
        owing(engine)
        with engine.begin() as connection:
            begins = datetime.fromisoformat("2026-11-25T10:10")
            quiet_times.add(connection, QuietTime("q", begins, 60, devices=("*",), because="work"))

        assert pass_on(engine, 20) == {}
        assert pass_on(engine, 80) == Counter(escalated=1)

    def test_tells_the_second_route_of_the_end_as_well(self, engine):
        owing(engine)
        pass_on(engine, 15)
        owing(engine, replace(GRAVE, cleared_ms=AT_MS + 20 * MINUTE), "cleared", AT_MS + 20 * MINUTE)

        assert [one.what for one in told(engine, "second")] == ["cleared", "escalated"]


class TestAnotherWay:
    def failing(self, engine, minutes, status=500):
        delivery.deliver_due(engine, lambda *_: Answer(status), ROUTES, now_ms=AT_MS + minutes * MINUTE)

    def test_sends_by_mail_what_a_receiver_does_not_take(self, engine):
        owing(engine)
        self.failing(engine, 0)

        assert [pass_on(engine, minutes) for minutes in (9, 10, 11)] == [{}, {"another_way": 1}, {}]
        [message] = told(engine, "mail")
        assert (message.what, message.finding_id) == ("raised", GRAVE.id)

    def test_goes_at_once_where_a_receiver_wants_no_more(self, engine):
        owing(engine)
        self.failing(engine, 0, 410)

        assert pass_on(engine, 0) == Counter(another_way=1)

    def test_leaves_alone_what_was_taken(self, engine):
        owing(engine)
        self.failing(engine, 0, 204)

        assert pass_on(engine, 14) == {}

    def test_is_sent_under_its_own_id_with_the_same_words(self, engine):
        heard = []
        owing(engine)
        self.failing(engine, 0)
        pass_on(engine, 10)

        def send(route, _headers, body):
            heard.append((route.name, envelope.event_of(body.decode())))
            return Answer(204)

        delivery.deliver_due(engine, send, [MAIL], now_ms=AT_MS + 10 * MINUTE)
        [(name, event)] = heard
        [message] = told(engine, "mail")
        assert (name, event["id"]) == ("mail", message.id)
        assert event["subject"] == GRAVE.id
