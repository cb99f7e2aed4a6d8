"""The service in the laboratory: a process of its own beside the agent's other end, and a receiver of its messages."""

from __future__ import annotations

import base64
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import snmpd
from lab.laboratory import Lab
from lab.links import LabTrouble
from lab.namespaces import inside, started
from receivers import SECRET, Receiver, listening

PORT = 8430
URL = f"http://127.0.0.1:{PORT}"
READY_S, ANSWER_S = 60, 10
# Windows as short as polls of one second allow, so that a story of minutes takes seconds. One agent is asked as two
# devices: in clear text, and in private.
DEVICES = ("lab-clear", "lab-private")
SETTINGS = """
[server]
port = {port}
[database]
url = "sqlite:///{folder}/lopside.sqlite"
[rules]
window_seconds = 5
clear_windows = 4
[lateness]
polled_s = 2
[collection]
interval_s = 1
[[credentials]]
name = "clear"
version = "2c"
accept_clear_text = true
community_file = "{folder}/community"
[[credentials]]
name = "private"
version = "3"
user = "{user}"
authentication = "sha-256"
authentication_file = "{folder}/authentication"
privacy = "aes-128"
privacy_file = "{folder}/privacy"
[[agents]]
device = "lab-clear"
address = "{agent}"
credentials = "clear"
[[agents]]
device = "lab-private"
address = "{agent}"
credentials = "private"
[[routes]]
name = "laboratory"
url = "{receiver}"
secret_file = "{folder}/secret"
allow_networks = ["127.0.0.0/8"]
"""


@dataclass(frozen=True)
class Service:
    """The service as its keeper sees it: over HTTP, and by its messages."""

    lab: Lab
    receiver: Receiver
    database: Path
    log: Path

    def told(self, path: str, **parameters: str) -> Any:
        """What it answers to a question over HTTP."""

        def ask() -> Any:
            return httpx.get(URL + path, params=parameters, timeout=ANSWER_S).raise_for_status().json()

        return inside(self.lab.names["mgr"], ask)

    def asked(self, path: str, body: dict[str, Any]) -> Any:
        """What it answers to a body that is posted."""

        def ask() -> Any:
            return httpx.post(URL + path, json=body, timeout=ANSWER_S).raise_for_status().json()

        return inside(self.lab.names["mgr"], ask)

    def until(self, happened: Callable[[], Any], limit_s: float, what: str) -> Any:
        """What a question answers once it answers anything; trouble where that takes too long."""
        until = time.monotonic() + limit_s
        while not (answer := happened()):
            if time.monotonic() > until:
                raise LabTrouble(f"{what}: not within {limit_s:g} s; the service said {self.log.read_text()[-2000:]}")
            time.sleep(0.5)
        return answer

    def findings(self) -> list[dict[str, Any]]:
        """All findings, open and over."""
        listed: list[dict[str, Any]] = self.told("/v1/findings")["items"]
        return listed


@contextmanager
def serving(lab: Lab) -> Iterator[Service]:
    """The service, running in the laboratory, and whom it tells."""
    inner = lab.names["mgr"]
    with _entered(listening, inner) as receiver:
        folder = lab.folder / "service"
        settings = settings_of(lab.agent, folder, receiver.url())
        command = (sys.executable, "-P", "-m", "service", "serve", "--settings", settings)
        log = folder / "log"
        process = started(inner, *command, log=log)
        try:
            service = Service(lab, receiver, folder / "lopside.sqlite", log)
            service.until(lambda: process.poll() is not None or _answers(service), READY_S, "the service answers")
            yield service
        finally:
            snmpd.end(process)


def settings_of(agent: snmpd.Agent, folder: Path, receiver: str) -> Path:
    """A settings file that asks the agent as two devices and tells one receiver, with its secrets beside it."""
    folder.mkdir()
    secrets = {
        "secret": "whsec_" + base64.b64encode(SECRET).decode(),
        "community": agent.community,
        "authentication": agent.user.authentication_phrase,
        "privacy": agent.user.privacy_phrase,
    }
    for name, secret in secrets.items():
        (folder / name).write_text(secret)
        (folder / name).chmod(0o600)
    told = {"port": PORT, "agent": agent.host, "user": agent.user.name, "receiver": receiver, "folder": folder}
    written = folder / "settings.toml"
    written.write_text(SETTINGS.format(**told))
    return written


def _answers(service: Service) -> bool:
    with suppress(httpx.HTTPError):
        return bool(service.told("/healthz"))
    return False


@contextmanager
def _entered(make: Callable[[], Any], namespace: str) -> Iterator[Any]:
    """A context whose sockets are opened inside a namespace."""
    context = make()
    entered = inside(namespace, context.__enter__)
    try:
        yield entered
    finally:
        context.__exit__(None, None, None)
