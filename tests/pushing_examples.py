"""Batches, a clock that moves when told, and a stand-in for the service that `lopside push` sends to."""

from __future__ import annotations

import json

from service.errors import Unreachable
from service.pushing.sender import Answer

START_MS = 1_795_600_000_000


def a_batch(number, size=0):
    """A batch as the reader makes it, with its number where a time would stand."""
    return json.dumps({"samples": [{"time": number, "x_pad": "." * size}]}, separators=(",", ":")).encode()


def numbers_in(body):
    return [sample["time"] for sample in json.loads(body)["samples"]]


class Clock:
    def __init__(self):
        self.now_ms = START_MS

    def __call__(self):
        return self.now_ms

    def forward(self, ms):
        self.now_ms += ms


class Service:
    """A stand-in that answers as told, then takes everything."""

    def __init__(self):
        self.answers = []
        self.heard = []

    def __call__(self, body, headers):
        self.heard.append((body, dict(headers)))
        answer = self.answers.pop(0) if self.answers else None
        if answer is None:
            return Answer(200, None, json.dumps({"accepted": 1, "duplicates": 0, "rejected": []}).encode())
        if isinstance(answer, Exception):
            raise answer
        return answer

    def taken(self):
        return [number for body, _ in self.heard for number in numbers_in(body)]


AWAY = Unreachable("lopside.example", "no route")
