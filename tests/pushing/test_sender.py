"""What an answer means. Sources: RFC 9110 sections 10.2.3 (Retry-After) and 15; Standard Webhooks for signatures."""

from __future__ import annotations

import base64
import errno
import json
import os
from datetime import UTC, datetime
from email.utils import formatdate
from pathlib import Path

import pytest
import structlog
from feed_examples import a_row, as_json
from pushing_examples import AWAY, START_MS, a_batch, numbers_in
from sqlalchemy import func, select
from standardwebhooks import Webhook
from web_examples import NOW_MS, a_key, asked

from service.pushing.sender import LONGEST_ASKED_MS, LONGEST_WAIT_MS, MOST_TOGETHER, Answer, joined
from service.storage import tables


def fill(spool, *numbers):
    for number in numbers:
        spool.put(a_batch(number))


def drain(sender, clock, most=200):
    """Send all that waits; how long that takes by the clock."""
    for _ in range(most):
        while sender.send_due():
            pass
        if not len(sender.spool):
            return clock() - START_MS
        clock.forward(1000)
    raise AssertionError(f"{len(sender.spool)} batches still wait")


class TestTaken:
    def test_batches_leave_the_spool(self, sender, service, spool):
        fill(spool, 1)

        assert sender.send_due() is True
        assert len(spool) == 0
        assert sender.send_due() is False
        assert service.taken() == [1]

    def test_several_go_together_in_their_order(self, sender, service, spool, clock):
        fill(spool, *range(MOST_TOGETHER + 3))

        drain(sender, clock)

        assert service.taken() == list(range(MOST_TOGETHER + 3))
        assert len(service.heard) == 2

    def test_rejected_samples_are_said(self, sender, service, spool):
        fill(spool, 1)
        told = {"accepted": 0, "duplicates": 0, "rejected": [{"index": 0, "reason": "team: has 8 members"}]}
        service.answers = [Answer(200, None, json.dumps(told).encode())]

        with structlog.testing.capture_logs() as lines:
            sender.send_due()

        assert [(line["count"], line["first"]) for line in lines] == [(1, "team: has 8 members")]
        assert len(spool) == 0

    @pytest.mark.parametrize("body", [b"<html>sign in first</html>", b"[]", b"", b'{"accepted": "yes"}'])
    def test_a_stranger_that_says_yes_takes_nothing(self, sender, service, spool, clock, body):
        fill(spool, 1)
        service.answers = [Answer(200, None, body)]

        assert sender.send_due() is False
        assert len(spool) == 1


