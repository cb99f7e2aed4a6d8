"""The speeds that operators set, in place of those that ports claim."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np

from service.numerics.speeds import believed
from service.terms import FactsTable, Ints, Samples


def as_set(samples: Samples, facts: FactsTable, set_bps: Ints) -> tuple[Samples, FactsTable]:
    """The same samples with the speeds that were set, and the table that their facts then point into.

    `set_bps` (n_ports,) is 0 where nobody set one. The table keeps its rows and gets a row for
    each fact told of a port whose speed was set.
    """
    rows = np.flatnonzero(set_bps[samples.port] > 0) if len(set_bps) else np.zeros(0, dtype=np.intp)
    if len(rows) == 0:
        return samples, facts
    pairs = samples.facts[rows].astype(np.int64) * len(set_bps) + samples.port[rows]
    distinct, places = np.unique(pairs, return_inverse=True)
    old, port = np.divmod(distinct, len(set_bps))
    columns: dict[str, Any] = {field.name: getattr(facts, field.name) for field in fields(facts)}
    more = {name: column[old] for name, column in columns.items()}
    more["speed_bps"] = believed(more["speed_bps"], override_bps=set_bps[port])
    pointing = samples.facts.copy()
    pointing[rows] = len(facts.speed_bps) + places
    table = FactsTable(**{name: np.concatenate([column, more[name]]) for name, column in columns.items()})
    return replace(samples, facts=pointing), table
