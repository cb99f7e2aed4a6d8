"""The first line of a message: where, which member, how much beside how much, how long, what harm, can it wait."""

from __future__ import annotations

from service.terms import CUT_OFF, SEVERITY_PHRASES, Finding, MemberFigure
from service.webhooks import spoken
from service.webhooks.foreign import fitted, plain

KEY_LETTERS = 120  # what fits a lock screen or the first line of a short message
# "full" comes before "uneven" where both hold: moving load about does not cure a team that is full.
OPENINGS = {
    "uneven": "",
    "uneven-and-full": "full, and uneven: ",
    "full": "full: ",
    "skewed": "skewed: ",
    "hot-no-sibling": "no sibling: ",
    "oscillating": "oscillating: ",
    "degraded": "degraded: ",
    "one-sided": "",
    "unanswered": "",
    "sick": "",
}
# What is said of a member that is up and yet must not be used, in place of how hot it is.
UNFIT = {
    "one-sided": "is up but nothing comes in on it",
    "unanswered": "is up but nothing comes back on it",
    "sick": "is sick, its frames come damaged",
}
FLEET = "fleet-pattern"


def headline(finding: Finding, what: str, told_ms: int, zone: str) -> str:
    """The first line; its first 120 letters hold place, direction, members, percentages and duration."""
    if what in ("cleared", "combined"):
        return _over(finding, what, told_ms, zone)
    return _open(finding, what, told_ms)


def _with_names(key: str, finding: Finding, member: str, sibling: str | None) -> str:
    """The names put into their places, shortened where the key would need more letters than it may."""
    pattern = f"{{device}}, team {{team}}, {plain(finding.direction)}: {key}"
    names = {"device": finding.device, "team": finding.team, "member": member, "sibling": sibling or ""}
    told = {place: plain(name) for place, name in names.items() if f"{{{place}}}" in pattern}
    bare = pattern.format(**dict.fromkeys(told, ""))
    short = fitted(list(told.values()), KEY_LETTERS - len(bare))
    return pattern.format(**dict(zip(told, short, strict=True)))


def _open(finding: Finding, what: str, told_ms: int) -> str:
    # Told late, after an outage say, a raise has lasted longer than what raised it.
    until_ms = max(told_ms, finding.hot_until_ms or told_ms)
    loaded, lasted = _loaded(finding), spoken.lasting(until_ms - finding.since_ms)
    sibling = _sibling(finding, loaded.port)
    last = "last " if what == "unverified" else ""
    opening, at = _opening(finding, what), spoken.percent(loaded.utilisation)
    key = f"{opening}{_member(finding, 'member')} {last}at {at} for {lasted}"
    if finding.kind in UNFIT:
        # How little it carries is beside the point, which is that it looks usable and is not.
        key = f"{opening}member {{member}} ({at}) {_fault(finding, what)}, {lasted}"
    named = _with_names(key + _beside(finding, sibling), finding, loaded.port, sibling.port if sibling else None)
    return "".join((named, _speeds(finding), _how_many(finding), _harm(finding), _news(finding, what)))


def _fault(finding: Finding, what: str) -> str:
    """What is the matter with a member; by its kind alone where something else is the news and needs the room."""
    if what == "unverified":
        return f"was {finding.kind}"
    return f"is {finding.kind}" if what == "severity" else UNFIT[finding.kind]


def _member(finding: Finding, place: str) -> str:
    """How a member is called: a finding about many teams knows positions only, which say so themselves."""
    return f"{{{place}}}" if finding.kind == FLEET else f"member {{{place}}}"


def _opening(finding: Finding, what: str) -> str:
    if what == "severity":
        return f"now {finding.severity}: "
    if what == "unverified":
        return "unverified: "
    return _alike(finding) or OPENINGS.get(finding.kind, f"{plain(finding.kind)[:20]}: ")


def _alike(finding: Finding) -> str:
    """Of how many teams a finding tells, where it is not of one."""
    return f"{len(finding.teams)} teams alike: " if finding.kind == FLEET and finding.teams else ""


