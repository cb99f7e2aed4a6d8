"""${message}"""

from alembic import op
import sqlalchemy as sa
${imports if imports else ""}
revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}
branch_labels = ${repr(branch_labels)}
depends_on = ${repr(depends_on)}


def upgrade() -> None:
    """Bring what this migration is named for."""
    ${upgrades if upgrades else "pass"}


def downgrade() -> None:
    """Take it away again."""
    ${downgrades if downgrades else "pass"}
