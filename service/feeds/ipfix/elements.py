"""Information elements of the IANA registry (RFC 7012) that a conversation on a member is told by."""

from __future__ import annotations

from collections.abc import Mapping

from service.feeds.ipfix.templates import REVERSED
from service.feeds.items_flows import MOST_OCTETS, UNKNOWN_SIDE, Flow, address, mac
from service.terms import Endpoints

OCTETS, PACKETS, LAYER2_OCTETS = 1, 2, 352
PROTOCOL, SOURCE_PORT, DESTINATION_PORT = 4, 7, 11
SOURCE_V4, DESTINATION_V4, SOURCE_V6, DESTINATION_V6 = 8, 12, 27, 28
SOURCE_MAC, DESTINATION_MAC = 56, 80
IN_INDEX, OUT_INDEX, PHYSICAL_IN, PHYSICAL_OUT, SIDE = 10, 14, 252, 253, 61
END_UPTIME, START_UPTIME, STARTED_MS = 21, 22, 160
START_S, END_S, START_MS, END_MS = 150, 151, 152, 153
START_US, END_US, START_NS, END_NS, START_BEFORE_US, END_BEFORE_US = 154, 155, 156, 157, 158, 159
INTERVAL, RANDOM_INTERVAL, METERED_PACKETS, SPARED_PACKETS = 34, 50, 305, 306
# Header of an Ethernet frame and its check sequence, which octetDeltaCount (of IP packets) leaves out.
FRAME_EXTRA = 18
NTP_EPOCH_S = 2_208_988_800
UPTIME_ROUND_MS = 2**32
Fields = Mapping[int, bytes]


def number(told: Fields, key: int, otherwise: int = 0) -> int:
    """An unsigned number of any length; encoded in fewer octets than it might have (RFC 7011 section 6.2)."""
    octets = told.get(key)
    return int.from_bytes(octets) if octets is not None and 0 < len(octets) <= 8 else otherwise


def sampling(told: Fields) -> float | None:
    """One packet of how many was metered, None where this does not say."""
    if metered := number(told, METERED_PACKETS):
        return (metered + number(told, SPARED_PACKETS)) / metered
    return float(number(told, INTERVAL) or number(told, RANDOM_INTERVAL)) or None


def flow(told: Fields, export_ms: int, started_ms: int, rate: float) -> Flow | None:
    """What a record tells, scaled by its sampling; None where it counts no octets, or more than can be."""
    octets, packets = _counted(told, rate)
    if not 0 < octets <= MOST_OCTETS:
        return None
    start_ms, end_ms = _stretch(told, export_ms, number(told, STARTED_MS) or started_ms)
    return Flow(
        number(told, PHYSICAL_IN) or number(told, IN_INDEX),
        number(told, PHYSICAL_OUT) or number(told, OUT_INDEX),
        number(told, SIDE, UNKNOWN_SIDE),
        octets,
        packets,
        start_ms,
        end_ms,
        _ends(told),
    )


def reversed_flow(told: Fields, forward: Flow, rate: float) -> Flow | None:
    """What a record tells of the other direction too (RFC 5103), None where it is of one direction only."""
    other = {key - REVERSED: octets for key, octets in told.items() if key >> 16 == REVERSED >> 16}
    octets, packets = _counted(other, rate)
    if not 0 < octets <= MOST_OCTETS:
        return None
    ends = forward.endpoints
    back = Endpoints(
        *(ends.destination, ends.source, ends.protocol, ends.destination_port, ends.source_port),
        *(ends.destination_mac, ends.source_mac),
    )
    side = 1 - forward.side if forward.side in {0, 1} else forward.side
    return forward._replace(
        in_index=forward.out_index,
        out_index=forward.in_index,
        side=side,
        octets=octets,
        packets=packets,
        endpoints=back,
    )


def _counted(told: Fields, rate: float) -> tuple[int, int]:
    """Octets of whole frames and packets, as many as were metered times how many each stands for."""
    packets = number(told, PACKETS)
    octets = number(told, LAYER2_OCTETS) or (number(told, OCTETS) + FRAME_EXTRA * packets if OCTETS in told else 0)
    return round(octets * rate), round(packets * rate)


def _stretch(told: Fields, export_ms: int, started_ms: int) -> tuple[int, int]:
    """From when to when; the second before the export where the record does not say."""
    start_ms, end_ms = _instant(told, START_MS, export_ms, started_ms), _instant(told, END_MS, export_ms, started_ms)
    end_ms = export_ms if end_ms is None else end_ms
    start_ms = end_ms - 1000 if start_ms is None else start_ms
    return min(start_ms, end_ms - 1), end_ms


def _instant(told: Fields, key: int, export_ms: int, started_ms: int) -> int | None:
    """The start or the end, in whichever resolution it is told; `key` is the one in milliseconds."""
    if key in told:
        return number(told, key)
    if key - 2 in told:
        return 1000 * number(told, key - 2)
    for finer in (key + 2, key + 4):
        if len(octets := told.get(finer, b"")) == 8:  # seconds since 1900 and their fraction
            return round(1000 * (int.from_bytes(octets) / 2**32 - NTP_EPOCH_S))
    if key + 6 in told:
        return export_ms - number(told, key + 6) // 1000
    uptime = START_UPTIME if key == START_MS else END_UPTIME
    if uptime not in told or not started_ms:
        return None
    # It comes round every 49.7 days: the turn nearest to the export is meant.
    at_ms = started_ms + number(told, uptime)
    return at_ms + UPTIME_ROUND_MS * round((export_ms - at_ms) / UPTIME_ROUND_MS)


def _ends(told: Fields) -> Endpoints:
    return Endpoints(
        address(told.get(SOURCE_V4) or told.get(SOURCE_V6, b"")),
        address(told.get(DESTINATION_V4) or told.get(DESTINATION_V6, b"")),
        number(told, PROTOCOL),
        number(told, SOURCE_PORT),
        number(told, DESTINATION_PORT),
        mac(told.get(SOURCE_MAC, b"")),
        mac(told.get(DESTINATION_MAC, b"")),
    )
