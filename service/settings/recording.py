"""The sections that say where exporters are heard, and which."""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from typing import Annotated

from pydantic import AfterValidator, Field

from service.settings.sections import Number, Section, refusal

PortNumber = Annotated[int, Number, Field(ge=0, le=65_535)]


def _address(value: str) -> str:
    try:
        return str(ipaddress.ip_address(value))
    except ValueError:
        raise refusal(
            f"{value!r} is no address", "write an address without a port, like 192.0.2.7 or 2001:db8::7"
        ) from None


Address = Annotated[str, AfterValidator(_address)]


class Records(Section):
    """Where exporters are heard; a port of 0 is not opened."""

    host: Address = "127.0.0.1"
    ipfix_port: PortNumber = 4739
    sflow_port: PortNumber = 6343
    in_serve: bool = False


class Exporter(Section):
    """A device that exports, and the address that it sends from."""

    device: str = Field(min_length=1, max_length=255)
    address: Address


def check_exporters(exporters: Sequence[Exporter]) -> None:
    """Refuse two devices at one address: nobody could tell their records apart."""
    seen: dict[str, str] = {}
    for at, exporter in enumerate(exporters):
        if exporter.address in seen:
            raise refusal(
                f"{exporter.address} is the address of {seen[exporter.address]!r} already",
                "keep one",
                f"exporters.{at}.address",
            )
        seen[exporter.address] = exporter.device
