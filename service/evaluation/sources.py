"""What an evaluation shows of the sources themselves: events, how often they report, how far their clocks are off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from sqlalchemy import Connection

from service.evaluation import listening
from service.evaluation.listening import SAME_MS, State
from service.evaluation.piece import Desk, Judged
from service.storage import events, inventory, watch
from service.storage.listening import Pulse, pulses
from service.terms import DataEvent


def note(connection: Connection, judged: Judged, desk: Desk) -> int:
    """Keep what a piece shows of each device, and its events; how many events were new."""
    _note_devices(connection, judged)
    return events.keep(connection, _news(connection, judged, desk))


def _note_devices(connection: Connection, judged: Judged) -> None:
    """Keep of each device how often it reports, how slowly it refreshes, how far its clock is off.

    A device of which there is nothing to read any more stays as it was known.
    """
    layout, around = judged.placed.layout, judged.assessment.around
    kept = watch.told_of(connection, layout.devices)
    for device, gap_ms in _usual_gaps(judged).items():
        then = kept[layout.devices[device]]
        now = {
            "interval_ms": gap_ms or then.interval_ms,
            "refresh_ms": around.refresh_ms.get(device),
            "clock_offset_ms": around.offset_ms.get(device),
        }
        if any(getattr(then, key) != value for key, value in now.items()):
            inventory.note_device(connection, then.id, **now)


def _usual_gaps(judged: Judged) -> dict[int, int]:
    """By device of which there are samples, the median time between two of one port, 0 where no port has two."""
    samples, device_of_port = judged.assessment.samples, judged.placed.layout.device_of_port
    same = samples.port[1:] == samples.port[:-1]
    gaps, device = np.diff(samples.at_ms)[same], device_of_port[samples.port[1:][same]]
    order = np.argsort(device, kind="stable")
    devices, starts = np.unique(device[order], return_index=True)
    each = np.split(gaps[order], starts[1:]) if len(devices) else []
    heard = dict.fromkeys(np.unique(device_of_port[samples.port]).tolist(), 0)
    return heard | {of: int(np.median(told)) for of, told in zip(devices.tolist(), each, strict=True)}


def _news(connection: Connection, judged: Judged, desk: Desk) -> list[DataEvent]:
    """The events of a piece; of the silences those that are known to be some, and were not told yet."""
    found = judged.assessment.events
    silences = [_placed(event, judged) for event in found if event.kind == "silent"]
    if not silences:
        return list(found)
    known = {pulse.device: pulse for pulse in pulses(connection, {event.device for event in silences})}
    real = [event for event in silences if _is_one(event, known[event.device], desk)]
    return [event for event in found if event.kind != "silent"] + listening.untold(connection, real)


def _placed(event: DataEvent, judged: Judged) -> DataEvent:
    """A silence by this service's clock: it begins with a sample, and the source's own may be off."""
    device = judged.placed.layout.devices.index(event.device)
    return replace(event, at_ms=event.at_ms + judged.assessment.around.offset_ms.get(device, 0))


def _is_one(silence: DataEvent, pulse: Pulse, desk: Desk) -> bool:
    """Whether a silence ended, or lasts and the source is indeed not heard.

    The end of a file is no silence, nor is a backlog of which more is on its way.
    """
    ended = (listening.last_word_ms(pulse) or 0) > silence.at_ms + SAME_MS
    return ended or listening.standing(pulse, desk.now_ms, desk.policy.waits_ms).state is State.SILENT
