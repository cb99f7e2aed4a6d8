import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import pytest
from examples import EPOCH_MS, a_finding
from receivers import SECRET, listening
from sqlalchemy import select
from standardwebhooks import Webhook
from standardwebhooks.webhooks import WebhookVerificationError

from service import delivery
from service.delivery import CLAIM_MS, Outcome, deliver_due, owe, owed
from service.errors import RefusedAddress, Unreachable
from service.storage import deliveries, tables
from service.terms import Severity
from service.webhooks.client import Client
from service.webhooks.retry import HOUR_MS, Answer
from service.webhooks.routes import Route
from service.webhooks.signature import verify

MINUTE = 60_000
CHAT = Route("chat", "https://chat.example/hook", (SECRET,))
DESK = Route("desk", "https://desk.example/hook", (SECRET,))
RAISED = a_finding()
CLEARED = replace(RAISED, cleared_ms=EPOCH_MS + 17 * MINUTE)
NOW_MS = RAISED.raised_ms


@dataclass
class Posted:
    """A stand-in for the HTTP client: notes what is posted, and answers from a list, the last for ever."""

    answers: list[object] = field(default_factory=lambda: [Answer(204)])
    heard: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)

    def __call__(self, route, headers, body):
        self.heard.append((route.name, dict(headers), body))
        answer = self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]
        if isinstance(answer, BaseException):
            raise answer
        return answer

    @property
    def ids(self):
        return [headers["webhook-id"] for _, headers, _ in self.heard]

    @property
    def whats(self):
        return [json.loads(body)["data"]["what"] for _, _, body in self.heard]


def owing(engine, *changes, routes=(CHAT,), at_ms=NOW_MS):
    with engine.begin() as connection:
        for finding, what in changes:
            owe(connection, finding, what, routes, at_ms)


def told(engine, **filters):
    with engine.connect() as connection:
        return {(one.what, one.route): one for one in deliveries.listing(connection, **filters).items}


def states(engine):
    return {what: one.state for (what, _), one in told(engine).items()}


class TestOwed:
    def test_is_a_message_a_route_that_wants_the_finding(self):
        only_major = replace(DESK, severities=frozenset({"major"}))

        rows = owed(RAISED, "raised", [CHAT, only_major], now_ms=NOW_MS, position=1)

        assert [(row.route, row.what, row.finding_id, row.created_ms) for row in rows] == [
            ("chat", "raised", RAISED.id, NOW_MS)
        ]

    def test_bears_its_id_in_its_body(self):
        (row,) = owed(RAISED, "raised", [CHAT], now_ms=NOW_MS, position=1)

        assert json.loads(row.body)["id"] == row.id

    def test_leads_to_pages_under_the_address_that_its_route_knows(self):
        route = replace(CHAT, pages_at="https://lopside.example.net")

        (row,) = owed(RAISED, "raised", [route], now_ms=NOW_MS, position=1)

        assert json.loads(row.body)["data"]["links"]["chart"].startswith("https://lopside.example.net/findings/")

    def test_has_the_same_ids_again_for_the_same_change_and_others_for_another(self):
        def ids(what="raised", position=1, finding=RAISED):
            return {row.id for row in owed(finding, what, [CHAT, DESK], now_ms=NOW_MS, position=position)}

        assert ids() == ids()
        assert len(ids() | ids("cleared") | ids(position=2) | ids(finding=a_finding(id="f2"))) == 8

    @pytest.mark.parametrize("what", ["kind", "verified", "note"])
    def test_is_nothing_for_what_is_no_news_to_people(self, what):
        assert owed(RAISED, what, [CHAT], now_ms=NOW_MS, position=1) == ()

    @pytest.mark.parametrize("what", sorted(delivery.TOLD))
    def test_speaks_of_each_change_that_is(self, what):
        (row,) = owed(CLEARED, what, [CHAT], now_ms=NOW_MS, position=1)

        assert json.loads(row.body)["type"] == f"lopside.finding.{what}"


