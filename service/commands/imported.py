"""Counter files brought in piece by piece: into a database, or to a running service over HTTP."""

from __future__ import annotations

import csv
import io
import itertools
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from service import app, ingest
from service.commands.readings import Reading
from service.errors import ServiceError, Unreachable, UnusableInput, WrongSetting
from service.feeds import csv_lines
from service.feeds.anchors import apart
from service.ingest import Taken
from service.settings.reading import Settings
from service.terms import Reject

FEED = "csv"
ROWS = 10_000
TIMEOUT_S = 120


def into_database(settings: Settings, file: Path, reading: Reading, *, dry_run: bool) -> Taken:
    """Keep a file's samples in the database that the settings name; a dry run says the same and keeps nothing."""
    engine, limits, now_ms = app.database_of(settings), settings.limits(), app.now_ms()
    # Anchors first and by themselves: they are no lines of the file, and are not counted.
    halves = (half for piece in reading.pieces(file, ROWS) for half in apart(piece))
    if dry_run:
        taken = ingest.rehearse(engine, halves, feed=FEED, now_ms=now_ms, limits=limits)
    else:
        taken = (ingest.keep(engine, half, feed=FEED, now_ms=now_ms, limits=limits) for half in halves)
    return added(itertools.islice(taken, 1, None, 2))


def added(pieces: Iterable[Taken]) -> Taken:
    """What became of all pieces together."""
    accepted = duplicates = 0
    rejected: list[Reject] = []
    for piece in pieces:
        accepted += piece.accepted
        duplicates += piece.duplicates
        rejected += piece.rejected
    return Taken(accepted, duplicates, tuple(rejected))


@dataclass(frozen=True)
class Service:
    """A running service and the key that it asks for."""

    url: str
    key: str = ""

    @classmethod
    def at(cls, url: str, key_env: str | None) -> Service:
        """The service at a URL, with the key that a variable of the environment holds."""
        if not _is_url(url):
            raise WrongSetting("--to", f"{url!r} is not a URL", "write it like http://127.0.0.1:8430")
        if key_env and not os.environ.get(key_env):
            raise WrongSetting("--key-env", f"the environment has no {key_env}", "put the key into it")
        key = os.environ[key_env].strip() if key_env else ""
        if not (key.isascii() and key.isprintable()):
            # What sends it would refuse it too, but with the key in its words.
            raise WrongSetting(
                "--key-env", f"what {key_env} holds is no key", "put into it what `lopside key new` printed"
            )
        return cls(url.rstrip("/"), key)


def _is_url(text: str) -> bool:
    try:
        url = httpx.URL(text)
    except httpx.InvalidURL:
        return False
    return url.scheme in {"http", "https"} and bool(url.host)


def into_service(service: Service, file: Path, transport: httpx.BaseTransport | None = None) -> Taken:
    """Push a file's lines to a running service, which reads them as it reads any push."""
    headers = {"content-type": "text/csv"} | ({"authorization": f"Bearer {service.key}"} if service.key else {})
    with httpx.Client(headers=headers, timeout=TIMEOUT_S, trust_env=False, transport=transport) as client:
        return added(_pushed(client, service.url, body, first) for body, first in bodies(file))


def bodies(file: Path) -> Iterator[tuple[bytes, int]]:
    """The file as pushes that each begin with its header, and the line of the file that follows that header."""
    try:
        with file.open("rb") as stream:
            head = csv_lines.header(stream, str(file))
            header = io.StringIO()
            csv.writer(header, lineterminator="\n").writerow(head.names)
            for block in csv_lines.blocks(stream, ROWS, head.line + 1, str(file), lambda _: None):
                yield header.getvalue().encode() + block.octets, block.first_line
    except OSError as wrong:
        raise UnusableInput(str(file), f"cannot be read: {wrong.strerror}", "name a file that can") from wrong


def _pushed(client: httpx.Client, url: str, body: bytes, first_line: int) -> Taken:
    try:
        answer = client.post(f"{url}/v1/samples", content=body)
    except httpx.HTTPError as broken:
        raise Unreachable(
            url, f"{broken}; what it took is kept, so that the import can simply be run again"
        ) from broken
    if not answer.is_success:
        raise ServiceError(f"{url} answered {answer.status_code}: {_detail(answer)}")
    try:
        told = answer.json()
        return Taken(told["accepted"], told["duplicates"], _lines_of(told["rejected"], first_line))
    except (ValueError, KeyError, TypeError) as wrong:
        raise ServiceError(f"what answers at {url} is not lopside; see that --to names it") from wrong


def _detail(answer: httpx.Response) -> str:
    try:
        told = answer.json()
        return str(told.get("detail") or told.get("title"))
    except (ValueError, AttributeError):
        return answer.text[:200]


def _lines_of(rejected: Sequence[dict[str, Any]], first_line: int) -> tuple[Reject, ...]:
    """What was refused by its line in the file: in the push the header was line 1."""
    return tuple(Reject(item["index"] - 2 + first_line, item["reason"]) for item in rejected)
