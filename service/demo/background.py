"""The exchange's ordinary day: every team follows a day curve, a little unevenly, and none of it is worth a word."""

from __future__ import annotations

import numpy as np

from service.demo.exchange import HOSTS, MEMBERS, TEAMS, position_of
from service.terms import EGRESS, Floats, Ints

LOWEST, HIGHEST = 0.06, 0.35  # even split of a team, as a share of line rate
CORRELATION = 0.95  # of a window's departure from the day curve with the next window's
# Standard deviation of that departure, as a share of line rate. Much less would leave rates so flat that some
# look like a slower link that is full.
DEPARTURE = 0.025
MOST_UNEVEN = 0.68  # share of the busier member; 0.50 is even
DAY_MS = 24 * 3600 * 1000


def day_curves(draw: np.random.Generator, starts_ms: Ints) -> Floats:
    """Even split by team, direction and window, between LOWEST and HIGHEST, shape (n_teams, 2, n_windows)."""
    shape = (len(TEAMS), 2, 1)
    night, noon = draw.uniform(0.085, 0.11, shape), draw.uniform(0.22, 0.325, shape)
    at, way = position_of("sm-05", "store"), EGRESS
    noon[at, way] = 0.345  # so that its members reach 46 and 22 %
    peak = draw.uniform(10.0, 16.0, shape) * 3_600_000
    hill = (0.5 + 0.5 * np.cos(2 * np.pi * (starts_ms - peak) / DAY_MS)) ** 1.5
    curve = night + (noon - night) * hill
    return _within_bounds(curve + departures(draw, len(starts_ms)))


def _within_bounds(split: Floats) -> Floats:
    # Turned back at the bounds rather than cut off there: a cut leaves flat stretches that no traffic has.
    above = LOWEST + np.abs(split - LOWEST)
    below: Floats = HIGHEST - np.abs(HIGHEST - above)
    return below


def departures(draw: np.random.Generator, n_windows: int) -> Floats:
    """What each team's windows add to its day curve: first-order autoregression, shape (n_teams, 2, n_windows)."""
    noise = draw.standard_normal((n_windows, len(TEAMS), 2))
    fresh = np.sqrt(1 - CORRELATION**2)
    for window in range(1, n_windows):
        noise[window] = CORRELATION * noise[window - 1] + fresh * noise[window]
    departure: Floats = DEPARTURE * np.moveaxis(noise, 0, -1)
    return departure


def member_shares(draw: np.random.Generator) -> Floats:
    """Share of the team's load that each member carries, shape (n_teams, 2, MEMBERS): one split a host.

    Which member is the busier one is drawn for every team and direction, so that no position
    is the busy one throughout.
    """
    busier = dict(zip(HOSTS, draw.uniform(0.5, MOST_UNEVEN, len(HOSTS)), strict=True))
    busier["sm-05"] = 46 / (46 + 22)
    first = np.array([busier[team.device] for team in TEAMS])[:, None].repeat(2, axis=1)
    swapped = draw.random(first.shape) < 0.5
    first = np.where(swapped, 1 - first, first)
    return np.stack([first, 1 - first], axis=-1)


def flutter(draw: np.random.Generator, shape: tuple[int, ...], per_window: int) -> Floats:
    """Factors near 1 for the samples of each window that leave the window's mean alone; shape + (per_window,)."""
    noise: Floats = 0.02 * draw.standard_normal((*shape, per_window))
    means: Floats = noise.mean(axis=-1, keepdims=True)
    return 1 + noise - means


def wire_shares(draw: np.random.Generator, starts_ms: Ints, per_window: int) -> Floats:
    """On-wire utilisation of every port in every sample, shape (n_ports, 2, n_windows * per_window)."""
    split = day_curves(draw, starts_ms)
    ways = np.moveaxis(member_shares(draw), -1, 1) * MEMBERS  # (n_teams, MEMBERS, 2)
    members = ways[..., None] * split[:, None]  # (n_teams, MEMBERS, 2, n_windows)
    ports = members.reshape(-1, 2, len(starts_ms))
    samples = ports[..., None] * flutter(draw, ports.shape, per_window)
    return samples.reshape(len(ports), 2, -1)
