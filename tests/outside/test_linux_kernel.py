"""The Linux feed against the kernel that runs here, in network namespaces that the test makes.

Outside source: the kernel itself, asked by another program, iproute2's `ip -s -j link`, and its own choice of next hop
for real packets. Between the namespaces are two veth pairs and a route with two next hops. Where no namespace can be
made, as without root, all of it is skipped with that reason.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]
WAIT_S = 60
TOOLS = ("ip", "unshare", "nsenter", "mount")
# Addresses of RFC 2544's benchmark range, which no real host has.
SETUP = """
set -e
mount -t sysfs sysfs /sys
ip link set lo up
ip link add p1 type veth peer name q1
ip link add p2 type veth peer name q2
ip link set q1 netns $1
ip link set q2 netns $1
ip link set p1 up
ip link set p2 up
ip addr add 198.18.1.1/24 dev p1
ip addr add 198.18.2.1/24 dev p2
nsenter -t $1 -n ip link set q1 up
nsenter -t $1 -n ip link set q2 up
nsenter -t $1 -n ip addr add 198.18.1.2/24 dev q1
nsenter -t $1 -n ip addr add 198.18.2.2/24 dev q2
nsenter -t $1 -n ip addr add 198.18.9.1/32 dev q1
ip route add 198.18.9.0/24 nexthop via 198.18.1.2 dev p1 nexthop via 198.18.2.2 dev p2
"""
SENT = """
import socket
for port in range(20000, 20200):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as talk:
        talk.bind(("198.18.1.1", port))
        talk.sendto(b"x" * 400, ("198.18.9.1", port))
"""


# What Python needs is read first, because nobody may look into the folder of this environment.
WITHOUT_RIGHTS = """
import os
from pathlib import Path
from service import app, logs
from service.pushing import netlink, reader
def samples():
    return reader.Reader(Path("/"), "sm-01", app.now_ms, netlink.links).body().decode()
logs.to_stderr()
samples()
os.setgroups([])
os.setgid(65534)
os.setuid(65534)
print(samples())
"""


class Namespace:
    """A network namespace with /sys of its own, that lives as long as a process which sleeps in it."""

    def __init__(self):
        self.keeper = subprocess.Popen(["unshare", "--mount", "--net", "sleep", "300"])
        self.pid = str(self.keeper.pid)

    def is_there(self):
        """Whether the process has moved into a namespace of its own."""
        own, its = (Path(f"/proc/{pid}/ns/net") for pid in ("self", self.pid))
        for _ in range(500):
            if self.keeper.poll() is not None:
                return False
            if own.readlink() != its.readlink():
                return True
            time.sleep(0.01)
        return False

    def command(self, *arguments):
        return ["nsenter", "-t", self.pid, "-m", "-n", "--wd=" + str(TOP), *map(str, arguments)]

    def run(self, *arguments, **more):
        return subprocess.run(
            self.command(*arguments), capture_output=True, text=True, timeout=WAIT_S, check=True, **more
        ).stdout

    def close(self):
        self.keeper.kill()
        self.keeper.wait()


@pytest.fixture(scope="module")
def host():
    """A namespace that stands for a host with two ports towards another one."""
    lacking = [tool for tool in TOOLS if shutil.which(tool) is None]
    if os.geteuid() != 0 or lacking:
        pytest.skip(f"needs root and {', '.join(lacking or TOOLS)} to make network namespaces")
    host, far = Namespace(), Namespace()
    try:
        if not (host.is_there() and far.is_there()):
            pytest.skip("needs a kernel that lets root make network namespaces")
        host.run("sh", "-c", SETUP, "setup", far.pid)
        yield host
    finally:
        host.close()
        far.close()


def lopside(host, *arguments):
    return host.run(sys.executable, "-m", "service", *arguments)


def told(host):
    return json.loads(lopside(host, "push", "--dry-run", "--device", "sm-01"))["samples"]


def counted(host):
    """The counters of the kernel as `ip -s -j link` tells them, in the columns of the service."""
    links = json.loads(host.run("ip", "-s", "-j", "link"))
    ways = {"in": "rx", "out": "tx"}
    parts = {"octets": "bytes", "packets": "packets", "discards": "dropped", "errors": "errors"}
    return {
        link["ifname"]: {
            f"{way}_{column}": link["stats64"][side][name]
            for way, side in ways.items()
            for column, name in parts.items()
        }
        for link in links
    }


def quiet(host):
    """The counters once the kernel no longer talks by itself (IPv6 looks for duplicates and routers at first)."""
    before = counted(host)
    for _ in range(30):
        time.sleep(0.5)
        after = counted(host)
        if after == before:
            return after
        before = after
    raise AssertionError("the links never fell silent")


class TestCounters:
    def test_are_those_of_the_kernel_to_the_octet(self, host):
        lopside(host, "push", "--dry-run")
        before = quiet(host)
        host.run(sys.executable, "-c", SENT)
        for _ in range(10):
            first, samples, second = counted(host), told(host), counted(host)
            if first == second:
                break

        assert first == second, "the links never fell silent"
        for sample in samples:
            kernel = first[sample["port"]]
            assert {column: sample[column] for column in kernel} == kernel
        grown = {port: first[port]["out_octets"] - before[port]["out_octets"] for port in ("p1", "p2")}
        # 200 datagrams of 400 octets behind headers of Ethernet (14), IPv4 (20) and UDP (8): no check sequence.
        assert sum(grown.values()) >= 200 * (400 + 14 + 20 + 8)
        packets = {port: first[port]["out_packets"] - before[port]["out_packets"] for port in ("p1", "p2")}
        assert sum(packets.values()) >= 200

    def test_come_to_a_user_without_any_right_too(self, host):
        samples = json.loads(host.run(sys.executable, "-c", WITHOUT_RIGHTS))["samples"]

        assert [sample["port"] for sample in samples] == ["p1", "p2"]


class TestTeam:
    @pytest.mark.parametrize(("policy", "method"), [("0", "ip-pair"), ("1", "layer4-tuple"), ("2", "unknown")])
    def test_is_found_by_its_route_and_its_hashing(self, host, policy, method):
        host.run("sh", "-c", f"echo {policy} > /proc/sys/net/ipv4/fib_multipath_hash_policy")

        samples = told(host)

        assert {(sample["team"], sample["method"], sample["bundle"]) for sample in samples} == {
            ("p1+p2", method, "none")
        }
        assert {sample["oper_status"] for sample in samples} == {"up"}
        assert {sample["mac"] for sample in samples} == {
            host.run("cat", f"/sys/class/net/{port}/address").strip() for port in ("p1", "p2")
        }

    def test_is_named_by_the_kernel_in_a_neighbouring_program_too(self, host):
        [route] = [one for one in json.loads(host.run("ip", "-j", "route")) if one["dst"] == "198.18.9.0/24"]

        assert {hop["dev"] for hop in route["nexthops"]} == {sample["port"] for sample in told(host)}


class Running:
    """A `lopside` command in the namespace, told to end at the latest with the block."""

    def __init__(self, host, log, *arguments):
        self.log = log
        with log.open("a") as stream:
            self.process = subprocess.Popen(host.command(sys.executable, "-m", "service", *arguments), stderr=stream)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.end()

    def end(self):
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        return self.process.wait(WAIT_S)


def until(condition):
    """Wait for a condition, bounded; what it came to."""
    ends = time.monotonic() + WAIT_S
    while not (found := condition()):
        assert time.monotonic() < ends, "it never came to be"
        time.sleep(0.1)
    return found


def kept(database):
    """The times of the samples of each port in the service's database, in the order in which they are kept there."""
    if not database.exists():
        return {}
    with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as connection:
        try:
            rows = connection.execute(
                "SELECT ports.name, samples.at_ms FROM samples JOIN ports ON ports.id = samples.port_id"
            ).fetchall()
        except sqlite3.OperationalError:  # the tables are being made
            return {}
    connection.close()
    return {port: sorted(at for name, at in rows if name == port) for port in {name for name, _ in rows}}


