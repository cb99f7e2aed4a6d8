"""The words of the trade as small numbers, and how each is written."""

from __future__ import annotations

from enum import IntEnum, IntFlag, StrEnum
from functools import cache


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
    # Those that follow say why a member is broken; what is kept of windows tells them again after a restart.
    ONE_SIDED = 1024
    UNANSWERED = 2048
    SICK = 4096
    FAR_SILENT = 8192  # the bundle's state says that the far end sends nothing on it
    MISBUILT = 16384  # the bundle's state says that this end does not use it, or that it leads to another partner


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
    Mark.ONE_SIDED: "one-sided",
    Mark.UNANSWERED: "unanswered",
    Mark.SICK: "sick",
    Mark.FAR_SILENT: "far-end-silent",
    Mark.MISBUILT: "misbuilt",
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
    ONE_SIDED = 8
    UNANSWERED = 9
    SICK = 10
    FLEET_PATTERN = 11  # of many teams at once; no window carries it


KIND_WORDS = (
    "none",
    "uneven",
    "uneven-and-full",
    "skewed",
    "full",
    "hot-no-sibling",
    "oscillating",
    "degraded",
    "one-sided",
    "unanswered",
    "sick",
    "fleet-pattern",
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
    Kind.ONE_SIDED: Family.BUILD,
    Kind.UNANSWERED: Family.BUILD,
    Kind.SICK: Family.BUILD,
    Kind.FLEET_PATTERN: Family.DISTRIBUTION,
}
UNFIT_KINDS = (Kind.ONE_SIDED, Kind.UNANSWERED, Kind.SICK)  # about a member that is up and yet must not be used


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
