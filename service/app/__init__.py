"""Puts the parts together, and holds the only clock."""

from service.app.jobs import at_work, clean, deliver, evaluate, hear
from service.app.parts import Parts, database_of, now_ms, parts_of
from service.app.running import bound, listen, serve, stopping_at_signals, web_of, work

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
    "serve",
    "stopping_at_signals",
    "web_of",
    "work",
]
