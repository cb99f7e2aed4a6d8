"""What an answer means for a message, and when to try again: pure, now and jitter are arguments."""

from __future__ import annotations

import email.utils
from dataclasses import dataclass
from datetime import UTC
from enum import Enum

SECOND_MS = 1000
MINUTE_MS = 60 * SECOND_MS
HOUR_MS = 60 * MINUTE_MS

# Waits after the 1st, 2nd, ... failure. In the spirit of the example in the Standard Webhooks
# specification, with more tries in the first hour: a message about a link is worth most then.
WAITS_MS = (
    5 * SECOND_MS,
    30 * SECOND_MS,
    2 * MINUTE_MS,
    5 * MINUTE_MS,
    15 * MINUTE_MS,
    30 * MINUTE_MS,
    HOUR_MS,
    2 * HOUR_MS,
    4 * HOUR_MS,
    6 * HOUR_MS,
)
JITTER = 0.2  # a wait is up to this share longer, so that many messages do not come back in step
BUSY_WAIT_MS = 30 * SECOND_MS  # the least wait after an answer that asks for patience
LONGEST_ASKED_MS = 24 * HOUR_MS  # a receiver may ask for a day of patience, not for a year
GIVE_UP_AFTER_H = 72

GONE = 410
BUSY = frozenset({429, 502, 503, 504})


class Meaning(Enum):
    """What an answer means for the message."""

    TAKEN = "taken"
    LATER = "later"
    BUSY = "busy"  # later, and nothing else for this receiver until then
    GONE = "gone"
    UNREACHABLE = "unreachable"  # no answer at all; like busy, but worth another try soon


@dataclass(frozen=True)
class Answer:
    """What a receiver said: status, the Retry-After header as it came, and how long the exchange took."""

    status: int
    retry_after: str | None = None
    took_ms: int = 0


def meaning(status: int) -> Meaning:
    """Only 2xx is success; a redirect is a failure and not followed; 410 means never again."""
    if 200 <= status < 300:
        return Meaning.TAKEN
    if status == GONE:
        return Meaning.GONE
    return Meaning.BUSY if status in BUSY else Meaning.LATER


def asked_wait_ms(retry_after: str | None, now_ms: int) -> int:
    """How long a Retry-After header asks to wait, by seconds or by date (RFC 9110 section 10.2.3); 0 for nothing."""
    text = (retry_after or "").strip()
    if text.isascii() and text.isdigit():
        # A number of any length is a number; more digits than a day has seconds are a day.
        asked = int(text) * SECOND_MS if len(text) <= 6 else LONGEST_ASKED_MS
    else:
        asked = _until_date_ms(text, now_ms)
    return min(max(asked, 0), LONGEST_ASKED_MS)


def _until_date_ms(text: str, now_ms: int) -> int:
    try:
        date = email.utils.parsedate_to_datetime(text)
    except (ValueError, TypeError, OverflowError):
        return 0
    # The asctime form carries no zone; HTTP dates are always UTC (RFC 9110 section 5.6.7).
    return round(date.replace(tzinfo=date.tzinfo or UTC).timestamp() * SECOND_MS) - now_ms


def wait_ms(failures: int, *, jitter: float, busy: bool = False) -> int:
    """The wait after so many failures (1 and up); `jitter` from 0 to 1 stretches it by up to a fifth."""
    planned = WAITS_MS[min(failures, len(WAITS_MS)) - 1]
    least = max(planned, BUSY_WAIT_MS) if busy else planned
    return round(least * (1 + JITTER * jitter))


def next_attempt_ms(wait: int, asked: int, *, now_ms: int, give_up_ms: int) -> int | None:
    """When to try again, or None where that would be later than the message is worth.

    What the receiver asked for is always respected; the planned wait is shortened so that
    the last try falls on the very end.
    """
    if now_ms >= give_up_ms or now_ms + asked > give_up_ms:
        return None
    return min(now_ms + max(wait, asked), give_up_ms)
