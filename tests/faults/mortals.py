"""Processes that play a story and are killed at every step of it."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

HERE = Path(__file__).parent
MOST_STEPS = 2_000


class Mortal:
    """A process that plays a story again and again and dies at another step each time; asked over its pipes."""

    def __init__(self, process):
        self._process = process

    def play(self, engine, receiver, *, die_at=0, **told):
        """How it ended: 0 where the story came to its end, -9 where it was killed."""
        url = engine.url.render_as_string(hide_password=False)
        job = {"url": url, "receiver": receiver, "die_at": die_at, **told}
        self._process.stdin.write(json.dumps(job) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())


def deaths(play):
    """Each step of a story in turn, until it came to its end: `play` is told where to die, and says how it ended."""
    for die_at in range(1, MOST_STEPS):
        ended = play(die_at)
        assert ended in (0, -signal.SIGKILL)
        yield die_at
        if ended == 0:
            return
    raise AssertionError("the story never came to its end")


@contextmanager
def started(script) -> Iterator[Mortal]:
    """A script of this folder as a mortal, for as long as the context lasts."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE.parent), str(HERE.parents[1])])}
    command = [sys.executable, str(HERE / script)]
    with subprocess.Popen(
        command, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        yield Mortal(process)
        process.stdin.close()
        process.wait(timeout=10)
