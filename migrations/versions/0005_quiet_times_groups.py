"""When messages wait, and which of them were told together."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table, and the columns beside the others; a release before does not know of them."""
    for name, letters in (("group_key", 255), ("told_with", 64)):
        op.add_column("deliveries", sa.Column(name, sa.String(letters), nullable=False, server_default=""))
    op.create_index("ix_deliveries_told_with", "deliveries", ["told_with"])
    op.create_table(
        "quiet_times",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("begins", sa.String(32), nullable=False),
        sa.Column("minutes", sa.Integer, nullable=False),
        sa.Column("zone", sa.String(64), nullable=False),
        sa.Column("recurrence", sa.String(255), nullable=False, server_default=""),
        sa.Column("about", sa.Text, nullable=False),
        sa.Column("because", sa.Text, nullable=False),
        sa.Column("set_by", sa.String(255), nullable=False),
        sa.Column("created_ms", sa.BigInteger, nullable=False),
        sa.Column("ended_ms", sa.BigInteger, nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_quiet_times"),
    )


def downgrade() -> None:
    """Remove them again; what waits goes out as it was first written."""
    op.execute("UPDATE deliveries SET state = 'owed' WHERE state = 'held'")
    op.execute("UPDATE deliveries SET state = 'combined' WHERE state = 'untold'")
    op.drop_table("quiet_times")
    op.drop_index("ix_deliveries_told_with", "deliveries")
    for name in ("told_with", "group_key"):
        op.drop_column("deliveries", name)
