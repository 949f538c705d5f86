"""What was measured of instruments: noise, skew, polarity and answer to a step, by input."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_TEXT = (
    "what",
    "instrument",
    "address",
    "input",
    "role",
    "unit",
    "reference",
    "readings",
    "remark",
)


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "calibration",
        sa.Column("id", sa.String(36), nullable=False),
        sa.Column("created_utc", sa.String(27), nullable=False),
        sa.Column("changed_utc", sa.String(27), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("deleted_utc", sa.String(27)),
        *(sa.Column(name, sa.Text(), nullable=False, server_default="") for name in _TEXT),
        sa.Column("measured_utc", sa.String(27), nullable=False),
        sa.Column("rate_hz", sa.Float(53), nullable=False),
        sa.Column("value", sa.Float(53), nullable=False),
        sa.Column("standard_error", sa.Float(53)),
        sa.PrimaryKeyConstraint("id", name="pk_calibration"),
    )
    op.create_index("ix_calibration_instrument", "calibration", ["instrument"])
