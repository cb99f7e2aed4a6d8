"""A real SNMP agent for tests: snmpd with a configuration of its own, on a free port of loopback.

It is the machine's own, or the one that `tests/packages` unpacked. Nothing of it lives outside the folder it is given.
"""

from __future__ import annotations

import functools
import os
import secrets
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import snmp_set
from gufo.snmp import Aes128Key, Aes256Key, Sha1Key, Sha256Key, Sha512Key, SnmpError
from gufo.snmp import User as Keys
from gufo.snmp.sync import SnmpSession

PACKAGES = Path(__file__).parents[1] / ".venv-tests" / "packages"
LIFE_S = 3600  # after which it ends by itself, whatever became of the test
READY_S = 20

SYS_UPTIME = "1.3.6.1.2.1.1.3.0"
# nsCacheTimeout of ifTable (NET-SNMP-AGENT-MIB): how long counters of interfaces are remembered; 3 s unless set.
CACHE_TABLE = "1.3.6.1.4.1.8072.1.5.3"
CACHE_TIMEOUT = f"{CACHE_TABLE}.1.2.1.3.6.1.2.1.2.2"

Result = TypeVar("Result")
Call = Callable[[], Result]
_KEYS = {"SHA": Sha1Key, "SHA-256": Sha256Key, "SHA-512": Sha512Key, "AES": Aes128Key, "AES256": Aes256Key}


@dataclass(frozen=True)
class User:
    """Who may ask by version 3, in the words of snmpd.conf."""

    name: str = "tester"
    authentication: str = "SHA-256"
    authentication_phrase: str = "authentication of tests"
    privacy: str = "AES"
    privacy_phrase: str = "privacy of tests"

    @property
    def lines(self) -> list[str]:
        return [
            f'createUser {self.name} {self.authentication} "{self.authentication_phrase}"'
            f' {self.privacy} "{self.privacy_phrase}"',
            f"rouser {self.name} authpriv",
        ]

    @property
    def keys(self) -> Keys:
        return Keys(
            self.name,
            auth_key=_KEYS[self.authentication](self.authentication_phrase.encode()),
            priv_key=_KEYS[self.privacy](self.privacy_phrase.encode()),
        )


@dataclass(frozen=True)
class Told:
    """What the agent is told: where it listens, who may ask, and what it says of its interfaces."""

    host: str = "127.0.0.1"
    port: int = 0  # 0: any free one
    user: User = User()
    engine_id: str = ""  # in hexadecimal; else one of its own
    types_and_speeds: Mapping[str, tuple[int, int]] = field(default_factory=dict)  # interface -> (ifType, bit/s)
    scripts: Mapping[str, Sequence[str]] = field(default_factory=dict)  # prefix -> command that speaks pass_persist
    lines: Sequence[str] = ()
    cache_s: int = 0  # counters as fresh as the kernel's
    within: Sequence[str] = ()  # the words in front of the command: what it runs in
    reach: Callable[[Call[None]], None] = lambda call: call()  # how a call is made from where the agent can be asked


@dataclass(frozen=True)
class Agent:
    """A running agent, and how it is asked."""

    host: str
    port: int
    community: str
    user: User
    folder: Path
    pid: int

    def session(self, timeout_s: float = 1.0) -> SnmpSession:
        return SnmpSession(self.host, self.port, community=self.community, timeout=timeout_s)

    def session_v3(self, timeout_s: float = 1.0) -> SnmpSession:
        return SnmpSession(self.host, self.port, user=self.user.keys, timeout=timeout_s)


