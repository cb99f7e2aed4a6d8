"""Examples for tests of what is kept: samples near EPOCH_MS, teams with their windows."""

from __future__ import annotations

import numpy as np
from examples import EPOCH_MS, samples_of
from sqlalchemy import Engine, func, select

from service.storage import inventory, samples, tables
from service.storage.agents import Polling
from service.terms import Change, MemberWindows, Outcome, PortName, Prediction, Side, Span, Verdict

FOUR_WINDOWS = Span(EPOCH_MS, 4)


def some_samples(*rows):
    """Samples by dicts as for `samples_of`, with `at` in seconds after EPOCH_MS."""
    return samples_of([{**row, "at": EPOCH_MS / 1000 + row.get("at", 0)} for row in rows])


def keep_samples(connection, batch, facts=1):
    """Keep samples of the ports 1, 2, 3, ... by position."""
    facts_ids = np.full(len(batch), facts, dtype=np.int32)
    return samples.keep(connection, batch, batch.port + 1, facts_ids)


def a_polling(device="sm-30", **told):
    """How it goes with a device that is polled every 10 s since EPOCH_MS, and was not heard yet."""
    usual = {"address": "192.0.2.30:161", "version": "3", "clear_text": False, "since_ms": EPOCH_MS}
    return Polling(**{"device": device, "interval_ms": 10_000, "stretched_ms": 10_000, **usual, **told})


def three_teams(connection):
    """Teams of two, three and two members, placed."""
    sizes = {"front": 2, "store": 3, "shift": 2}
    names = [PortName("sm-07", f"{team}{k}", team) for team, members in sizes.items() for k in range(members)]
    inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
    return inventory.layout(connection)


def some_windows(ports=7, span=FOUR_WINDOWS, seed=1):
    """Windows with a different figure in each place, some unknown."""
    draw = np.random.default_rng(seed)
    shape = (ports, span.count, 2)
    singles = {
        name: draw.random(shape, dtype=np.float32)
        for name in ("lower", "upper", "coverage", "discard_ratio", "packets", "mcast", "bcast", "errors")
    }
    utilisation = draw.random(shape)
    utilisation[0, 0] = np.nan
    singles["discard_ratio"][1] = np.nan
    return MemberWindows(
        span=span,
        utilisation=utilisation,
        basis=draw.integers(0, 4, shape, dtype=np.uint8),
        speed_bps=draw.integers(0, 2**40, shape[:2]),
        marks=draw.integers(0, 1024, shape[:2], dtype=np.uint16),
        why_not=draw.integers(0, 12, shape, dtype=np.uint8),
        **singles,
    )


def some_kinds(teams=3, span=FOUR_WINDOWS):
    """A kind for each team, window and direction."""
    return np.random.default_rng(2).integers(0, 8, (teams, span.count, 2), dtype=np.uint8)


def a_prediction(**told):
    """What was foretold of the egress of team 1 at EPOCH_MS."""
    usual = {"id": "p1", "team_id": 1, "direction": "egress", "option": "layer4-tuple", "success": 0.93}
    return Prediction(**{**usual, "made_ms": EPOCH_MS, "made_by": "T. Haverly", **told})


def a_change(**told):
    """A change that was made at EPOCH_MS."""
    usual = {"id": "c1", "at_ms": EPOCH_MS, "who": "T. Haverly", "what": "hashed by addresses and ports"}
    return Change(**{**usual, **told})


def a_verdict(outcome=Outcome.CANNOT_TELL_YET, **told):
    """A verdict that says little besides its outcome."""
    return Verdict(**{"outcome": outcome, "text": "as it is", "before": Side(), "after": Side(), **told})


def counts(engine: Engine) -> dict[str, int]:
    """How many rows each table has."""
    with engine.connect() as connection:
        return {
            table.name: connection.scalar(select(func.count()).select_from(table))
            for table in tables.metadata.sorted_tables
        }
