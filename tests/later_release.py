"""The next release of the service, as far as a database sees it: a step of migrations that this one does not know."""

import shutil
from pathlib import Path

from alembic import command
from alembic.config import Config

from service.storage import database

STEP = """
import sqlalchemy as sa
from alembic import op

revision, down_revision, branch_labels, depends_on = "9999", "{before}", None, None


def upgrade():
    op.add_column("findings", sa.Column("later", sa.Integer, nullable=False, server_default="0"))
    op.create_table("later", sa.Column("id", sa.Integer, primary_key=True))
    op.execute("UPDATE releases SET oldest = '{oldest}'")


def downgrade():
    op.drop_table("later")
    op.drop_column("findings", "later")
"""


def come(engine, folder, oldest=None):
    """Migrate a database as the next release would; `oldest` is the oldest step it still leaves tables usable for."""
    head = database._revisions()[-1]
    source = Path(database.migrations().get_main_option("script_location"))
    shutil.copytree(source, folder / "migrations")
    (folder / "migrations" / "versions" / "9999_later.py").write_text(STEP.format(before=head, oldest=oldest or head))
    config = Config()
    config.set_main_option("script_location", str(folder / "migrations"))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
