"""One reading after the other, each as the body of a push."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import structlog

from service.feeds.linux.host import Carrier, HostReading, reading_of
from service.pushing.host_files import tree_of
from service.pushing.netlink import Links

LINKS_EVERY_MS = 60_000  # routes and kinds of interfaces change seldom, and a table of routes can be long

log = structlog.get_logger("pushing")


@dataclass
class Reader:
    """Reads this host, and remembers between readings what dates a change and what was said already."""

    root: Path
    device: str
    clock: Callable[[], int]
    links: Callable[[], Links]
    _links: Links = field(default_factory=Links)
    _asked_ms: int | None = None
    _carriers: Mapping[str, Carrier] = field(default_factory=dict)
    _said: tuple[str, ...] | None = None

    def body(self) -> bytes:
        """The next reading as JSON; empty where this host has no team."""
        samples = self.reading().samples(self.device)
        return json.dumps({"samples": samples}, separators=(",", ":")).encode() if samples else b""

    def reading(self) -> HostReading:
        """What the host says now; its time is the middle of the reading."""
        began_ms = self.clock()
        self._look_up(began_ms)
        began_ms = self.clock()
        tree = tree_of(self.root, self._links.kinds)
        at_ms = (began_ms + self.clock()) // 2
        reading = reading_of(tree, self._links.multipath, at_ms, self._carriers)
        self._carriers = reading.carriers
        self._tell(reading)
        return reading

    def _look_up(self, now_ms: int) -> None:
        if self._asked_ms is None or not 0 <= now_ms - self._asked_ms < LINKS_EVERY_MS:
            self._links, self._asked_ms = self.links(), now_ms

    def _tell(self, reading: HostReading) -> None:
        """Say which teams there are and what was left out, when it is not what was said last."""
        teams = [f"{team.name} ({', '.join(one.port for one in team.members)})" for team in reading.found.teams]
        said = (*teams, "/", *reading.found.notes, self._links.trouble)
        if said == self._said:
            return
        self._said = said
        log.info("teams of this host", teams=teams or "none: there is nothing to push")
        for note in (*reading.found.notes, self._links.trouble):
            if note:
                log.warning("left out", why=note)
