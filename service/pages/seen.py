"""What cannot be seen, the longest silent first, and what is seen less well than it should be."""

from __future__ import annotations

from sqlalchemy import Connection

from service.evaluation.listening import BLIND, Standing, State, glance
from service.storage import listening
from service.storage.listening import Pulse
from service.web.services import Services
from service.webhooks import spoken

MOST_SHOWN = 50


def seen(connection: Connection, services: Services, now_ms: int) -> dict[str, object]:
    """How many sources are heard, who is not, and how those that are polled are."""
    sources, closer = glance(connection, services.policy.waits_ms, now_ms)
    polled = listening.polled(connection, MOST_SHOWN)
    blind = sorted(
        (one for one in closer if one[1].state in BLIND), key=lambda one: (one[1].since_ms or 0, one[0].device)
    )
    return {"sources": sources, "blind": [_silence(*one, now_ms) for one in blind[:MOST_SHOWN]], "polled": polled}


def _silence(pulse: Pulse, stands: Standing, now_ms: int) -> dict[str, object]:
    """Since when a source is silent, and why, as far as asking it shows."""
    what = "nothing" if stands.state is State.SILENT else "never heard, asked in vain"
    lasted = None if stands.since_ms is None else spoken.lasting(max(0, now_ms - stands.since_ms))
    told = {"device": pulse.device, "what": what, "lasted": lasted, "since_ms": stands.since_ms}
    return {**told, "trouble": pulse.trouble}
