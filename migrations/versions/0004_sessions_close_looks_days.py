"""Who signed in, where somebody looks closely, until when a finding is shelved, and what a day came to."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.add_column("findings", sa.Column("shelved_until_ms", sa.BigInteger, nullable=True))
    op.create_index("ix_findings_shelved_until_ms", "findings", ["shelved_until_ms"])
    _parts()
    _sessions()
    _close_looks()
    _team_days()


def downgrade() -> None:
    """Remove them again."""
    for table in ("team_days", "close_looks", "sessions"):
        op.drop_table(table)
    op.drop_index("ix_findings_part_of", "findings")
    op.drop_column("findings", "part_of")
    op.drop_index("ix_findings_shelved_until_ms", "findings")
    op.drop_column("findings", "shelved_until_ms")


def _parts() -> None:
    """What a finding is part of stands in its body already; a list that folds parts away has to ask for it."""
    op.add_column("findings", sa.Column("part_of", sa.String(32), nullable=False, server_default=""))
    op.create_index("ix_findings_part_of", "findings", ["part_of"])
    told = "body::json ->> 'part_of'" if op.get_bind().dialect.name == "postgresql" else "body ->> '$.part_of'"
    op.execute(f"UPDATE findings SET part_of = coalesce({told}, '')")  # noqa: S608  # words from here


def _sessions() -> None:
    op.create_table(
        "sessions",
        sa.Column("hash", sa.String(64), nullable=False),
        sa.Column("key_name", sa.String(255), nullable=False),
        sa.Column("created_ms", sa.BigInteger, nullable=False),
        sa.Column("until_ms", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("hash", name="pk_sessions"),
    )
    op.create_index("ix_sessions_until_ms", "sessions", ["until_ms"])


def _close_looks() -> None:
    op.create_table(
        "close_looks",
        sa.Column("team_id", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("width_ms", sa.Integer, nullable=False),
        sa.Column("from_ms", sa.BigInteger, nullable=False),
        sa.Column("until_ms", sa.BigInteger, nullable=False),
        sa.Column("who", sa.String(255), nullable=False),
        sa.PrimaryKeyConstraint("team_id", name="pk_close_looks"),
    )


def _team_days() -> None:
    op.create_table(
        "team_days",
        sa.Column("team_id", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("day_ms", sa.BigInteger, nullable=False, autoincrement=False),
        sa.Column("direction", sa.SmallInteger, nullable=False, autoincrement=False),
        sa.Column("made_ms", sa.BigInteger, nullable=False),
        sa.Column("figures", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("team_id", "day_ms", "direction", name="pk_team_days"),
    )
    op.create_index("ix_team_days_day_ms", "team_days", ["day_ms"])
