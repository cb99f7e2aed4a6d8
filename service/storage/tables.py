"""The tables, the same on SQLite and PostgreSQL; migrations make them, tests compare the two.

Instants are BIGINT milliseconds since the epoch. On PostgreSQL samples and windows have a
partition a day, roll-ups one a month (storage/partitions.py). Counters are unsigned 64-bit numbers kept
in signed columns, `v - 2**64` for v of 2**63 and above: NUMERIC is a float on SQLite.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    String,
    Table,
    Text,
    UniqueConstraint,
    false,
)

from service.terms import COUNTERS

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _id() -> Column[int]:
    return Column("id", Integer, primary_key=True, autoincrement=True)


def _instant(name: str, *, optional: bool = False, **more: Any) -> Column[int]:
    return Column(name, BigInteger, nullable=optional, **more)


devices = Table(
    "devices",
    metadata,
    _id(),
    Column("name", String(255), nullable=False, unique=True),
    Column("feed", String(16), nullable=False),
    _instant("created_ms"),
    _instant("last_sample_ms", optional=True),  # newest sample's own time
    _instant("last_received_ms", optional=True),
    Column("interval_ms", BigInteger, nullable=True),  # usual time between polls
    Column("refresh_ms", BigInteger, nullable=True),  # set where the agent refreshes more slowly than it is polled
    Column("clock_offset_ms", BigInteger, nullable=True),
    _instant("silent_since_ms", optional=True),
    _instant("silence_told_ms", optional=True),  # the beginning of the silence that people were told of
    # Every batch rewrites the rows of its devices; with room beside them no index has to be touched.
    postgresql_with={"fillfactor": 50},
)

teams = Table(
    "teams",
    metadata,
    _id(),
    Column("device_id", ForeignKey("devices.id"), nullable=False),
    Column("name", String(255), nullable=False),
    Column("method", String(32), nullable=False, server_default="unknown"),
    Column("bundle", String(16), nullable=False, server_default=""),
    _instant("created_ms"),
    _instant("decided_ms", optional=True),  # every window that ends by then has been evaluated
    UniqueConstraint("device_id", "name"),
)

ports = Table(
    "ports",
    metadata,
    _id(),
    Column("device_id", ForeignKey("devices.id"), nullable=False),
    Column("name", String(255), nullable=False),
    Column("if_index", BigInteger, nullable=False, server_default="0"),
    _instant("created_ms"),
    UniqueConstraint("device_id", "name"),
)

memberships = Table(
    "memberships",
    metadata,
    _id(),
    Column("team_id", ForeignKey("teams.id"), nullable=False),
    Column("port_id", ForeignKey("ports.id"), nullable=False),
    _instant("from_ms"),
    _instant("to_ms", optional=True),  # exclusive; empty while it lasts
    Index(None, "team_id"),
    Index(None, "port_id"),
)

facts = Table(
    "facts",
    metadata,
    _id(),
    Column("speed_bps", BigInteger, nullable=False),
    Column("counter_bits", SmallInteger, nullable=False),
    Column("counts", SmallInteger, nullable=False),
    Column("form", SmallInteger, nullable=False),
    Column("oper", SmallInteger, nullable=False),
    Column("role", SmallInteger, nullable=False),
    Column("mac", BigInteger, nullable=False),
    Column("mtu", Integer, nullable=False),
    Column("last_change_ticks", BigInteger, nullable=False),
    Column("half_duplex", Boolean, nullable=False),
    UniqueConstraint(
        "speed_bps",
        "counter_bits",
        "counts",
        "form",
        "oper",
        "role",
        "mac",
        "mtu",
        "last_change_ticks",
        "half_duplex",
        name="uq_facts_all",
    ),
)

samples = Table(
    "samples",
    metadata,
    Column("port_id", Integer, primary_key=True, autoincrement=False),
    _instant("at_ms", primary_key=True, autoincrement=False),
    _instant("received_ms"),
    Column("facts_id", Integer, nullable=False),
    Column("uptime_ticks", BigInteger, nullable=False),
    Column("discontinuity_ticks", BigInteger, nullable=False),
    Column("known", Integer, nullable=False),
    *(Column(name, BigInteger, nullable=False) for name in COUNTERS),
    postgresql_partition_by="RANGE (at_ms)",
)

# One row a batch that was kept: which teams it touched and from when. Evaluation reads rows and
# deletes just those, so a batch that commits late is never overlooked.
arrivals = Table(
    "arrivals",
    metadata,
    Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True, autoincrement=True),
    Column("teams", LargeBinary, nullable=False),  # int32 team ids
    Column("from_ms", LargeBinary, nullable=False),  # int64, the oldest new sample of each
)

windows = Table(
    "windows",
    metadata,
    Column("team_id", Integer, primary_key=True, autoincrement=False),
    _instant("start_ms", primary_key=True, autoincrement=False),
    Column("width_ms", Integer, nullable=False),
    Column("kind_egress", SmallInteger, nullable=False),
    Column("kind_ingress", SmallInteger, nullable=False),
    Column("restated", SmallInteger, nullable=False, server_default="0"),  # times rewritten after it was decided
    Column("members", LargeBinary, nullable=False),  # int32 port ids, by member position
    Column("figures", LargeBinary, nullable=False),  # storage/figures.py packs and unpacks
    postgresql_partition_by="RANGE (start_ms)",
)

rollups = Table(
    "rollups",
    metadata,
    Column("team_id", Integer, primary_key=True, autoincrement=False),
    _instant("start_ms", primary_key=True, autoincrement=False),
    Column("members", LargeBinary, nullable=False),
    Column("figures", LargeBinary, nullable=False),
    postgresql_partition_by="RANGE (start_ms)",
)

findings = Table(
    "findings",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("team_id", Integer, nullable=False),
    Column("direction", SmallInteger, nullable=False),
    Column("family", SmallInteger, nullable=False),
    Column("kind", String(24), nullable=False),
    Column("severity", String(16), nullable=False),
    _instant("raised_ms"),
    _instant("cleared_ms", optional=True),
    Column("operator_state", String(16), nullable=False, server_default="none"),
    Column("operator", String(255), nullable=False, server_default=""),
    _instant("shelved_until_ms", optional=True),  # of one that is shelved
    Column("part_of", String(32), nullable=False, server_default=""),  # the finding about a fleet, as in the body
    _instant("updated_ms"),
    Column("body", Text, nullable=False),  # the Finding as JSON
    Index(None, "team_id", "raised_ms"),
    Index(None, "raised_ms", "id"),
    Index(None, "cleared_ms"),
    Index(None, "shelved_until_ms"),
    Index(None, "part_of"),
)

finding_history = Table(
    "finding_history",
    metadata,
    _id(),
    Column("finding_id", ForeignKey("findings.id"), nullable=False),
    _instant("at_ms"),
    Column("what", String(32), nullable=False),
    Column("who", String(255), nullable=False, server_default=""),
    Column("text", Text, nullable=False),
    Column("details", Text, nullable=False, server_default="{}"),
    Index(None, "finding_id", "at_ms"),
)

events = Table(
    "events",
    metadata,
    _id(),
    Column("device_id", ForeignKey("devices.id"), nullable=False),
    Column("port", String(255), nullable=False, server_default=""),
    _instant("at_ms"),
    Column("kind", String(32), nullable=False),
    Column("text", Text, nullable=False),
    UniqueConstraint("device_id", "port", "at_ms", "kind"),
    Index(None, "at_ms"),
)

deliveries = Table(
    "deliveries",
    metadata,
    Column("id", String(64), primary_key=True),  # the message's id, the same at every attempt
    Column("finding_id", String(32), nullable=True),  # empty for a try-out message
    Column("route", String(64), nullable=False),
    Column("what", String(24), nullable=False),  # raised, severity, recurrent, cleared, ...
    Column("position", Integer, nullable=False),  # order among the messages of a finding
    _instant("created_ms"),
    Column("state", String(16), nullable=False),  # owed, taken, given-up, combined, held, untold
    Column("attempts", Integer, nullable=False, server_default="0"),
    _instant("next_attempt_ms"),
    _instant("claimed_until_ms", optional=True),  # somebody is sending it; empty again once the outcome is noted
    _instant("settled_ms", optional=True),
    Column("last_outcome", Text, nullable=False, server_default=""),
    Column("body", Text, nullable=False),
    Column("group_key", String(255), nullable=False, server_default=""),  # those alike may be told as one
    Column("told_with", String(64), nullable=False, server_default=""),  # the message that tells of this one too
    Index(None, "state", "next_attempt_ms"),
    Index(None, "finding_id", "route", "position"),
    Index(None, "told_with"),
)

# Announced maintenance, while which messages wait.
quiet_times = Table(
    "quiet_times",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("begins", String(32), nullable=False),  # ISO 8601 on the clock of `zone`
    Column("minutes", Integer, nullable=False),
    Column("zone", String(64), nullable=False),
    Column("recurrence", String(255), nullable=False, server_default=""),  # RRULE of RFC 5545
    Column("about", Text, nullable=False),  # JSON: patterns of devices, teams and sites
    Column("because", Text, nullable=False),
    Column("set_by", String(255), nullable=False),
    _instant("created_ms"),
    _instant("ended_ms", optional=True),
)

keys = Table(
    "keys",
    metadata,
    _id(),
    Column("name", String(255), nullable=False, unique=True),
    Column("role", String(16), nullable=False),
    Column("hash", String(128), nullable=False, unique=True),
    _instant("created_ms"),
    _instant("expires_ms", optional=True),
    _instant("revoked_ms", optional=True),
)

# Ids of signed pushes already taken, for as long as their signature would be believed.
seen_pushes = Table(
    "seen_pushes",
    metadata,
    Column("id", String(128), primary_key=True),
    _instant("until_ms"),
)

audit = Table(
    "audit",
    metadata,
    _id(),
    _instant("at_ms"),
    Column("who", String(255), nullable=False),
    Column("what", String(64), nullable=False),
    Column("target", String(255), nullable=False),
    Column("details", Text, nullable=False, server_default="{}"),
)

leases = Table(
    "leases",
    metadata,
    Column("name", String(64), primary_key=True),
    Column("owner", String(64), nullable=False),
    _instant("until_ms"),
    Column("epoch", Integer, nullable=False),
)

# What people declared of a port, and what its device says: one row each. By names, because a port may be declared
# that nobody has heard of yet.
claims = Table(
    "claims",
    metadata,
    Column("device", String(255), primary_key=True),
    Column("port", String(255), primary_key=True),
    Column("said_by", String(16), primary_key=True),  # declared or discovered
    Column("team", String(255), nullable=False, server_default=""),
    Column("role", SmallInteger, nullable=False, server_default="0"),
    Column("override", Boolean, nullable=False, server_default=false()),
    Column("aggregate_of", String(255), nullable=False, server_default=""),
    Column("if_index", BigInteger, nullable=False, server_default="0"),
    Column("mac", BigInteger, nullable=False, server_default="0"),
    Column("far_device", String(255), nullable=False, server_default=""),
    Column("far_port", String(255), nullable=False, server_default=""),
    Column("owner", String(255), nullable=False, server_default=""),
    Column("site", String(255), nullable=False, server_default=""),
    Column("alias", Text, nullable=False, server_default=""),
    Column("source", String(255), nullable=False, server_default=""),
    Column("actor", SmallInteger, nullable=True),  # LACP states in the order of the LACPDU's octet
    Column("partner", SmallInteger, nullable=True),
    Column("partner_system", BigInteger, nullable=False, server_default="0"),
    Column("partner_key", Integer, nullable=False, server_default="0"),
    Column("partner_port", Integer, nullable=False, server_default="0"),
    _instant("seen_ms"),
    _instant("changed_ms"),
)

# Devices that this service polls, declared or not, and how that goes.
agents = Table(
    "agents",
    metadata,
    Column("device", String(255), primary_key=True),
    Column("address", String(255), nullable=False),
    Column("version", String(8), nullable=False),
    Column("clear_text", Boolean, nullable=False),
    Column("interval_ms", BigInteger, nullable=False),  # as asked for
    Column("stretched_ms", BigInteger, nullable=False),  # as it is kept while there is too much to do; the same else
    _instant("since_ms"),
    _instant("asked_ms", optional=True),
    _instant("answered_ms", optional=True),
    Column("failures", Integer, nullable=False, server_default="0"),  # in a row
    _instant("next_ms", optional=True),
    Column("took_ms", BigInteger, nullable=True),  # the last round with this device
    Column("skew_ms", BigInteger, nullable=True),  # between the first and the last reading of its last poll
    Column("polls", BigInteger, nullable=False, server_default="0"),
    Column("lost", BigInteger, nullable=False, server_default="0"),
    Column("trouble", Text, nullable=False, server_default=""),
    Column("notes", Text, nullable=False, server_default="[]"),  # what of its tables deviates, as a JSON list
)

# How far two readings of the same traffic agree: a team's members and its aggregator interface, or two ends of a cable.
agreements = Table(
    "agreements",
    metadata,
    Column("what", String(16), primary_key=True),  # sum or cable
    Column("device", String(255), primary_key=True),
    Column("name", String(255), primary_key=True),  # the team, or the port
    Column("direction", SmallInteger, primary_key=True, autoincrement=False),
    Column("against", String(511), nullable=False),  # the aggregator interface, or far device and port
    Column("here_bps", BigInteger, nullable=False),
    Column("there_bps", BigInteger, nullable=False),
    Column("difference", Float, nullable=False),  # share of the larger
    Column("agrees", Boolean, nullable=False),
    _instant("at_ms"),
)

# What sources counted of virtual ports and conversations on members, each over a stretch of its own; told again, it
# replaces what was told before.
items = Table(
    "items",
    metadata,
    Column("port_id", Integer, primary_key=True, autoincrement=False),
    Column("direction", SmallInteger, primary_key=True, autoincrement=False),
    _instant("end_ms", primary_key=True, autoincrement=False),
    Column("kind", String(16), primary_key=True),
    Column("name", String(255), primary_key=True),  # empty for the rest, of which only the sum is known
    _instant("start_ms"),
    Column("octets", BigInteger, nullable=False),
    Column("parts", Integer, nullable=False, server_default="0"),
    Column("endpoints", Text, nullable=False, server_default=""),  # JSON list in the order of terms.Endpoints
    Column("source", String(16), nullable=False, server_default=""),
    Index(None, "end_ms"),
)

# The last reading of each virtual port's running counters: the next one is subtracted from it.
item_readings = Table(
    "item_readings",
    metadata,
    Column("device", String(255), primary_key=True),
    Column("name", String(255), primary_key=True),
    Column("port", String(255), nullable=False),  # the member it was on
    _instant("at_ms"),
    Column("out_octets", BigInteger, nullable=False),
    Column("in_octets", BigInteger, nullable=False),
)

# What exporters sent, one row each, as the collecting process last noted it.
exporters = Table(
    "exporters",
    metadata,
    Column("address", String(64), primary_key=True),
    Column("protocol", String(16), primary_key=True),  # ipfix or sflow
    Column("device", String(255), nullable=False, server_default=""),  # empty where the settings name none
    _instant("heard_ms"),
    Column("datagrams", BigInteger, nullable=False, server_default="0"),
    Column("records", BigInteger, nullable=False, server_default="0"),
    Column("lost", BigInteger, nullable=False, server_default="0"),  # by sequence numbers
    Column("refused", BigInteger, nullable=False, server_default="0"),  # datagrams that could not be read
    Column("unplaced", BigInteger, nullable=False, server_default="0"),  # records of no known member
    Column("trouble", Text, nullable=False, server_default=""),
)

# Foretold before a change; rows are added and never edited (triggers refuse it).
predictions = Table(
    "predictions",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("team_id", Integer, nullable=False),
    Column("direction", SmallInteger, nullable=False),
    Column("option", String(32), nullable=False),
    Column("success", Float, nullable=False),
    _instant("made_ms"),
    Column("made_by", String(255), nullable=False),
    Column("seed", BigInteger, nullable=False, server_default="0"),
    Column("text", Text, nullable=False, server_default=""),
    Column("inputs", Text, nullable=False, server_default="{}"),
    Column("finding_id", String(32), nullable=False, server_default=""),
    Index(None, "team_id", "made_ms"),
)

changes = Table(
    "changes",
    metadata,
    Column("id", String(32), primary_key=True),
    _instant("at_ms"),
    Column("settle_ms", BigInteger, nullable=False),
    Column("who", String(255), nullable=False),
    Column("what", Text, nullable=False),
    Column("reference", String(255), nullable=False, server_default=""),
    Column("kind", String(16), nullable=False),
    _instant("created_ms"),
    Column("created_by", String(255), nullable=False),
    Column("request", String(128), nullable=False, server_default=""),  # told twice under one name, it is kept once
    Index(None, "at_ms"),
)

# One row a team and direction of a change: what it is compared with, what was foretold, what came of it.
change_teams = Table(
    "change_teams",
    metadata,
    Column("change_id", ForeignKey("changes.id"), primary_key=True),
    Column("team_id", Integer, primary_key=True, autoincrement=False),
    Column("direction", SmallInteger, primary_key=True, autoincrement=False),
    Column("baseline", Text, nullable=False, server_default=""),  # frozen when first drawn up: spans, counts, figures
    Column("prediction_id", String(32), nullable=False, server_default=""),
    Column("outcome", String(24), nullable=False, server_default="cannot-tell-yet"),
    Column("verdict", Text, nullable=False, server_default=""),  # JSON, as it stood at `verdict_ms`
    _instant("verdict_ms", optional=True),
    Column("final", Boolean, nullable=False, server_default=false()),
    Index(None, "team_id"),
)

# Browsers in which somebody signed in with a key; what the cookie holds is kept as its hash, like a key.
sessions = Table(
    "sessions",
    metadata,
    Column("hash", String(64), primary_key=True),
    Column("key_name", String(255), nullable=False),
    _instant("created_ms"),
    _instant("until_ms"),
    Index(None, "until_ms"),
)

# Teams at which somebody looks more closely for a while: narrower windows, and polls to match.
close_looks = Table(
    "close_looks",
    metadata,
    Column("team_id", Integer, primary_key=True, autoincrement=False),
    Column("width_ms", Integer, nullable=False),
    _instant("from_ms"),
    _instant("until_ms"),
    Column("who", String(255), nullable=False),
)

# What a team's day came to, one row a direction: made of its windows while they are kept, and kept for longer.
team_days = Table(
    "team_days",
    metadata,
    Column("team_id", Integer, primary_key=True, autoincrement=False),
    _instant("day_ms", primary_key=True, autoincrement=False),  # when the day began, in UTC
    Column("direction", SmallInteger, primary_key=True, autoincrement=False),
    _instant("made_ms"),
    Column("figures", Text, nullable=False),  # JSON
    Index(None, "day_ms"),
)

# One row: the oldest step of the migrations whose release may still work on the tables as they are now.
releases = Table("releases", metadata, Column("oldest", String(32), primary_key=True))
