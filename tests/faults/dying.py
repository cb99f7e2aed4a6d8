"""A process that makes processes which kill themselves at a given step, so that every step can be the last.

It reads one job a line, runs each in a process of its own forked from this one, and answers how
that ended. Steps are counted before every statement that writes, before and after every commit,
at both ends of every post, and, where asked for, within it wherever the client looks at its
stopwatch.
"""

from __future__ import annotations

import itertools
import json
import os
import signal
import sys
import time
import traceback
from ipaddress import ip_network

from sqlalchemy import event

from service.storage import database
from service.webhooks.client import Client
from service.webhooks.routes import Route

SECRET = b"a secret of tests, 32 bytes long"


class Stage:
    """What a story is played with: a database, a route, and a client, all of which count steps."""

    def __init__(self, job):
        step = dying_at(job["die_at"])
        self.engine = database.open(job["url"])
        self.routes = [Route("chat", job["receiver"], (SECRET,), allow_networks=(ip_network("127.0.0.0/8"),))]
        self.send = sending(step, job.get("within_posts", True))
        self.step = step
        watch(self.engine, step)
        if self.engine.dialect.name == "sqlite":
            event.listen(self.engine, "connect", unhurried)


def dying_at(die_at):
    """Counts steps; at the given one this process is gone, without a word to anybody."""
    count = itertools.count(1)

    def step(*_):
        if next(count) == die_at:
            os.kill(os.getpid(), signal.SIGKILL)

    return step


def watch(engine, step):
    def before(connection, cursor, statement, *_):
        if not statement.startswith("SELECT"):  # a process that dies before it has read leaves what it found
            step()

    event.listen(engine, "before_cursor_execute", before)
    event.listen(engine, "commit", step)
    event.listen(engine, "rollback", step)
    event.listen(engine.pool, "checkin", step)  # the commit before it is done by then


def unhurried(connection, _):
    # The process dies, the machine does not: what was written is there whether or not it reached the disk.
    connection.execute("PRAGMA synchronous=OFF")


def sending(step, within_posts):
    def stopwatch():
        step()
        return time.monotonic()

    client = Client(stopwatch=stopwatch) if within_posts else Client()

    def send(route, headers, body):
        step()
        answer = client(route, headers, body)
        step()
        return answer

    return send


def in_a_process_of_its_own(play, job):
    """How a process ended that played the job: 0 where it came to its end, -9 where it was killed."""
    child = os.fork()
    if child == 0:
        try:
            play(Stage(job), job)
        except BaseException:
            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def serve(play):
    """Play the jobs that come in, one a line, until there are no more."""
    for line in sys.stdin:
        print(in_a_process_of_its_own(play, json.loads(line)), flush=True)
