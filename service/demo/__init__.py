"""The demo: an invented freight exchange, played through the real ingest path on a simulated clock."""

from __future__ import annotations

from collections.abc import Callable

PORT = 8440


def run(*, port: int = PORT, once: bool = False, seed: int | None = None, say: Callable[[str], None]) -> None:
    """Play the day and say what happens, then keep answering on loopback until told to stop; `once` ends at once."""
    import logging

    import structlog

    from service import app
    from service.demo import show

    # What the service logs of its work, the demo tells in its own words.
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING))
    with app.stopping_at_signals():
        show.run(port=port, once=once, seed=seed, say=say)
