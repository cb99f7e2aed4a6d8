"""The demo's own time: it moves when the player says so, and everything the demo starts asks it."""

from __future__ import annotations

from datetime import UTC, datetime


class Clock:
    """A simulated clock, handed to the web, the evaluation and the receiver in place of the real one."""

    def __init__(self, now_ms: int) -> None:
        self._now_ms = now_ms

    def now_ms(self) -> int:
        """Simulated time in milliseconds since the epoch."""
        return self._now_ms

    def advance_to(self, at_ms: int) -> None:
        """Move on to an instant; time never goes back."""
        self._now_ms = max(self._now_ms, at_ms)


def spoken(at_ms: int) -> str:
    """An instant as the demo prints it: weekday and time of day, UTC."""
    return f"{datetime.fromtimestamp(at_ms / 1000, UTC):%a %H:%M:%S}"
