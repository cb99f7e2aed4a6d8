"""Recording a change that people made, for one team or for many at once; nothing is done to any device."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from sqlalchemy import Connection, Engine

from service.errors import NotFound, WrongState
from service.evaluation import baselines, noting
from service.evaluation.plan import Policy
from service.storage import audit, changes, database, inventory, predictions
from service.storage.changes import Place
from service.terms import DIRECTIONS, Baseline, Change, Prediction

CHANGE_KINDS = ("method", "far-end", "re-draw", "capacity", "repair", "other")
SETTLE_MS = 300_000
DAY_MS = 86_400_000
# A prediction that is older was made for something else.
FORETOLD_MS = 30 * DAY_MS
MOST_TEAMS = 500


class Asked(NamedTuple):
    """A team that was changed; both directions where none is named, the last prediction of each where none is."""

    device: str
    team: str
    direction: str = ""
    prediction: str = ""


@dataclass(frozen=True)
class Told:
    """What somebody says of a change; `request` is their own name for saying it, so that twice is once.

    `until_ms` says until when it is watched on each day that is compared; None for a whole day.
    """

    at_ms: int
    what: str
    teams: tuple[Asked, ...]
    who: str = ""
    reference: str = ""
    kind: str = "other"
    settle_ms: int = SETTLE_MS
    request: str = ""
    until_ms: int | None = None


@dataclass(frozen=True)
class _Wanted:
    """A change that is to be kept: its places with the predictions named for them, and what each is compared with."""

    change: Change
    request: str
    places: Mapping[Place, str]
    drawn: Mapping[Place, Baseline]


class Recorded(NamedTuple):
    """A change as it is kept, and whether it was not there before."""

    change: Change
    new: bool


def record(engine: Engine, told: Told, by: str, policy: Policy, now_ms: int) -> Recorded:
    """Keep a change with what it is compared with, and say so at the findings that it was made for.

    What it is compared with is drawn up before anything is locked: of many teams that takes its time.

    Raises
    ------
    NotFound
        A team or prediction is not known.
    WrongState
        The change is still to come, a prediction cannot be held against it, or another was told under its name.
    """
    if told.at_ms > now_ms:
        raise WrongState("this change is still to come; record it once it is made, so that nobody compares too early")
    if told.at_ms < 0:
        raise WrongState("this change was made before 1970, of which nothing is kept; see to its time")
    if told.until_ms is not None and not 0 < told.until_ms - told.at_ms - told.settle_ms <= DAY_MS:
        raise WrongState("compare_until lies after the settle time, and at most a day after it")
    change = _change(told, by, now_ms)
    with database.reading(engine) as connection:
        places = _places(connection, told.teams)
        known = _known(connection, change, told.request)
        drawn = {} if known else baselines.drawn_up(connection, change, places, policy, told.until_ms)
    wanted = _Wanted(change, told.request, places, drawn)
    return database.retried(engine, lambda connection: _kept(connection, wanted, by, now_ms))


def _kept(connection: Connection, wanted: _Wanted, by: str, now_ms: int) -> Recorded:
    change, places = wanted.change, wanted.places
    team_ids = sorted({place.team_id for place in places})
    inventory.hold_decided(connection, team_ids)
    if (known := _known(connection, change, wanted.request)) is not None:
        return _again(connection, known, change, places)
    foretold = _foretold(connection, places, team_ids, change.at_ms)
    if not changes.keep(connection, change, foretold, wanted.request):  # told meanwhile, of other teams
        return _again(connection, changes.one(connection, change.id), change, places)
    for place, baseline in wanted.drawn.items():
        changes.freeze(connection, change.id, place, baseline)
    noting.note_change(connection, change, changes.lines(connection, change.id), now_ms)
    details = {"at_ms": change.at_ms, "teams": len(team_ids), "reference": change.reference, "who": change.who}
    audit.note(connection, now_ms, by, "change.record", change.id, details)
    return Recorded(change, True)


def _places(connection: Connection, teams: Iterable[Asked]) -> dict[Place, str]:
    """The teams and directions asked for, each with the prediction that was named for it."""
    places: dict[Place, str] = {}
    for asked in teams:
        team_id = inventory.team_named(connection, asked.device, asked.team)
        ways = range(len(DIRECTIONS)) if not asked.direction else (DIRECTIONS.index(asked.direction),)
        for way in ways:
            places.setdefault(Place(team_id, way), asked.prediction)
    return places


def _change(told: Told, by: str, now_ms: int) -> Change:
    return Change(
        id=_id_of(by, told.request),
        at_ms=told.at_ms,
        who=told.who or by,
        what=told.what,
        reference=told.reference,
        kind=told.kind,
        settle_ms=told.settle_ms,
        created_ms=now_ms,
        created_by=by,
    )


def _id_of(by: str, request: str) -> str:
    """Told again under the same name by the same caller, it is the same change."""
    if not request:
        return f"c{secrets.token_hex(10)}"
    return "c" + hashlib.blake2b(f"{by}\x1f{request}".encode(), digest_size=10).hexdigest()


def _known(connection: Connection, change: Change, request: str) -> Change | None:
    try:
        return changes.one(connection, change.id) if request else None
    except NotFound:
        return None


def _again(connection: Connection, known: Change, change: Change, places: Collection[Place]) -> Recorded:
    """The change that was told before, where it is the same."""
    same = ("at_ms", "who", "what", "reference", "kind", "settle_ms")
    kept = {line.place for line in changes.lines(connection, known.id)}
    if kept != set(places) or any(getattr(known, one) != getattr(change, one) for one in same):
        raise WrongState("another change was recorded under this name; give this one a `request` of its own")
    return Recorded(known, False)


def _foretold(
    connection: Connection, places: Mapping[Place, str], team_ids: Sequence[int], at_ms: int
) -> list[tuple[Place, str]]:
    """Each place with the prediction that is held against the change: the one named, else the last one made for it."""
    named = predictions.some(connection, {one for one in places.values() if one})
    made = predictions.before(connection, team_ids, at_ms - FORETOLD_MS, at_ms)
    taken = predictions.taken(connection, {*named, *(one.id for one in made)})
    since: dict[Place, int] = {}
    for seen in changes.of_teams(connection, team_ids, at_ms - FORETOLD_MS, at_ms):
        since[seen.line.place] = seen.change.at_ms
    free = [one for one in made if one.id not in taken and one.made_ms >= since.get(_place(one), 0)]
    last = {_place(one): one.id for one in reversed(free)}
    for place, name in places.items():
        if name:
            _refuse(name, named.get(name), place, taken, at_ms)
    return [(place, name or last.get(place, "")) for place, name in places.items()]


def _refuse(name: str, prediction: Prediction | None, place: Place, taken: Mapping[str, str], at_ms: int) -> None:
    """Refuse a prediction that does not belong to the change."""
    if prediction is None:
        raise NotFound("prediction", name)
    if _place(prediction) != place:
        raise WrongState(f"prediction {name} is of another team or direction; name it for its own")
    if prediction.made_ms >= at_ms:
        raise WrongState(
            f"prediction {name} was made after the change: that is hindsight, so it is not held against it"
        )
    if name in taken:
        raise WrongState(f"prediction {name} is held against change {taken[name]} already")


def _place(prediction: Prediction) -> Place:
    return Place(prediction.team_id, DIRECTIONS.index(prediction.direction))