class TestSigning:
    def test_is_that_of_standard_webhooks_with_the_key_as_secret(self, sender, service, spool, clock):
        fill(spool, 1)

        sender.send_due()

        [(body, headers)] = service.heard
        secret = "whsec_" + base64.b64encode(b"the key").decode()
        at = datetime.fromtimestamp(clock() // 1000, UTC)
        assert headers["webhook-signature"] == Webhook(secret).sign(headers["webhook-id"], at, body.decode())
        assert headers["webhook-timestamp"] == str(clock() // 1000)
        assert headers["authorization"] == "Bearer the key"

    def test_names_each_attempt_anew_because_an_answer_may_have_been_lost(self, sender, service, spool, clock):
        fill(spool, 1)
        service.answers = [AWAY]

        drain(sender, clock)

        assert len({headers["webhook-id"] for _, headers in service.heard}) == 2

    def test_is_left_out_without_a_key(self, sender, service, spool):
        sender.key = ""
        fill(spool, 1)

        sender.send_due()

        assert service.heard[0][1] == {"content-type": "application/json"}


class TestAway:
    @pytest.mark.parametrize("trouble", [AWAY, Answer(500), Answer(502), Answer(503), Answer(504), Answer(404)])
    def test_keeps_batches_and_their_order(self, sender, service, spool, clock, trouble):
        fill(spool, 1, 2, 3)
        service.answers = [trouble] * 3

        drain(sender, clock)

        assert service.taken() == [1, 2, 3] * 4

    def test_waits_twice_as_long_each_time_up_to_a_minute(self, sender, service, spool, clock):
        fill(spool, 1)
        service.answers = [AWAY] * 8
        waits = []

        for _ in range(8):
            began_ms = clock()
            while len(service.heard) == len(waits):
                sender.send_due()
                clock.forward(500)
            waits.append(clock() - 500 - began_ms)
            clock.forward(-500)

        assert waits == [0, 1000, 2000, 4000, 8000, 16_000, 32_000, LONGEST_WAIT_MS]

    def test_is_said_once_and_its_end_as_well(self, sender, service, spool, clock):
        fill(spool, 1)
        service.answers = [AWAY] * 5

        with structlog.testing.capture_logs() as lines:
            drain(sender, clock)

        assert [line["event"] for line in lines] == ["batches wait", "service takes batches again"]

    def test_does_not_wait_longer_because_the_clock_was_set_back(self, sender, service, spool, clock):
        fill(spool, 1)
        service.answers = [AWAY]
        sender.send_due()

        clock.forward(-3_600_000)

        assert sender.send_due() is True


class TestPatience:
    # RFC 9110 section 10.2.3: seconds, or a date.
    @pytest.mark.parametrize("status", [429, 503])
    @pytest.mark.parametrize("asked", ["120", formatdate(START_MS / 1000 + 120, usegmt=True)])
    def test_is_what_retry_after_asks_for(self, sender, service, clock, status, asked):
        fill(sender.spool, 1)
        service.answers = [Answer(status, asked)]
        sender.send_due()

        clock.forward(119_999)
        assert sender.send_due() is False
        clock.forward(1)
        assert sender.send_due() is True

    @pytest.mark.parametrize("asked", ["86400", "9" * 30, formatdate(START_MS / 1000 + 86_400, usegmt=True)])
    def test_lasts_an_hour_at_most(self, sender, service, clock, asked):
        fill(sender.spool, 1)
        service.answers = [Answer(503, asked)]
        sender.send_due()

        clock.forward(LONGEST_ASKED_MS - 1)
        assert sender.send_due() is False
        clock.forward(1)
        assert sender.send_due() is True

    def test_is_that_of_any_trouble_where_nothing_is_asked(self, sender, service, spool, clock):
        fill(spool, 1)
        service.answers = [Answer(429, "soon")]
        sender.send_due()

        clock.forward(1000)

        assert sender.send_due() is True


class TestKey:
    @pytest.mark.parametrize("status", [401, 403])
    def test_that_is_not_let_in_keeps_batches_and_is_said_once(self, sender, service, spool, clock, status):
        fill(spool, 1, 2)
        service.answers = [Answer(status, None, b'{"detail": "send a key"}')] * 4

        with structlog.testing.capture_logs() as lines:
            drain(sender, clock)

        said = [line for line in lines if line["log_level"] == "warning"]
        assert len(said) == 1
        assert "send a key" in said[0]["why"]
        assert service.taken()[-2:] == [1, 2]

    def test_is_never_said(self, sender, service, spool, clock):
        fill(spool, 1)
        service.answers = [AWAY, Answer(401), Answer(500), Answer(400)]

        with structlog.testing.capture_logs() as lines:
            drain(sender, clock)

        assert lines
        assert "the key" not in repr(lines)


class TestPoison:
    @pytest.mark.parametrize("status", [400, 413, 415, 422])
    def test_is_set_aside_and_said_and_the_others_go_on(self, sender, service, spool, clock, status):
        fill(spool, 1, 2, 3)

        def answered(body, headers, take=service.__call__):
            service.answers = [Answer(status, None, b'{"detail": "is no sample"}')] if 2 in numbers_in(body) else []
            return take(body, headers)

        sender.post = answered
        with structlog.testing.capture_logs() as lines:
            drain(sender, clock)

        [aside] = spool.refused.iterdir()
        assert numbers_in(aside.read_bytes()) == [2]
        assert [(line["event"], line["why"]) for line in lines] == [("batch refused and set aside", "is no sample")]
        assert [numbers_in(body) for body, _ in service.heard] == [[1, 2, 3], [1], [2], [3]]

    def test_does_not_keep_later_batches_from_going_together(self, sender, service, spool, clock):
        fill(spool, 1, 2)
        service.answers = [Answer(400), Answer(400), None]
        drain(sender, clock)
        fill(spool, 3, 4)

        drain(sender, clock)

        assert numbers_in(service.heard[-1][0]) == [3, 4]

    def test_of_a_file_that_is_no_batch_goes_alone(self, sender, service, spool, clock):
        fill(spool, 1)
        spool.put(b"")
        fill(spool, 2)
        service.answers = [None, Answer(400), None]
        service.taken = None

        drain(sender, clock)

        assert [body for body, _ in service.heard] == [a_batch(1), b"", a_batch(2)]


class TestSpool:
    @pytest.fixture
    def read_only(self, monkeypatch):
        def refuse(*_, **__):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))

        monkeypatch.setattr(Path, "unlink", refuse)
        monkeypatch.setattr(Path, "replace", refuse)

    def test_that_is_read_only_is_said_once_and_all_is_sent_once(self, sender, service, spool, request):
        fill(spool, 1, 2, 3)
        request.getfixturevalue("read_only")
        service.answers = [Answer(400), Answer(400)]  # of all together, then of the first alone

        with structlog.testing.capture_logs() as lines:
            while sender.send_due():
                pass

        assert [numbers_in(body) for body, _ in service.heard] == [[1, 2, 3], [1], [2], [3]]
        assert [line["event"] for line in lines] == [
            "batches that left stay on disk, and are sent again after a restart",
            "batch refused",
        ]

    def test_that_cannot_be_read_now_is_read_later(self, sender, service, spool, clock, monkeypatch):
        fill(spool, 1)
        with monkeypatch.context() as broken, structlog.testing.capture_logs() as lines:
            broken.setattr(Path, "read_bytes", lambda _: short())
            assert sender.send_due() is False
            assert sender.send_due() is False
        clock.forward(LONGEST_WAIT_MS)

        assert sender.send_due() is True
        assert service.taken() == [1]
        assert len(lines) == 1