class TestOwe:
    def test_owes_nothing_twice(self, engine):
        owing(engine, (RAISED, "raised"))
        owing(engine, (RAISED, "raised"), at_ms=NOW_MS + MINUTE)

        assert told(engine)[("raised", "chat")].created_ms == NOW_MS

    def test_tells_again_of_a_severity_only_where_somebody_is_to_act_now(self, engine):
        minor = replace(RAISED, severity=Severity.MINOR, updated_ms=EPOCH_MS + 15 * MINUTE)
        major = replace(RAISED, severity=Severity.MAJOR, updated_ms=EPOCH_MS + 20 * MINUTE)
        critical = replace(RAISED, severity=Severity.CRITICAL, updated_ms=EPOCH_MS + 25 * MINUTE)
        owing(engine, (RAISED, "raised"), (minor, "severity"), (major, "severity"), (critical, "severity"))
        send = Posted()

        deliver_due(engine, send, [CHAT], now_ms=NOW_MS)

        assert send.whats == ["raised", "severity", "severity"]

    def test_tells_of_a_rise_to_minor_whoever_wants_only_minor_and_has_not_heard(self, engine):
        minor = replace(RAISED, severity=Severity.MINOR, updated_ms=EPOCH_MS + 15 * MINUTE)
        minors = replace(DESK, severities=frozenset({"minor", "major"}))
        owing(engine, (RAISED, "raised"), (minor, "severity"), routes=(CHAT, minors))

        assert sorted(told(engine)) == [("raised", CHAT.name), ("severity", DESK.name)]

    def test_tells_the_end_to_who_heard_the_beginning_whatever_the_finding_became(self, engine):
        warnings = replace(CHAT, severities=frozenset({"warning"}))
        minors = replace(DESK, severities=frozenset({"minor"}))
        ended = replace(CLEARED, severity=Severity.MINOR)

        owing(engine, (RAISED, "raised"), (ended, "cleared"), routes=(warnings, minors))

        assert set(told(engine)) == {("raised", "chat"), ("cleared", "chat")}

    def test_is_undone_with_the_change_it_tells_of(self, engine):
        with engine.connect() as connection:
            owe(connection, RAISED, "raised", [CHAT], NOW_MS)
            connection.rollback()

        assert deliver_due(engine, Posted(), [CHAT], now_ms=NOW_MS) == Outcome()


