"""The service as a process: samples go in over HTTP, a finding and one signed message come out, and it ends well."""

import base64
import json
import signal
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path

import httpx
import pytest
from pytest_httpserver import HTTPServer
from standardwebhooks import Webhook

from service import app, demo
from service.commands import serving

TOP = Path(__file__).resolve().parents[2]
SECRET = "whsec_" + base64.b64encode(b"Zeta" * 8).decode()
WAIT_S = 60  # for what takes seconds at most


class Process:
    """A `lopside` command that runs until it is told to end."""

    def __init__(self, *arguments):
        self.lines = []
        self._process = subprocess.Popen(
            [sys.executable, "-m", "service", *arguments],
            cwd=TOP,
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            text=True,
        )

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._process.stderr.close()

    def said(self, event):
        """The next log line with that event."""
        for line in self._process.stderr:
            self.lines.append(line)
            told = json.loads(line) if line.startswith("{") else {"event": line}
            if told["event"] == event:
                return told
        raise AssertionError(f"ended without {event!r}: {self.lines}")

    def ended(self, number=signal.SIGTERM):
        self._process.send_signal(number)
        status = self._process.wait(WAIT_S)
        self.lines += self._process.stderr.readlines()
        return status


@pytest.fixture
def receiver():
    with HTTPServer(host="127.0.0.1", port=0) as server:
        # The first message is waited for; more are taken as well, so that they can be counted.
        server.expect_oneshot_request("/", method="POST").respond_with_data("", status=204)
        server.expect_request("/", method="POST").respond_with_data("", status=204)
        yield server


@pytest.fixture
def settings(settings_file, receiver, monkeypatch):
    monkeypatch.setenv("ON_CALL", SECRET)
    settings_file.write_text(
        settings_file.read_text()
        + f"""
[server]
port = 0
[lateness]
pushed_s = 0
[[routes]]
name = "on-call"
url = "{receiver.url_for("/")}"
secret_env = "ON_CALL"
allow_networks = ["127.0.0.0/8"]
"""
    )
    return settings_file


@pytest.fixture
def started(settings):
    with ExitStack() as stack:

        def start(*arguments):
            return stack.enter_context(Process(*arguments))

        yield start


def uneven_minutes():
    """Ten minutes up to now of a team at 90 and 5 %."""
    last = app.now_ms() // 30_000 * 30
    lines = ["time,device,port,team,speed_bps,oper_status,out_octets"]
    for n in range(41):
        at = last - 600 + 15 * n
        lines += [
            f"{at},sm-07,{port},front,1000000000,up,{n * 15 * rate}"
            for port, rate in (("m1", 112_500_000), ("m2", 6_250_000))
        ]
    return "\n".join(lines) + "\n"


def push(url):
    return httpx.post(
        f"{url}/v1/samples", content=uneven_minutes(), headers={"content-type": "text/csv"}, timeout=WAIT_S
    )


class TestServe:
    def test_turns_a_push_into_a_finding_and_one_signed_message(self, started, receiver):
        service = started("serve")
        url = service.said("listening")["url"]

        with receiver.wait(timeout=WAIT_S) as waiting:
            answer = push(url)
        found = httpx.get(f"{url}/v1/findings").json()["items"]

        assert answer.json() == {"accepted": 82, "duplicates": 0, "rejected": []}
        assert waiting.result
        assert [(one["device"], one["team"], one["kind"], one["state"]) for one in found] == [
            ("sm-07", "front", "uneven", "open")
        ]
        [(request, _)] = receiver.log
        Webhook(SECRET).verify(request.get_data(), dict(request.headers))
        assert json.loads(request.get_data())["data"]["text"].startswith("sm-07, team front, egress: member m1 at 90 %")
        assert service.ended() == 0

    def test_goes_on_after_an_end_and_tells_nothing_twice(self, started, receiver, settings):
        first = started("serve")
        with receiver.wait(timeout=WAIT_S):
            url = first.said("listening")["url"]
            push(url)
        [before] = httpx.get(f"{url}/v1/findings").json()["items"]
        first.ended(signal.SIGINT)

        second = started("serve")
        url = second.said("listening")["url"]
        [after] = httpx.get(f"{url}/v1/findings").json()["items"]
        second.ended()

        assert (after["id"], after["raised_at"]) == (before["id"], before["raised_at"])
        assert len(receiver.log) == 1

    def test_says_nothing_secret(self, started, receiver):
        service = started("serve")
        with receiver.wait(timeout=WAIT_S):
            push(service.said("listening")["url"])
        service.ended()

        assert service.lines
        assert not [line for line in service.lines if SECRET in line or receiver.url_for("/") in line]

    @pytest.mark.parametrize("host", ["0.0.0.0", "::"])
    def test_refuses_to_be_reached_by_others_while_there_is_no_key(self, settings, host):
        told = subprocess.run(
            [sys.executable, "-m", "service", "serve", "--host", host],
            cwd=TOP,
            capture_output=True,
            text=True,
            timeout=WAIT_S,
            check=False,
        )

        assert told.returncode == 2
        assert "lopside key new" in told.stderr
        assert "Traceback" not in told.stderr


@pytest.fixture(params=["sqlite", "postgresql"])
def on_either_database(request, monkeypatch):
    if request.param == "postgresql":
        request.getfixturevalue("_postgresql_template")
        monkeypatch.setenv("LOPSIDE_DATABASE__URL", request.getfixturevalue("new_postgresql_url")("migrated"))


class TestHalves:
    @pytest.mark.usefixtures("on_either_database")
    def test_do_together_what_serve_does_alone(self, started, receiver):
        web, work = started("web"), started("work")
        url = web.said("listening")["url"]
        work.said("working")

        with receiver.wait(timeout=WAIT_S) as waiting:
            push(url)

        assert waiting.result
        assert len(httpx.get(f"{url}/v1/findings").json()["items"]) == 1
        assert (web.ended(), work.ended()) == (0, 0)

    def test_share_the_work_so_that_a_message_goes_out_once(self, started, receiver):
        web, one, other = started("web"), started("work"), started("work")
        url = web.said("listening")["url"]
        for work in (one, other):
            work.said("working")

        with receiver.wait(timeout=WAIT_S):
            push(url)
        for process in (one, other, web):
            process.ended()

        assert len(receiver.log) == 1


class TestDemo:
    def test_offers_the_port_that_the_demo_itself_takes(self):
        offered = next(option for option in serving.demo.params if option.name == "port")

        assert offered.default == demo.PORT
