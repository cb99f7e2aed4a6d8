"""What the demo prints: plain lines, one a happening, in simulated time."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from sqlalchemy import Engine

from service.demo.clock import spoken
from service.demo.exchange import HOSTS, MEMBERS, TEAMS
from service.demo.plots import END_MS, START_MS
from service.demo.receiver import Message
from service.storage import events, findings, inventory
from service.storage.database import reading
from service.storage.findings import Filters
from service.terms import DataEvent, Finding

Say = Callable[[str], None]
WIDTH = 110
INDENT = " " * 25


@dataclass
class Narrator:
    """Says what is new in the database and at the receiver, each thing once."""

    say: Say
    engine: Engine
    _told: set[tuple[object, ...]] = field(default_factory=set)

    def tell(self, messages: Iterable[Message]) -> None:
        """Say what has happened since the last time: data events, findings, messages."""
        lines = [*self._events(), *self._changes()]
        for at_ms, what, text in sorted(lines):
            self.say(_line(at_ms, what, text))
        for message in messages:
            if self._is_new("message", message.id, message.at_ms):
                self._message(message)

    def _events(self) -> Iterable[tuple[int, str, str]]:
        for event in all_events(self.engine):
            if self._is_new("data", event.device, event.port, event.at_ms, event.kind):
                yield event.at_ms, "data", f"{event.device} {event.port}".strip() + f": {event.text}"

    def _changes(self) -> Iterable[tuple[int, str, str]]:
        with reading(self.engine) as connection:
            for kept in findings.listing(connection).items:
                for entry in findings.history(connection, kept.finding.id):
                    if kept.finding.part_of and entry.what in {"part-of", "cleared"}:
                        continue
                    if self._is_new("change", kept.finding.id, entry.at_ms, entry.what):
                        yield entry.at_ms, entry.what, f"{place(kept.finding)}: {entry.text}"

    def _message(self, message: Message) -> None:
        said = f"REFUSED: {message.refused}" if message.refused else f"signature good, {len(message.body)} octets"
        self.say(_line(message.at_ms, "message", said))
        for line in message.text.splitlines():
            self.say(textwrap.fill(line, WIDTH, initial_indent=f"{INDENT}| ", subsequent_indent=f"{INDENT}|   "))

    def _is_new(self, *key: object) -> bool:
        is_new = key not in self._told
        self._told.add(key)
        return is_new


def opening(address: str, seed: int) -> str:
    """What the demo is, before it begins."""
    return "\n".join(
        (
            "The Brackenhythe Freight Exchange: invented data. Advice only: nothing is ever changed on a device.",
            f"{len(HOSTS)} hosts, {len(TEAMS)} teams, {MEMBERS * len(TEAMS)} members; counters every 10 s from"
            f" {spoken(START_MS)} to {spoken(END_MS)} UTC on a simulated clock (seed {seed}).",
            f"The service answers at {address} from a throw-away database; times below are UTC.",
            "",
        )
    )


def closing(engine: Engine, messages: Iterable[Message], samples: int, seconds: float) -> str:
    """How things stand at the end of the day."""
    # What is part of a finding about a fleet is told with that one.
    found = [finding for finding in all_findings(engine) if not finding.part_of]
    noticed = Counter(event.kind for event in all_events(engine))
    good = Counter(not message.refused for message in messages)
    lines = [
        "",
        f"At {spoken(END_MS)} UTC",
        *_listed("open", (_standing(finding) for finding in found if finding.cleared_ms is None)),
        *_listed("recent", (_standing(finding) for finding in found if finding.cleared_ms is not None)),
        f"  messages  {good.total()}, of which {good[True]} with a good signature",
        f"  data      {', '.join(f'{kind} {count}' for kind, count in sorted(noticed.items())) or 'nothing to note'}",
        f"  silent    {', '.join(silent_hosts(engine)) or 'no source'}",
        f"  played    {samples:,} samples in {seconds:.0f} s",
        "",
    ]
    return "\n".join(lines)


def all_findings(engine: Engine) -> list[Finding]:
    """Every finding of the day, the newest first."""
    with reading(engine) as connection:
        return [kept.finding for kept in findings.listing(connection, Filters()).items]


def all_events(engine: Engine) -> list[DataEvent]:
    """Every data event of the day, the newest first."""
    with reading(engine) as connection:
        return [kept.event for kept in events.listing(connection, limit=1000).items]


def silent_hosts(engine: Engine) -> list[str]:
    """The hosts that are silent, each with since when."""
    with reading(engine) as connection:
        known = inventory.devices(connection, limit=1000).items
    return [f"{host.name} since {spoken(host.silent_since_ms)}" for host in known if host.silent_since_ms is not None]


def place(finding: Finding) -> str:
    """Where a finding is: device, team, direction."""
    return f"{finding.device}, team {finding.team}, {finding.direction}"


def _listed(heading: str, items: Iterable[str]) -> list[str]:
    told = list(items) or ["nothing"]
    return [f"  {heading if at == 0 else '':<9} {item}" for at, item in enumerate(told)]


def _standing(finding: Finding) -> str:
    ended = f", cleared {spoken(finding.cleared_ms)}" if finding.cleared_ms is not None else ""
    return f"{place(finding)}: {finding.kind}, {finding.severity}, raised {spoken(finding.raised_ms)}{ended}"


def _line(at_ms: int, what: str, text: str) -> str:
    head = f"{spoken(at_ms)}  {what:<10}  "
    return textwrap.fill(text, WIDTH, initial_indent=head, subsequent_indent=INDENT)