@dataclass(frozen=True)
class _Binary:
    path: str
    libraries: str

    @property
    def environment(self) -> dict[str, str]:
        own = {"LD_LIBRARY_PATH": self.libraries} if self.libraries else {}
        return {"PATH": f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin", "LC_ALL": "C.UTF-8", "MIBS": "", **own}


@functools.cache
def binary() -> _Binary | None:
    """The snmpd of this machine or the unpacked one, whichever runs."""
    for found in _candidates():
        with suppress(OSError):
            ran = subprocess.run([found.path, "-v"], env=found.environment, capture_output=True, check=False)
            if ran.returncode == 0:
                return found
    return None


def _candidates() -> Iterator[_Binary]:
    machine = shutil.which("snmpd", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    if machine:
        yield _Binary(machine, "")
    unpacked = PACKAGES / "usr/sbin/snmpd"
    if unpacked.exists():
        yield _Binary(str(unpacked), ":".join(sorted({str(library.parent) for library in PACKAGES.rglob("*.so*")})))


def lacking() -> str:
    """Why there is no agent to be had here; empty where there is one."""
    return "" if binary() else "no snmpd here: tests/packages fetches it on Debian, or: apt-get install snmpd"


@contextmanager
def running(folder: Path, told: Told | None = None) -> Iterator[Agent]:
    """An agent that answers, until the end of the block; its configuration and log are in the folder."""
    found = binary()
    if found is None:
        raise FileNotFoundError(lacking())
    told = told or Told()
    port = told.port or _free_port(told.host)
    reading, writing = (f"{word}-{secrets.token_hex(8)}" for word in ("read", "write"))
    (folder / "persistent").mkdir(parents=True, exist_ok=True)
    configuration = folder / "snmpd.conf"
    configuration.write_text("\n".join(_lines(told, port, reading, writing)) + "\n")
    configuration.chmod(0o600)
    process = subprocess.Popen(
        [
            *(*told.within, "timeout", "-k", "5", str(LIFE_S), found.path, "-f", "-r", "-C", "-c", str(configuration)),
            *("-Lf", str(folder / "snmpd.log")),
        ],
        env=found.environment | {"SNMP_PERSISTENT_DIR": str(folder / "persistent")},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        agent = Agent(told.host, port, reading, told.user, folder, process.pid)
        told.reach(lambda: _wait(agent, process, writing, told.cache_s))
        yield agent
    finally:
        end(process)


def _lines(told: Told, port: int, reading: str, writing: str) -> Iterator[str]:
    yield f"agentAddress udp:{told.host}:{port}" if ":" not in told.host else f"agentAddress udp6:[{told.host}]:{port}"
    # Whoever may write may write one thing, and nobody outside this run knows the word.
    yield f"view remembering included .{CACHE_TABLE}"
    family = "community6" if ":" in told.host else "community"
    yield f"ro{family} {reading}"
    yield f"rw{family} {writing} default -V remembering"
    yield from told.user.lines
    if told.engine_id:
        yield f"exactEngineID 0x{told.engine_id}"
    yield "interface_fadeout 1"
    for name, (kind, speed_bps) in told.types_and_speeds.items():
        yield f"interface {name} {kind} {speed_bps}"
    for prefix, command in told.scripts.items():
        yield f"pass_persist -p 10 .{prefix} {' '.join(command)}"
    yield from told.lines


def _wait(agent: Agent, process: subprocess.Popen[bytes], writing: str, cache_s: int) -> None:
    until = time.monotonic() + READY_S
    while time.monotonic() < until:
        with suppress(OSError, SnmpError), agent.session(0.3) as session:
            session.get(SYS_UPTIME)
            snmp_set.integer((agent.host, agent.port), writing, CACHE_TIMEOUT, cache_s)
            return
        if process.poll() is not None:
            break
        time.sleep(0.05)
    log = agent.folder / "snmpd.log"
    raise TimeoutError(f"snmpd does not answer: {log.read_text() if log.exists() else 'it has said nothing'}")


def end(process: subprocess.Popen[bytes]) -> None:
    """End a process that we started, gently first."""
    process.terminate()
    try:
        process.wait(5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(5)


def _free_port(host: str) -> int:
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind((host, 0))
        port: int = taken.getsockname()[1]
    return port
