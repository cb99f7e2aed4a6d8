"""Hearing exporters: in the process that answers and works, or in one of its own."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import structlog

from service.app.parts import Parts
from service.errors import WrongSetting

log = structlog.get_logger("app")


@contextmanager
def at_hand(parts: Parts) -> Iterator[None]:
    """Hear exporters until the block ends, where the settings want it here."""
    if not parts.settings.records.in_serve:
        yield
        return
    with hearing_exporters(parts):
        yield


@contextmanager
def hearing_exporters(parts: Parts) -> Iterator[tuple[int, ...]]:
    """Hear the exporters of the settings until the block ends; the ports on which they are heard."""
    from service.records.receiving import Door, receiving

    told = parts.settings.records
    devices = {exporter.address: exporter.device for exporter in parts.settings.exporters}
    if not devices:
        raise WrongSetting("exporters", "nobody is named who may send", "add an [[exporters]] entry")
    doors = [Door("ipfix", told.host, told.ipfix_port), Door("sflow", told.host, told.sflow_port)]
    opened = tuple(door for door in doors if door.port)
    if not opened:
        raise WrongSetting("records", "neither port is to be opened", "set ipfix_port or sflow_port")
    with receiving(parts.engine, opened, devices, parts.clock) as ports:
        log.info("hearing exporters", host=told.host, ports=ports, exporters=len(devices))
        yield ports
