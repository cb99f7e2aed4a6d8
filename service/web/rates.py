"""How often a caller may ask: so many requests a second, and as many more at once as two seconds bring.

The token bucket of RFC 2697 and of every router; here each caller has one.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict

from starlette.datastructures import Headers
from starlette.types import Scope

BURST_S = 2.0
MOST_CALLERS = 10_000


class Rates:
    """The buckets of callers; the one that asked longest ago is forgotten first, and its bucket is full by then."""

    def __init__(self, per_s: float, most_callers: int = MOST_CALLERS) -> None:
        self._per_s = per_s
        self._most = most_callers
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = threading.Lock()

    def wait_s(self, caller: str, now_s: float) -> float:
        """Take one request of a caller: 0 where there is room for it, else after how many seconds there is."""
        if self._per_s <= 0:
            return 0.0
        full = max(1.0, self._per_s * BURST_S)
        with self._lock:
            left, at_s = self._buckets.pop(caller, (full, now_s))
            # A clock that was put back fills nothing and takes nothing.
            left = min(full, left + max(0.0, now_s - at_s) * self._per_s)
            room = left >= 1
            self._buckets[caller] = (left - 1 if room else left, now_s)
            while len(self._buckets) > self._most:
                self._buckets.popitem(last=False)
        return 0.0 if room else (1 - left) / self._per_s


def caller_of(scope: Scope) -> str:
    """Who asks, without asking the database: a key or session as its hash, else an address.

    Behind a proxy all come from one address, but with keys and sessions of their own.
    """
    headers = Headers(scope=scope)
    shown = headers.get("authorization") or headers.get("cookie")
    if shown:
        return hashlib.blake2b(shown.encode("utf-8", "replace"), digest_size=16).hexdigest()
    client = scope.get("client")
    return str(client[0]) if client else ""
