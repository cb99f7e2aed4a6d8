"""Numbers as a person says them: two significant digits, units in words, times in the receiver's zone."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

EPOCH = datetime(1970, 1, 1, tzinfo=ZoneInfo("UTC"))
SCALES = ((10**12, "T"), (10**9, "G"), (10**6, "M"), (10**3, "k"))


def sentence(words: str) -> str:
    """Words as a sentence, begun with a capital letter and ended with a full stop."""
    return f"{words[:1].upper()}{words[1:]}."


def percent(share: float | None) -> str:
    """A share in per cent: `92 %`, `2.4 %`, `0.02 %`; an unknown one is said to be unknown."""
    if share is None or not math.isfinite(share):
        return "an unknown load"
    value = 100 * share
    if value == 0:
        return "0 %"
    if abs(value) < 0.01:
        return "below 0.01 %"
    return f"{_two_digits(value)} %"


def _two_digits(value: float) -> str:
    # Above 100 a third digit stays: 104 % says that the speed is wrong, 100 % hides it.
    places = 0 if abs(value) >= 9.95 else 1 if abs(value) >= 0.995 else 2
    return _trimmed(f"{value:.{places}f}")


def _trimmed(digits: str) -> str:
    return digits.rstrip("0").rstrip(".") if "." in digits else digits


def rate(bits_per_s: int) -> str:
    """A rate or speed as `1 G`, `1.02 G` or `730 M`: three digits, so that 1.02 of 2 does not become 1 of 2."""
    # Rounded before the unit is chosen, else 999,999,999 would read 1000 M.
    told = round(bits_per_s, 3 - len(str(abs(bits_per_s))))
    for scale, letter in SCALES:
        if told >= scale:
            return f"{_trimmed(f'{told / scale:.2f}')} {letter}"
    return f"{told} bit/s"


def speeds(bits_per_s: Iterable[int]) -> str:
    """The speeds of members: `1 G each`, `1 G and 10 G`, `1 G to 25 G`, or that one is unknown."""
    told = list(bits_per_s)
    if not told or min(told) <= 0:
        return "speed unknown"
    distinct = [rate(speed) for speed in sorted(set(told))]
    if len(distinct) > 1:
        return (" and " if len(distinct) == 2 else " to ").join((distinct[0], distinct[-1]))
    return distinct[0] if len(told) == 1 else f"{distinct[0]} each"


def lasting(ms: int) -> str:
    """A duration: `90 s`, `6 min`, `1 h 43 min`, `2 d 3 h`."""
    seconds = max(0, ms) // 1000
    if seconds < 120:
        return f"{seconds} s"
    minutes = seconds // 60
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return _pair(minutes // 60, "h", minutes % 60, "min")
    return _pair(minutes // 1440, "d", minutes % 1440 // 60, "h")


def _pair(large: int, large_unit: str, small: int, small_unit: str) -> str:
    return f"{large} {large_unit} {small} {small_unit}" if small else f"{large} {large_unit}"


def drops(ratio: float | None) -> str:
    """The harm in lost packets: `no drops`, `drops 2e-4 of packets`, `drops unknown`."""
    if ratio is None or not math.isfinite(ratio):
        return "drops unknown"
    if ratio <= 0:
        return "no drops"
    if ratio >= 0.001:
        return f"drops {percent(ratio)} of packets"
    mantissa, exponent = f"{ratio:.1e}".split("e")
    return f"drops {_trimmed(mantissa)}e{int(exponent)} of packets"


def at(ms: int, zone: str) -> datetime:
    """An instant in a zone; exact, because milliseconds are whole."""
    return (EPOCH + timedelta(milliseconds=ms)).astimezone(ZoneInfo(zone))


def clock(ms: int, told_ms: int, zone: str) -> str:
    """A time of day, `02:14`, with its date where that is not the day of the message."""
    then, told = at(ms, zone), at(told_ms, zone)
    if then.date() == told.date():
        return f"{then:%H:%M}"
    return f"{then.day} {then:%b} {then:%H:%M}"


def zone_name(ms: int, zone: str) -> str:
    """What a zone calls its time at an instant: `UTC`, `CET`, `+03`."""
    return at(ms, zone).tzname() or zone
