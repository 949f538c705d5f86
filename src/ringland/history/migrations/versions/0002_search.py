"""Full-text search over what people wrote."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_SQLITE = (
    # the words only; the text itself stays in search_text
    "CREATE VIRTUAL TABLE search_words USING fts5(kind, text, content='search_text', "
    "content_rowid='number', tokenize='unicode61 remove_diacritics 2', prefix='2 3')",
    "CREATE TRIGGER search_text_added AFTER INSERT ON search_text BEGIN "
    "INSERT INTO search_words(rowid, kind, text) VALUES (new.number, new.kind, new.text); END",
    "CREATE TRIGGER search_text_gone AFTER DELETE ON search_text BEGIN "
    "INSERT INTO search_words(search_words, rowid, kind, text) "
    "VALUES ('delete', old.number, old.kind, old.text); END",
    "CREATE TRIGGER search_text_changed AFTER UPDATE ON search_text BEGIN "
    "INSERT INTO search_words(search_words, rowid, kind, text) "
    "VALUES ('delete', old.number, old.kind, old.text); "
    "INSERT INTO search_words(rowid, kind, text) VALUES (new.number, new.kind, new.text); END",
)
_POSTGRESQL = (
    "CREATE INDEX ix_search_text_words ON search_text USING gin "
    "(to_tsvector('simple', translate(text, '-_./@:', '      ')))",
)


def upgrade() -> None:
    """Make the index; `migrate.py` fills it from the rows that are there."""
    op.create_table(
        "search_text",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("row_id", sa.String(36), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False, server_default=""),
        sa.Column("vehicle_id", sa.String(36)),
        sa.Column("text", sa.Text(), nullable=False, server_default=""),
        sa.PrimaryKeyConstraint("number", name="pk_search_text"),
        sa.UniqueConstraint("row_id", name="uq_search_text_row_id"),
    )
    op.create_index("ix_search_text_vehicle_id", "search_text", ["vehicle_id"])
    dialect = op.get_bind().dialect.name
    for statement in _SQLITE if dialect == "sqlite" else _POSTGRESQL:
        op.execute(sa.text(statement))
