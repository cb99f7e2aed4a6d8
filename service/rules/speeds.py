"""What people set, or the far end of a cable tells, in place of what ports claim: speeds and roles."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np

from service.numerics.speeds import believed
from service.terms import Bytes, FactsTable, Ints, Samples


def as_set(
    samples: Samples, facts: FactsTable, set_bps: Ints, far_bps: Ints | None = None, roles: Bytes | None = None
) -> tuple[Samples, FactsTable]:
    """The same samples with the speeds and roles that count, and the table that their facts then point into.

    `set_bps` (n_ports,) are speeds that operators set, `far_bps` those of the far ends of cables,
    `roles` those that are declared to override; each 0 where there is none. The table keeps its
    rows and gets a row for each fact told of a port of which something else counts.
    """
    far_bps = np.zeros_like(set_bps) if far_bps is None else far_bps
    roles = np.zeros(len(set_bps), dtype=np.uint8) if roles is None else roles
    concerned = (set_bps > 0) | (far_bps > 0) | (roles > 0)
    rows = np.flatnonzero(concerned[samples.port]) if len(set_bps) else np.zeros(0, dtype=np.intp)
    if len(rows) == 0:
        return samples, facts
    pairs = samples.facts[rows].astype(np.int64) * len(set_bps) + samples.port[rows]
    distinct, places = np.unique(pairs, return_inverse=True)
    old, port = np.divmod(distinct, len(set_bps))
    columns: dict[str, Any] = {field.name: getattr(facts, field.name) for field in fields(facts)}
    more = {name: column[old] for name, column in columns.items()}
    more["speed_bps"] = believed(more["speed_bps"], far_end_bps=far_bps[port], override_bps=set_bps[port])
    more["role"] = np.where(roles[port] > 0, roles[port], more["role"])
    pointing = samples.facts.copy()
    pointing[rows] = len(facts.speed_bps) + places
    table = FactsTable(**{name: np.concatenate([column, more[name]]) for name, column in columns.items()})
    return replace(samples, facts=pointing), table
