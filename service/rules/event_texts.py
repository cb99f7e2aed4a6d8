"""What each event about a source's data says: what it is, and what to do."""

from __future__ import annotations

TEXTS = {
    "restart": "the agent restarted; the interval across it has no value. Nothing to do unless it repeats",
    "reset": "a counter fell without a restart; the interval across it has no value."
    " If it repeats, declare counter_bits 32 or find out who resets it",
    "discontinuity": "the source says that its counters are not continuous here; the interval has no value",
    "identity-changed": "another port answers under this name (its hardware address changed);"
    " check the cabling and the port's name",
    "implausible": "more octets than the wire can carry, three times running: check speed_bps, counter_bits and times",
    "ambiguous": "not measurable with 32-bit counters at this speed, so there is no value: they may have wrapped more"
    " than once between polls. Use the 64-bit counters, or poll more often than they wrap",
    "wraps-soon": "counters of 32 bits wrap nearly as fast as they are polled, so that one late poll costs the value."
    " Use the 64-bit counters, or poll more often",
    "clock-step": "the device's clock stepped; seconds were taken from its uptime. Check its time service",
    "clock-offset": "the device's clock is more than 5 s off; its windows were placed on the collector's clock."
    " Check its time service",
    "speed-changed": "the port's speed changed; the window is not judged",
    "speed-doubtful": "the claimed speed is not believed, so there is no utilisation:"
    " set the true one with device, port and speed_bps in a [[ports]] entry of the settings,"
    " or for a check with --speed DEVICE/PORT=BPS",
    "slow-refresh": "the agent refreshes its counters more slowly than it is polled; polls between were merged,"
    " and windows shorter than two refreshes hide peaks. Poll no faster than it refreshes",
    "flap": "the port went up or down within a window; the window is not judged. Check cable and optics",
    "own-end-not-distributing": "by the state of the bundle this end does not use the member: it is out of step, does"
    " not distribute, or its partner is silent. It is taken for no sibling, and no load is to be moved to it."
    " Check both ends' settings and the cable",
    "two-partners": "by the state of the bundle this member leads to another partner than most of the team. It is taken"
    " for no sibling, and no load is to be moved to it. Check where the cable ends, and the keys at both ends",
    "narrow-counter": "a 64-bit counter fell just where a 32-bit one wraps: declare counter_bits 32 if that is so",
    "merged-packets": "the packet counter counts merged packets; frames were inferred from octets."
    " Count packets at the port instead, or read the result as an estimate",
    "packets-missing": "octets are counted but no packets, and what frames add on the wire, 1.3 to 31 % and more,"
    " decides whether the port is above the hot line: send packet counters",
    "conflict": "two different readings for one instant; the first was kept. Check who else sends this port",
    "silent": "no samples for three polls; nothing is judged until they come again. Check the source",
    "heard-again": "samples come again; what the source sends of the time between is taken in, the rest stays unknown",
    "sum-differs": "the interface of a team and the sum of its members differ by more than 2 % over five minutes;"
    " check whether a member is missing from the team or too many are in it, and what each counts",
    "ends-differ": "the two ends of a cable differ by more than 2 % over five minutes; check that the inventory names"
    " the right ends, and what each counts; octets sent and not received may be lost",
    "not-comparable": "the counters of the two ends of a cable cannot be compared, because the clocks are further apart"
    " than a tenth of a window. Check both time services",
}
