"""Findings as lines of a list: each a sentence; what is part of one about many teams is folded under it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from sqlalchemy import Connection

from service.storage import findings
from service.storage.findings import Kept
from service.terms import SEVERITY_PHRASES, Finding
from service.webhooks.wording import text_of

MOST_PARTS = 25


class Listed(NamedTuple):
    """A line: the finding, with those that are part of it where they are folded under it."""

    kept: Kept
    sentence: str
    parts: tuple[Listed, ...] = ()
    more_parts: bool = False

    @property
    def finding(self) -> Finding:
        """What is kept of it."""
        return self.kept.finding

    @property
    def phrase(self) -> str:
        """How soon somebody should look."""
        return SEVERITY_PHRASES[self.kept.finding.severity]


def sentence_of(found: Finding) -> str:
    """The first line of what a message would say of it."""
    what = "cleared" if found.cleared_ms is not None else "unverified" if found.unverified else "raised"
    return text_of(found, what).splitlines()[0]


def flat(some: Iterable[Kept]) -> list[Listed]:
    """Each for itself."""
    return [Listed(kept, sentence_of(kept.finding)) for kept in some]


def folded(connection: Connection, some: Iterable[Kept]) -> list[Listed]:
    """Those about many teams with the findings that are part of them."""
    lines = flat(some)
    wholes = [line.finding.id for line in lines if line.finding.teams]
    parts = findings.parts(connection, wholes, MOST_PARTS + 1) if wholes else {}
    return [_with_parts(line, parts.get(line.finding.id, ())) for line in lines]


def _with_parts(line: Listed, parts: tuple[Kept, ...]) -> Listed:
    return line._replace(parts=tuple(flat(parts[:MOST_PARTS])), more_parts=len(parts) > MOST_PARTS)
