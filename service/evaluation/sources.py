"""What an evaluation shows of the sources themselves: events, how often they report, and when they fell silent."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from sqlalchemy import Connection

from service.evaluation.piece import Judged
from service.numerics.silence import silences, usual_interval
from service.storage import events, inventory, watch
from service.terms import Codes, Ints


def note(connection: Connection, judged: Judged) -> int:
    """Keep the events of a piece and what it shows of each device; how many events were new."""
    layout, assessment = judged.placed.layout, judged.assessment
    rounds = _rounds(layout.device_of_port[assessment.samples.port], assessment.samples.at_ms)
    since = {device: _silent_since(heard, assessment.members.span.end_ms) for device, heard in rounds.items()}
    said = events.keep(connection, assessment.events)
    _note_devices(connection, judged, rounds, since)
    return said


def _silent_since(heard: Ints, now_ms: int) -> int | None:
    """Since when a device that was heard before is silent; unlike in a file, here time goes on without samples."""
    found = silences(heard[heard <= now_ms], now_ms, usual_interval(heard))
    return found[-1].since_ms if found and found[-1].until_ms is None and heard[-1] <= now_ms else None


def _note_devices(
    connection: Connection, judged: Judged, rounds: Mapping[int, Ints], since: Mapping[int, int | None]
) -> None:
    """Keep of each device how often it reports, how slowly it refreshes, how far its clock is off, if it is silent.

    A device of which there is nothing to read any more stays as it was known.
    """
    layout, around = judged.placed.layout, judged.assessment.around
    kept = watch.told_of(connection, layout.devices)
    for device, heard in rounds.items():
        then = kept[layout.devices[device]]
        now = {
            "interval_ms": usual_interval(heard) or then.interval_ms,
            "refresh_ms": around.refresh_ms.get(device),
            "clock_offset_ms": around.offset_ms.get(device),
            "silent_since_ms": since[device],
        }
        if any(getattr(then, key) != value for key, value in now.items()):
            inventory.note_device(connection, then.id, **now)


def _rounds(device: Codes, at_ms: Ints) -> dict[int, Ints]:
    """By device, when it was heard, in order."""
    if len(device) == 0:
        return {}
    order = np.lexsort((at_ms, device))
    devices, starts = np.unique(device[order], return_index=True)
    return dict(zip(devices.tolist(), np.split(at_ms[order], starts[1:]), strict=True))
