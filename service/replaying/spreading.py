"""Errands done one after the other, by several processes of this machine, or by machines that Dask brings together.

The answers are the same: an errand knows nothing of the others, and outcomes come back in the order of errands.
"""

from __future__ import annotations

import ipaddress
import multiprocessing
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from service import __version__
from service.errors import ReplayRefused
from service.replaying.judging import Errand, Outcome, replayed

if TYPE_CHECKING:
    from distributed import Client

Spread = Callable[[Sequence[Errand]], Iterator[Outcome]]
RETRIES = 2
PATIENCE_S = 15


def one_by_one(errands: Sequence[Errand]) -> Iterator[Outcome]:
    """Here, one after the other."""
    return map(replayed, errands)


def by_processes(workers: int) -> Spread:
    """By so many processes of this machine."""

    def spread(errands: Sequence[Errand]) -> Iterator[Outcome]:
        # Spawned, not forked: a fork copies locks that the threads of this process hold.
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(min(workers, max(1, len(errands))), context) as pool:
            yield from pool.map(replayed, errands)

    return spread


@dataclass(frozen=True)
class Papers:
    """Files with which a scheduler is spoken to over TLS: the authority, and our own certificate and key."""

    ca: str
    certificate: str
    key: str


def by_machines(address: str, papers: Papers | None = None) -> Spread:
    """By the workers of a Dask scheduler; each must have this release, and see archives under the same path.

    Raises
    ------
    ReplayRefused
        Where Dask is not installed here, the scheduler cannot be reached or runs another release, or is
        spoken to in clear text over a network: whoever reaches its port has it run what they like.
    """
    _refuse_clear_text(address, papers)

    def spread(errands: Sequence[Errand]) -> Iterator[Outcome]:
        with _quiet(), _client(address, papers) as client:
            _refuse_strangers(client)
            futures = client.map(replayed, errands, retries=RETRIES, pure=False)
            for future in futures:
                yield future.result()

    return spread


def _refuse_clear_text(address: str, papers: Papers | None) -> None:
    try:
        parts = urlsplit(address if "//" in address else f"tcp://{address}")
        host, port = parts.hostname or "", parts.port
    except ValueError as wrong:
        raise ReplayRefused(
            f"{address!r} is no address of a scheduler; write it like tls://dask.example:8786"
        ) from wrong
    if not (host and port) or parts.scheme not in ("tcp", "tls"):
        raise ReplayRefused(f"{address!r} is no address of a scheduler; write it like tls://dask.example:8786")
    if parts.scheme == "tls" and papers is None:
        raise ReplayRefused(
            "a scheduler over TLS takes --tls-ca, --tls-cert and --tls-key, so that both ends are known"
        )
    if parts.scheme == "tcp" and not _is_loopback(host):
        raise ReplayRefused(
            f"{address}: a scheduler runs whatever code its port is sent, so that clear text is for loopback only;"
            " have it listen with TLS and write tls://"
        )


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


@contextmanager
def _client(address: str, papers: Papers | None) -> Iterator[Client]:
    try:
        from distributed import Client, Security
    except ImportError as missing:
        raise ReplayRefused("Dask is not installed here; install the extra: lopside[dask]") from missing
    security = None
    if papers is not None:
        security = Security(  # type: ignore[no-untyped-call]  # untyped library
            tls_ca_file=papers.ca,
            tls_client_cert=papers.certificate,
            tls_client_key=papers.key,
            require_encryption=True,
        )
    try:
        client = Client(address, security=security, timeout=PATIENCE_S, set_as_default=False)  # type: ignore[no-untyped-call]  # as above
    except (OSError, ValueError, TypeError, RuntimeError) as failure:
        raise ReplayRefused(f"the scheduler {address} cannot be reached: {failure}") from failure
    with client:
        yield client


def _refuse_strangers(client: Client) -> None:
    """Workers of another release would judge otherwise, and without one nothing would ever be done."""
    if not client.scheduler_info(n_workers=-1)["workers"]:
        raise ReplayRefused("the scheduler has no workers; start some: dask worker ADDRESS")
    told: dict[str, Any] = client.run(_release, on_error="return")
    others = {worker: release for worker, release in told.items() if release != __version__}
    for worker, release in others.items():
        has = f"lopside {release}" if isinstance(release, str) else f"no lopside ({release})"
        raise ReplayRefused(f"worker {worker} has {has}; install lopside {__version__} on all of them")


def _release() -> str:
    from service import __version__ as here

    return here


@contextmanager
def _quiet() -> Iterator[None]:
    """Without the remarks of libraries about each other."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield
