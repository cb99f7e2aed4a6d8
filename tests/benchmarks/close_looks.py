"""A close look of an hour at one team, 720 windows of 5 s with a change amid them: its answer beside the bare one.

Run by tests/benchmarks/run.py, or by itself.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path

from close_examples import seconds_after, told
from web_examples import TestClient, asked

from service.storage import database
from service.webhooks.fields import instant

PLACE = "/v1/teams/1/close-look"
APART, TOGETHER = (0.80, 0.10), (0.46, 0.44)
TIMES, WINDOWS, GOAL_MS = 9, 720, 100


def milliseconds(http: TestClient, address: str) -> float:
    """The median time of an answer, warm."""
    took = []
    for _ in range(TIMES + 1):
        began = time.perf_counter()
        assert http.get(address).status_code == 200
        took.append((time.perf_counter() - began) * 1000)
    return statistics.median(took[1:])


def main() -> None:
    """An hour at 5 s, half of it apart."""
    after_s = [0]
    with tempfile.TemporaryDirectory() as folder:
        engine = database.open(f"sqlite:///{Path(folder) / 'close.sqlite'}")
        database.upgrade(engine)
        http = asked(engine, now_ms=lambda: seconds_after(after_s[0]))
        http.post("/v1/samples", json={"samples": told()}).raise_for_status()
        http.post(PLACE, json={"seconds": 5, "minutes": 60}).raise_for_status()
        after_s[0] = 3600
        http.post("/v1/samples", json={"samples": told((1800, APART), (1800, TOGETHER))}).raise_for_status()
        change = {
            "at": instant(seconds_after(1800)),
            "what": "hashed by ports too",
            "kind": "method",
            "settle_seconds": 30,
        }
        http.post("/v1/changes", json={**change, "teams": [{"device": "sm-07", "team": "front"}]}).raise_for_status()
        assert len(http.get(PLACE).json()["starts"]) == WINDOWS
        bare, took = milliseconds(http, "/healthz"), milliseconds(http, PLACE)
        print(f"  {WINDOWS} windows of 5 s: {took:.1f} ms ({took / bare:.1f} bare; goal {GOAL_MS} ms)")
        engine.dispose()


if __name__ == "__main__":
    main()
