"""Announced maintenance, while which messages about some teams wait."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class QuietTime:
    """When messages about some teams wait: from `begins` on the clock of `zone`, so many minutes, and how it recurs.

    `devices`, `teams` and `sites` are patterns with * and ?; an empty one means all.
    """

    id: str
    begins: datetime  # without a zone
    minutes: int
    zone: str = "UTC"
    recurrence: str = ""
    devices: tuple[str, ...] = ()
    teams: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    because: str = ""
    set_by: str = ""
    created_ms: int = 0
    ended_ms: int | None = None