def _beside(finding: Finding, sibling: MemberFigure | None) -> str:
    if sibling is None:
        return ", no other member"
    named = _member(finding, "sibling")
    if sibling.why_not:
        return f", {named} {sibling.why_not}"
    return f", {named} at {spoken.percent(sibling.utilisation)}"


def _speeds(finding: Finding) -> str:
    return f" ({spoken.speeds(member.speed_bps for member in finding.members or finding.hot)})"


def _how_many(finding: Finding) -> str:
    return f", {len(finding.hot)} of {len(finding.members)} hot." if len(finding.hot) > 1 else "."


def _harm(finding: Finding) -> str:
    drops = spoken.sentence(spoken.drops(finding.discard_ratio))
    return f"{_cut_off(finding)} {drops} {spoken.sentence(SEVERITY_PHRASES[finding.severity])}"


def _cut_off(finding: Finding) -> str:
    """Who sits on a member that carries nothing, where that is known."""
    told = finding.diagnoses[0].evidence.speaks_for if finding.kind in UNFIT and finding.diagnoses else ()
    return next((f" {spoken.sentence(plain(line))}" for line in told if line.endswith(CUT_OFF)), "")


def _news(finding: Finding, what: str) -> str:
    if what == "unverified":
        return " No data to judge by now: it may be over or worse."
    if what == "escalated":
        return " Nobody has taken it."
    if what == "unshelved":
        return " It was shelved, the shelf has ended, and it is still open."
    return f" Comes and goes: {finding.recurrences} times in an hour." if what == "recurrent" else ""


def _over(finding: Finding, what: str, told_ms: int, zone: str) -> str:
    port = finding.peak_port or _loaded(finding).port
    sibling = _sibling(finding, port)
    key = f"{_lasted(finding, what, told_ms, zone)}, worst {spoken.percent(finding.peak)}{_beside(finding, sibling)}"
    named = _with_names(key, finding, port, sibling.port if sibling else None)
    at = f"{spoken.clock(told_ms, told_ms, zone)} {spoken.zone_name(told_ms, zone)}"
    return f"{named}{_speeds(finding)}. {spoken.sentence(spoken.drops(finding.discard_ratio))} Over at {at}."


def _lasted(finding: Finding, what: str, told_ms: int, zone: str) -> str:
    calm_ms = finding.hot_until_ms or told_ms
    span = f"{spoken.clock(finding.since_ms, told_ms, zone)}-{spoken.clock(calm_ms, told_ms, zone)}"
    lasted = spoken.lasting(calm_ms - finding.since_ms)
    word = finding.kind if finding.family == "build" else "hot"
    alike, named = _alike(finding).replace(" alike", ""), _member(finding, "member")
    if what == "combined":
        # Nobody heard of it while it lasted, so this one message says that it was and that it is over.
        return f"{alike}{named} was {word} {span}, over: {lasted}"
    named = named if alike or finding.kind == FLEET else f"M{named[1:]}"
    return f"over. {alike}{named} {word} {span} ({lasted})"


def _loaded(finding: Finding) -> MemberFigure:
    """The member that a message is about: the hottest, else the busiest that is known, else that of the peak."""
    known = [member for member in finding.hot or finding.members if member.utilisation is not None]
    return max(known, key=_load, default=MemberFigure(finding.peak_port, finding.peak, 0))


def _sibling(finding: Finding, port: str) -> MemberFigure | None:
    """The member to compare with: the idlest that could carry load, else any other, with its reason.

    Where a member is missing from the team, that one is the news.
    """
    others = [member for member in (*finding.idle, *finding.members) if member.port != port]
    unfit = [member for member in others if member.why_not]
    able = [member for member in others if not member.why_not and member.utilisation is not None]
    if able and not (unfit and finding.kind == "degraded"):
        return min(able, key=_load)
    return next(iter(unfit or others), None)


def _load(member: MemberFigure) -> float:
    return member.utilisation or 0.0
