"""Devices, teams and ports; samples, windows and roll-ups; findings, their history and the messages they owe."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

COUNTERS = tuple(
    f"{way}_{measure}"
    for measure in ("octets", "packets", "mcast_packets", "bcast_packets", "discards", "errors")
    for way in ("out", "in")
)
FACTS = (
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
)
APPEND_ONLY = ("finding_history", "audit")


def upgrade() -> None:
    """Make every table of the first release."""
    _inventory()
    _measurements()
    _findings()
    _administration()
    _refuse_changes()


def downgrade() -> None:
    """Drop them all."""
    for table in (
        "leases",
        "audit",
        "seen_pushes",
        "keys",
        "deliveries",
        "events",
        "finding_history",
        "findings",
        "rollups",
        "windows",
        "arrivals",
        "samples",
        "facts",
        "memberships",
        "ports",
        "teams",
        "devices",
    ):
        op.drop_table(table)
    if _on_postgresql():
        op.execute("DROP FUNCTION refuse_change()")


def _on_postgresql() -> bool:
    return op.get_bind().dialect.name == "postgresql"


def _id() -> sa.Column:
    return sa.Column("id", sa.Integer, autoincrement=True, nullable=False)


def _name(name: str = "name") -> sa.Column:
    return sa.Column(name, sa.String(255), nullable=False)


def _instant(name: str, nullable: bool = False) -> sa.Column:
    return sa.Column(name, sa.BigInteger, nullable=nullable)


def _pk(table: str, *columns: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint(*columns, name=f"pk_{table}")


def _unique(table: str, *columns: str) -> sa.UniqueConstraint:
    return sa.UniqueConstraint(*columns, name=f"uq_{table}_{'_'.join(columns)}")


def _belongs(table: str, column: str, to: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{to}.id"], name=f"fk_{table}_{column}")


def _index(table: str, *columns: str) -> None:
    op.create_index(f"ix_{table}_{'_'.join(columns)}", table, list(columns))


def _inventory() -> None:
    op.create_table(
        "devices",
        _id(),
        _name(),
        sa.Column("feed", sa.String(16), nullable=False),
        _instant("created_ms"),
        _instant("last_sample_ms", nullable=True),
        _instant("last_received_ms", nullable=True),
        sa.Column("interval_ms", sa.BigInteger, nullable=True),
        sa.Column("refresh_ms", sa.BigInteger, nullable=True),
        sa.Column("clock_offset_ms", sa.BigInteger, nullable=True),
        _instant("silent_since_ms", nullable=True),
        _pk("devices", "id"),
        _unique("devices", "name"),
        # Every batch rewrites the rows of its devices; with room beside them no index has to be touched.
        postgresql_with={"fillfactor": 50},
    )
    op.create_table(
        "teams",
        _id(),
        sa.Column("device_id", sa.Integer, nullable=False),
        _name(),
        sa.Column("method", sa.String(32), nullable=False, server_default="unknown"),
        sa.Column("bundle", sa.String(16), nullable=False, server_default=""),
        _instant("created_ms"),
        _instant("decided_ms", nullable=True),
        _pk("teams", "id"),
        _unique("teams", "device_id", "name"),
        _belongs("teams", "device_id", "devices"),
    )
    op.create_table(
        "ports",
        _id(),
        sa.Column("device_id", sa.Integer, nullable=False),
        _name(),
        sa.Column("if_index", sa.BigInteger, nullable=False, server_default="0"),
        _instant("created_ms"),
        _pk("ports", "id"),
        _unique("ports", "device_id", "name"),
        _belongs("ports", "device_id", "devices"),
    )
    op.create_table(
        "memberships",
        _id(),
        sa.Column("team_id", sa.Integer, nullable=False),
        sa.Column("port_id", sa.Integer, nullable=False),
        _instant("from_ms"),
        _instant("to_ms", nullable=True),
        _pk("memberships", "id"),
        _belongs("memberships", "team_id", "teams"),
        _belongs("memberships", "port_id", "ports"),
    )
    _index("memberships", "team_id")
    _index("memberships", "port_id")


def _measurements() -> None:
    op.create_table(
        "facts",
        _id(),
        sa.Column("speed_bps", sa.BigInteger, nullable=False),
        sa.Column("counter_bits", sa.SmallInteger, nullable=False),
        sa.Column("counts", sa.SmallInteger, nullable=False),
        sa.Column("form", sa.SmallInteger, nullable=False),
        sa.Column("oper", sa.SmallInteger, nullable=False),
        sa.Column("role", sa.SmallInteger, nullable=False),
        sa.Column("mac", sa.BigInteger, nullable=False),
        sa.Column("mtu", sa.Integer, nullable=False),
        sa.Column("last_change_ticks", sa.BigInteger, nullable=False),
        sa.Column("half_duplex", sa.Boolean, nullable=False),
        _pk("facts", "id"),
        sa.UniqueConstraint(*FACTS, name="uq_facts_all"),
    )
    op.create_table(
        "samples",
        sa.Column("port_id", sa.Integer, autoincrement=False, nullable=False),
        _instant("at_ms"),
        _instant("received_ms"),
        sa.Column("facts_id", sa.Integer, nullable=False),
        sa.Column("uptime_ticks", sa.BigInteger, nullable=False),
        sa.Column("discontinuity_ticks", sa.BigInteger, nullable=False),
        sa.Column("known", sa.Integer, nullable=False),
        *(sa.Column(name, sa.BigInteger, nullable=False) for name in COUNTERS),
        _pk("samples", "port_id", "at_ms"),
        postgresql_partition_by="RANGE (at_ms)",
    )
    op.create_table(
        "arrivals",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), autoincrement=True, nullable=False),
        sa.Column("teams", sa.LargeBinary, nullable=False),
        sa.Column("from_ms", sa.LargeBinary, nullable=False),
        _pk("arrivals", "id"),
    )
    op.create_table(
        "windows",
        sa.Column("team_id", sa.Integer, autoincrement=False, nullable=False),
        _instant("start_ms"),
        sa.Column("width_ms", sa.Integer, nullable=False),
        sa.Column("kind_egress", sa.SmallInteger, nullable=False),
        sa.Column("kind_ingress", sa.SmallInteger, nullable=False),
        sa.Column("restated", sa.SmallInteger, nullable=False, server_default="0"),
        sa.Column("members", sa.LargeBinary, nullable=False),
        sa.Column("figures", sa.LargeBinary, nullable=False),
        _pk("windows", "team_id", "start_ms"),
        postgresql_partition_by="RANGE (start_ms)",
    )
    op.create_table(
        "rollups",
        sa.Column("team_id", sa.Integer, autoincrement=False, nullable=False),
        _instant("start_ms"),
        sa.Column("members", sa.LargeBinary, nullable=False),
        sa.Column("figures", sa.LargeBinary, nullable=False),
        _pk("rollups", "team_id", "start_ms"),
        postgresql_partition_by="RANGE (start_ms)",
    )


def _findings() -> None:
    op.create_table(
        "findings",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("team_id", sa.Integer, nullable=False),
        sa.Column("direction", sa.SmallInteger, nullable=False),
        sa.Column("family", sa.SmallInteger, nullable=False),
        sa.Column("kind", sa.String(24), nullable=False),
        sa.Column("severity", sa.String(16), nullable=False),
        _instant("raised_ms"),
        _instant("cleared_ms", nullable=True),
        sa.Column("operator_state", sa.String(16), nullable=False, server_default="none"),
        sa.Column("operator", sa.String(255), nullable=False, server_default=""),
        _instant("updated_ms"),
        sa.Column("body", sa.Text, nullable=False),
        _pk("findings", "id"),
    )
    _index("findings", "team_id", "raised_ms")
    _index("findings", "raised_ms", "id")
    _index("findings", "cleared_ms")
    op.create_table(
        "finding_history",
        _id(),
        sa.Column("finding_id", sa.String(32), nullable=False),
        _instant("at_ms"),
        sa.Column("what", sa.String(32), nullable=False),
        sa.Column("who", sa.String(255), nullable=False, server_default=""),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("details", sa.Text, nullable=False, server_default="{}"),
        _pk("finding_history", "id"),
        _belongs("finding_history", "finding_id", "findings"),
    )
    _index("finding_history", "finding_id", "at_ms")
    op.create_table(
        "events",
        _id(),
        sa.Column("device_id", sa.Integer, nullable=False),
        sa.Column("port", sa.String(255), nullable=False, server_default=""),
        _instant("at_ms"),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        _pk("events", "id"),
        _unique("events", "device_id", "port", "at_ms", "kind"),
        _belongs("events", "device_id", "devices"),
    )
    _index("events", "at_ms")
    op.create_table(
        "deliveries",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("finding_id", sa.String(32), nullable=True),
        sa.Column("route", sa.String(64), nullable=False),
        sa.Column("what", sa.String(24), nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        _instant("created_ms"),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False, server_default="0"),
        _instant("next_attempt_ms"),
        _instant("claimed_until_ms", nullable=True),
        _instant("settled_ms", nullable=True),
        sa.Column("last_outcome", sa.Text, nullable=False, server_default=""),
        sa.Column("body", sa.Text, nullable=False),
        _pk("deliveries", "id"),
    )
    _index("deliveries", "state", "next_attempt_ms")
    _index("deliveries", "finding_id", "route", "position")


def _administration() -> None:
    op.create_table(
        "keys",
        _id(),
        _name(),
        sa.Column("role", sa.String(16), nullable=False),
        sa.Column("hash", sa.String(128), nullable=False),
        _instant("created_ms"),
        _instant("expires_ms", nullable=True),
        _instant("revoked_ms", nullable=True),
        _pk("keys", "id"),
        _unique("keys", "name"),
        _unique("keys", "hash"),
    )
    op.create_table(
        "seen_pushes",
        sa.Column("id", sa.String(128), nullable=False),
        _instant("until_ms"),
        _pk("seen_pushes", "id"),
    )
    op.create_table(
        "audit",
        _id(),
        _instant("at_ms"),
        _name("who"),
        sa.Column("what", sa.String(64), nullable=False),
        _name("target"),
        sa.Column("details", sa.Text, nullable=False, server_default="{}"),
        _pk("audit", "id"),
    )
    op.create_table(
        "leases",
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("owner", sa.String(64), nullable=False),
        _instant("until_ms"),
        sa.Column("epoch", sa.Integer, nullable=False),
        _pk("leases", "name"),
    )


def _refuse_changes() -> None:
    """Make history and audit append-only, whoever holds the connection."""
    if _on_postgresql():
        op.execute(
            "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS"
            " $$ BEGIN RAISE EXCEPTION '% is append-only', TG_TABLE_NAME; END $$"
        )
        for table in APPEND_ONLY:
            op.execute(
                f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table}"
                " FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
            )
        return
    for table in APPEND_ONLY:
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table}"
                f" BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
            )
