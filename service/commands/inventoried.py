"""An inventory file taken into the database, and what of the inventory the file no longer holds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, Engine

from service.errors import UnusableInput
from service.feeds import inventory_file
from service.feeds.inventory_file import Listed
from service.storage import audit, claims, database
from service.terms import DECLARED, Claim

WHAT = "inventory imported"


@dataclass(frozen=True)
class Imported:
    """What became of an inventory file; `absent` are declared ports that it does not hold, `removed` or kept."""

    ports: int
    changed: tuple[Claim, ...]
    absent: tuple[Claim, ...]
    removed: bool


def listed_in(file: Path) -> Listed:
    """What a file declares."""
    try:
        with file.open("rb") as stream:
            octets = stream.read(inventory_file.MOST_OCTETS + 1)
    except OSError as failure:
        why = f"cannot be read: {failure.strerror or failure}"
        raise UnusableInput(str(file), why, "name a file that can") from failure
    return inventory_file.parse(octets, str(file), file.name)


def imported(  # noqa: PLR0913  # each by its name
    engine: Engine, listed: Listed, file: Path, *, who: str, now_ms: int, dry_run: bool, remove_missing: bool
) -> Imported:
    """Keep what a file declares; what it does not hold goes only where that is asked, and no line was refused.

    A line that was refused may be about the very port that would go. A dry run says the same and keeps nothing.
    """
    removes = remove_missing and not listed.rejects
    if dry_run:
        with database.reading(engine) as connection:
            before = _by_place(claims.declared(connection))
        changed = tuple(claim for claim in listed.claims if before.get((claim.device, claim.port)) != claim)
        return Imported(len(listed.claims), changed, _absent(before.values(), listed), removes)

    def work(connection: Connection) -> Imported:
        absent = _absent(claims.declared(connection), listed)
        changed = claims.keep(connection, listed.claims, now_ms)
        if removes:
            _remove(connection, absent)
        counts = {"ports": len(listed.claims), "changed": len(changed), "removed": len(absent) if removes else 0}
        audit.note(connection, now_ms, who, WHAT, file.name[:255], counts | {"rejected": len(listed.rejects)})
        return Imported(len(listed.claims), changed, absent, removes)

    return database.retried(engine, work)


def _by_place(said: Iterable[Claim]) -> dict[claims.Place, Claim]:
    return {(claim.device, claim.port): claim for claim in said}


def _absent(before: Iterable[Claim], listed: Listed) -> tuple[Claim, ...]:
    held = {(claim.device, claim.port) for claim in listed.claims}
    return tuple(claim for claim in before if (claim.device, claim.port) not in held)


def _remove(connection: Connection, absent: Iterable[Claim]) -> None:
    ports: dict[str, list[str]] = {}
    for claim in absent:
        ports.setdefault(claim.device, []).append(claim.port)
    for device, names in ports.items():
        claims.forget(connection, device, names, DECLARED)
