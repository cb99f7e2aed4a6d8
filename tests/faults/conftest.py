"""Processes that are killed on purpose, and a receiver that outlives them."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from receivers import listening

HERE = Path(__file__).parent
MOST_STEPS = 2_000


class Mortal:
    """A process that plays a story again and again and dies at another step each time; asked over its pipes."""

    def __init__(self, process, url):
        self._process = process
        self._url = url

    def play(self, receiver, *, die_at=0, **told):
        """How it ended: 0 where the story came to its end, -9 where it was killed."""
        job = {"url": self._url, "receiver": receiver, "die_at": die_at, **told}
        self._process.stdin.write(json.dumps(job) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())

    def deaths(self, place, **told):
        """Plays the story, killed at each of its steps in turn, and once to its end: the step, and where it told."""
        for die_at in range(1, MOST_STEPS):
            ended = self.play(place(die_at), die_at=die_at, **told)
            assert ended in (0, -signal.SIGKILL)
            yield die_at
            if ended == 0:
                return
        raise AssertionError("the story never came to its end")


@pytest.fixture
def mortal(engine):
    """Starts a script of this folder as a mortal on the database of the test."""
    started = []

    def start(script):
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE.parent), str(HERE.parents[1])])}
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
        started.append(subprocess.Popen([sys.executable, str(HERE / script)], env=environment, **pipes))
        return Mortal(started[-1], engine.url.render_as_string(hide_password=False))

    yield start
    for process in started:
        with process:
            process.stdin.close()
            process.wait(timeout=10)


@pytest.fixture
def receiver():
    with listening() as receiver:
        yield receiver
