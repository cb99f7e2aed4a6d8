"""The nouns of the service as frozen values, and the layouts of its arrays.

Times are integer milliseconds since the Unix epoch, rates integer bit/s, shares and
utilisations fractions of 1. Arrays that hold one figure a direction have it on their last
axis, egress first. Directions are those of the device whose counters were read.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import IntEnum, IntFlag, StrEnum
from functools import cache

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


class Counts(IntEnum):
    """What a source's octet counters include (RFC 3635: header and check sequence)."""

    FRAME = 0
    NO_FCS = 1
    PAYLOAD = 2


class OperStatus(IntEnum):
    """ifOperStatus of RFC 2863; 0 where the source does not tell."""

    NOT_TOLD = 0
    UP = 1
    DOWN = 2
    TESTING = 3
    UNKNOWN = 4
    DORMANT = 5
    NOT_PRESENT = 6
    LOWER_LAYER_DOWN = 7


OPER_WORDS = ("", "up", "down", "testing", "unknown", "dormant", "notPresent", "lowerLayerDown")


class Role(IntEnum):
    """What a member is for; 0 where nobody said, which counts as active."""

    NOT_TOLD = 0
    ACTIVE = 1
    STANDBY = 2
    OUT = 3


ROLE_WORDS = ("", "active", "standby", "out")
METHODS = ("source-mac", "ip-pair", "layer4-tuple", "virtual-port", "load-aware", "active-standby", "unknown")
BUNDLES = ("none", "static", "lacp")


class Form(IntEnum):
    """Whether the octet columns hold counters, or mean rates in bit/s over the interval that ends at the sample."""

    COUNTER = 0
    RATE = 1


class Status(IntEnum):
    """What became of the interval that ends at a sample, a direction."""

    NONE = 0  # the first sample of a port: nothing ends here
    OK = 1
    COARSE = 2
    RESTART = 3
    RESET = 4
    DISCONTINUITY = 5
    IMPLAUSIBLE = 6
    AMBIGUOUS = 7
    IDENTITY_CHANGED = 8
    ABSENT = 9  # the source does not count this direction


STATUS_WORDS = (
    "none",
    "ok",
    "coarse",
    "restart",
    "reset",
    "discontinuity",
    "implausible",
    "ambiguous",
    "identity-changed",
    "absent",
)


class Flag(IntFlag):
    """What is worth knowing about an interval that was used, or refused."""

    NONE = 0
    WRAP = 1
    WRAP_ASSUMED = 2
    UPTIME_ROLLOVER = 4
    CLOCK_STEP = 8
    MERGED_PACKETS = 16  # the packet counter counts merged packets; frames were inferred from octets
    NARROW_COUNTER = 32  # looks like a 32-bit counter dressed as 64
    REPEATS_MERGED = 64  # polls between two refreshes of the agent were merged
    SPEED_CHANGED = 128


FLAG_WORDS = {
    Flag.WRAP: "wrap",
    Flag.WRAP_ASSUMED: "wrap-assumed",
    Flag.UPTIME_ROLLOVER: "uptime-rollover",
    Flag.CLOCK_STEP: "clock-step",
    Flag.MERGED_PACKETS: "merged-packets",
    Flag.NARROW_COUNTER: "narrow-counter",
    Flag.REPEATS_MERGED: "repeats-merged",
    Flag.SPEED_CHANGED: "speed-changed",
}


class Basis(IntEnum):
    """What a utilisation rests on: octets as counted, or octets plus what each frame adds on the wire."""

    NONE = 0
    COUNTED = 1
    WIRE = 2
    INFERRED = 3  # on wire, with the number of frames inferred from octets


BASIS_WORDS = ("none", "counted", "wire", "inferred")


class WhyNot(IntEnum):
    """Why a member is not an eligible sibling in a window; 0 where it is."""

    ELIGIBLE = 0
    NO_DATA = 1
    PARTIAL = 2
    STANDBY = 3
    OUT = 4
    DOWN = 5
    FLAP = 6
    SPEED_UNKNOWN = 7
    SPEED_CHANGED = 8
    SPEED_DOUBTFUL = 9
    BROKEN = 10
    MAINTENANCE = 11


WHY_NOT_WORDS = (
    "",
    "no data",
    "partial coverage",
    "standby by design",
    "out of the team",
    "down",
    "went up or down in the window",
    "speed unknown",
    "speed changed in the window",
    "speed doubtful",
    "broken",
    "maintenance",
)
# Reasons that mean "nobody knows", as against "it really cannot take load".
MISSING_DATA = (WhyNot.NO_DATA, WhyNot.PARTIAL, WhyNot.SPEED_UNKNOWN, WhyNot.SPEED_CHANGED, WhyNot.SPEED_DOUBTFUL)


