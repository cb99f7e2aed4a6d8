"""Which releases may work on these tables, so that an older one can go on; and which silences were told."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table of one row; a later step that takes away what this release uses raises what it says."""
    made = op.create_table(
        "releases",
        sa.Column("oldest", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("oldest", name="pk_releases"),
    )
    op.add_column("devices", sa.Column("silence_told_ms", sa.BigInteger, nullable=True))
    op.bulk_insert(made, [{"oldest": "0006"}])


def downgrade() -> None:
    """Remove it again."""
    op.drop_column("devices", "silence_told_ms")
    op.drop_table("releases")
