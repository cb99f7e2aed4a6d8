"""How the service logs: structured lines on stderr, JSON where nobody watches; never the values of variables."""

from __future__ import annotations

import logging
import sys
from typing import Any

import orjson
import structlog

# Local variables in tracebacks would show secrets, so both renderers leave them out.
_SHARED: tuple[Any, ...] = (
    structlog.contextvars.merge_contextvars,
    structlog.stdlib.add_log_level,
    structlog.processors.TimeStamper(fmt="iso", utc=True),
)
# These tell at every run or request what is of no use to the keeper.
_QUIET = {"apscheduler": logging.ERROR, "uvicorn": logging.WARNING, "alembic": logging.WARNING}


def to_stderr() -> None:
    """Send our own lines and those of libraries to stderr in one form."""
    ends = _for_people() if sys.stderr.isatty() else _for_programs()
    structlog.configure(
        processors=[*_SHARED, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        cache_logger_on_first_use=False,
    )
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(structlog.stdlib.ProcessorFormatter(foreign_pre_chain=_SHARED, processors=ends))
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(logging.INFO)
    for name, level in _QUIET.items():
        logging.getLogger(name).setLevel(level)


def _for_people() -> list[Any]:
    plain = structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback)
    return [structlog.stdlib.ProcessorFormatter.remove_processors_meta, plain]


def _for_programs() -> list[Any]:
    return [
        structlog.stdlib.ProcessorFormatter.remove_processors_meta,
        structlog.processors.format_exc_info,
        structlog.processors.JSONRenderer(serializer=lambda told, **_: orjson.dumps(told, default=str).decode()),
    ]
