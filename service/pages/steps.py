"""How one member's figure is reached, step by step, for somebody with paper and pencil."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from service.terms import BASIS_WORDS, STATUS_WORDS, Basis, Status
from service.web.measured import Part, Working

OK = STATUS_WORDS[Status.OK]
REFUSED = {
    "coarse": "too long to say anything of one window",
    "restart": "the device started anew in between, so the two readings have nothing to do with each other",
    "reset": "the counter was set back in between",
    "discontinuity": "the device says that its counters did not run through",
    "implausible": "more than the wire could carry",
    "ambiguous": "the counter may have gone round once or more often, and nobody can tell which",
    "identity-changed": "the name belongs to another port than before",
    "absent": "the counter was not among what was read",
}
NOTED = {
    "wrap": "the counter went round",
    "wrap-assumed": "that it went round is assumed, for no uptime says whether the device started anew",
    "uptime-rollover": "the device's uptime came round, which is no restart",
    "clock-step": "a clock was set; the device's own uptime counts",
    "merged-packets": "several packets are counted as one, so the number of frames follows from the octets",
    "narrow-counter": "it looks like a counter of 32 bits told as one of 64",
    "repeats-merged": "readings that were not refreshed are left out",
    "speed-changed": "its speed changed in between",
}


@dataclass(frozen=True)
class Count:
    """One interval that counts: octets on the wire over all of it, and the part of them that is this window's."""

    part: Part
    lasted_s: Fraction
    difference: int | None  # of the readings; None where there are not two, or they are rates
    round_octets: int  # what is added because the counter went round
    frame_octets: int
    wire_octets: int
    window_octets: Fraction

    @property
    def is_whole(self) -> bool:
        """Whether all of the interval lies in the window."""
        return self.lasted_s == Fraction(self.part.seconds)

    @property
    def notes(self) -> list[str]:
        """What is worth knowing about it."""
        return [NOTED.get(flag, flag) for flag in self.part.flags]


@dataclass(frozen=True)
class Steps:
    """All of it: intervals that count and those that do not, octets, bits, what could have been carried, the share."""

    counts: tuple[Count, ...]
    left_out: tuple[tuple[Part, str], ...]
    octets: Fraction
    bits: Fraction
    capacity_bits: Fraction
    speeds: tuple[tuple[int, Fraction], ...]  # bit/s, and for how many seconds
    share: Fraction | None


def steps(found: Working) -> Steps:
    """The steps of a working; the share is unknown where nothing counts, or the other direction counts as well."""
    counts = tuple(_count(found, part) for part in found.parts if _is_used(part))
    octets = sum((one.window_octets for one in counts), Fraction(0))
    speeds = _speeds(one.part for one in counts)
    capacity = sum((bps * seconds for bps, seconds in speeds), Fraction(0))
    judged = bool(capacity) and not found.shared and found.basis != BASIS_WORDS[Basis.NONE]
    left_out = tuple((part, _reason(part)) for part in found.parts if not _is_used(part))
    return Steps(counts, left_out, octets, 8 * octets, capacity, speeds, 8 * octets / capacity if judged else None)


def clock(at: datetime) -> str:
    """A time of day, with as many digits of the second as it has."""
    whole = at.strftime("%H:%M:%S")
    return f"{whole}.{at.microsecond // 1000:03}" if at.microsecond else whole


def _reason(part: Part) -> str:
    """Why an interval does not count."""
    return "; ".join([REFUSED.get(part.status, part.status), *(NOTED.get(flag, flag) for flag in part.flags)])


def _is_used(part: Part) -> bool:
    return part.status == OK and part.octets is not None


def _count(found: Working, part: Part) -> Count:
    octets = part.octets or 0
    lasted_s = Fraction((part.end - part.start).total_seconds()).limit_denominator(1000)
    difference = _difference(part)
    added = 0 if found.basis == BASIS_WORDS[Basis.COUNTED] else found.added_octets_per_frame * (part.frames or 0)
    wire = octets + added
    in_window = wire * Fraction(part.seconds).limit_denominator(1000) / lasted_s
    return Count(
        part, lasted_s, difference, octets - difference if difference is not None else 0, added, wire, in_window
    )


def _difference(part: Part) -> int | None:
    """How far two readings of a running counter are apart; None of rates, which differ by something else."""
    if part.reading_before is None or part.reading_after is None:
        return None
    apart = part.reading_after - part.reading_before
    return apart if part.wraps or apart == part.octets else None


def _speeds(parts: Iterable[Part]) -> tuple[tuple[int, Fraction], ...]:
    lasted: dict[int, Fraction] = {}
    for part in parts:
        bps = part.speed_bps or 0
        lasted[bps] = lasted.get(bps, Fraction(0)) + Fraction(part.seconds).limit_denominator(1000)
    return tuple(lasted.items())
