"""How far the clock of a source is off, seen from when its samples were received."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from service.terms import Codes, Ints, Samples

Quartiles = np.ndarray[tuple[int], np.dtype[np.floating]]

LAST = 20  # samples that say what the offset is
TOLERATED_MS = 5000


def offsets(samples: Samples, device_of_port: Codes) -> Ints:
    """What to add to each sample's time to place it on the collector's clock.

    Parameters
    ----------
    samples : Samples
        Sorted by port and time.
    device_of_port : int, shape (n_ports,)

    Returns
    -------
    int64 milliseconds, shape (n,)
        The median of received less told over the device's last 20 samples up to there; 0 where
        it is at most 5 s, or nobody noted when the samples were received. A backlog pushed late
        is no offset: its samples are late by different times, a clock is off by one.
    """
    shift_ms = np.zeros(len(samples), dtype=np.int64)
    if len(samples.received_ms) == 0:
        return shift_ms
    late_ms = samples.received_ms - samples.at_ms
    device = device_of_port[samples.port]
    suspect = np.isin(device, device[(np.abs(late_ms) > TOLERATED_MS) & (samples.received_ms >= 0)])
    rows = np.flatnonzero(suspect & (samples.received_ms >= 0))
    if len(rows) == 0:
        return shift_ms
    rows = rows[np.lexsort((samples.received_ms[rows], samples.at_ms[rows], device[rows]))]
    middle, scatter = _middle_and_scatter(late_ms[rows], device[rows])
    off = (np.abs(middle) > TOLERATED_MS) & (scatter <= TOLERATED_MS)
    shift_ms[rows] = np.where(off, np.rint(middle), 0).astype(np.int64)
    return shift_ms


def _middle_and_scatter(late_ms: Ints, device: npt.NDArray[np.integer]) -> tuple[Quartiles, Quartiles]:
    """Median of each device's last 20 values up to each, and the distance between their quartiles."""
    import pandas as pd  # takes a second to load, and most clocks are right

    rolling = pd.Series(late_ms, dtype="float64").groupby(device, sort=False).rolling(LAST, min_periods=1)

    def quantile(part: float) -> Quartiles:
        return rolling.quantile(part).to_numpy(dtype=np.float64)

    return quantile(0.5), quantile(0.75) - quantile(0.25)
