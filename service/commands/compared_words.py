"""What `lopside compare` found, as a text for people or one JSON object for programs."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

import orjson

from service.commands.compared import Row, is_known
from service.commands.group import printable
from service.commands.judged import Brought
from service.rules.verdicts.baseline import Baseline
from service.rules.verdicts.fleet import FleetVerdict, fleet_verdict
from service.rules.verdicts.wording import heading
from service.terms import Outcome, Stretches, Verdict
from service.webhooks.fields import instant

WIDTH = 110
# What somebody should look at first.
ORDER = (
    Outcome.WORSE,
    Outcome.MOVED,
    Outcome.UNCHANGED,
    Outcome.IMPROVED,
    Outcome.EVENED_OUT,
    Outcome.CANNOT_TELL_YET,
)
CAUTION = "One change is one draw: it says that this placement is more even, not that the method is. Advice only."


def text_of(held: Brought, hours: Baseline, rows: Sequence[Row], change_ms: int) -> str:
    """The whole report, ending in a newline."""
    known = sorted(filter(_says, rows), key=_rank)
    blocks = (
        _hours(hours, change_ms),
        *(_block(row) for row in known),
        _fleet(known),
        _titled("Nothing to compare:", [f"{_name(row)}: {_nothing(row.verdict)}" for row in rows if not _says(row)]),
        _titled("Not evaluable:", held.notes),
        CAUTION,
    )
    return "\n\n".join(printable(block) for block in blocks if block) + "\n"


def json_of(held: Brought, hours: Baseline, rows: Sequence[Row], change_ms: int) -> str:
    """The object, ending in a newline; figures as the verdicts hold them, times as text."""
    told = {
        "files": list(held.files),
        "change": instant(change_ms),
        "before": _spans(hours.before),
        "before_dates": list(hours.dates),
        "after": _spans(hours.after),
        "verdicts": [_fields(row) for row in rows],
        "fleet": asdict(fleet_verdict([row.verdict for row in rows if _says(row)])),
        "not_evaluable": list(held.notes),
    }
    return orjson.dumps(told, option=orjson.OPT_NON_STR_KEYS).decode() + "\n"


def _fields(row: Row) -> dict[str, Any]:
    told = asdict(row.verdict)
    wait_ms = told.pop("could_tell_ms")
    named = {"device": row.device, "team": row.team, "direction": row.direction}
    return {**named, **told, "could_tell_at": None if wait_ms is None else instant(wait_ms)}


def _says(row: Row) -> bool:
    """Whether there is more to say of a team and direction than that it carried next to nothing."""
    verdict = row.verdict
    return bool(verdict.harm) or verdict.before.counted + verdict.after.counted > 0


def _nothing(verdict: Verdict) -> str:
    return "the even split never reached 10 %" if is_known(verdict) else "not counted, or never with all members"


def _rank(row: Row) -> tuple[bool, int]:
    return not row.verdict.harm, ORDER.index(row.verdict.outcome)


def _block(row: Row) -> str:
    word = heading(row.verdict)
    rest = row.verdict.text.removeprefix(word).removeprefix(": ")
    lines = [line for part in rest.split("; ") for line in textwrap.wrap(part, WIDTH - 4)]
    return _titled(f"{_name(row)}: {word}", [*lines, *_resampled(row.verdict)])


def _resampled(verdict: Verdict) -> Iterable[str]:
    if verdict.boot_low is not None and verdict.boot_high is not None:
        yield f"by resampling in blocks: 95 % {100 * verdict.boot_low:+.1f} to {100 * verdict.boot_high:+.1f}"


def _name(row: Row) -> str:
    return f"{row.device}, team {row.team}, {row.direction}"


def _hours(hours: Baseline, change_ms: int) -> str:
    dates = f" ({', '.join(hours.dates)})" if hours.dates else ""
    return "\n".join(
        (
            f"Changed {instant(change_ms)}",
            f"before{dates}: {_listed(hours.before)}",
            f"after: {_listed(hours.after)}",
        )
    )


def _listed(stretches: Stretches) -> str:
    return ", ".join(f"{span['from']} to {span['to']}" for span in _spans(stretches))


def _spans(stretches: Stretches) -> list[dict[str, str | None]]:
    return [{"from": instant(start), "to": instant(end)} for start, end in stretches.spans]


def _fleet(rows: Sequence[Row]) -> str:
    found: FleetVerdict = fleet_verdict([row.verdict for row in rows])
    if found.told < 2:
        return ""
    return _titled("If one change was made to all of these:", textwrap.wrap(found.text, WIDTH - 4))


def _titled(title: str, lines: Sequence[str]) -> str:
    return f"{title}\n" + "\n".join(f"  {line}" for line in lines) if lines else ""
