"""Counters of the laboratory's agent, asked by a plain client and pushed to the service."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import httpx
from lab.laboratory import Lab
from lab.links import TEAM
from lab.namespaces import inside
from lab.serving import URL

DEVICE = "lab-agg"
UPTIME = "1.3.6.1.2.1.1.3.0"  # RFC 3418
# Columns of RFC 2863, by the names that a push has for them.
COLUMNS = {
    "in_octets": "1.3.6.1.2.1.31.1.1.1.6",
    "out_octets": "1.3.6.1.2.1.31.1.1.1.10",
    "in_packets": "1.3.6.1.2.1.31.1.1.1.7",
    "out_packets": "1.3.6.1.2.1.31.1.1.1.11",
    "out_discards": "1.3.6.1.2.1.2.2.1.19",
}
OPER_STATUS = "1.3.6.1.2.1.2.2.1.8"


@contextmanager
def reporting(lab: Lab) -> Iterator[None]:
    """All members asked and told once a second, until the end of the block."""
    over = threading.Event()
    thread = threading.Thread(target=lambda: inside(lab.names["mgr"], lambda: _report(lab, over)))
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def _report(lab: Lab, over: threading.Event) -> None:
    asked = [
        f"{column}.{lab.links.index[port]}" for port in lab.links.ports for column in (*COLUMNS.values(), OPER_STATUS)
    ]
    with lab.agent.session_v3() as session, httpx.Client(timeout=10) as http:
        while not over.wait(1):
            sent = time.time()
            told = session.get_many([UPTIME, *asked])
            at = (sent + time.time()) / 2
            rows = [_row(lab, port, at, told) for port in lab.links.ports]
            http.post(URL + "/v1/samples", json={"samples": rows}).raise_for_status()


def _row(lab: Lab, port: str, at: float, told: dict[str, Any]) -> dict[str, Any]:
    place = lab.links.index[port]
    return {
        "time": round(at, 3),
        "device": DEVICE,
        "team": TEAM,
        "port": port,
        "speed_bps": lab.links.bps,
        "uptime_ticks": told[UPTIME],
        "counts": "no-fcs",
        "oper_status": "up" if told[f"{OPER_STATUS}.{place}"] == 1 else "down",
        **{name: told[f"{column}.{place}"] for name, column in COLUMNS.items()},
    }
