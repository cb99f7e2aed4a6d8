"""`lopside odds`: chances for items and links, the coin-toss exhibit, stated functions, and frame arithmetic."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from service.commands.group import printable
from service.commands.rates import Items, ItemsOfARate, Rate

if TYPE_CHECKING:
    from service.numerics.odds_asked import Question

GIGABIT = 10**9


@click.group(invoke_without_command=True)
@click.option(
    "--item",
    "items",
    type=ItemsOfARate(),
    multiple=True,
    metavar=ItemsOfARate.name,
    help="A heavy conversation or virtual port.",
)
@click.option("--equal", type=click.IntRange(1), metavar="K", help="K items of one rate, whatever it is: exact odds.")
@click.option("--link", "links", type=Rate(), multiple=True, help="The speed of a member; give one for each.")
@click.option("--links", "count", type=click.IntRange(1), metavar="N", help="N members of one speed instead. [2]")
@click.option("--speed", type=Rate(), default=GIGABIT, help="Their speed. [1G]")
@click.option("--background", type=Rate(), multiple=True, help="What a member carries besides, in their order.")
@click.option("--line", type=float, default=0.75, show_default=True, help="The share of speed not to be exceeded.")
@click.option("--demand", "demands", type=float, multiple=True, help="Multiplies the rates. [1, 1.5 and 2]")
@click.option("--most-moves", type=click.IntRange(0), metavar="M", help="How many items the best may move.")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Of draws.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object for programs.")
@click.pass_context
def odds(  # noqa: PLR0913, PLR0917  # an argument for each option there is
    context: click.Context,
    items: Sequence[Items],
    equal: int | None,
    links: Sequence[float],
    count: int | None,
    speed: float,
    background: Sequence[float],
    line: float,
    demands: Sequence[float],
    most_moves: int | None,
    seed: int,
    as_json: bool,
) -> None:
    """Say how likely a change of method is to help: the odds that no member is above the line after one draw.

    Name the heavy items and the members: lopside odds --item 430M@1 --item 390M@1 --links 2. With @LINK the best
    placement and placement by load are reckoned from where items are. It advises; it changes nothing.
    """
    if context.invoked_subcommand is not None:
        return
    if bool(items) == bool(equal) or (links and count):
        raise click.UsageError("give --item or --equal, and --link or --links")
    if equal:
        _equal(equal, count or len(links) or 2, as_json)
        return
    from service.numerics.odds_asked import Question

    speeds = tuple(links) or (speed,) * (count or 2)
    question = Question(
        items=tuple(one.bps for one in items for _ in range(one.many)),
        capacity=speeds,
        background=_padded(background, len(speeds)),
        line=line,
        seed=seed,
        current=_current(items),
        most_moves=most_moves,
        **({"demands": tuple(demands)} if demands else {}),
    )
    _answered(question, as_json)


def _padded(background: Sequence[float], links: int) -> tuple[float, ...]:
    if len(background) > links:
        raise click.UsageError("--background is given more often than there are members")
    return (*background, *(0.0 for _ in range(links - len(background))))


def _current(items: Sequence[Items]) -> tuple[int, ...] | None:
    """Where items are, None where nobody says so; some that are somewhere and some that are nowhere is a slip."""
    known = [one.link for one in items for _ in range(one.many)]
    if not any(known):
        return None
    if not all(known):
        raise click.UsageError("say of every item on which link it is, as 430M@1, or of none")
    return tuple(link - 1 for link in known)


def _answered(question: Question, as_json: bool) -> None:
    from service.commands import odds_words
    from service.numerics.odds_asked import answer

    found = answer(question)
    click.echo(json.dumps(asdict(found)) if as_json else "\n".join(odds_words.lines(question, found)))


def _equal(k: int, n: int, as_json: bool) -> None:
    from service.commands import odds_words
    from service.numerics.odds_equal import equal_items

    found = equal_items(k, n)
    click.echo(json.dumps(asdict(found)) if as_json else "\n".join(odds_words.equal_lines(found)))


@odds.command()
@click.option("--items", "k", type=click.IntRange(1, 100), default=10, show_default=True, help="Equal conversations.")
@click.option("--links", "n", type=click.IntRange(1, 64), default=2, show_default=True, help="Members.")
@click.option("--draws", type=click.IntRange(1, 200_000), default=10_000, show_default=True)
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True)
def exhibit(k: int, n: int, draws: int, seed: int) -> None:
    """Toss coins: so many draws of equal conversations, drawn and exact side by side. Distributed is not balanced."""
    from service.commands import odds_words
    from service.numerics.odds_equal import exhibited

    click.echo("\n".join(odds_words.exhibit_lines(exhibited(k, n, draws=draws, seed=seed))))


@odds.command()
@click.option("--mix", required=True, help="crc-32, xor-fold, xor-last (of the last octets), whole or toeplitz.")
@click.option("--over", default="source,destination", show_default=True, help="The fields it takes, in their order.")
@click.option("--way", default="modulo", show_default=True, help="From number to member: modulo or threshold.")
@click.option("--key", default="", metavar="HEX", help="The key of toeplitz.")
@click.option("--members", "n", type=int, default=2, show_default=True)
@click.argument("conversations", nargs=-1, required=True, metavar="VALUES...")
def member(mix: str, over: str, way: str, key: str, n: int, conversations: Sequence[str]) -> None:  # noqa: PLR0913, PLR0917  # an argument for each option there is
    """Evaluate a function that you state: which member it gives each conversation.

    Each of VALUES has the fields that --over names, with commas, as 192.0.2.20,192.0.2.10. Your device may differ.
    """
    from service.commands import odds_words
    from service.numerics.hashes import Stated

    fields = tuple(name.strip() for name in over.split(","))
    function = Stated(mix, fields, way, _octets(key))
    told = [odds_words.endpoints_of(fields, text) for text in conversations]
    click.echo(printable("\n".join(odds_words.member_lines(function, list(zip(conversations, told, strict=True)), n))))


def _octets(key: str) -> bytes:
    try:
        return bytes.fromhex(key.replace(":", ""))
    except ValueError as wrong:
        raise click.BadParameter("is no key in hexadecimal digits", param_hint="--key") from wrong


@odds.command()
@click.option("--mtu", "mtus", type=int, multiple=True, default=(1500, 9000), show_default=True)
@click.option("--speed", type=Rate(), default=GIGABIT, help="The speed of the link. [1G]")
@click.option("--timestamps/--no-timestamps", default=True, show_default=True, help="Of TCP (RFC 7323).")
@click.option("--tagged", is_flag=True, help="Frames carry a VLAN tag.")
@click.option("--ipv6", is_flag=True)
def frames(mtus: Sequence[int], speed: float, timestamps: bool, tagged: bool, ipv6: bool) -> None:
    """Say what of a link's speed is left for what people copy over it, and what counters show when it is full."""
    from service.commands import odds_words
    from service.numerics.frames import Transfer

    transfers = [Transfer(mtu, timestamps, tagged, 6 if ipv6 else 4) for mtu in mtus]
    click.echo("\n".join(odds_words.frame_lines(int(speed), transfers)))


COMMANDS: tuple[click.Command, ...] = (odds,)
