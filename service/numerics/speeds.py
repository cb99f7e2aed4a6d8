"""What speed to believe, and when not to believe the one that a port claims."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from service.terms import UNKNOWN, Basis, Bytes, Floats, Ints, Mark, MemberWindows, Samples, Truths, WhyNot

# Speeds of Ethernet (IEEE 802.3), bit/s.
STANDARD_BPS = np.array([10e6, 100e6, 1e9, 2.5e9, 5e9, 10e9, 25e9, 40e9, 50e9, 100e9])
OVER_LINE = 1.02  # twice what clocks and reading times can explain, where times are finer than seconds
WHOLE_SECOND_MS = 1000
LEAST_COVERAGE = 0.5  # less gives a window no value
PLATEAU_WINDOWS = 6
PLATEAU_VARIATION = 0.002
# A full link shows 93 % (payload of TCP) to 98.7 % (whole frames) in counted octets, and 100 % on wire.
PLATEAU_FROM, PLATEAU_TO, PLATEAU_TO_ON_WIRE = 0.93, 0.995, 1.005
HALF_DUPLEX_BELOW_BPS = 1_000_000_000  # no half duplex at 1 Gbit/s and above in the trade
UNBELIEVABLE = (WhyNot.NO_DATA, WhyNot.PARTIAL, WhyNot.FLAP, WhyNot.SPEED_UNKNOWN, WhyNot.SPEED_CHANGED)


def believed(claimed_bps: Ints, far_end_bps: Ints | None = None, override_bps: Ints | None = None) -> Ints:
    """The speed that counts: what the operator set, else what the far end of the cable says, else the port's own word.

    All of one shape, 0 where unknown.
    """
    speed = claimed_bps
    for better in (far_end_bps, override_bps):
        if better is not None:
            speed = np.where(better > 0, better, speed)
    return speed


def ends_disagree(claimed_bps: Ints, far_end_bps: Ints) -> Truths:
    """Where both ends of one cable claim a speed and not the same one, of the shape given."""
    return np.asarray((claimed_bps > 0) & (far_end_bps > 0) & (claimed_bps != far_end_bps))


def doubts(windows: MemberWindows, far_end_bps: Ints | None = None, coarse: Truths | None = None) -> Truths:
    """Ports whose claimed speed is not to be believed, shape (n_ports,).

    A port is doubted when a window shows more than 102 % of it, when its rate lies flat where a
    slower standard link would be full, when it claims half duplex at 1 Gbit/s or more, or when
    the far end of its cable (`far_end_bps`, shape (n_ports,), 0 unknown) claims another speed.
    Where times are known to the second only (`coarse`, shape (n_ports,)), a window may show a
    second's octets more than it had: a full link read in whole seconds shows up to 103.3 % in 30 s.
    """
    value = np.where(np.isin(windows.why_not, UNBELIEVABLE), np.nan, windows.utilisation)
    doubted = _too_much(windows, value, coarse) | on_a_plateau(windows, value)
    half_duplex = (windows.marks & Mark.SHARED != 0) & (windows.speed_bps >= HALF_DUPLEX_BELOW_BPS)
    doubted |= half_duplex.any(axis=1)
    if far_end_bps is not None:
        doubted |= ends_disagree(windows.speed_bps, far_end_bps[:, np.newaxis]).any(axis=1)
    return np.asarray(doubted)


def coarse_stamps(samples: Samples, n_ports: int) -> Truths:
    """Ports whose every sample lies on a whole second and tells no uptime, shape (n_ports,)."""
    fine = samples.at_ms % WHOLE_SECOND_MS != 0
    if len(samples.uptime_ticks):
        fine |= samples.uptime_ticks != UNKNOWN
    coarse = np.ones(n_ports, dtype=np.bool_)
    coarse[samples.port[fine]] = False
    return coarse


def _too_much(windows: MemberWindows, value: Floats, coarse: Truths | None) -> Truths:
    """Ports that show more than any window of theirs can at its true speed, shape (n_ports,)."""
    found: Truths = _most(value) > OVER_LINE
    if coarse is None:
        return found
    for port in np.flatnonzero(found & coarse).tolist():
        covered_ms = windows.span.width_ms * np.maximum(windows.coverage[port], LEAST_COVERAGE).astype(np.float64)
        found[port] = (value[port] > OVER_LINE + WHOLE_SECOND_MS / covered_ms).any()
    return found


def _most(value: Floats) -> Floats:
    """The largest known figure of each port, shape (n_ports,), NaN where there is none."""
    if value.size:
        return np.asarray(np.fmax.reduce(value.reshape(len(value), -1), axis=1))
    return np.full(len(value), np.nan)


def on_a_plateau(windows: MemberWindows, value: Floats) -> Truths:
    """Ports that for six windows on end held one rate, where a slower standard link is full, shape (n_ports,).

    `value` (n_ports, n_windows, 2) are the utilisations to judge by, NaN where there is none.
    """
    found = np.zeros(len(value), dtype=np.bool_)
    if value.shape[1] < PLATEAU_WINDOWS:
        return found
    rate = value * windows.speed_bps[:, :, np.newaxis]
    carried = _most(rate)
    some = np.flatnonzero(_may_fill(carried))
    near = _slower_link_filled(rate[some], windows.basis[some], windows.speed_bps[some], carried[some])
    there = (np.count_nonzero(near, axis=1) >= PLATEAU_WINDOWS).any(axis=1)
    likely = some[there]
    runs = np.lib.stride_tricks.sliding_window_view(rate[likely], PLATEAU_WINDOWS, axis=1)
    filled = np.lib.stride_tricks.sliding_window_view(near[there], PLATEAU_WINDOWS, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        flat = runs.std(axis=-1) < PLATEAU_VARIATION * runs.mean(axis=-1)
    found[likely] = (flat & filled.all(axis=-1)).any(axis=(1, 2))
    return found


def _may_fill(carried: Floats) -> Truths:
    """Ports whose largest rate fills a standard link and is not more than one can carry, shape (n_ports,)."""
    most = carried[:, np.newaxis]
    return np.asarray(((most >= PLATEAU_FROM * STANDARD_BPS) & (most <= OVER_LINE * STANDARD_BPS)).any(axis=1))


def _slower_link_filled(rate: Floats, basis: Bytes, speed_bps: Ints, carried: Floats) -> Truths:
    """Where a rate would fill a standard link slower than the claimed one, of a port that never carried more.

    A link is as fast one way as the other, so what either direction carried shows what it can.
    """
    upper = np.where(basis == Basis.COUNTED, PLATEAU_TO, PLATEAU_TO_ON_WIRE)
    claimed, most = speed_bps[:, :, np.newaxis], carried[:, np.newaxis, np.newaxis]
    filled: npt.NDArray[np.bool_] = np.zeros(rate.shape, dtype=np.bool_)
    for standard in STANDARD_BPS:
        near = (rate >= PLATEAU_FROM * standard) & (rate <= upper * standard)
        filled |= near & (standard < claimed) & (most <= OVER_LINE * standard)
    return filled
