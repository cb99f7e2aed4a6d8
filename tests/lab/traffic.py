"""Conversations held for real: paced senders in one process, whoever listens to them in another.

    traffic.py send|listen CONVERSATIONS.json COUNTS.json

Both run inside a namespace until they are told to end, and then write what each conversation sent or got. Needs only
the standard library.
"""

from __future__ import annotations

import contextlib
import json
import random
import selectors
import signal
import socket
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HEADERS = 14 + 20 + 8  # Ethernet, IPv4 and UDP: what a veth counts of a frame besides the payload
TURN_S, SETTLE_S = 0.004, 0.01
# What a sender that was held up makes good: more would overflow the queue of 40 ms, as if there were no room.
CATCH_UP_S = 0.030
KINDS = {"udp": socket.SOCK_DGRAM, "tcp": socket.SOCK_STREAM}


class Ending:
    """Whether we were told to end."""

    def __init__(self) -> None:
        self.told = False
        signal.signal(signal.SIGTERM, self._tell)

    def _tell(self, *_: object) -> None:
        self.told = True


@dataclass
class Sender:
    """One conversation's near end."""

    said: dict[str, Any]
    socket: socket.socket = field(init=False)
    due_bits: float = 0.0
    frames: int = 0
    octets: int = 0

    def __post_init__(self) -> None:
        self.socket = socket.socket(socket.AF_INET, KINDS[self.said["protocol"]])
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.socket.bind((self.said["source"], self.said["source_port"]))
        self.socket.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            self.socket.connect((self.said["target"], self.said["target_port"]))

    def go_on(self, passed_s: float) -> None:
        bps, payload = self.said["bps"], self.said["payload"]
        one = (payload + HEADERS if self.said["protocol"] == "udp" else payload) * 8
        self.due_bits = min(self.due_bits + bps * passed_s, max(bps * CATCH_UP_S, one * 2))
        with contextlib.suppress(BlockingIOError, ConnectionRefusedError):
            while self.due_bits >= one:
                # Counted once it is on its way: a refusal is an answer to an earlier one, and sends nothing.
                sent = self.socket.send(bytes(payload))
                self.due_bits -= one * sent / payload
                self.frames += 1
                self.octets += sent


def send(conversations: list[dict[str, Any]]) -> dict[str, list[int]]:
    """Speak at the rates asked for until told to end: frames and octets of payload, by conversation."""
    ending, order = Ending(), random.Random(1)
    senders = [Sender(said) for said in conversations]
    last = time.monotonic()
    while not ending.told:
        time.sleep(TURN_S)
        now = time.monotonic()
        order.shuffle(senders)  # else the same conversation would always find the queue full
        for sender in senders:
            sender.go_on(now - last)
        last = now
    return {sender.said["name"]: [sender.frames, sender.octets] for sender in senders}


def listen(conversations: list[dict[str, Any]]) -> dict[str, list[int]]:
    """Take what comes until told to end: pieces and octets of payload, by conversation."""
    ending, listening = Ending(), selectors.DefaultSelector()
    names = {(said["protocol"], said["source"], said["source_port"]): said["name"] for said in conversations}
    counts = {said["name"]: [0, 0] for said in conversations}
    for protocol, port in sorted({(said["protocol"], said["target_port"]) for said in conversations}):
        listening.register(_open(protocol, port), selectors.EVENT_READ, (protocol, ""))
    while not ending.told:
        time.sleep(SETTLE_S)  # a few frames at a turn: less work
        for key, _ in listening.select(0.2):
            with contextlib.suppress(BlockingIOError, ConnectionResetError):
                _take(listening, key, names, counts)
    return counts


def _open(protocol: str, port: int) -> socket.socket:
    opened = socket.socket(socket.AF_INET, KINDS[protocol])
    opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
    opened.bind(("0.0.0.0", port))
    opened.setblocking(False)
    if protocol == "tcp":
        opened.listen(64)
    return opened


def _take(
    listening: selectors.BaseSelector,
    key: selectors.SelectorKey,
    names: dict[tuple[str, str, int], str],
    counts: dict[str, list[int]],
) -> None:
    protocol, name = key.data
    ear: Any = key.fileobj
    if protocol == "tcp" and not name:
        caller, address = ear.accept()
        caller.setblocking(False)
        listening.register(caller, selectors.EVENT_READ, ("tcp", names[("tcp", *address)]))
        return
    for _ in range(512):
        taken, address = ear.recvfrom(65_536)
        name = name or names[(protocol, *address)]
        if not taken and protocol == "tcp":
            listening.unregister(ear)
            ear.close()
            return
        counts[name][0] += 1
        counts[name][1] += len(taken)
        name = key.data[1]


def main(doing: str, conversations: str, counts: str) -> None:
    """Do as told, and leave the counts behind in one piece."""
    done = {"send": send, "listen": listen}[doing](json.loads(Path(conversations).read_text()))
    written = Path(counts).with_suffix(".part")
    written.write_text(json.dumps(done))
    written.rename(counts)


if __name__ == "__main__":
    main(*sys.argv[1:])
