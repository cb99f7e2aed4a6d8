"""`lopside push` as a command: what it refuses, what it prints, how it ends."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest
import structlog
from linux_trees import Host

from service.commands import pushing
from service.errors import WrongSetting
from service.pushing import netlink
from service.pushing.netlink import Links

TOP = Path(__file__).resolve().parents[2]
WAIT_S = 60
KEY = "a-key-that-nobody-may-see"


@pytest.fixture
def host(tmp_path, monkeypatch):
    """The command reads files that the test writes, and no netlink."""
    host = Host(tmp_path / "root").interface("p1").interface("p2").bond("bond0", "802.3ad 4", "p1", "p2")
    monkeypatch.setattr(netlink, "links", Links)
    monkeypatch.setattr(pushing, "ROOT", host.root)
    return host


@pytest.fixture
def once(lopside, tmp_path):
    def run(*arguments):
        return lopside("push", "--once", "--spool", tmp_path / "spool", "--device", "sm-01", *arguments)

    return run


def taking(httpserver, status=200, **told):
    body = {"accepted": 2, "duplicates": 0, "rejected": []} | told
    httpserver.expect_request("/v1/samples", method="POST").respond_with_json(body, status=status)
    return httpserver.url_for("/").rstrip("/")


class TestDryRun:
    @pytest.mark.usefixtures("host")
    def test_prints_what_would_be_sent_and_keeps_nothing(self, lopside, tmp_path):
        result = lopside("push", "--dry-run", "--device", "sm-01", "--spool", tmp_path / "spool")

        told = json.loads(result.stdout)["samples"]
        assert [(one["device"], one["port"], one["team"]) for one in told] == [
            ("sm-01", "p1", "bond0"),
            ("sm-01", "p2", "bond0"),
        ]
        assert not (tmp_path / "spool").exists()

    @pytest.mark.usefixtures("host")
    def test_calls_the_device_by_its_host_name(self, lopside, monkeypatch):
        monkeypatch.setattr("socket.gethostname", lambda: "sm-02")

        assert {one["device"] for one in json.loads(lopside("push", "--dry-run").stdout)["samples"]} == {"sm-02"}


@pytest.mark.usefixtures("host")
class TestOnce:
    def test_sends_one_reading_as_one_of_a_linux_host(self, once, httpserver):
        result = once("--to", taking(httpserver))

        assert result.exit_code == 0
        [(request, _)] = httpserver.log
        assert request.args.to_dict() == {"feed": "linux"}
        assert len(json.loads(request.get_data())["samples"]) == 2

    def test_sends_the_key_of_a_file_and_signs_with_it(self, once, httpserver, tmp_path):
        (tmp_path / "key").write_text(f"{KEY}\n")

        result = once("--to", taking(httpserver), "--key-file", tmp_path / "key")

        [(request, _)] = httpserver.log
        assert request.headers["authorization"] == f"Bearer {KEY}"
        assert request.headers["webhook-signature"].startswith("v1,")
        assert KEY not in result.output

    def test_keeps_what_nobody_takes_and_says_so_by_its_status(self, once, httpserver, tmp_path):
        result = once("--to", taking(httpserver, status=503))
        again = once("--to", taking(httpserver, status=503))

        assert (result.exit_code, again.exit_code) == (1, 1)
        assert len(list((tmp_path / "spool").glob("*.json"))) == 2

    def test_sends_what_waited_together_with_its_own(self, once, httpserver, tmp_path):
        once("--to", "http://127.0.0.1:9")
        result = once("--to", taking(httpserver))

        assert result.exit_code == 0
        assert [len(json.loads(request.get_data())["samples"]) for request, _ in httpserver.log] == [4]
        assert list((tmp_path / "spool").glob("*.json")) == []

    @pytest.mark.parametrize(
        ("url", "warnings"),
        [("http://192.0.2.1", 1), ("https://192.0.2.1", 0), ("http://127.0.0.1:8430", 0), ("http://[::1]:8430/", 0)],
    )
    def test_warns_of_a_key_in_clear_text(self, monkeypatch, url, warnings):
        monkeypatch.setenv("KEY", KEY)

        with structlog.testing.capture_logs() as lines:
            target = pushing._target(url, "KEY", None)

        assert [line["event"] for line in lines] == ["the key travels in clear text"] * warnings
        assert target.url == f"{url.rstrip('/')}/v1/samples?feed=linux"
        assert KEY not in repr(lines)


class TestRefusals:
    def test_ask_where_to_push(self, lopside):
        result = lopside("push")

        assert result.exit_code == 2
        assert "--to" in result.stderr

    @pytest.mark.parametrize(
        "url",
        ["", "lopside.example", "ftp://lopside.example", "http://", "http://[::1", "http://a:b/", "http://ä.example"],
    )
    def test_name_what_is_no_url(self, url):
        with pytest.raises(WrongSetting, match="--to"):
            pushing._host(url)

    def test_ask_for_one_key(self, lopside):
        result = lopside("push", "--to", "http://127.0.0.1:9", "--key-env", "KEY", "--key-file", "key")

        assert result.exit_code == 2

    @pytest.mark.parametrize("held", [None, "", "two\nlines", "k\u00e9y", "\x07"])
    @pytest.mark.parametrize("way", ["--key-env", "--key-file"])
    def test_name_what_holds_no_key_and_not_what_it_holds(self, lopside, tmp_path, monkeypatch, way, held):
        file = tmp_path / "key"
        if held is not None:
            monkeypatch.setenv("KEY", held)
            file.write_text(held, encoding="utf-8")

        result = lopside("push", "--to", "http://127.0.0.1:9", way, "KEY" if way == "--key-env" else file)

        assert result.exit_code == 2
        assert way in result.stderr
        assert not held or held not in result.stderr

    @pytest.mark.usefixtures("host")
    def test_name_a_spool_that_another_process_uses(self, once, tmp_path):
        from service.pushing.spool import Spool

        with Spool(tmp_path / "spool", 1000):
            result = once("--to", "http://127.0.0.1:9")

        assert result.exit_code == 2
        assert "used by another process" in result.stderr


class TestProcess:
    @pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
    def test_ends_in_order_when_told_to(self, tmp_path, number):
        command = [sys.executable, "-m", "service", "push", "--to", "http://127.0.0.1:9", "--interval", "1"]
        process = subprocess.Popen(
            [*command, "--spool", str(tmp_path)], cwd=TOP, stderr=subprocess.PIPE, text=True, bufsize=1
        )
        said = [json.loads(process.stderr.readline())["event"]]
        process.send_signal(number)
        _, rest = process.communicate(timeout=WAIT_S)

        events = said + [json.loads(line)["event"] for line in rest.splitlines()]
        assert process.returncode == 0
        assert (events[0], events[-1]) == ("pushing", "stopped")

    def test_brings_in_none_of_the_heavy_parts_by_its_own(self):
        """A host that is watched should not pay for arrays and databases."""
        code = (
            "import sys, service.commands.pushing, service.pushing.http, service.pushing.loop, service.pushing.netlink,"
            " service.pushing.reader, service.logs, pyroute2\n"
            "print({'numpy', 'pandas', 'pyarrow', 'sqlalchemy', 'numba', 'scipy', 'fastapi'} & set(sys.modules))"
        )
        told = subprocess.run(
            [sys.executable, "-c", code], cwd=TOP, capture_output=True, text=True, timeout=WAIT_S, check=True
        )

        assert told.stdout.strip() == "set()"
