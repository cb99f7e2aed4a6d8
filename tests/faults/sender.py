"""A process that keeps findings, owes their messages and delivers them, and kills itself at a given step.

It reads one job a line, runs each in a process of its own made from this one, and answers how
that ended. Steps are counted before every statement that writes, before and after every commit, at both
ends of every post, and within it wherever the client looks at its stopwatch.
"""

from __future__ import annotations

import itertools
import json
import os
import signal
import sys
import time
import traceback
from dataclasses import replace
from ipaddress import ip_network

from examples import EPOCH_MS, a_finding
from sqlalchemy import event

from service.delivery import deliver_due, owe
from service.storage import database, findings
from service.webhooks.client import Client
from service.webhooks.routes import Route

LOOPBACK = (ip_network("127.0.0.0/8"),)
SECRET = b"a secret of tests, 32 bytes long"
MINUTE = 60_000

FIRST = a_finding(id="f-first")
FIRST_OVER = replace(FIRST, cleared_ms=EPOCH_MS + 10 * MINUTE)
SECOND = a_finding(id="f-second", device="sm-08")
SECOND_OVER = replace(SECOND, cleared_ms=EPOCH_MS + 10 * MINUTE)
NEVER = a_finding(id="f-never", device="sm-09")


def run(job):
    """The whole story, or only the deliveries after a restart, until the step at which it ends."""
    engine = database.open(job["url"])
    step = dying_at(job["die_at"])
    watch(engine, step)
    routes = [Route("chat", f"{job['receiver']}/chat", (SECRET,), allow_networks=LOOPBACK)]
    send = sending(step)
    if job["story"] == "all":
        tell(engine, send, routes, job["now_ms"])
    deliver_due(engine, send, routes, now_ms=job["now_ms"])


def tell(engine, send, routes, now_ms):
    """One finding heard as it comes and goes; one whose message is combined; one that is rolled back."""
    keep(engine, routes, now_ms, (FIRST, "raised"))
    deliver_due(engine, send, routes, now_ms=now_ms)
    keep(engine, routes, now_ms, (SECOND, "raised"), (SECOND_OVER, "cleared"))
    keep(engine, routes, now_ms, (NEVER, "raised"), undo=True)
    keep(engine, routes, now_ms, (FIRST_OVER, "cleared"))


def keep(engine, routes, now_ms, *changes, undo=False):
    """Changes of findings with the messages they owe, in one transaction."""
    with engine.connect() as connection:
        for finding, what in changes:
            findings.save(connection, 1, finding)
            owe(connection, finding, what, routes, now_ms)
        connection.rollback() if undo else connection.commit()


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


def sending(step):
    def stopwatch():
        step()
        return time.monotonic()

    client = Client(stopwatch=stopwatch)

    def send(route, headers, body):
        step()
        answer = client(route, headers, body)
        step()
        return answer

    return send


def in_a_process_of_its_own(job):
    """What `waitpid` says of a process that runs the job: 0 where it came to its end, -9 where it was killed."""
    child = os.fork()
    if child == 0:
        try:
            run(job)
        except BaseException:
            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


if __name__ == "__main__":
    for line in sys.stdin:
        print(in_a_process_of_its_own(json.loads(line)), flush=True)
