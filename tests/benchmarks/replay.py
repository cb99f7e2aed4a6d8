"""A replay of 30 days of 1,000 ports on disk under two rulings, against pandas that only reads the same samples.

Run by `python tests/benchmarks/replay.py [DAYS]`. pandas reads the same samples from counter files (CSV), of which
one day is read and reckoned up, and from the archives themselves, which is far quicker than either.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from pyarrow import csv

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]  # run as a file, from anywhere

from replay_examples import DAY_MS, MIDNIGHT_MS, Episode, a_past  # noqa: E402  # found only now

from service.replaying import archives  # noqa: E402  # found only now
from service.replaying.archiving import Shelf, from_parsed  # noqa: E402  # found only now
from service.replaying.judging import Trial  # noqa: E402  # found only now
from service.replaying.replay import replay  # noqa: E402  # found only now
from service.replaying.ruling import Ruling  # noqa: E402  # found only now
from service.rules.layouts import layout_of  # noqa: E402  # found only now
from service.terms import COUNTERS, Parsed, Rule  # noqa: E402  # found only now

TEAMS, PARTS = 500, 2
GOAL = 3.0


def a_day(day: int) -> Parsed:
    """A day of all teams, one in ten of which is uneven for an hour."""
    episodes = [Episode(60 + 2 * team, 60, team, (0.78 if team % 20 else 0.92, 0.05)) for team in range(0, TEAMS, 10)]
    past = a_past(*episodes, teams=TEAMS, hours=24 - 1 / 120, start_ms=MIDNIGHT_MS + day * DAY_MS)
    noise = np.random.default_rng(day).integers(0, 1_000_000, (2 * TEAMS, 2880, 2), dtype=np.uint64).cumsum(axis=1)
    past.samples.counters[:, :2] += noise.reshape(-1, 2)  # or a sample would be packed into an octet
    return past


def took(work: Callable[[], object]) -> float:
    """Processor seconds, those of all threads: what the machine's other work disturbs least."""
    began = time.process_time()
    work()
    return time.process_time() - began


def as_csv(past: Parsed, path: Path) -> None:
    """The same as a counter file, its times as README.md has them."""
    samples, ports = past.samples, past.ports
    instants, which = np.unique(samples.at_ms, return_inverse=True)
    table = {
        "time": pa.array([f"{np.datetime64(at, 'ms')}Z" for at in instants.tolist()]).take(pa.array(which)),
        "device": pa.array([port.device for port in ports]).take(pa.array(samples.port)),
        "port": pa.array([port.port for port in ports]).take(pa.array(samples.port)),
        "team": pa.array([port.team for port in ports]).take(pa.array(samples.port)),
        "speed_bps": np.full(len(samples), 10**9),
        **{COUNTERS[column]: samples.counters[:, at].copy() for at, column in enumerate(samples.columns)},
    }
    csv.write_csv(pa.table(table), path)


def main(days: int) -> int:
    """Print the figures; 1 where the goal was missed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for day in range(days):
            past = a_day(day)
            list(from_parsed(Shelf(folder / "archive", PARTS), past, layout_of(past.ports)[0], {}))
        as_csv(past, folder / "day.csv")
        files = sorted((folder / "archive").glob("*/*.parquet"))
        octets = sum(path.stat().st_size for path in files)
        rows = days * len(past.samples)
        print(f"{days} days of {2 * TEAMS} ports: {rows:,} samples, {octets / rows:.1f} octets a sample")
        present = Ruling(Rule(), {})
        tried = present.changed({"hot_above": 0.8, "idle_below": 0.2})
        trial = Trial(present, tried, MIDNIGHT_MS, MIDNIGHT_MS + days * DAY_MS)

        def replayed() -> None:
            some = list(archives.histories(archives.leaves_of(folder / "archive"), 30_000))
            found = replay(some, trial).comparison
            print(f"findings: {found.present} and {found.tried}, {found.same} the same")

        of_csv = days * took(lambda: pd.read_csv(folder / "day.csv", parse_dates=["time"]))
        of_archives = took(lambda: [pd.read_parquet(path) for path in files])
        ours = took(replayed)
        print(f"replay under two rulings: {ours:.1f} s of processors, {1e6 * ours / rows:.2f} us a sample")
        print(f"pandas only reads the counter files: {of_csv:.1f} s: ratio {ours / of_csv:.2f}, goal at most {GOAL}")
        print(f"pandas only reads the archives: {of_archives:.1f} s: ratio {ours / of_archives:.1f}")
        return int(ours > GOAL * of_csv)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 30))
