"""What came of a replay, for people and for programs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import orjson

from service.commands.check_table import clock
from service.commands.group import printable
from service.commands.replayed import Came, ruling_words
from service.replaying.comparing import CHANGED, ONLY_PRESENT, ONLY_TRIED, Difference
from service.rules.words import counted
from service.terms import Finding
from service.web import replays

END = "Nothing was sent, and nothing written."
TITLES = {
    ONLY_PRESENT: "Raised by the present rules only:",
    ONLY_TRIED: "Raised by the rules tried only:",
    CHANGED: "Raised by both, but otherwise:",
}


def as_json(came: Came) -> str:
    """One object, as the interface answers it, with where the history came from."""
    whole = {"source": came.source, **replays.told(came.replay)}
    return orjson.dumps(whole, option=orjson.OPT_INDENT_2).decode() + "\n"


def as_text(came: Came) -> str:
    """The counts, then the differences, some lines each."""
    blocks = [_heading(came), *_blocks(came.replay.comparison.differences), END]
    return "\n\n".join(printable(block) for block in blocks) + "\n"


def _heading(came: Came) -> str:
    done = came.replay
    trial, found = done.trial, done.comparison
    return "\n".join(
        (
            f"{came.source}: {counted(done.teams, 'team')}, {clock(trial.first_ms)} to {clock(trial.end_ms)} UTC,"
            f" {done.evaluable:,} of {counted(done.windows, 'window')} evaluable",
            f"present rules: {counted(found.present, 'finding')}, {ruling_words(trial.present)}",
            f"rules tried:   {counted(found.tried, 'finding')}, {ruling_words(trial.tried)}",
            f"the same under both: {found.same}",
        )
    )


def _blocks(differences: Sequence[Difference]) -> Iterator[str]:
    for what, title in TITLES.items():
        some = [one for one in differences if one.what == what]
        if some:
            yield "\n".join([f"{title} {len(some)}", *(line for one in some for line in _lines(one))])


def _lines(one: Difference) -> Iterable[str]:
    about = one.one
    yield f"  {about.device}, team {about.team}, {about.direction}"
    for name, finding in (("present", one.present), ("tried", one.tried)):
        if finding is not None:
            yield f"    {name + ':':<9}{_finding(finding)}"


def _finding(finding: Finding) -> str:
    end = "still open" if finding.cleared_ms is None else f"to {clock(finding.cleared_ms)}"
    hot = ", ".join(member.port for member in finding.hot)
    peak = f", peak {100 * finding.peak:.1f} % on {finding.peak_port}"
    return f"{finding.severity}, {finding.kind}: raised {clock(finding.raised_ms)}, {end}, hot {hot or 'none'}{peak}"
