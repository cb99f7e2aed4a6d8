"""Signatures in the symmetric form of Standard Webhooks: HMAC-SHA256 over id, time and body."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
from collections.abc import Mapping, Sequence

from service.errors import BadSignature, WrongSetting

PREFIX = "whsec_"
SECRET_BYTES = range(24, 65)  # what the specification asks of a secret
TOLERANCE_S = 300  # older or newer than this is a replay, or a clock that nobody sets


def secret_of(text: str, key: str = "secret") -> bytes:
    """The secret behind its written form `whsec_` and base64; the refusal never repeats what was written."""
    remedy = f"write {PREFIX} and the base64 of 24 to 64 random bytes"
    try:
        secret = base64.b64decode(text.strip().removeprefix(PREFIX), validate=True)
    except (binascii.Error, ValueError):
        # Without the cause: it could quote the secret.
        raise WrongSetting(key, "the secret is not base64", remedy) from None
    if len(secret) not in SECRET_BYTES:
        raise WrongSetting(key, f"the secret has {len(secret)} bytes", remedy)
    return secret


def sign(message_id: str, at_s: int, body: bytes, secrets: Sequence[bytes]) -> str:
    """One signature a secret, separated by spaces, so that a receiver can change its secret without a gap."""
    return " ".join(_signed(message_id, str(at_s), body, secret) for secret in secrets)


def _signed(message_id: str, at_s: str, body: bytes, secret: bytes) -> str:
    content = b".".join((message_id.encode(), at_s.encode(), body))
    return "v1," + base64.b64encode(hmac.digest(secret, content, hashlib.sha256)).decode()


def headers(message_id: str, at_s: int, body: bytes, secrets: Sequence[bytes]) -> dict[str, str]:
    """The headers that say which message this is, when it was sent, and by whom where a secret is shared."""
    named = {"webhook-id": message_id, "webhook-timestamp": str(at_s)}
    return {**named, "webhook-signature": sign(message_id, at_s, body, secrets)} if secrets else named


def verify(
    told: Mapping[str, str], body: bytes, secret: bytes | Sequence[bytes], now_ms: int, tolerance_s: int = TOLERANCE_S
) -> str:
    """The id of a message whose signature holds and whose time is fresh; else BadSignature.

    `told` are the request's headers, in any case. The id is for the caller to remember: the
    same one within the tolerance is a replay.
    """
    named = {name.lower(): value for name, value in told.items()}
    message_id, at_s = _header(named, "webhook-id"), _header(named, "webhook-timestamp")
    _refuse_stale(at_s, now_ms, tolerance_s)
    secrets = (secret,) if isinstance(secret, bytes) else secret
    given = _header(named, "webhook-signature").split()
    if not _any_equal(given, [_signed(message_id, at_s, body, one) for one in secrets]):
        raise BadSignature("the signature does not fit the body; sign id.timestamp.body with the shared secret")
    return message_id


def _header(named: Mapping[str, str], name: str) -> str:
    value = named.get(name, "")
    if not value or not value.isascii():
        raise BadSignature(f"a signed message needs the header {name}")
    return value


def _refuse_stale(at_s: str, now_ms: int, tolerance_s: int) -> None:
    if not at_s.isdigit() or len(at_s) > 12:
        raise BadSignature("webhook-timestamp must be whole seconds since the epoch")
    if abs(int(at_s) * 1000 - now_ms) > tolerance_s * 1000:
        raise BadSignature(f"webhook-timestamp is more than {tolerance_s} s away from now; check both clocks")


def _any_equal(given: Sequence[str], expected: Sequence[str]) -> bool:
    # All pairs are compared, each in constant time: how long it takes says nothing of which fitted.
    return sum(hmac.compare_digest(a.encode(), b.encode()) for a in given for b in expected) > 0