class TestDeliverDue:
    def test_sends_what_is_owed_once(self, engine):
        owing(engine, (RAISED, "raised"))
        send = Posted()

        assert deliver_due(engine, send, [CHAT], now_ms=NOW_MS) == Outcome(taken=1)
        assert deliver_due(engine, send, [CHAT], now_ms=NOW_MS + HOUR_MS) == Outcome()
        assert len(send.heard) == 1
        assert told(engine)[("raised", "chat")].last_outcome == "answered 204"

    def test_signs_for_the_time_of_sending(self, engine):
        owing(engine, (RAISED, "raised"))
        send = Posted()

        deliver_due(engine, send, [CHAT], now_ms=NOW_MS + HOUR_MS)

        ((_, headers, body),) = send.heard
        assert verify(headers, body, SECRET, NOW_MS + HOUR_MS, tolerance_s=1) == json.loads(body)["id"]
        assert headers["content-type"].startswith("application/cloudevents+json")

    def test_holds_no_transaction_while_a_receiver_answers(self, engine):
        owing(engine, (RAISED, "raised"))

        def send(*_):
            # On SQLite a second writer would wait for the first to end; on both this one gets through at once.
            owing(engine, (a_finding(id="f-other"), "raised"), routes=(DESK,))
            return Answer(200)

        assert deliver_due(engine, send, [CHAT], now_ms=NOW_MS, limit=1) == Outcome(taken=1)

    def test_waits_as_asked_and_keeps_the_id_through_three_attempts(self, engine):
        owing(engine, (RAISED, "raised"))
        send = Posted([Answer(503, "30"), Answer(503, "30"), Answer(200)])

        outcomes = [deliver_due(engine, send, [CHAT], now_ms=NOW_MS + s * 1000) for s in (0, 29, 36, 65, 72, 80)]

        # Each wait of 30 s is stretched by jitter of up to a fifth, never shortened.
        assert outcomes == [
            Outcome(put_off=1),
            Outcome(),
            Outcome(put_off=1),
            Outcome(),
            Outcome(taken=1),
            Outcome(),
        ]
        assert len(send.ids) == 3
        assert len(set(send.ids)) == 1
        assert len({body for _, _, body in send.heard}) == 1

    def test_counts_a_wait_from_the_answer_not_from_the_start_of_the_round(self, engine):
        owing(engine, (RAISED, "raised"))
        deliver_due(engine, Posted([Answer(503, "30", took_ms=14_000)]), [CHAT], now_ms=NOW_MS)

        assert told(engine)[("raised", "chat")].next_attempt_ms >= NOW_MS + 44_000

    def test_says_what_became_of_an_attempt(self, engine):
        owing(engine, (RAISED, "raised"))
        deliver_due(engine, Posted([Answer(503, "30")]), [CHAT], now_ms=NOW_MS)

        assert told(engine)[("raised", "chat")].last_outcome == "answered 503, asked to wait 30 s"

    @pytest.mark.parametrize("status", [429, 502, 503, 504])
    def test_gives_a_busy_receiver_half_a_minute_even_where_it_asks_for_nothing(self, engine, status):
        owing(engine, (RAISED, "raised"))
        deliver_due(engine, Posted([Answer(status)]), [CHAT], now_ms=NOW_MS)

        assert told(engine)[("raised", "chat")].next_attempt_ms >= NOW_MS + 30_000

    @pytest.mark.parametrize("status", [301, 400, 401, 404, 500])
    def test_tries_again_after_any_other_refusal(self, engine, status):
        owing(engine, (RAISED, "raised"))

        assert deliver_due(engine, Posted([Answer(status)]), [CHAT], now_ms=NOW_MS) == Outcome(put_off=1)
        assert deliver_due(engine, Posted(), [CHAT], now_ms=NOW_MS + 6_000) == Outcome(taken=1)

    @pytest.mark.parametrize(
        "failure",
        [Unreachable("chat.example", "no answer in time", 15_000), RefusedAddress("chat.example", "10.0.0.1")],
    )
    def test_tries_again_where_nobody_answered(self, engine, failure):
        owing(engine, (RAISED, "raised"))

        assert deliver_due(engine, Posted([failure]), [CHAT], now_ms=NOW_MS) == Outcome(put_off=1)
        assert told(engine)[("raised", "chat")].last_outcome == str(failure)

    def test_gives_up_at_once_where_the_receiver_is_gone(self, engine):
        owing(engine, (RAISED, "raised"))

        assert deliver_due(engine, Posted([Answer(410)]), [CHAT], now_ms=NOW_MS) == Outcome(given_up=1)
        assert "answered 410" in told(engine)[("raised", "chat")].last_outcome

    def test_gives_up_when_the_message_is_too_old(self, engine):
        owing(engine, (RAISED, "raised"))
        route = replace(CHAT, give_up_after_h=24)
        send = Posted([Answer(500)])

        at_ms, end_ms = NOW_MS, NOW_MS + 24 * HOUR_MS
        while at_ms < end_ms:
            assert deliver_due(engine, send, [route], now_ms=at_ms) == Outcome(put_off=1)
            at_ms = told(engine)[("raised", "chat")].next_attempt_ms
        last = deliver_due(engine, send, [route], now_ms=at_ms)

        assert (at_ms, last) == (end_ms, Outcome(given_up=1))
        assert "given up after" in told(engine)[("raised", "chat")].last_outcome

    def test_gives_up_what_is_owed_to_a_route_that_is_gone_from_the_settings(self, engine):
        owing(engine, (RAISED, "raised"))

        assert deliver_due(engine, Posted(), [DESK], now_ms=NOW_MS) == Outcome(given_up=1)
        assert told(engine)[("raised", "chat")].last_outcome == "the settings no longer name a route 'chat'"

    def test_leaves_an_unable_receiver_alone_and_serves_the_others(self, engine):
        owing(engine, *((a_finding(id=f"f{n}"), "raised") for n in range(5)), routes=(CHAT, DESK))

        def send(route, headers, body):
            asked.append(route.name)
            if route is CHAT:
                raise Unreachable("chat.example", "no answer in time", 15_000)
            return Answer(200)

        asked = []

        assert deliver_due(engine, send, [CHAT, DESK], now_ms=NOW_MS) == Outcome(taken=5, put_off=5)
        assert asked.count("chat") == 1

    def test_sends_no_more_than_its_limit(self, engine):
        owing(engine, *((a_finding(id=f"f{n}"), "unverified") for n in range(20)))

        assert deliver_due(engine, Posted(), [CHAT], now_ms=NOW_MS, limit=13) == Outcome(taken=13)
        assert deliver_due(engine, Posted(), [CHAT], now_ms=NOW_MS) == Outcome(taken=7)

    def test_sends_again_under_the_same_id_where_the_last_sender_died(self, engine):
        owing(engine, (RAISED, "raised"))
        send = Posted([KeyboardInterrupt(), Answer(200)])

        with pytest.raises(KeyboardInterrupt):
            deliver_due(engine, send, [CHAT], now_ms=NOW_MS)

        assert deliver_due(engine, send, [CHAT], now_ms=NOW_MS + CLAIM_MS - 1) == Outcome()
        assert deliver_due(engine, send, [CHAT], now_ms=NOW_MS + CLAIM_MS) == Outcome(taken=1)
        assert len(set(send.ids)) == 1

    def test_is_shared_by_several_workers_without_a_message_sent_twice(self, engine):
        owing(engine, *((a_finding(id=f"f{n}"), "unverified") for n in range(40)), routes=(CHAT, DESK))
        send = Posted()

        with ThreadPoolExecutor(4) as workers:
            rounds = [workers.submit(deliver_due, engine, send, [CHAT, DESK], now_ms=NOW_MS) for _ in range(4)]
            taken = sum(one.result().taken for one in rounds)

        assert taken == len(send.ids) == len(set(send.ids)) == 80

    @pytest.mark.parametrize("failure", [Answer(500), Answer(410), Unreachable("chat.example", "no answer in time")])
    def test_writes_no_secret_down_whatever_goes_wrong(self, engine, failure):
        route = Route("chat", "https://chat.example/s3cr3t-Zeta", (b"s3cr3t-Eta " * 3,))
        owing(engine, (RAISED, "raised"), routes=(route,))
        deliver_due(engine, Posted([failure]), [route], now_ms=NOW_MS)

        with engine.connect() as connection:
            assert "s3cr3t" not in repr(connection.execute(select(tables.deliveries)).all())


