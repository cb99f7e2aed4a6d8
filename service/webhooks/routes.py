"""A route: who is told of which findings, in which form, by which way, and who else where nobody answers."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import time
from typing import TYPE_CHECKING

from service.terms import KIND_WORDS, Finding, Severity
from service.webhooks.guard import Network
from service.webhooks.patterns import matches
from service.webhooks.retry import GIVE_UP_AFTER_H, HOUR_MS, MINUTE_MS

if TYPE_CHECKING:
    from service.webhooks.forms import Form
    from service.webhooks.mail import MailDoor

ALL_SEVERITIES = frozenset(str(severity) for severity in Severity)
ALL_KINDS = frozenset(KIND_WORDS[1:])
# Where a cure is work for two, both are told.
BOTH = "both"
OF_BOTH = frozenset({"virtualisation", "network"})
UNKNOWN_OWNERS = frozenset({"", "unknown"})


@dataclass(frozen=True)
class Instead:
    """Another route that is told too: so many minutes later, where nothing happened until then."""

    route: str
    after_min: int

    @property
    def after_ms(self) -> int:
        """How long the first route has."""
        return self.after_min * MINUTE_MS


@dataclass(frozen=True)
class Route:
    """Where messages go and which; the URL and the secrets are shown to nobody.

    `devices`, `teams` and `sites` are patterns with * and ?, `owners` are those whose work a cure is; empty means all.
    Messages are signed with every secret given. `allow_networks` are those inside a site that may be reached.
    `pages_at` is where its readers see our pages, empty where nobody said so. `form` makes the body where the receiver
    wants another than the event; with `mail` there is no URL and messages leave by SMTP. `unanswered` is told of a
    grave finding that nobody took, `unheard` of what this route's receiver did not take. With `digest_at` its readers
    get one message a day, at that time of day in `zone`. `silences`: whether they are told of sources that fell silent.
    """

    name: str
    url: str = field(repr=False)  # chat systems put their secret into it
    secrets: tuple[bytes, ...] = field(default=(), repr=False)
    severities: frozenset[str] = ALL_SEVERITIES
    kinds: frozenset[str] = ALL_KINDS
    allow_networks: tuple[Network, ...] = ()
    devices: tuple[str, ...] = ()
    teams: tuple[str, ...] = ()
    owners: frozenset[str] = frozenset()
    sites: tuple[str, ...] = ()
    give_up_after_h: int = GIVE_UP_AFTER_H
    zone: str = "UTC"
    pages_at: str = ""
    form: Form | None = None
    authorization: str = field(default="", repr=False)
    mail: MailDoor | None = None
    unanswered: Instead | None = None
    unheard: Instead | None = None
    digest_at: time | None = None
    silences: bool = True

    @property
    def give_up_after_ms(self) -> int:
        """How old a message may get before it is given up."""
        return self.give_up_after_h * HOUR_MS


def wants(route: Route, finding: Finding, sites: Collection[str] = ()) -> bool:
    """Whether a finding is of a severity and kind, of a device, team, site and owner, that a route asks for.

    Whose work a cure is or at which site a team is may not be known; then no route is left out for it, because a
    message that reaches nobody is worse than one that reaches too many.
    """
    asked = finding.severity in route.severities and finding.kind in route.kinds
    named = matches(finding.device, route.devices) and matches(finding.team, route.teams)
    return asked and named and _is_owned(finding, route.owners) and is_at(sites, route.sites)


def _is_owned(finding: Finding, owners: Collection[str]) -> bool:
    told = finding.owner or ""
    if not owners or told in UNKNOWN_OWNERS:
        return True
    return bool(OF_BOTH & set(owners)) if told == BOTH else told in owners


def is_at(sites: Collection[str], patterns: Sequence[str]) -> bool:
    """Whether one of these sites is asked for; where none is known, no route is left out for it."""
    known = [site for site in sites if site]
    return not patterns or not known or any(matches(site, patterns) for site in known)