class Mark(IntFlag):
    """What was seen of a port in a window."""

    NONE = 0
    DOWN = 1
    FLAP = 2
    STANDBY = 4
    OUT = 8
    SPEED_CHANGED = 16
    SPEED_DOUBTFUL = 32
    UNCERTAIN_EGRESS = 64
    UNCERTAIN_INGRESS = 128
    SHARED = 256  # half duplex: both directions show the shared medium
    MERGED_PACKETS = 512


MARK_WORDS = {
    Mark.DOWN: "down",
    Mark.FLAP: "flap",
    Mark.STANDBY: "standby",
    Mark.OUT: "out",
    Mark.SPEED_CHANGED: "speed-changed",
    Mark.SPEED_DOUBTFUL: "speed-doubtful",
    Mark.UNCERTAIN_EGRESS: "uncertain",
    Mark.UNCERTAIN_INGRESS: "uncertain",
    Mark.SHARED: "shared",
    Mark.MERGED_PACKETS: "merged-packets",
}
UNCERTAIN = (Mark.UNCERTAIN_EGRESS, Mark.UNCERTAIN_INGRESS)


@cache
def words_of_marks(marks: int, basis: int, direction: int) -> tuple[str, ...]:
    """What the marks of a port in a window say of one direction, whose figure rests on `basis`."""
    held = marks & ~UNCERTAIN[1 - direction]
    if basis != Basis.INFERRED:  # the packets of the other direction are the merged ones
        held &= ~Mark.MERGED_PACKETS
    return tuple(word for mark, word in MARK_WORDS.items() if held & mark)


class Kind(IntEnum):
    """Kinds of finding that a window can carry; 0 where it carries none."""

    NONE = 0
    UNEVEN = 1
    UNEVEN_AND_FULL = 2
    SKEWED = 3
    FULL = 4
    HOT_NO_SIBLING = 5
    OSCILLATING = 6
    DEGRADED = 7


KIND_WORDS = (
    "none",
    "uneven",
    "uneven-and-full",
    "skewed",
    "full",
    "hot-no-sibling",
    "oscillating",
    "degraded",
)


class Family(IntEnum):
    """A finding's fingerprint is team, direction and family; the kind may change while it is open."""

    DISTRIBUTION = 0
    CAPACITY = 1
    BUILD = 2


FAMILY_WORDS = ("distribution", "capacity", "build")
FAMILY_OF = {
    Kind.UNEVEN: Family.DISTRIBUTION,
    Kind.UNEVEN_AND_FULL: Family.DISTRIBUTION,
    Kind.SKEWED: Family.DISTRIBUTION,
    Kind.OSCILLATING: Family.DISTRIBUTION,
    Kind.FULL: Family.CAPACITY,
    Kind.HOT_NO_SIBLING: Family.CAPACITY,
    Kind.DEGRADED: Family.BUILD,
}


class Severity(StrEnum):
    """Perceived severity, in the words of ITU-T X.733 and RFC 8632."""

    CRITICAL = "critical"
    MAJOR = "major"
    MINOR = "minor"
    WARNING = "warning"


SEVERITY_ORDER = (Severity.WARNING, Severity.MINOR, Severity.MAJOR, Severity.CRITICAL)
SEVERITY_PHRASES = {
    Severity.CRITICAL: "act now",
    Severity.MAJOR: "act now",
    Severity.MINOR: "today",
    Severity.WARNING: "can wait",
}


@dataclass(frozen=True)
class Facts:
    """What a source said of a port at the time of a sample, besides its counters.

    `mac` is the hardware address as a 48-bit integer, 0 where unknown; `speed_bps` and
    `mtu` are 0 where unknown; `last_change_ticks` is UNKNOWN where unknown.
    """

    speed_bps: int = 0
    counter_bits: int = 64
    counts: int = Counts.FRAME
    form: int = Form.COUNTER
    oper: int = OperStatus.NOT_TOLD
    role: int = Role.NOT_TOLD
    mac: int = 0
    mtu: int = 0
    last_change_ticks: int = UNKNOWN
    half_duplex: bool = False


@dataclass(frozen=True)
class FactsTable:
    """Distinct facts, one array a fact, all of shape (n_facts,); samples point into it."""

    speed_bps: Ints
    counter_bits: Bytes
    counts: Bytes
    form: Bytes
    oper: Bytes
    role: Bytes
    mac: Ints
    mtu: Codes
    last_change_ticks: Ints
    half_duplex: Bytes

    @classmethod
    def of(cls, facts: Sequence[Facts]) -> FactsTable:
        """The table of the given facts, in their order."""
        return cls(
            speed_bps=np.array([f.speed_bps for f in facts], dtype=np.int64),
            counter_bits=np.array([f.counter_bits for f in facts], dtype=np.uint8),
            counts=np.array([f.counts for f in facts], dtype=np.uint8),
            form=np.array([f.form for f in facts], dtype=np.uint8),
            oper=np.array([f.oper for f in facts], dtype=np.uint8),
            role=np.array([f.role for f in facts], dtype=np.uint8),
            mac=np.array([f.mac for f in facts], dtype=np.int64),
            mtu=np.array([f.mtu for f in facts], dtype=np.int32),
            last_change_ticks=np.array([f.last_change_ticks for f in facts], dtype=np.int64),
            half_duplex=np.array([f.half_duplex for f in facts], dtype=np.uint8),
        )