class TestOrder:
    def test_is_raise_before_clear_within_one_round(self, engine):
        owing(engine, (RAISED, "raised"))
        send = Posted()
        deliver_due(engine, send, [CHAT], now_ms=NOW_MS)
        owing(engine, (CLEARED, "cleared"))
        deliver_due(engine, send, [CHAT], now_ms=NOW_MS + MINUTE)

        assert send.whats == ["raised", "cleared"]

    def test_lets_later_messages_of_a_finding_wait_for_an_earlier_one(self, engine):
        major = replace(RAISED, severity=Severity.MAJOR, updated_ms=EPOCH_MS + 15 * MINUTE)
        owing(engine, (RAISED, "raised"), (major, "severity"))
        send = Posted([Answer(500)])
        deliver_due(engine, send, [CHAT], now_ms=NOW_MS)
        assert send.whats == ["raised"]

        deliver_due(engine, Posted(), [CHAT], now_ms=NOW_MS + MINUTE)
        assert states(engine) == {"raised": "taken", "severity": "taken"}

    def test_does_not_let_another_finding_wait(self, engine):
        owing(engine, (RAISED, "raised"), (a_finding(id="f2"), "raised"))

        assert deliver_due(engine, Posted([Answer(500), Answer(200)]), [CHAT], now_ms=NOW_MS) == Outcome(
            taken=1, put_off=1
        )

    def test_makes_one_message_of_a_raise_that_could_not_be_delivered_before_its_end(self, engine):
        owing(engine, (RAISED, "raised"))
        send = Posted([Unreachable("chat.example", "no answer in time")])
        for minute in range(0, 17, 2):
            deliver_due(engine, send, [CHAT], now_ms=NOW_MS + minute * MINUTE)
        owing(engine, (CLEARED, "cleared"), at_ms=CLEARED.cleared_ms)

        after = Posted([Answer(500), Answer(200)])
        first = deliver_due(engine, after, [CHAT], now_ms=NOW_MS + 20 * MINUTE)
        second = deliver_due(engine, after, [CHAT], now_ms=NOW_MS + 21 * MINUTE)

        assert (first, second) == (Outcome(put_off=1), Outcome(taken=1, combined=1))
        assert states(engine) == {"raised": "combined", "cleared": "taken"}
        assert after.whats == ["combined", "combined"]
        assert len(set(after.ids)) == 1
        assert after.ids[0] not in send.ids
        assert "member m1 was hot 10:00-10:17, over" in json.loads(after.heard[0][2])["data"]["text"]

    def test_goes_on_after_a_message_that_was_given_up(self, engine):
        owing(engine, (RAISED, "raised"))
        deliver_due(engine, Posted([Answer(410)]), [CHAT], now_ms=NOW_MS)
        owing(engine, (CLEARED, "cleared"))
        send = Posted()

        assert deliver_due(engine, send, [CHAT], now_ms=NOW_MS + MINUTE) == Outcome(taken=1)
        assert send.whats == ["cleared"]


