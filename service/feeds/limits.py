"""How much of a push is taken at once, and how far its times may lie from now."""

from __future__ import annotations

from dataclasses import dataclass

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS


@dataclass(frozen=True)
class IngestLimits:
    """Limits of one batch; octets as unpacked, times in milliseconds."""

    max_octets: int = 64 << 20
    max_samples: int = 100_000
    future_ms: int = 10 * MINUTE_MS
    retention_ms: int = 48 * HOUR_MS
