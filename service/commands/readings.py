"""How counter files are to be read."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Reading:
    """The zone of times that name none, and how many octets a kilobyte has."""

    zone: str | None = None
    kilo: int = 1000
