"""Puts the parts together, and holds the only clock.

What is named here is imported when it is first used: a host that pushes its readings needs the clock and no database.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.app.clock import now_ms
    from service.app.jobs import at_work, clean, deliver, evaluate, hear, sum_up, verify
    from service.app.parts import Parts, database_of, parts_of
    from service.app.running import bound, listen, receive, serve, stopping_at_signals, web_of, work

__all__ = [
    "Parts",
    "at_work",
    "bound",
    "clean",
    "database_of",
    "deliver",
    "evaluate",
    "hear",
    "listen",
    "now_ms",
    "parts_of",
    "receive",
    "serve",
    "stopping_at_signals",
    "sum_up",
    "verify",
    "web_of",
    "work",
]

_IN = {"now_ms": "clock"} | dict.fromkeys(("Parts", "database_of", "parts_of"), "parts")
_IN |= dict.fromkeys(("at_work", "clean", "deliver", "evaluate", "hear", "sum_up", "verify"), "jobs")
_IN |= dict.fromkeys(("bound", "listen", "receive", "serve", "stopping_at_signals", "web_of", "work"), "running")


def __getattr__(name: str) -> Any:
    if name not in _IN:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_IN[name]}"), name)
