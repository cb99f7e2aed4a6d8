"""The demo: an invented freight exchange, played through the real ingest path on a simulated clock."""

from __future__ import annotations

from collections.abc import Callable

PORT = 8428


def run(*, port: int = PORT, once: bool = False, seed: int | None = None, say: Callable[[str], None]) -> None:
    """Play the day and say what happens, then keep answering on loopback until told to stop; `once` ends at once."""
    from service import app
    from service.demo import show

    with app.stopping_at_signals():
        show.run(port=port, once=once, seed=seed, say=say)
