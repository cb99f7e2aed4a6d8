"""What everybody must hear who is about to change how a team distributes."""

from __future__ import annotations

CAUTIONS = (
    "Advice only: an authorised person decides, and nothing here changes a device.",
    "Local change control, the vendors' terms of support, licences and law come first.",
    "Changing distribution re-deals conversations and can interrupt traffic.",
    "Both ends must agree: address-pair and layer-4 methods need a matching bundle at the far end;"
    " virtual-port, source-address and load-aware methods must not face one.",
    "Use an approved maintenance window, one host first, a second way in, and a written back-out.",
    "Not while a member is broken or missing.",
    "Distribution is not balance: odds are for one draw, which then stays.",
    "Keep headroom for the loss of a member.",
    "Counters can lie and means hide bursts; 'cannot tell yet' is an answer.",
)
BACK_OUT_WHEN = "member loss or discards above 1e-4 for 2 windows"
