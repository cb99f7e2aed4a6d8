import os
import shutil
import socket
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from replay_examples import MIDNIGHT_MS, Episode, a_past, a_trial, in_memory

from service.errors import ReplayRefused
from service.replaying import spreading
from service.replaying.archives import histories, leaves_of
from service.replaying.archiving import Shelf, from_parsed
from service.replaying.replay import replay
from service.replaying.spreading import Papers, by_machines, by_processes
from service.rules.layouts import layout_of

TOP = Path(__file__).resolve().parents[2]
LONGEST_S = 120
TLS = ("--tls-ca-file", "--tls-cert", "--tls-key")


@pytest.fixture(scope="module")
def past():
    episodes = (Episode(100, 60), Episode(10, 20, 3, (0.78, 0.25)), Episode(150, 30, 2, (0.3, 0.85)))
    return a_past(*episodes, teams=6, hours=4, start_ms=MIDNIGHT_MS + 22 * 3_600_000)


@pytest.fixture(scope="module")
def shelved(past, tmp_path_factory):
    folder = tmp_path_factory.mktemp("archives")
    list(from_parsed(Shelf(folder, 4), past, layout_of(past.ports)[0], {}))
    return list(histories(leaves_of(folder), 30_000))


@pytest.fixture(scope="module")
def expected(past, shelved):
    found = replay(in_memory(past), a_trial(past))
    assert found.comparison.present == 3
    assert replay(shelved, a_trial(past)).comparison == found.comparison
    return found.comparison


def a_port():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


@contextmanager
def running(*words):
    """A process of Dask that lives as long as this, and ends by itself after a while whatever happens."""
    environment = {**os.environ, "PYTHONPATH": str(TOP), "PYTHONWARNINGS": "ignore"}
    process = subprocess.Popen(
        ["timeout", str(LONGEST_S), sys.executable, "-m", "distributed.cli.dask_" + words[0], *words[1:]],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield
    finally:
        process.terminate()
        process.wait(timeout=30)


@contextmanager
def a_cluster(scheme, papers=()):
    """A scheduler with two workers, each a process of its own on loopback; their address."""
    port = a_port()
    address = f"{scheme}://127.0.0.1:{port}"
    common = ("--no-dashboard", *papers)
    with ExitStack() as stack:
        stack.enter_context(running("scheduler", "--host", f"{scheme}://127.0.0.1", "--port", str(port), *common))
        for _ in range(2):
            stack.enter_context(
                running("worker", address, "--no-nanny", "--nthreads", "1", "--host", "127.0.0.1", *common)
            )
        yield address


def until_there_are_workers(work):
    """The outcome of some work as soon as a scheduler and its workers are up."""
    for _ in range(40):
        try:
            return work()
        except ReplayRefused as refused:
            if "cannot be reached" not in str(refused) and "has no workers" not in str(refused):
                raise
            time.sleep(0.5)
    raise AssertionError("no worker came")


@pytest.fixture(scope="module")
def certificates(tmp_path_factory):
    """An authority that nobody else knows, and a certificate of 127.0.0.1."""
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl, which makes the certificates")
    folder = tmp_path_factory.mktemp("tls")
    for words in (
        "req -x509 -newkey rsa:2048 -nodes -keyout ca.key -out ca.pem -days 1 -subj /CN=exchange",
        "req -newkey rsa:2048 -nodes -keyout own.key -out own.csr -subj /CN=127.0.0.1",
        "x509 -req -in own.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 1 -out own.pem",
    ):
        subprocess.run(["openssl", *words.split()], cwd=folder, check=True, capture_output=True)
    return tuple(str(folder / name) for name in ("ca.pem", "own.pem", "own.key"))


class TestByProcesses:
    def test_answers_as_one_does(self, past, shelved, expected):
        assert replay(shelved, a_trial(past), by_processes(2)).comparison == expected

    def test_takes_what_is_in_memory_too(self, past, expected):
        assert replay(in_memory(past), a_trial(past), by_processes(2)).comparison == expected


class TestByMachines:
    def test_answers_as_one_does(self, past, shelved, expected):
        with a_cluster("tcp") as address:
            found = until_there_are_workers(lambda: replay(shelved, a_trial(past), by_machines(address)))

        assert found.comparison == expected

    def test_answers_over_tls(self, past, shelved, expected, certificates):
        papers = tuple(word for pair in zip(TLS, certificates, strict=True) for word in pair)

        with a_cluster("tls", papers) as address:
            spread = by_machines(address, Papers(*certificates))
            found = until_there_are_workers(lambda: replay(shelved, a_trial(past), spread))

        assert found.comparison == expected

    @pytest.mark.parametrize("address", ["tcp://dask.example:8786", "192.0.2.7:8786", "tcp://10.0.0.1:8786"])
    def test_refuses_clear_text_over_a_network(self, address):
        with pytest.raises(ReplayRefused, match="clear text is for loopback only"):
            by_machines(address)

    def test_refuses_tls_without_certificates(self):
        with pytest.raises(ReplayRefused, match="takes --tls-ca, --tls-cert and --tls-key"):
            by_machines("tls://dask.example:8786")

    @pytest.mark.parametrize("address", ["", "dask", "http://127.0.0.1:8786", "tcp://127.0.0.1:x", "tcp://[::1"])
    def test_refuses_what_is_no_address(self, address):
        with pytest.raises(ReplayRefused, match="is no address of a scheduler"):
            by_machines(address)

    def test_says_that_nobody_answers(self, past, shelved, monkeypatch):
        monkeypatch.setattr(spreading, "PATIENCE_S", 0.2)

        with pytest.raises(ReplayRefused, match="cannot be reached"):
            replay(shelved, a_trial(past), by_machines(f"tcp://127.0.0.1:{a_port()}"))

    def test_says_that_dask_is_not_installed(self, past, shelved, monkeypatch):
        monkeypatch.setitem(sys.modules, "distributed", None)

        with pytest.raises(ReplayRefused, match=r"install the extra: lopside\[dask\]"):
            replay(shelved, a_trial(past), by_machines("tcp://127.0.0.1:8786"))