class TestOverHttp:
    def test_reaches_a_receiver_that_checks_the_signature_with_the_reference_library(self, sqlite_engine):
        with listening() as receiver:
            route = receiver.route()
            owing(sqlite_engine, (RAISED, "raised"), routes=(route,))

            assert deliver_due(sqlite_engine, Client(), [route], now_ms=NOW_MS) == Outcome(taken=1)

        (heard,) = receiver.heard
        theirs = Webhook(SECRET)
        signature = heard.headers["webhook-signature"]
        at_s = int(heard.headers["webhook-timestamp"])
        assert signature == theirs.sign(
            heard.headers["webhook-id"], datetime.fromtimestamp(at_s, tz=UTC), heard.body.decode()
        )
        with pytest.raises(WebhookVerificationError):
            theirs.verify(heard.body + b" ", heard.headers)

    def test_keeps_trying_a_receiver_that_is_busy(self, sqlite_engine):
        with listening() as receiver:
            receiver.answers = [(503, {"Retry-After": "30"}), (503, {"Retry-After": "30"}), (200, {})]
            route = receiver.route()
            owing(sqlite_engine, (RAISED, "raised"), routes=(route,))

            for s in (0, 29, 37, 66, 75):
                deliver_due(sqlite_engine, Client(), [route], now_ms=NOW_MS + s * 1000)

        assert len(receiver.heard) == 3
        assert len({heard.headers["webhook-id"] for heard in receiver.heard}) == 1
        assert told(sqlite_engine)[("raised", "chat")].state == "taken"
