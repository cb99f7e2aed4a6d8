import base64
import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks import Webhook

from service.errors import BadSignature, WrongSetting
from service.webhooks.signature import headers, secret_of, sign, verify

# The example that the test suites of the Standard Webhooks reference libraries share.
WRITTEN = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
ID = "msg_p5jXN8AQM9LWM0D4loKWxJek"
AT_S = 1614265330
BODY = b'{"test": 2432232314}'
SIGNATURE = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="

SECRET = secret_of(WRITTEN)
OTHER = b"another secret of 24 byte"
NOW_MS = AT_S * 1000


class TestSecretOf:
    def test_takes_it_with_and_without_its_prefix(self):
        assert secret_of(WRITTEN) == secret_of(WRITTEN.removeprefix("whsec_")) == SECRET

    @pytest.mark.parametrize("count", [24, 64])
    def test_takes_24_to_64_bytes(self, count):
        assert secret_of("whsec_" + base64.b64encode(b"x" * count).decode()) == b"x" * count

    @pytest.mark.parametrize("count", [0, 23, 65])
    def test_refuses_fewer_and_more(self, count):
        with pytest.raises(WrongSetting, match=f"has {count} bytes; write whsec_"):
            secret_of("whsec_" + base64.b64encode(b"x" * count).decode())

    def test_refuses_what_is_not_base64_without_repeating_it(self):
        with pytest.raises(WrongSetting) as refusal:
            secret_of("whsec_s3cr3t-Zeta", key="routes.chat.secret")

        assert "routes.chat.secret" in str(refusal.value)
        assert "s3cr3t" not in str(refusal.value)
        assert refusal.value.__cause__ is None
        assert refusal.value.__suppress_context__


class TestSign:
    def test_makes_the_published_signature(self):
        assert sign(ID, AT_S, BODY, [SECRET]) == SIGNATURE

    def test_signs_with_every_secret_so_that_one_can_be_changed(self):
        assert sign(ID, AT_S, BODY, [SECRET, OTHER]).split() == [SIGNATURE, sign(ID, AT_S, BODY, [OTHER])]

    @given(st.from_regex(r"msg-[a-z0-9]{1,40}", fullmatch=True), st.integers(0, 4_000_000_000), st.text())
    def test_agrees_with_the_reference_library(self, message_id, at_s, text):
        body = json.dumps({"text": text})
        theirs = Webhook(WRITTEN).sign(message_id, datetime.fromtimestamp(at_s, tz=UTC), body)

        assert sign(message_id, at_s, body.encode(), [SECRET]) == theirs


class TestHeaders:
    def test_are_believed_by_the_reference_library(self):
        now_s = int(datetime.now(tz=UTC).timestamp())  # the library reads the clock itself

        assert Webhook(WRITTEN).verify(BODY.decode(), headers(ID, now_s, BODY, [OTHER, SECRET]))

    def test_hold_no_signature_where_no_secret_is_shared(self):
        assert headers(ID, AT_S, BODY, []) == {"webhook-id": ID, "webhook-timestamp": str(AT_S)}


class TestVerify:
    def test_believes_a_fresh_signed_message_and_tells_its_id(self):
        told = {name.title(): value for name, value in headers(ID, AT_S, BODY, [SECRET]).items()}

        assert verify(told, BODY, SECRET, NOW_MS) == ID

    def test_believes_any_of_several_signatures_and_secrets(self):
        assert verify(headers(ID, AT_S, BODY, [OTHER, SECRET]), BODY, [b"x" * 24, SECRET], NOW_MS) == ID

    def test_believes_what_the_reference_library_signed(self):
        theirs = Webhook(WRITTEN).sign(ID, datetime.fromtimestamp(AT_S, tz=UTC), BODY.decode())
        told = {"webhook-id": ID, "webhook-timestamp": str(AT_S), "webhook-signature": theirs}

        assert verify(told, BODY, SECRET, NOW_MS) == ID

    @pytest.mark.parametrize("off_s", [-300, 300])
    def test_believes_a_time_up_to_300_s_away(self, off_s):
        assert verify(headers(ID, AT_S, BODY, [SECRET]), BODY, SECRET, NOW_MS + off_s * 1000) == ID

    @pytest.mark.parametrize("off_ms", [-300_001, 300_001])
    def test_refuses_a_time_further_away(self, off_ms):
        with pytest.raises(BadSignature, match="300 s"):
            verify(headers(ID, AT_S, BODY, [SECRET]), BODY, SECRET, NOW_MS + off_ms)

    def test_refuses_a_changed_body_and_a_changed_id(self):
        told = headers(ID, AT_S, BODY, [SECRET])

        with pytest.raises(BadSignature, match="does not fit"):
            verify(told, BODY + b" ", SECRET, NOW_MS)
        with pytest.raises(BadSignature, match="does not fit"):
            verify({**told, "webhook-id": "msg_other"}, BODY, SECRET, NOW_MS)

    def test_refuses_an_unknown_secret_and_no_secret(self):
        with pytest.raises(BadSignature):
            verify(headers(ID, AT_S, BODY, [OTHER]), BODY, SECRET, NOW_MS)
        with pytest.raises(BadSignature):
            verify(headers(ID, AT_S, BODY, [OTHER]), BODY, [], NOW_MS)

    @pytest.mark.parametrize("name", ["webhook-id", "webhook-timestamp", "webhook-signature"])
    @pytest.mark.parametrize("value", [None, "", "ü"])
    def test_refuses_a_missing_or_broken_header_by_name(self, name, value):
        told = headers(ID, AT_S, BODY, [SECRET]) | {name: value}

        with pytest.raises(BadSignature, match=name):
            verify({key: text for key, text in told.items() if text is not None}, BODY, SECRET, NOW_MS)

    @pytest.mark.parametrize("at", ["-1", "1e9", "soon", "9" * 5000])
    def test_refuses_a_time_that_is_none(self, at):
        with pytest.raises(BadSignature, match="whole seconds"):
            verify(headers(ID, AT_S, BODY, [SECRET]) | {"webhook-timestamp": at}, BODY, SECRET, NOW_MS)
