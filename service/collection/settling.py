"""One walk that ended, kept and made into what is polled of its device; what cannot be used costs nobody else."""

from __future__ import annotations

import structlog
from sqlalchemy import Engine

from service.collection.discovering import Walked, settle
from service.collection.keeping import UNREACHABLE
from service.collection.watched import Watched
from service.feeds.snmp.gathering import Polled
from service.storage import database

log = structlog.get_logger("collection")


def settled(engine: Engine, one: Watched, walked: Walked, now_ms: int) -> Polled | None:
    """Have an agent go on with what it told; the poll that was held until then, if it can be believed."""
    interval_ms = one.watch.interval_ms
    try:
        found = database.retried(engine, lambda connection: settle(connection, walked, interval_ms, now_ms))
    except UNREACHABLE:
        raise
    except Exception as failure:  # one device's tables must not keep the others waiting
        log.exception("what a device says of itself could not be used", device=one.device)
        one.fail_walk(f"{type(failure).__name__}, which the log of this service tells more of", now_ms, answered=True)
        return None
    return one.settle(found, now_ms)
