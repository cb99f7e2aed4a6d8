"""Which claimed speeds are not believed in a run, also where a run is shorter than what gives a false speed away."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from service.numerics.speeds import PLATEAU_FROM, PLATEAU_TO_ON_WIRE, PLATEAU_WINDOWS, STANDARD_BPS, doubts
from service.numerics.windows import member_windows
from service.rules.events import ANEW_MS, Noticed
from service.terms import FactsTable, Intervals, Layout, MemberWindows, Span, Truths

# As far back as live evaluation reads: a link that carried more within that time is no slower one.
LOOK_BACK_WINDOWS = 3 * PLATEAU_WINDOWS

_COLUMNS = (
    *("start_ms", "end_ms", "facts", "facts_before", "octets", "frames", "mcast", "bcast", "discards", "errors"),
    *("status", "flags"),
)


def doubted(windows: MemberWindows, told: Intervals, facts: FactsTable, coarse: Truths) -> Truths:
    """Ports for which the run shows that their claimed speed is false, shape (n_ports,).

    Where the run has few windows, those before it are looked at too, as far as its intervals
    reach back; only of ports that now carry what fills a slower link, or look false. `coarse`
    (n_ports,) says whose times are known to the second only.
    """
    found = doubts(windows, coarse=coarse)
    if windows.span.count >= LOOK_BACK_WINDOWS:
        return found
    suspects = np.flatnonzero(_fills_a_slower_link(windows) | found)
    if len(suspects):
        found[suspects] = doubts(_wider(windows.span, told, facts, suspects), coarse=coarse[suspects])
    return found


def still_doubted(noticed: Noticed, layout: Layout, at_ms: int) -> Truths:
    """Ports doubted less than an hour before, shape (n_ports,): a speed does not become true by less load."""
    ports = {(port.device, port.port): at for at, port in enumerate(layout.ports)} if noticed.last_ms else {}
    found = np.zeros(len(layout.ports), dtype=np.bool_)
    for (device, port, kind), seen_ms in noticed.last_ms.items():
        if kind == "speed-doubtful" and at_ms - seen_ms <= ANEW_MS and (device, port) in ports:
            found[ports[device, port]] = True
    return found


def _fills_a_slower_link(windows: MemberWindows) -> Truths:
    rate = windows.utilisation[:, -1] * windows.speed_bps[:, -1:]
    nearest = np.maximum(np.searchsorted(STANDARD_BPS, rate / PLATEAU_FROM, side="right") - 1, 0)
    standard = STANDARD_BPS[nearest]
    fills = (rate >= PLATEAU_FROM * standard) & (rate <= PLATEAU_TO_ON_WIRE * standard)
    return np.asarray((fills & (standard < windows.speed_bps[:, -1:])).any(axis=1))


def _wider(span: Span, told: Intervals, facts: FactsTable, ports: npt.NDArray[np.intp]) -> MemberWindows:
    """Some ports' windows of a span and of those before it, for a plateau or for what contradicts one."""
    mine = np.isin(told.port, ports)
    picked = {name: getattr(told, name)[mine] for name in _COLUMNS}
    few = replace(
        told,
        port=np.searchsorted(ports, told.port[mine]).astype(np.int32),
        changed_ms=None if told.changed_ms is None else told.changed_ms[mine],
        candidates_bps={},
        **picked,
    )
    more = LOOK_BACK_WINDOWS - span.count
    wide = Span(span.first_ms - more * span.width_ms, span.count + more, span.width_ms)
    return member_windows(few, facts, len(ports), wide)
