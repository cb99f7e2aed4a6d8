"""What the edge is handed by whoever puts the parts together, and what it counts."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated

from fastapi import Depends, Request
from sqlalchemy import Engine

from service.evaluation import Policy
from service.feeds.limits import IngestLimits
from service.terms import Rule
from service.web.people import People
from service.web.rates import Rates


class Tally:
    """Counts that only grow, kept by this process since it began; any thread may add."""

    def __init__(self) -> None:
        self._counts: Counter[tuple[str, ...]] = Counter()
        self._lock = threading.Lock()

    def add(self, *name: str, count: int = 1) -> None:
        """Count so many more under a name of any number of words."""
        with self._lock:
            self._counts[name] += count

    def under(self, first: str) -> dict[tuple[str, ...], int]:
        """What was counted under names that begin with a word, by the rest of the name, in order."""
        with self._lock:
            return {name[1:]: count for name, count in sorted(self._counts.items()) if name[0] == first}


@dataclass(frozen=True)
class Services:
    """The parts that requests need; what has a default fits the embedded service on loopback."""

    engine: Engine
    now_ms: Callable[[], int]
    limits: IngestLimits = field(default_factory=IngestLimits)
    max_body_octets: int = 16 << 20  # as it comes, still packed
    open_on_loopback: bool = True
    require_signed_pushes: bool = False
    most_pushes: int = 16  # at once; each may hold a whole unpacked body
    policy: Policy = field(default_factory=lambda: Policy(lambda _device, _team: Rule()))
    behind_after_ms: int = 120_000  # later than this after a window was due, evaluation is behind
    body_within_s: float = 60.0
    people: People | None = None  # whom a proxy signs in
    requests_per_s: float = 200.0  # of one caller; 0: as many as they like
    rates: Rates = field(init=False)
    tally: Tally = field(default_factory=Tally)
    replays: threading.BoundedSemaphore = field(default_factory=lambda: threading.BoundedSemaphore(1))  # at once
    pushes: threading.BoundedSemaphore = field(init=False)  # room for those that are worked at

    def __post_init__(self) -> None:
        object.__setattr__(self, "rates", Rates(self.requests_per_s))
        object.__setattr__(self, "pushes", threading.BoundedSemaphore(self.most_pushes))


async def _of_request(request: Request) -> Services:
    services: Services = request.app.state.services
    return services


Served = Annotated[Services, Depends(_of_request)]
