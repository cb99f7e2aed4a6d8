"""`lopside trial`: what came of heavy traffic that somebody pushes through a team, against what was planned."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.group import database_of, settings_from, tell_rejects, with_settings
from service.commands.lengths import LENGTH, instant_of, length_ms_of
from service.commands.rates import rate_of

if TYPE_CHECKING:
    from service.rules.trials.framing import Framing
    from service.rules.trials.outcome import Trial
    from service.rules.trials.plan import Group, Plan

AGREES, DIFFERS = 0, 1
_GROUP = re.compile(rf"(?:(\d{{1,3}})x)?([^x+/]+)(?:\+({LENGTH}))?(?:/({LENGTH}))?", re.ASCII)
METAVAR = "[COUNTx]RATE[+BEGIN][/FOR]"


@click.command()
@with_settings
@click.argument("team", metavar="DEVICE/TEAM")
@click.option(
    "--stream",
    "streams",
    multiple=True,
    required=True,
    metavar=METAVAR,
    help="Streams that are sent, as 8x110M; 110M+2m/3m begins 2 min into the check and lasts 3. May be given again.",
)
@click.option("--from", "begin", required=True, metavar="TIME", help="When sending begins, as 2026-11-25T10:00:00Z.")
@click.option("--for", "length", required=True, metavar="TIME", help="How long it lasts, as 10m; at most 4h.")
@click.option("--direction", type=click.Choice(("egress", "ingress")), default="egress", show_default=True)
@click.option("--change", "changes", multiple=True, metavar="TIME", help="When something was changed. [as recorded]")
@click.option("--frames", "by_frames", is_flag=True, help="Rates are of whole frames, not of what streams carry.")
@click.option("--udp", type=click.IntRange(1), metavar="OCTETS", help="Datagrams of so many octets instead of TCP.")
@click.option("--mtu", type=int, default=1500, show_default=True, help="Of TCP.")
@click.option("--timestamps/--no-timestamps", default=True, show_default=True, help="Of TCP (RFC 7323).")
@click.option("--tagged", is_flag=True, help="Frames carry a VLAN tag.")
@click.option("--ipv6", is_flag=True)
@click.option("--line", type=float, help="The share of speed that the odds are about. [hot_above of the team's rule]")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Of draws.")
@click.option("--zone", metavar="ZONE", help="The time zone of times that name none.")
@click.option(
    "--file",
    "files",
    multiple=True,
    type=click.Path(path_type=Path),
    help="A counter file instead of the database of the settings; may be given again.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object for programs instead of a text for people.")
def trial(  # noqa: PLR0913, PLR0917  # an argument for each option there is
    settings_file: Path | None,
    team: str,
    streams: Sequence[str],
    begin: str,
    length: str,
    direction: str,
    changes: Sequence[str],
    by_frames: bool,
    udp: int | None,
    mtu: int,
    timestamps: bool,
    tagged: bool,
    ipv6: bool,
    line: float | None,
    seed: int,
    zone: str | None,
    files: Sequence[Path],
    as_json: bool,
) -> None:
    """Check what heavy traffic through DEVICE/TEAM came to, against the plan by which it was sent.

    Counted against offered within 2 % after overhead; which member each stream landed on; how long a change took and
    what was lost; what the odds had said. Push only through links you own, with leave and an end: the tool itself
    sends nothing, changes nothing and keeps nothing.

    Ends with 0 where the sum agrees, 1 where it does not or cannot be told, 2 where the input could not be used.
    """
    from service.commands import trial_words

    framed = _framing(udp, (mtu, timestamps, tagged, 6 if ipv6 else 4), by_frames)
    asked = Asked(team, direction, tuple(streams), (begin, length), tuple(changes), zone)
    found = (
        _of_files(asked, framed, (line, seed), files) if files else _kept(settings_file, asked, framed, (line, seed))
    )
    click.echo(json.dumps(asdict(found)) if as_json else trial_words.text_of(found), nl=as_json)
    sys.stdout.flush()
    click.get_current_context().exit(AGREES if found.count is not None and found.count.agrees else DIFFERS)


@dataclass(frozen=True)
class Asked:
    """A plan as it was given on the command line."""

    team: str
    direction: str
    streams: tuple[str, ...]
    span: tuple[str, str]
    changes: tuple[str, ...]
    zone: str | None

    def plan(self, place: tuple[str, str], framing: Framing, odds: tuple[float, int]) -> Plan:
        """The plan for a device and team, with the line and the seed of its odds."""
        from service.rules.trials.plan import Changed, Plan

        begin_ms = instant_of(self.span[0], self.zone, "--from")
        end_ms = begin_ms + length_ms_of(self.span[1], "--for")
        at = tuple(instant_of(text, self.zone, "--change") for text in self.changes)
        return Plan(
            device=place[0],
            team=place[1],
            direction=self.direction,
            groups=tuple(_group(text, begin_ms, end_ms) for text in self.streams),
            begin_ms=begin_ms,
            end_ms=end_ms,
            framing=framing,
            line=odds[0],
            seed=odds[1],
            changes=tuple(Changed(one) for one in sorted(at)),
        )

    @property
    def place(self) -> tuple[str, str]:
        """Device and team; where a name holds a stroke itself, the last one parts them."""
        device, _, team = self.team.rpartition("/")
        if not (device and team):
            raise click.BadParameter(f"{self.team!r} is not DEVICE/TEAM", param_hint="DEVICE/TEAM")
        return device, team


def _framing(udp: int | None, told: tuple[int, bool, bool, int], by_frames: bool) -> Framing:
    from service.numerics.frames import Transfer
    from service.rules.trials import framing

    mtu, timestamps, tagged, ip = told
    if udp is not None:
        return framing.of_udp(udp, ip=ip, tagged=tagged, by_frames=by_frames)
    return framing.of_tcp(Transfer(mtu, timestamps, tagged, ip), by_frames=by_frames)


def _group(text: str, begin_ms: int, end_ms: int) -> Group:
    from service.rules.trials.plan import Group

    told = _GROUP.fullmatch(text.strip().replace("bit/s", ""))
    bps = rate_of(told[2]) if told else None
    if told is None or not bps:
        raise click.BadParameter(f"{text!r} is no stream; write it like 8x110M or 110M+2m/3m", param_hint="--stream")
    first_ms = begin_ms + (length_ms_of(told[3], "--stream") if told[3] else 0)
    last_ms = first_ms + length_ms_of(told[4], "--stream") if told[4] else end_ms
    return Group(int(told[1] or 1), bps, first_ms, last_ms)


def _kept(settings_file: Path | None, asked: Asked, framing: Framing, odds: tuple[float | None, int]) -> Trial:
    from service import app
    from service.app.parts import policy_of
    from service.evaluation import trials
    from service.storage import database

    settings = settings_from(settings_file)
    policy = policy_of(settings)
    line = policy.rules_for(*asked.place).hot_above if odds[0] is None else odds[0]
    plan = asked.plan(asked.place, framing, (line, odds[1]))
    with database.reading(database_of(settings)) as connection:
        return trials.evaluated(connection, plan, policy, app.now_ms())


def _of_files(asked: Asked, framing: Framing, odds: tuple[float | None, int], files: Sequence[Path]) -> Trial:
    from service.commands.trial_files import tried
    from service.terms import Rule

    plan = asked.plan(asked.place, framing, (Rule().hot_above if odds[0] is None else odds[0], odds[1]))
    found, rejects = tried(files, plan, asked.zone)
    tell_rejects(rejects)
    return found


COMMANDS: tuple[click.Command, ...] = (trial,)
