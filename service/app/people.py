"""The proxy that signs people in, as the settings tell of it."""

from __future__ import annotations

import ipaddress
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from service.settings.reading import Settings
    from service.web.people import People


def people_of(settings: Settings) -> People | None:
    """Whose tokens count, None where no proxy is trusted; WrongSetting where the issuer's keys cannot be read."""
    told = settings.people
    if not told.trusted:
        return None
    from service.web.people import Granted, Keys, People

    keys = Keys(Path(told.keys_file))
    keys.of(None)
    return People(
        told.header,
        tuple(map(ipaddress.ip_network, told.trusted)),
        told.issuer,
        told.audience,
        keys,
        told.name_claim,
        tuple(Granted(one.claim, one.value, one.role) for one in told.roles),
    )
