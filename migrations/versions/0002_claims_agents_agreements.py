"""What people and devices say of ports, the devices that are polled, and how far readings agree."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    _claims()
    _agents()
    _agreements()


def downgrade() -> None:
    """Remove them again."""
    for table in ("agreements", "agents", "claims"):
        op.drop_table(table)


def _claims() -> None:
    op.create_table(
        "claims",
        sa.Column("device", sa.String(255), nullable=False),
        sa.Column("port", sa.String(255), nullable=False),
        sa.Column("said_by", sa.String(16), nullable=False),
        sa.Column("team", sa.String(255), nullable=False, server_default=""),
        sa.Column("role", sa.SmallInteger, nullable=False, server_default="0"),
        sa.Column("override", sa.Boolean, nullable=False, server_default=sa.false()),
        sa.Column("aggregate_of", sa.String(255), nullable=False, server_default=""),
        sa.Column("if_index", sa.BigInteger, nullable=False, server_default="0"),
        sa.Column("mac", sa.BigInteger, nullable=False, server_default="0"),
        sa.Column("far_device", sa.String(255), nullable=False, server_default=""),
        sa.Column("far_port", sa.String(255), nullable=False, server_default=""),
        sa.Column("owner", sa.String(255), nullable=False, server_default=""),
        sa.Column("site", sa.String(255), nullable=False, server_default=""),
        sa.Column("alias", sa.Text, nullable=False, server_default=""),
        sa.Column("source", sa.String(255), nullable=False, server_default=""),
        sa.Column("actor", sa.SmallInteger, nullable=True),
        sa.Column("partner", sa.SmallInteger, nullable=True),
        sa.Column("partner_system", sa.BigInteger, nullable=False, server_default="0"),
        sa.Column("partner_key", sa.Integer, nullable=False, server_default="0"),
        sa.Column("partner_port", sa.Integer, nullable=False, server_default="0"),
        sa.Column("seen_ms", sa.BigInteger, nullable=False),
        sa.Column("changed_ms", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("device", "port", "said_by", name="pk_claims"),
    )


def _agents() -> None:
    op.create_table(
        "agents",
        sa.Column("device", sa.String(255), nullable=False),
        sa.Column("address", sa.String(255), nullable=False),
        sa.Column("version", sa.String(8), nullable=False),
        sa.Column("clear_text", sa.Boolean, nullable=False),
        sa.Column("interval_ms", sa.BigInteger, nullable=False),
        sa.Column("stretched_ms", sa.BigInteger, nullable=False),
        sa.Column("since_ms", sa.BigInteger, nullable=False),
        sa.Column("asked_ms", sa.BigInteger, nullable=True),
        sa.Column("answered_ms", sa.BigInteger, nullable=True),
        sa.Column("failures", sa.Integer, nullable=False, server_default="0"),
        sa.Column("next_ms", sa.BigInteger, nullable=True),
        sa.Column("took_ms", sa.BigInteger, nullable=True),
        sa.Column("skew_ms", sa.BigInteger, nullable=True),
        sa.Column("polls", sa.BigInteger, nullable=False, server_default="0"),
        sa.Column("lost", sa.BigInteger, nullable=False, server_default="0"),
        sa.Column("trouble", sa.Text, nullable=False, server_default=""),
        sa.Column("notes", sa.Text, nullable=False, server_default="[]"),
        sa.PrimaryKeyConstraint("device", name="pk_agents"),
    )


def _agreements() -> None:
    op.create_table(
        "agreements",
        sa.Column("what", sa.String(16), nullable=False),
        sa.Column("device", sa.String(255), nullable=False),
        sa.Column("name", sa.String(255), nullable=False),
        sa.Column("direction", sa.SmallInteger, nullable=False),
        sa.Column("against", sa.String(511), nullable=False),
        sa.Column("here_bps", sa.BigInteger, nullable=False),
        sa.Column("there_bps", sa.BigInteger, nullable=False),
        sa.Column("difference", sa.Float, nullable=False),
        sa.Column("agrees", sa.Boolean, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("what", "device", "name", "direction", name="pk_agreements"),
    )
