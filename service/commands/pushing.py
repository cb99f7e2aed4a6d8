"""`lopside push`: what this Linux host says of its own ports and teams, sent to a service."""

from __future__ import annotations

import os
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import click

from service.errors import WrongSetting

if TYPE_CHECKING:
    from service.pushing.reader import Reader
    from service.pushing.sender import Sender

SOME_WAIT = 1
MEGABYTE = 1_000_000
ROOT = Path("/")
LOOPBACK = ("localhost", "127.0.0.1", "::1")


@dataclass(frozen=True)
class Target:
    """Where to push, and the key that lets us in."""

    url: str
    key: str = field(default="", repr=False)


@click.command("push")
@click.option("--to", "url", metavar="URL", help="The service, as https://lopside.example.")
@click.option("--key-env", metavar="NAME", help="The environment variable that holds the key for it.")
@click.option("--key-file", type=click.Path(path_type=Path, dir_okay=False), help="The file that holds the key.")
@click.option("--device", metavar="NAME", help="What this host is called.  [default: its host name]")
@click.option(
    "--interval",
    type=click.IntRange(1, 300),
    default=10,
    show_default=True,
    help="Seconds from one reading to the next.",
)
@click.option(
    "--spool",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("lopside-push"),
    show_default=True,
    help="The folder where batches wait.",
)
@click.option(
    "--spool-mb", type=click.IntRange(1, 100_000), default=64, show_default=True, help="How much may wait there."
)
@click.option("--once", is_flag=True, help="Read once, send all that waits, and end.")
@click.option("--dry-run", is_flag=True, help="Print what would be sent, and send and keep nothing.")
def push(  # noqa: PLR0913, PLR0917  # each option by its name
    url: str | None,
    key_env: str | None,
    key_file: Path | None,
    device: str | None,
    interval: int,
    folder: Path,
    spool_mb: int,
    once: bool,
    dry_run: bool,
) -> None:
    """Read this Linux host's bonds and equal-cost routes, and push their ports' counters until told to end.

    It only reads, and needs no root. With --once it ends with 1 where batches still wait.
    """
    from service import logs

    logs.to_stderr()
    name = device or socket.gethostname()
    if dry_run:
        _show(_reader(name))
        return
    target = _target(url, key_env, key_file)
    if once:
        with _sender(target, folder, spool_mb * MEGABYTE) as sender:
            _once(_reader(name), sender)
        return
    # Before anything else: a thread that a library starts would take the signal that it does not hold.
    with _signals_held() as told_to_end, _sender(target, folder, spool_mb * MEGABYTE) as sender:
        _on_and_on(_reader(name), sender, interval * 1000, told_to_end)


def _reader(device: str) -> Reader:
    from service.pushing.netlink import links
    from service.pushing.reader import Reader

    return Reader(ROOT, device, _clock(), links)


def _clock() -> Callable[[], int]:
    from service import app

    return app.now_ms


def _show(reader: Reader) -> None:
    import json

    samples = reader.reading().samples(reader.device)
    click.echo(json.dumps({"samples": samples}, indent=1))


def _target(url: str | None, key_env: str | None, key_file: Path | None) -> Target:
    if not url:
        raise click.UsageError("say where to push: --to URL; or see what would be sent: --dry-run")
    if key_env and key_file:
        raise click.UsageError("--key-env and --key-file both name a key; leave one out")
    key = _key(key_env, key_file)
    scheme, host = _host(url)
    if key and scheme == "http" and host not in LOOPBACK:
        import structlog

        structlog.get_logger("pushing").warning("the key travels in clear text", remedy="push to an https address")
    return Target(f"{url.rstrip('/')}/v1/samples?feed=linux", key)


def _host(url: str) -> tuple[str, str]:
    """The scheme and host of a URL; WrongSetting where it is none."""
    try:
        parts = urlsplit(url)
        host = parts.hostname or ""
        parts.port  # noqa: B018  # it is looked at only when it is asked for
    except ValueError:
        host = ""
    if not host or parts.scheme not in ("http", "https") or not url.isascii() or not url.isprintable():
        raise WrongSetting("--to", f"{url!r} is not a URL", "write it like https://lopside.example")
    return parts.scheme, host


def _key(key_env: str | None, key_file: Path | None) -> str:
    if key_env:
        name, key = "--key-env", os.environ.get(key_env, "").strip()
    elif key_file:
        name, key = "--key-file", _content(key_file)
    else:
        return ""
    if not (key and key.isascii() and key.isprintable()):
        # What is there is not repeated: it may be a secret of another kind.
        raise WrongSetting(name, "there is no key in it", "put there what `lopside key new --role feed` printed")
    return key


def _content(file: Path) -> str:
    try:
        return file.read_text(encoding="ascii").strip()
    except OSError as wrong:
        raise WrongSetting("--key-file", f"{file}: {wrong.strerror}", "name a file that can be read") from wrong
    except UnicodeDecodeError:
        return ""


@contextmanager
def _sender(target: Target, folder: Path, most_octets: int) -> Iterator[Sender]:
    import random
    import uuid

    from service.pushing.http import posting
    from service.pushing.sender import Sender
    from service.pushing.spool import Spool

    with Spool(folder, most_octets) as spool, posting(target.url) as post:
        yield Sender(spool, post, _clock(), lambda: uuid.uuid4().hex, random.random, target.key)


def _once(reader: Reader, sender: Sender) -> None:
    from service.pushing.loop import keep

    keep(reader.body(), sender.spool)
    while sender.send_due():
        pass
    if len(sender.spool):
        click.get_current_context().exit(SOME_WAIT)


def _on_and_on(reader: Reader, sender: Sender, interval_ms: int, told_to_end: Callable[[float], bool]) -> None:
    import structlog

    from service.pushing.loop import keep_reading, sending

    log = structlog.get_logger("pushing")
    end = threading.Event()
    log.info("pushing", device=reader.device, every_s=interval_ms // 1000, waiting=len(sender.spool))
    with sending(sender, end):
        keep_reading(reader.body, sender.spool, reader.clock, lambda s: told_to_end(s) or end.is_set(), interval_ms)
    log.info("stopped", waiting=len(sender.spool))


@contextmanager
def _signals_held() -> Iterator[Callable[[float], bool]]:
    """Take Ctrl-C and a polite end only while waiting, so that a batch is never cut off; yields how to wait for one."""
    ends = {signal.SIGINT, signal.SIGTERM}
    before = signal.pthread_sigmask(signal.SIG_BLOCK, ends)
    try:
        yield lambda seconds: signal.sigtimedwait(ends, seconds) is not None
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


COMMANDS: tuple[click.Command, ...] = (push,)
