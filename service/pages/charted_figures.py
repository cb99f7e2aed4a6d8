"""Kept figures of a team over a stretch, every member in one array: a window that is not there is unknown."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection

from service.evaluation import Policy
from service.storage import rollups, rosters, windows
from service.storage.inventory import Team
from service.storage.rosters import Roster
from service.terms import Bytes, Codes, Floats, Span, Truths
from service.web.figures import Showing


@dataclass(frozen=True)
class Figures:
    """Members by `names`: shares, peaks and coverage (n_members, n, 2), the rest (n, 2), `there` and `restated` (n,).

    A row is a window, or of a roll-up five minutes: then `shares` are means, and nobody keeps kinds or even splits.
    """

    span: Span
    names: tuple[str, ...]
    shares: Floats
    peaks: Floats
    coverage: Floats
    even_split: Floats
    kinds: Bytes
    there: Truths
    restated: Truths
    rolled_up: bool

    @property
    def partial(self) -> Truths:
        """Known shares of which only a part of the time was covered; a coverage is of single precision."""
        return np.isfinite(self.shares) & (self.coverage < 0.9995)


def of_windows(connection: Connection, team: Team, policy: Policy, span: Span) -> Figures:
    """Windows with the even split of each, over those that were members then."""
    kept = windows.read(connection, team.id, span.first_ms, span.end_ms, span.width_ms)
    found = rosters.of_windows(connection, team.id, span.first_ms, span.end_ms, span.width_ms)
    showing = Showing(connection, team, policy)
    even_split = np.full((span.count, 2), np.nan)
    starts = np.array(list(found), dtype=np.int64)
    slots, numbers, distinct = (starts - span.first_ms) // span.width_ms, *_distinct(found)
    for number, roster in enumerate(distinct):
        at = slots[numbers == number]
        _, _, teams = showing.measured(kept, roster)
        even_split[at] = teams.even_split[0, at]
    at, names = _ordered(kept.port_ids, found, showing)
    shares, coverage = kept.members.utilisation[at], kept.members.coverage[at].astype(np.float64)
    here, restated = kept.there[0], kept.restated[0] > 0
    return _padded(
        team, Figures(span, names, shares, shares, coverage, even_split, kept.kinds[0], here, restated, rolled_up=False)
    )


def of_rollups(connection: Connection, team: Team, policy: Policy, span: Span) -> Figures:
    """Roll-ups."""
    kept = rollups.read_many(connection, np.array([team.id], dtype=np.int32), span.first_ms, span.end_ms)
    found = rosters.of_rollups(connection, team.id, span.first_ms, span.end_ms)
    at, names = _ordered(kept.port_ids, found, Showing(connection, team, policy))
    peaks, coverage = kept.peak[at].astype(np.float64), kept.coverage[at].astype(np.float64)
    even_split, kinds = np.full((span.count, 2), np.nan), np.zeros((span.count, 2), dtype=np.uint8)
    restated = np.zeros(span.count, dtype=np.bool_)
    return _padded(
        team,
        Figures(
            span, names, kept.mean[at], peaks, coverage, even_split, kinds, kept.there[0], restated, rolled_up=True
        ),
    )


def _distinct(found: dict[int, Roster]) -> tuple[Codes, list[Roster]]:
    """The number of each window's roster (n_found,), and the rosters by number."""
    numbers: dict[Roster, int] = {}
    rows = [numbers.setdefault(roster, len(numbers)) for roster in found.values()]
    return np.array(rows, dtype=np.int32), list(numbers)


def _ordered(
    port_ids: Codes, found: dict[int, Roster], showing: Showing
) -> tuple[npt.NDArray[np.intp], tuple[str, ...]]:
    """Where each member is among the ports, the last roster first and by its order, then those that left."""
    last = next(reversed(found.values()), ())
    others = [port_id for port_id in port_ids.tolist() if port_id not in last]
    order = [*last, *others]
    return np.searchsorted(port_ids, np.array(order, dtype=np.int32)), tuple(map(showing.name_of, order))


def _padded(team: Team, found: Figures) -> Figures:
    """Where nothing was kept, the members that the team has now, unknown."""
    if found.names:
        return found
    unknown = np.full((len(team.members), found.span.count, 2), np.nan)
    rest = (found.even_split, found.kinds, found.there, found.restated, found.rolled_up)
    return Figures(found.span, team.members, unknown, unknown, unknown, *rest)
