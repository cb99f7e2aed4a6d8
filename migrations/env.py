"""How a migration reaches its database: by the connection it is handed, or by the address in LOPSIDE_MIGRATE_URL."""

import os

from alembic import context
from sqlalchemy import Connection, create_engine


def run(connection: Connection) -> None:
    """Run what was asked for in the transaction of the connection."""
    context.configure(connection=connection, target_metadata=None)
    with context.begin_transaction():
        context.run_migrations()


given = context.config.attributes.get("connection")
if given is not None:
    run(given)
else:
    with create_engine(os.environ["LOPSIDE_MIGRATE_URL"]).begin() as own:
        run(own)
