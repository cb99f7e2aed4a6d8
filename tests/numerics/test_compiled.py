import os
import subprocess
import sys
from pathlib import Path

import numpy as np
from examples import GIGABIT, facts_of, samples_of

from service.numerics import count_loop, interval_loop, intervals, window_loop, windows
from service.numerics.compiled import compiled
from service.terms import Counts, Facts, Form, OperStatus, Role, Span

ROOT = Path(__file__).parents[2]
FACTS = facts_of(
    Facts(speed_bps=GIGABIT, oper=OperStatus.UP, last_change_ticks=900, mac=6),
    Facts(speed_bps=GIGABIT, counter_bits=32, oper=OperStatus.DOWN, mac=7),
    Facts(speed_bps=10 * GIGABIT, role=Role.STANDBY, counts=Counts.NO_FCS, mtu=1500, half_duplex=True),
    Facts(form=Form.RATE, speed_bps=GIGABIT),
)


def awkward_samples():
    """Two hundred samples of five ports, made to reach every branch; the same every time."""
    rng = np.random.default_rng(7)
    rows = []
    for port in range(5):
        at = out = packets = 0
        for _ in range(40):
            at += int(rng.choice([10, 30, 31, 45, 90]))
            out = int(rng.choice([out + 10**9, out + 10**6, out // 2, 2**32 - 1, 2**63]))
            packets = int(rng.choice([packets + 10**5, packets + 3, packets // 2]))
            told = {"out_octets": out, "out_packets": packets, "out_discards": at, "in_errors": 1}
            if port != 4:
                told["in_octets"] = at * 10**7
            ticks = {"uptime": int(rng.choice([-1, at * 100, 5])), "discontinuity": int(rng.choice([-1, 0, 0, 9]))}
            rows.append({"port": port, "at": at, "received": at + 3, "facts": int(rng.integers(0, 4)), **told, **ticks})
    return samples_of(rows)


def figures():
    """Every figure that intervals and windows make of the samples, by name."""
    samples = awkward_samples()
    late = samples.at_ms > 600_000
    ends = np.append(samples.port[1:] != samples.port[:-1], True) | np.append(late[1:], True)
    before = samples.take(~late & ends)
    first = intervals.intervals(samples, FACTS)
    second = intervals.intervals(samples.take(late), FACTS, before)
    shown = windows.member_windows(first, FACTS, 6, Span(0, 60))
    found = {
        f"{k}_{name}": figure for k, made in enumerate((first, second, shown)) for name, figure in vars(made).items()
    }
    return {name: figure for name, figure in found.items() if isinstance(figure, np.ndarray)}


def same(found, expected):
    assert found.keys() == expected.keys()
    for name in expected:
        assert np.array_equal(found[name], expected[name], equal_nan=expected[name].dtype.kind == "f"), name


class TestLoops:
    def test_give_the_same_uncompiled(self, monkeypatch):
        expected = figures()
        for module, caller in ((interval_loop, intervals), (window_loop, windows), (count_loop, windows)):
            for name in dir(module):
                loop = getattr(module, name)
                if hasattr(loop, "py_func"):
                    monkeypatch.setattr(module, name, loop.py_func)
                    if hasattr(caller, name):
                        monkeypatch.setattr(caller, name, loop.py_func)

        same(figures(), expected)

    def test_reach_every_status(self):
        reached = set(figures()["0_status"].ravel().tolist())

        assert reached == set(range(10))


class TestCompiled:
    def test_works_where_nothing_can_be_remembered(self):
        # Code without a file has no place beside it, as has a file of a read-only image without a home.
        loop = eval("lambda x: x + 1", {})  # the only way to have code without a file

        assert compiled(loop)(41) == 42

    def test_is_not_needed_by_what_does_not_compute(self):
        program = (
            "import sys, service.terms, service.errors\nassert not {'numba', 'pandas', 'scipy'} & set(sys.modules)"
        )

        subprocess.run([sys.executable, "-c", program], env={**os.environ, "PYTHONPATH": str(ROOT)}, check=True)


def test_every_loop_is_compiled_without_the_interpreters_lock():
    loops = [getattr(module, name) for module in (interval_loop, window_loop, count_loop) for name in dir(module)]
    compiled_loops = [loop for loop in loops if hasattr(loop, "py_func")]

    assert len(compiled_loops) > 15
    assert all(loop.targetoptions["nogil"] for loop in compiled_loops)
