from __future__ import annotations

import base64
import json
import urllib.error
import urllib.request
from datetime import UTC, datetime

import pytest
from standardwebhooks import Webhook

from service.demo.clock import Clock
from service.demo.receiver import listening

SECRET = bytes(range(32))
NOW_MS = 1_780_367_400_000
BODY = json.dumps({"data": {"text": "sm-07, team front, egress: over."}}).encode()


@pytest.fixture
def receiver():
    with listening(Clock(NOW_MS), SECRET) as receiver:
        yield receiver


def sent(receiver, *, secret: bytes = SECRET, at_ms: int = NOW_MS, body: bytes = BODY) -> int:
    """The status that a message gets whose signature the reference library of Standard Webhooks made."""
    at = datetime.fromtimestamp(at_ms / 1000, UTC)
    signed = Webhook("whsec_" + base64.b64encode(secret).decode()).sign("m1", at, BODY.decode())
    headers = {"webhook-id": "m1", "webhook-timestamp": str(at_ms // 1000), "webhook-signature": signed}
    request = urllib.request.Request(receiver.route.url, data=body, headers=headers, method="POST")
    try:
        with urllib.request.urlopen(request, timeout=5) as answer:
            return answer.status
    except urllib.error.HTTPError as refused:
        with refused:
            return refused.code


class TestReceiver:
    def test_takes_a_message_signed_by_the_reference_library(self, receiver):
        assert sent(receiver) == 204

        assert [message.refused for message in receiver.messages] == [""]
        assert receiver.messages[0].text == "sm-07, team front, egress: over."
        assert receiver.messages[0].at_ms == NOW_MS

    @pytest.mark.parametrize(
        "wrong", [{"secret": bytes(32)}, {"body": BODY + b" "}, {"at_ms": NOW_MS - 3_600_000}], ids=str
    )
    def test_refuses_another_secret_another_body_and_an_old_message(self, receiver, wrong):
        assert sent(receiver, **wrong) == 401

        assert receiver.messages[0].refused

    def test_listens_on_loopback_only(self, receiver):
        assert receiver.route.url.startswith("http://127.0.0.1:")


class TestClock:
    def test_never_goes_back(self):
        clock = Clock(1000)

        clock.advance_to(500)

        assert clock.now_ms() == 1000
