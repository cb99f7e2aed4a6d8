"""Pages of a fleet of 20,000 teams with 5,000 open findings: time to answer, weight, first paint, and 200 viewers.

A page is beside the same application's answer that the service is alive, taken in the same run. Run by
tests/benchmarks/run.py, or by itself; needs Chromium for the first paint and says so where there is none.
"""

from __future__ import annotations

import gzip
import http.client
import re
import statistics
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import httpx
import postgres
import pytest
from browsing import application_of, serving, started
from fleet_examples import END_MS, finding_of, keep_fleet
from playwright.sync_api import sync_playwright
from sqlalchemy import Engine
from web_examples import HERE, TestClient

from service.evaluation import Policy
from service.storage import database, findings
from service.terms import Rule

TEAMS, OPEN, TIMES = 20_000, 5_000, 9
GOAL_MS, GOAL_KB = 100, 150
VIEWERS, NEWS_EVERY_S, WATCHED_S = 200, 3.0, 30.0
TOLD = {"now_ms": lambda: END_MS, "requests_per_s": 0, "policy": Policy(lambda _device, _team: Rule())}
LOADED = re.compile(r'(?:href|src)="(/static/[^"]+)"')
DRAWN = """() => {
  const drawing = document.querySelector("#chart-egress svg.broad");
  const [beside, text] = [drawing.parentNode, drawing.outerHTML];
  const begun = performance.now();
  beside.innerHTML = text;
  beside.getBoundingClientRect();
  return performance.now() - begun;
}"""
PAGES = {
    "findings": "/",
    "findings by a form": "/?severity=major&team=front",
    "teams": "/teams",
    "sources": "/sources",
    "a team": "/teams/1",
    "a finding": f"/findings/{finding_of(0)}",
    "changes": "/changes",
    "week": "/week",
    "chart, 4 x 2,880 windows": "/teams/1/chart.svg?direction=egress&zoom=26h",
}


def milliseconds(client: TestClient, address: str) -> tuple[float, float]:
    """The first answer, and the median of those after it."""
    took = []
    for _ in range(TIMES + 1):
        began = time.perf_counter()
        answer = client.get(address)
        took.append((time.perf_counter() - began) * 1000)
        assert answer.status_code == 200, (address, answer.status_code, answer.text[:300])
    return took[0], statistics.median(took[1:])


def weight(client: TestClient, address: str) -> float:
    """kB of a page and all that it loads, compressed as a proxy would."""
    text = client.get(address).text
    loaded = [text, *(client.get(one).text for one in sorted(set(LOADED.findall(text))))]
    return sum(len(gzip.compress(one.encode(), mtime=0)) for one in loaded) / 1000


def answer_times(engine: Engine) -> None:
    """Each page's time beside the bare answer's, and its weight."""
    with TestClient(application_of(engine, **TOLD), base_url=HERE, client=("127.0.0.1", 50_000)) as client:
        _, bare = milliseconds(client, "/healthz")
        for name, address in PAGES.items():
            first, warm = milliseconds(client, address)
            print(
                f"  {name:26} first {first:6.0f} ms, warm {warm:6.1f} ms ({warm / bare:5.1f} bare; goal {GOAL_MS} ms),"
                f" {weight(client, address):5.1f} kB of {GOAL_KB}",
                flush=True,
            )


def first_paints(address: str) -> None:
    """When a browser painted something, and how long it took to draw a chart, by its own account."""
    with sync_playwright() as playwright:
        try:
            browser = started(playwright)
        except pytest.skip.Exception as missing:
            print(f"  first paint: {missing}")
            return
        page = browser.new_page()
        for name in ("findings", "teams", "a team", "a finding"):
            page.goto(address + PAGES[name])
            painted = page.wait_for_function("performance.getEntriesByName('first-contentful-paint')[0]?.startTime")
            print(f"  first paint of {name}: {painted.json_value():.0f} ms (goal 1,000 ms)", flush=True)
        page.goto(f"{address}/teams/1?zoom=26h")
        page.evaluate(DRAWN)
        drawn = statistics.median(page.evaluate(DRAWN) for _ in range(TIMES))
        print(f"  a chart of 4 x 2,880 windows, drawn by the browser: {drawn:.1f} ms (goal {GOAL_MS} ms)", flush=True)
        browser.close()


def fetch(address: str) -> None:
    """The page anew, as its own script asks for it on news; with a client that costs little beside the answer."""
    asked = http.client.HTTPConnection(address.removeprefix("http://"), timeout=60)
    with closing(asked):
        asked.request("GET", "/")
        assert asked.getresponse().read()


def watch(address: str, ended: threading.Event, heard: Callable[[], None]) -> None:
    """One viewer, until it is over."""
    with httpx.stream("GET", f"{address}/live?watch=findings", timeout=60) as answer:
        for line in answer.iter_lines():
            if line.startswith("event"):
                heard()
                if not ended.is_set():
                    fetch(address)
            if ended.is_set():
                return


def viewers(engine: Engine, address: str) -> None:
    """What 200 viewers cost who are told of news and fetch the page anew: processor time of both ends."""
    ended, lock, heard = threading.Event(), threading.Lock(), [0]

    def count() -> None:
        with lock:
            heard[0] += 1

    crowd = [threading.Thread(target=watch, args=(address, ended, count), daemon=True) for _ in range(VIEWERS)]
    for one in crowd:
        one.start()
    time.sleep(5)
    heard[0], began, cpu = 0, time.perf_counter(), time.process_time()
    while time.perf_counter() - began < WATCHED_S:
        say_something(engine)
        time.sleep(NEWS_EVERY_S)
    cores = (time.process_time() - cpu) / (time.perf_counter() - began)
    print(f"  {VIEWERS} viewers, {heard[0]} news heard: {cores:.2f} of a core with their own end (goal 1)", flush=True)
    ended.set()
    say_something(engine)
    for one in crowd:
        one.join(20)


def say_something(engine: Engine) -> None:
    """News of a finding."""
    with engine.begin() as connection:
        findings.note(connection, finding_of(0), END_MS, "note", "somebody", "looked")


def measured(engine: Engine) -> None:
    """All of it over one database."""
    database.upgrade(engine)
    keep_fleet(engine, TEAMS, OPEN)
    answer_times(engine)
    with serving(engine, **TOLD) as address:
        first_paints(address)
        viewers(engine, address)
    engine.dispose()


def main() -> None:
    """Both databases."""
    with tempfile.TemporaryDirectory() as folder:
        print("sqlite", flush=True)
        measured(database.open(f"sqlite:///{Path(folder) / 'pages.sqlite'}"))
    with postgres.server() as url:
        print("postgresql", flush=True)
        measured(database.open(url))


if __name__ == "__main__":
    main()
