"""What is finer than a port's counters, what was foretold, what was changed and what came of it."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    _items()
    _item_readings()
    _exporters()
    _predictions()
    _changes()
    _change_teams()
    _never_edited()


def downgrade() -> None:
    """Remove them again."""
    for table in ("change_teams", "changes", "predictions", "exporters", "item_readings", "items"):
        op.drop_table(table)
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION refuse_edit()")


def _items() -> None:
    op.create_table(
        "items",
        sa.Column("port_id", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("direction", sa.SmallInteger, nullable=False, autoincrement=False),
        sa.Column("end_ms", sa.BigInteger, nullable=False, autoincrement=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("name", sa.String(255), nullable=False),
        sa.Column("start_ms", sa.BigInteger, nullable=False),
        sa.Column("octets", sa.BigInteger, nullable=False),
        sa.Column("parts", sa.Integer, nullable=False, server_default="0"),
        sa.Column("endpoints", sa.Text, nullable=False, server_default=""),
        sa.Column("source", sa.String(16), nullable=False, server_default=""),
        sa.PrimaryKeyConstraint("port_id", "direction", "end_ms", "kind", "name", name="pk_items"),
    )
    op.create_index("ix_items_end_ms", "items", ["end_ms"])


def _item_readings() -> None:
    op.create_table(
        "item_readings",
        sa.Column("device", sa.String(255), nullable=False),
        sa.Column("name", sa.String(255), nullable=False),
        sa.Column("port", sa.String(255), nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.Column("out_octets", sa.BigInteger, nullable=False),
        sa.Column("in_octets", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("device", "name", name="pk_item_readings"),
    )


def _exporters() -> None:
    op.create_table(
        "exporters",
        sa.Column("address", sa.String(64), nullable=False),
        sa.Column("protocol", sa.String(16), nullable=False),
        sa.Column("device", sa.String(255), nullable=False, server_default=""),
        sa.Column("heard_ms", sa.BigInteger, nullable=False),
        sa.Column("datagrams", sa.BigInteger, nullable=False, server_default="0"),
        sa.Column("records", sa.BigInteger, nullable=False, server_default="0"),
        sa.Column("lost", sa.BigInteger, nullable=False, server_default="0"),
        sa.Column("refused", sa.BigInteger, nullable=False, server_default="0"),
        sa.Column("unplaced", sa.BigInteger, nullable=False, server_default="0"),
        sa.Column("trouble", sa.Text, nullable=False, server_default=""),
        sa.PrimaryKeyConstraint("address", "protocol", name="pk_exporters"),
    )


def _predictions() -> None:
    op.create_table(
        "predictions",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("team_id", sa.Integer, nullable=False),
        sa.Column("direction", sa.SmallInteger, nullable=False),
        sa.Column("option", sa.String(32), nullable=False),
        sa.Column("success", sa.Float, nullable=False),
        sa.Column("made_ms", sa.BigInteger, nullable=False),
        sa.Column("made_by", sa.String(255), nullable=False),
        sa.Column("seed", sa.BigInteger, nullable=False, server_default="0"),
        sa.Column("text", sa.Text, nullable=False, server_default=""),
        sa.Column("inputs", sa.Text, nullable=False, server_default="{}"),
        sa.Column("finding_id", sa.String(32), nullable=False, server_default=""),
        sa.PrimaryKeyConstraint("id", name="pk_predictions"),
    )
    op.create_index("ix_predictions_team_id_made_ms", "predictions", ["team_id", "made_ms"])


def _changes() -> None:
    op.create_table(
        "changes",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.Column("settle_ms", sa.BigInteger, nullable=False),
        sa.Column("who", sa.String(255), nullable=False),
        sa.Column("what", sa.Text, nullable=False),
        sa.Column("reference", sa.String(255), nullable=False, server_default=""),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("created_ms", sa.BigInteger, nullable=False),
        sa.Column("created_by", sa.String(255), nullable=False),
        sa.Column("request", sa.String(128), nullable=False, server_default=""),
        sa.PrimaryKeyConstraint("id", name="pk_changes"),
    )
    op.create_index("ix_changes_at_ms", "changes", ["at_ms"])


def _change_teams() -> None:
    op.create_table(
        "change_teams",
        sa.Column("change_id", sa.String(32), nullable=False),
        sa.Column("team_id", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("direction", sa.SmallInteger, nullable=False, autoincrement=False),
        sa.Column("baseline", sa.Text, nullable=False, server_default=""),
        sa.Column("prediction_id", sa.String(32), nullable=False, server_default=""),
        sa.Column("outcome", sa.String(24), nullable=False, server_default="cannot-tell-yet"),
        sa.Column("verdict", sa.Text, nullable=False, server_default=""),
        sa.Column("verdict_ms", sa.BigInteger, nullable=True),
        sa.Column("final", sa.Boolean, nullable=False, server_default=sa.false()),
        sa.PrimaryKeyConstraint("change_id", "team_id", "direction", name="pk_change_teams"),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name="fk_change_teams_change_id_changes"),
    )
    op.create_index("ix_change_teams_team_id", "change_teams", ["team_id"])


def _never_edited() -> None:
    """What was foretold stays as it was foretold, whoever asks the database to change it."""
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION refuse_edit() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
            " RAISE EXCEPTION 'what was foretold is never edited'; END $$"
        )
        op.execute(
            "CREATE TRIGGER predictions_stay BEFORE UPDATE OR DELETE ON predictions"
            " FOR EACH ROW EXECUTE FUNCTION refuse_edit()"
        )
        op.execute(
            "CREATE TRIGGER predictions_stay_whole BEFORE TRUNCATE ON predictions"
            " FOR EACH STATEMENT EXECUTE FUNCTION refuse_edit()"
        )
        return
    for verb in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER predictions_stay_{verb.lower()} BEFORE {verb} ON predictions"
            " BEGIN SELECT RAISE(ABORT, 'what was foretold is never edited'); END"
        )
    op.execute(  # REPLACE removes a row without asking the trigger on DELETE
        "CREATE TRIGGER predictions_stay_replace BEFORE INSERT ON predictions"
        " WHEN EXISTS (SELECT 1 FROM predictions WHERE id = NEW.id)"
        " BEGIN SELECT RAISE(ABORT, 'what was foretold is never edited'); END"
    )
