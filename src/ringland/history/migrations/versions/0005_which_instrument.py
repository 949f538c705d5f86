"""Which one of several instruments of the same name was measured: its serial number or label."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; what was measured before has it empty."""
    op.add_column("calibration", sa.Column("which", sa.Text(), nullable=False, server_default=""))