def short():
    raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))


class TestJoined:
    def test_holds_all_samples_in_order(self):
        assert numbers_in(joined([a_batch(1), a_batch(2), b'{"samples":[]}', a_batch(3)])) == [1, 2, 3]

    def test_is_nothing_where_one_has_another_form(self):
        assert joined([a_batch(1), b"half a ba"]) == b""

    def test_leaves_one_as_it_is(self):
        assert joined([b"anything"]) == b"anything"


class TestService:
    """The service itself, asked through its HTTP side, that takes nothing but signed pushes."""

    def test_believes_each_attempt_and_counts_what_comes_twice(self, sqlite_engine, sender, spool, clock):
        clock.now_ms = NOW_MS
        sender.key = a_key(sqlite_engine, "feed")["authorization"].removeprefix("Bearer ")
        http = asked(sqlite_engine, require_signed_pushes=True)
        lost = iter([True, False])

        def post(body, headers):
            answer = http.post("/v1/samples?feed=linux", content=body, headers=headers)
            if next(lost):
                raise AWAY  # it was taken, and nobody heard so
            return Answer(answer.status_code, answer.headers.get("retry-after"), answer.content)

        sender.post = post
        spool.put(as_json([a_row(port="p1", time=NOW_MS / 1000), a_row(port="p2", time=NOW_MS / 1000)]))
        with structlog.testing.capture_logs() as lines:
            drain(sender, clock)

        assert len(spool) == 0
        assert [line["event"] for line in lines] == ["batches wait", "service takes batches again"]
        with sqlite_engine.connect() as connection:
            assert connection.execute(select(func.count()).select_from(tables.samples)).scalar_one() == 2
