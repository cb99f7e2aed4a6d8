"""Types of arrays, and the order of directions and counters in them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Bytes = npt.NDArray[np.uint8]
Marks = npt.NDArray[np.uint16]
Counters = npt.NDArray[np.uint64]
Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Truths = npt.NDArray[np.bool_]

EGRESS, INGRESS = 0, 1
DIRECTIONS = ("egress", "ingress")

MEASURES = ("octets", "packets", "mcast_packets", "bcast_packets", "discards", "errors")
OCTETS, PACKETS, MCAST, BCAST, DISCARDS, ERRORS = range(6)
# Column of a counter: 2 * measure + direction.
COUNTERS = tuple(f"{way}_{measure}" for measure in MEASURES for way in ("out", "in"))

UNKNOWN = -1  # a time, tick count or position that was not told
MOST_MEMBERS = 8  # IEEE 802.1AX sets no limit; the trade's teams have 2 to 8 members
