"""What is measured of samples: intervals, members and teams in windows."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from service.terms.layouts import Bytes, Codes, Floats, Ints, Marks, Singles, Truths
from service.terms.readings import Span


@dataclass(frozen=True)
class Intervals:
    """What became of each sample of a run, rows as in the sorted samples: shape (n,), or (n, 2) by direction.

    An interval lies at [start_ms, end_ms). `octets` and `frames` are whole numbers, UNKNOWN
    where there is no value. `packets`, `mcast`, `bcast`, `discards`, `errors` likewise.
    `candidates_bps` maps (row, direction) of an ambiguous interval to its possible rates.
    """

    port: Codes
    start_ms: Ints
    end_ms: Ints
    facts: Codes
    facts_before: Codes
    octets: Ints
    frames: Ints
    mcast: Ints
    bcast: Ints
    discards: Ints
    errors: Ints
    status: Bytes
    flags: Marks
    candidates_bps: dict[tuple[int, int], tuple[int, ...]] = field(default_factory=dict)
    changed_ms: Ints | None = None  # (n,), when the port last changed its state; None where no source tells


@dataclass(frozen=True)
class MemberWindows:
    """Every port in every window of a span; arrays of shape (n_ports, n_windows[, 2]).

    `utilisation` is on the basis that `basis` names and NaN where unknown, `lower` and
    `upper` bound it, `coverage` is the share of the window that intervals cover. Packet
    figures are per second, ratios shares of 1, NaN where not counted.
    """

    span: Span
    utilisation: Floats
    lower: Singles
    upper: Singles
    coverage: Singles
    basis: Bytes
    discard_ratio: Singles
    packets: Singles
    mcast: Singles
    bcast: Singles
    errors: Singles
    speed_bps: Ints  # (n_ports, n_windows)
    marks: Marks  # (n_ports, n_windows)
    why_not: Bytes  # (n_ports, n_windows, 2), a WhyNot


@dataclass(frozen=True)
class TeamWindows:
    """Every team in every window of a span, arrays of shape (n_teams, n_windows, 2).

    Utilisations and shares are NaN, rates UNKNOWN, where no member is eligible. `hot` and
    `idle` are bit sets of member positions, `busiest` the position of the busiest member.
    """

    span: Span
    evaluable: Truths  # every member that matters is known
    even_split: Floats
    imbalance: Floats
    utilisation: Floats  # of the busiest eligible member
    busiest: npt.NDArray[np.int8]
    busiest_share: Floats
    total_bps: Floats
    usable_bps: Floats
    stranded_bps: Floats
    room_bps: Floats
    one_lost: Floats
    hot: Bytes
    idle: Bytes
    kind: Bytes
    degraded: Truths
    calm: Truths  # for the distribution family
    calm_full: Truths  # for the capacity family
    calm_degraded: Truths = field(default_factory=lambda: np.zeros((0, 0, 2), dtype=np.bool_))  # for the build family
    basis: Bytes = field(default_factory=lambda: np.zeros((0, 0, 2), dtype=np.uint8))  # of the busiest member
    discards: Singles = field(default_factory=lambda: np.zeros((0, 0, 2), dtype=np.float32))  # worst of the hot members
    # Of members that are up and yet must not be used: which show it (bits) and as which Kind, since how many windows;
    # whether those that did show it no more, or whether nobody can tell.
    unfit: Bytes = field(default_factory=lambda: np.zeros((0, 0, 2), dtype=np.uint8))
    unfit_kind: Bytes = field(default_factory=lambda: np.zeros((0, 0, 2), dtype=np.uint8))
    unfit_age: Bytes = field(default_factory=lambda: np.zeros((0, 0, 2), dtype=np.uint8))
    recovering: Truths = field(default_factory=lambda: np.zeros((0, 0, 2), dtype=np.bool_))
    unfit_blind: Truths = field(default_factory=lambda: np.zeros((0, 0, 2), dtype=np.bool_))
