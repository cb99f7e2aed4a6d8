"""From a story's numbers to the samples that are assessed, by the number of its case."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np

from service.pages.story_samples import EPOCH_MS, GIGABIT, SECOND, WINDOW_S, Part, Row, fact, octets_of, row, series
from service.rules.bundle_states import NAMES, unfit
from service.terms import BundleState, LacpState, OperStatus, Role

Given = Mapping[str, Any]
ROADS: dict[str, Callable[[Given], Iterator[Part]]] = {}
WORKING = LacpState(0x3D)


def road(number: str) -> Callable[[Callable[[Given], Iterator[Part]]], Callable[[Given], Iterator[Part]]]:
    """Register the road of a case."""

    def registered(made: Callable[[Given], Iterator[Part]]) -> Callable[[Given], Iterator[Part]]:
        ROADS[number] = made
        return made

    return registered


def sent(samples: Any, port: int = 0) -> list[Row]:
    """Samples of what went out, as pairs of seconds and octets, with ticks of the uptime where told."""
    return [row(t, port, out_octets=count, **({"uptime": more[0]} if more else {})) for t, count, *more in samples]


@road("D01")
def _wraps(given: Given) -> Iterator[Part]:
    rows = sent(given["m1"]) + sent(given["m2"], 1)
    yield Part(rows, facts=[fact(given["cap"], counter_bits=given["width"])])


@road("D02")
def _wraps_once_or_twice(given: Given) -> Iterator[Part]:
    yield Part(sent(given["m1"]), 2, [fact(given["cap"], counter_bits=given["width"])])


@road("D03")
def _restarts(given: Given) -> Iterator[Part]:
    for told in given.values():
        width = told["width"]
        yield Part(sent(told["samples"]), facts=[fact(counter_bits=width)], title=f"a counter of {width} bits")


@road("D04")
def _uptime_begins_anew(given: Given) -> Iterator[Part]:
    yield Part(sent(given["samples"]), facts=[fact(given["cap"])])


@road("D05")
def _clock_steps(given: Given) -> Iterator[Part]:
    for way, wall in given["wall_seconds"].items():
        first = row(0, out_octets=0, uptime=1000, received_ms=EPOCH_MS)
        last = row(wall, out_octets=given["octets"], uptime=1000 + given["ticks"], received_ms=EPOCH_MS + 30 * SECOND)
        yield Part([first, last], facts=[fact(given["cap"])], title=f"the clock steps {way}")


@road("D06")
def _comes_late(given: Given) -> Iterator[Part]:
    yield Part(sent(given["first"]), 2, [fact(given["cap"])], "before the late sample")
    yield Part(sent([*given["first"], given["late"]]), 2, [fact(given["cap"])], "with the late sample")


@road("D07")
def _comes_twice(given: Given) -> Iterator[Part]:
    yield Part(sent(given["arrivals"]), 2, [fact(given["cap"])])


@road("D08")
def _refreshes_slowly(given: Given) -> Iterator[Part]:
    cap, refresh = given["cap"], given["refresh_s"]
    polls = range(0, given["seconds"] + 1, given["poll_s"])
    rows = [row(t, out_octets=octets_of(given["util"], cap, t // refresh * refresh)) for t in polls]
    yield Part(rows, given["seconds"] // WINDOW_S, [fact(cap)])


@road("D09")
def _has_a_hole(given: Given) -> Iterator[Part]:
    yield Part(sent(given["samples"]), 20, [fact(given["cap"])])


@road("D10")
def _differs_by_direction(given: Given) -> Iterator[Part]:
    yield Part(_both_ways(given), 3, title="two members, both ways")
    half, begin = given["half_duplex"], {"out_octets": 0, "in_octets": 0}
    counted = {f"{way}_octets": half[f"{way}_bps"] * WINDOW_S // 8 for way in ("out", "in")}
    facts = [fact(half["cap"], half_duplex=True)]
    yield Part([row(0, **begin), row(WINDOW_S, **counted)], facts=facts, title="one member on which both ways share")


@road("D11")
def _idles(given: Given) -> Iterator[Part]:
    yield Part(series([[bps / given["cap"]] * 10 for bps in given["rates_bps"]]), 10)


@road("D12")
def _stands_by(given: Given) -> Iterator[Part]:
    facts = [fact(given["cap"], role=Role[role.upper()]) for role in given["role"]]
    rows = [one | {"facts": one["port"]} for one in series([[u] * 4 for u in given["util"]], given["cap"])]
    yield Part(rows, 4, facts)


@road("D13")
def _loses_a_member(given: Given) -> Iterator[Part]:
    cap, lost_ms = given["cap"], EPOCH_MS + 5 * WINDOW_S * SECOND
    down = [port for port, state in enumerate(given["oper"]) if state == "down"]
    shares = [[b] * 5 + [a] * 4 for b, a in zip(given["before"], given["after"], strict=True)]
    rows = [one | {"facts": int(one["port"] in down and one["at_ms"] > lost_ms)} for one in series(shares, cap)]
    yield Part(rows, 9, [fact(cap), fact(cap, oper=OperStatus.DOWN)])


@road("D14")
def _flaps(given: Given) -> Iterator[Part]:
    carried, up_s, rows = octets_of(given["util_while_up"], seconds=given["up_seconds"]), given["up_seconds"], []
    for window in range(5):
        rows.append(row(window * WINDOW_S, 0, out_octets=octets_of(given["hot"]) * window))
        rows.append(row(window * WINDOW_S, 1, out_octets=carried * window))
        rows.append(row(window * WINDOW_S + up_s, 1, out_octets=carried * (window + 1)) | {"facts": 1})
    yield Part(rows, 4, [fact(), fact(oper=OperStatus.DOWN)])


@road("D15")
def _mixes_speeds(given: Given) -> Iterator[Part]:
    rows = []
    for port, (cap, bps) in enumerate(zip(given["caps"], given["rates_bps"], strict=True)):
        rows += [one | {"facts": port} for one in series([[bps / cap] * 4], cap, first=port)]
    yield Part(rows, 4, [fact(cap) for cap in given["caps"]])


@road("D16")
def _claims_too_much(given: Given) -> Iterator[Part]:
    counts = np.cumsum([0, *(round(mbps * 1e6 * WINDOW_S / 8) for mbps in given["rates_mbps"])]).tolist()
    rows = sent((at * WINDOW_S, count) for at, count in enumerate(counts))
    for name, title in (("claimed_mbps", "as the port says"), ("far_end_speed_mbps", "as the far end says")):
        yield Part(rows, len(counts) - 1, [fact(given[name] * 10**6)], title)


@road("D18")
def _sends_small_frames(given: Given) -> Iterator[Part]:
    for title, packets in (("octets alone", {}), ("octets and frames", {"out_packets": given["packets"]})):
        ends = [row(30 * w, out_octets=given["octets"] * w, **{k: v * w for k, v in packets.items()}) for w in (0, 1)]
        idle = [row(30 * w, 1, out_octets=0, **dict.fromkeys(packets, 0)) for w in (0, 1)]
        yield Part(ends + idle, facts=[fact(given["cap"])], title=title)


@road("D19")
def _is_one_conversation(given: Given) -> Iterator[Part]:
    frame, answer, rows = given["mean_out_octets"], given["mean_in_octets"], []
    for port, used in enumerate(given["egress_wire"].values()):
        # Octets on the wire are those of the frame and 20 for preamble and gap (IEEE 802.3).
        out = np.cumsum([0, *(round(octets_of(u, given["cap"]) / (frame + 20)) for u in used)]).tolist()
        back = np.cumsum([0, *(given["ingress_pps_m1"] * WINDOW_S * (u > 0.5) for u in used)]).tolist()
        for at, (o, b) in enumerate(zip(out, back, strict=True)):
            counted = {"out_packets": o, "out_octets": o * frame, "in_packets": b, "in_octets": b * answer}
            rows.append(row(at * WINDOW_S, port, **counted))
    yield Part(rows, len(given["egress_wire"]["m1"]), [fact(given["cap"])])


@road("D20")
def _is_a_collision(given: Given) -> Iterator[Part]:
    cap, rates = given["cap_mbps"] * 10**6, given["vports_mbps"]
    loads = [[sum(rates[name] for name in names) / given["cap_mbps"]] * 4 for names in given["placement"].values()]
    yield Part(series(loads, cap), 4, [fact(cap)])


@road("D22")
def _is_uneven_inward(given: Given) -> Iterator[Part]:
    yield Part(_both_ways(given, given["cap"]), 3, [fact(given["cap"])])


@road("D23")
def _does_not_carry(given: Given) -> Iterator[Part]:
    a, b, c = given["a"], given["b"], given["c"]
    states = unfit([BundleState(WORKING, WORKING), BundleState(WORKING, LacpState(int(a["partner_oper_state"], 16)))])
    broken = np.array([NAMES.index(name) for name in states], dtype=np.uint8)
    hot = {"out_octets": octets_of(0.3), "in_octets": octets_of(a["m1_in_util"])}
    silent = {"out_octets": octets_of(a["m2_out_util"]), "in_octets": 0}
    yield Part(_adding([hot, silent], 3), 3, title="the far end does not distribute on m2", broken=broken)
    packets, asked = b["m2_out_packets"] // b["windows"], b["m2_out_bcast"] // b["windows"]
    asks = _SILENT | {"out_octets": 36_000, "out_packets": packets, "out_bcast_packets": asked, "out_mcast_packets": 0}
    yield Part(_adding([_BUSY, asks], b["windows"]), b["windows"], title="nobody answers on m2")
    damaged = _BUSY | {"in_packets": c["m2_in_packets"] - c["m2_in_errors"], "in_errors": c["m2_in_errors"]}
    yield Part(_adding([_BUSY, damaged], 3), 3, title="frames come in damaged on m2")


@road("D24")
def _goes_to_and_fro(given: Given) -> Iterator[Part]:
    hot, idle = given["hot"], given["idle"]
    shares = [[hot if name == one else idle for one in given["hot_members"]] for name in ("m1", "m2")]
    yield Part(series(shares), len(given["hot_members"]))


@road("R01")
def _chatters(given: Given) -> Iterator[Part]:
    windows = len(given["util_m1"])
    yield Part(series([given["util_m1"], [given["util_m2"]] * windows]), windows)


@road("R02")
def _is_at_the_line(given: Given) -> Iterator[Part]:
    yield Part(series([[u] for u in given["util"]]))


@road("R03")
def _is_full_but_for_one(given: Given) -> Iterator[Part]:
    yield Part(series([[u] * 4 for u in given["util"]]), 4)


@road("R04")
def _has_an_aggregate_beside(given: Given) -> Iterator[Part]:
    m1, m2, both = (mbps * 10**6 for mbps in given["mbps"].values())
    rows = series([[m1 / GIGABIT], [m2 / GIGABIT]])
    rows += [one | {"facts": 1} for one in series([[both / (2 * GIGABIT)]], 2 * GIGABIT, first=2)]
    yield Part(rows, 1, [fact(), fact(2 * GIGABIT)], ports=("m1", "m2", "bundle"), apart=("bundle",))


@road("R05")
def _is_renumbered(given: Given) -> Iterator[Part]:
    ports = ("up1", "up2")
    rows = [
        row(at, ports.index(name), out_octets=count)
        for at, told in ((0, given["before"]), (WINDOW_S, given["after"]))
        for name, count in told.values()
    ]
    yield Part(rows, ports=ports)


def _both_ways(given: Given, cap: int = GIGABIT) -> list[Row]:
    rows = []
    for port, (out, in_) in enumerate(zip(given["out"], given["in_"], strict=True)):
        ways = {"out_octets": octets_of(out, cap), "in_octets": octets_of(in_, cap)}
        rows += [row(w * WINDOW_S, port, **{way: n * w for way, n in ways.items()}) for w in range(4)]
    return rows


def _adding(members: list[dict[str, int]], windows: int) -> list[Row]:
    """Samples of members that add the same in each window."""
    return [
        row(w * WINDOW_S, port, **{name: n * w for name, n in added.items()})
        for port, added in enumerate(members)
        for w in range(windows + 1)
    ]


_BUSY = {
    "out_octets": octets_of(0.50),
    "in_octets": octets_of(0.60),
    "out_packets": 600_000,
    "in_packets": 700_000,
    "out_mcast_packets": 3,
    "in_mcast_packets": 30,
    "out_bcast_packets": 3,
    "in_bcast_packets": 30,
    "in_errors": 0,
}
_SILENT = _BUSY | {"in_octets": 900, "in_packets": 9, "in_mcast_packets": 9, "in_bcast_packets": 0}