def spooled(spool):
    """The times of the samples that wait on disk."""
    found = set()
    for path in spool.glob("*.json"):
        try:
            found |= {round(one["time"] * 1000) for one in json.loads(path.read_bytes())["samples"]}
        except FileNotFoundError:  # it was sent meanwhile
            continue
    return found


class TestWalk:
    def test_loses_no_sample_while_the_service_is_away(self, host, tmp_path):
        database, settings, spool = tmp_path / "l.sqlite", tmp_path / "settings.toml", tmp_path / "spool"
        settings.write_text(f'[database]\nurl = "sqlite:///{database}"\n')
        serve = ("serve", "--settings", settings, "--port", "8431")
        push = ("push", "--to", "http://127.0.0.1:8431", "--interval", "1", "--spool", spool, "--device", "sm-01")

        with Running(host, tmp_path / "push.log", *push) as pusher:
            with Running(host, tmp_path / "serve.log", *serve) as service:
                until(lambda: len(kept(database).get("p1", ())) >= 2)
            assert service.process.returncode == 0
            waiting = until(lambda: len(found := spooled(spool)) >= 3 and found)
            assert not waiting & set(kept(database)["p1"])
            with Running(host, tmp_path / "serve.log", *serve):
                until(lambda: max(kept(database)["p1"]) > max(waiting))
                devices = json.loads(host.run(sys.executable, "-c", LISTING))["items"]
            assert pusher.end() == 0

        for port in ("p1", "p2"):
            times = kept(database)[port]
            assert waiting <= set(times)
            # A busy machine may read late, but nothing is missing where the service was away.
            assert max(later - earlier for earlier, later in itertools.pairwise(times)) <= 5000
        assert [(one["device"], one["feed"]) for one in devices] == [("sm-01", "linux")]
        assert "batches wait" in (tmp_path / "push.log").read_text()
        assert "takes batches again" in (tmp_path / "push.log").read_text()


LISTING = "import urllib.request as r; print(r.urlopen('http://127.0.0.1:8431/v1/devices').read().decode())"
