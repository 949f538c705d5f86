"""Probability by failure mode in a form that five thousand of are read in a moment."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; analyses from before have it empty and are read the slow way."""
    op.add_column("analysis", sa.Column("shares", sa.Text(), nullable=False, server_default=""))