@dataclass(frozen=True)
class Samples:
    """Readings of ports' counters, one row a reading, columns as arrays of shape (n,).

    `counters` has shape (n, k) with k columns named by `columns`, positions in COUNTERS;
    they stay unsigned 64-bit integers, because a float forgets single octets above 2^53.
    Bit c of `known` says whether the sample told counter COUNTERS[c]. `received_ms`,
    `uptime_ticks` and `discontinuity_ticks` may have length 0 where no sample tells them;
    a single missing value is UNKNOWN. `facts` points into a FactsTable, `port` into the
    list of ports of the run.
    """

    port: Codes
    at_ms: Ints
    facts: Codes
    known: Marks
    counters: Counters
    received_ms: Ints
    uptime_ticks: Ints
    discontinuity_ticks: Ints
    columns: tuple[int, ...] = tuple(range(len(COUNTERS)))

    def __len__(self) -> int:
        return len(self.at_ms)

    def take(self, rows: npt.NDArray[np.intp] | Truths | slice) -> Samples:
        """The given rows, in the given order."""

        def some(column: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
            return column[rows] if len(column) else column

        return Samples(
            self.port[rows],
            self.at_ms[rows],
            self.facts[rows],
            self.known[rows],
            self.counters[rows],
            some(self.received_ms),
            some(self.uptime_ticks),
            some(self.discontinuity_ticks),
            self.columns,
        )


@dataclass(frozen=True)
class PortName:
    """How a source names a port and what it says of the team; `team` is empty for a port of no team."""

    device: str
    port: str
    team: str = ""
    method: str = "unknown"
    bundle: str = ""
    if_index: int = 0


@dataclass(frozen=True)
class TeamName:
    """A team of a device, with what is known of how it is built; empty where unknown."""

    device: str
    team: str
    method: str = "unknown"
    bundle: str = ""


@dataclass(frozen=True)
class Layout:
    """Who belongs to whom in a run: ports, teams and devices by position.

    `device_of_port` (n_ports,) points into `devices`; `members` (n_teams, MOST_MEMBERS)
    points into `ports`, padded with UNKNOWN; `device_of_team` (n_teams,) into `devices`.
    """

    devices: tuple[str, ...]
    ports: tuple[PortName, ...]
    teams: tuple[TeamName, ...]
    device_of_port: Codes
    device_of_team: Codes
    members: Codes


@dataclass(frozen=True)
class Reject:
    """One item of a batch that was not taken: its index or line, and why, in words that say how to mend it."""

    index: int
    reason: str
    column: str = ""
    value: str = ""


@dataclass(frozen=True)
class Parsed:
    """What a feed made of bytes: samples whose `port` points into `ports`, and what it could not take.

    `index` (n,) says which item of the batch, or line of the file, each sample came from.
    """

    samples: Samples
    facts: FactsTable
    ports: tuple[PortName, ...]
    index: Ints
    rejects: tuple[Reject, ...] = ()


@dataclass(frozen=True)
class Span:
    """Whole windows, aligned to the epoch: `count` of them of `width_ms` each from `first_ms`."""

    first_ms: int
    count: int
    width_ms: int = 30_000

    @property
    def end_ms(self) -> int:
        """Where the last window ends, exclusive."""
        return self.first_ms + self.count * self.width_ms

    def starts(self) -> Ints:
        """Where each window starts, shape (count,)."""
        return self.first_ms + np.arange(self.count, dtype=np.int64) * self.width_ms


@dataclass(frozen=True)
class Intervals:
    """What became of each sample of a run, rows as in the sorted samples: shape (n,), or (n, 2) by direction.

    An interval lies at [start_ms, end_ms). `octets` and `frames` are whole numbers, UNKNOWN
    where there is no value. `packets`, `mcast`, `bcast`, `discards`, `errors` likewise.
    `candidates_bps` maps (row, direction) of an ambiguous interval to its possible rates.
    """

    port: Codes
    start_ms: Ints
    end_ms: Ints
    facts: Codes
    facts_before: Codes
    octets: Ints
    frames: Ints
    mcast: Ints
    bcast: Ints
    discards: Ints
    errors: Ints
    status: Bytes
    flags: Marks
    candidates_bps: dict[tuple[int, int], tuple[int, ...]] = field(default_factory=dict)
    changed_ms: Ints | None = None  # (n,), when the port last changed its state; None where no source tells


@dataclass(frozen=True)
class MemberWindows:
    """Every port in every window of a span; arrays of shape (n_ports, n_windows[, 2]).

    `utilisation` is on the basis that `basis` names and NaN where unknown, `lower` and
    `upper` bound it, `coverage` is the share of the window that intervals cover. Packet
    figures are per second, ratios shares of 1, NaN where not counted.
    """

    span: Span
    utilisation: Floats
    lower: Singles
    upper: Singles
    coverage: Singles
    basis: Bytes
    discard_ratio: Singles
    packets: Singles
    mcast: Singles
    bcast: Singles
    errors: Singles
    speed_bps: Ints  # (n_ports, n_windows)
    marks: Marks  # (n_ports, n_windows)
    why_not: Bytes  # (n_ports, n_windows, 2), a WhyNot


@dataclass(frozen=True)
class TeamWindows:
    """Every team in every window of a span, arrays of shape (n_teams, n_windows, 2).

    Utilisations and shares are NaN, rates UNKNOWN, where no member is eligible. `hot` and
    `idle` are bit sets of member positions, `busiest` the position of the busiest member.
    """

    span: Span
    evaluable: Truths  # every member that matters is known
    even_split: Floats
    imbalance: Floats
    utilisation: Floats  # of the busiest eligible member
    busiest: npt.NDArray[np.int8]
    busiest_share: Floats
    total_bps: Floats
    usable_bps: Floats
    stranded_bps: Floats
    room_bps: Floats
    one_lost: Floats
    hot: Bytes
    idle: Bytes
    kind: Bytes
    degraded: Truths
    calm: Truths  # for the distribution family
    calm_full: Truths  # for the capacity family
    calm_degraded: Truths = field(default_factory=lambda: np.zeros((0, 0, 2), dtype=np.bool_))  # for the build family
    basis: Bytes = field(default_factory=lambda: np.zeros((0, 0, 2), dtype=np.uint8))  # of the busiest member
    discards: Singles = field(default_factory=lambda: np.zeros((0, 0, 2), dtype=np.float32))  # worst of the hot members


@dataclass(frozen=True)
class Rule:
    """Thresholds that apply to a team; shares of 1 but for counts of windows and seconds."""

    hot_above: float = 0.75
    idle_below: float = 0.30
    clear_below: float = 0.70
    raise_windows: int = 3
    raise_of: int = 4
    clear_windows: int = 10
    window_seconds: int = 30
    coverage_min: float = 0.80
    set_by: str = ""
    because: str = ""


@dataclass(frozen=True)
class MemberFigure:
    """One member as a finding shows it; None is unknown, never zero."""

    port: str
    utilisation: float | None
    speed_bps: int
    why_not: str = ""


@dataclass(frozen=True)
class Evidence:
    """What speaks for a finding, what against it, and what nobody has told us."""

    speaks_for: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()


@dataclass(frozen=True)
class Finding:
    """Something raised about a team and direction, with its evidence and its life so far."""

    id: str
    device: str
    team: str
    direction: str
    family: str
    kind: str
    severity: Severity
    since_ms: int  # start of the first flagged window of those that raised it
    raised_ms: int  # end of the window that raised it
    cleared_ms: int | None
    hot: tuple[MemberFigure, ...]
    idle: tuple[MemberFigure, ...]
    members: tuple[MemberFigure, ...]
    peak: float  # highest utilisation of a window so far
    peak_port: str
    peak_ms: int
    even_split: float
    imbalance: float
    usable_bps: int
    stranded_bps: int
    room_bps: int
    discard_ratio: float | None  # worst window so far; None where nobody counts
    basis: str
    windows_seen: int
    windows_evaluable: int
    recurrences: int = 0  # raises within the last hour where it comes and goes
    unverified: bool = False
    uncertain: bool = False
    owner: str | None = None
    diagnosis: str | None = None
    confidence: str | None = None
    evidence: Evidence = field(default_factory=Evidence)
    rule_note: str = ""  # names a team's own rule where one applies
    updated_ms: int = 0
    windows_flagged: int = 0  # of the evaluable windows, those that carried a kind of its family
    hot_until_ms: int | None = None  # end of the last flagged window; None where nobody noted it


@dataclass(frozen=True)
class DataEvent:
    """Something about the data of a source that is worth knowing and is not a finding."""

    device: str
    port: str
    at_ms: int
    kind: str
    text: str


def finding_id(device: str, team: str, direction: str, family: str, raised_ms: int) -> str:
    """The one id of a finding: whoever evaluates the same data finds the same id."""
    name = "\x1f".join((device, team, direction, family, str(raised_ms)))
    return "f" + hashlib.blake2b(name.encode(), digest_size=10).hexdigest()
