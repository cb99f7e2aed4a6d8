"""A route: who is told of which findings, and how the message is signed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

from service.terms import KIND_WORDS, Finding, Severity
from service.webhooks.guard import Network
from service.webhooks.retry import GIVE_UP_AFTER_H, HOUR_MS

ALL_SEVERITIES = frozenset(str(severity) for severity in Severity)
ALL_KINDS = frozenset(KIND_WORDS[1:])


@dataclass(frozen=True)
class Route:
    """Where messages go and which; the URL and the secrets are shown to nobody.

    `devices` and `teams` are patterns with * and ?; empty means all. Messages are signed
    with every secret given. `allow_networks` are those inside a site that may be reached. `pages_at` is where
    its readers see our pages, empty where nobody said so.
    """

    name: str
    url: str = field(repr=False)  # chat systems put their secret into it
    secrets: tuple[bytes, ...] = field(default=(), repr=False)
    severities: frozenset[str] = ALL_SEVERITIES
    kinds: frozenset[str] = ALL_KINDS
    allow_networks: tuple[Network, ...] = ()
    devices: tuple[str, ...] = ()
    teams: tuple[str, ...] = ()
    give_up_after_h: int = GIVE_UP_AFTER_H
    zone: str = "UTC"
    pages_at: str = ""

    @property
    def give_up_after_ms(self) -> int:
        """How old a message may get before it is given up."""
        return self.give_up_after_h * HOUR_MS


def wants(route: Route, finding: Finding) -> bool:
    """Whether a finding is of a severity and kind, of a device and team, that a route asks for."""
    asked = finding.severity in route.severities and finding.kind in route.kinds
    return asked and _matches(finding.device, route.devices) and _matches(finding.team, route.teams)


def _matches(name: str, patterns: Sequence[str]) -> bool:
    return not patterns or any(fnmatchcase(name, pattern) for pattern in patterns)
