"""The first tables. Written out here, since `schema.py` goes on changing and this must not."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_TYPES: dict[str, sa.types.TypeEngine[Any]] = {
    "number": sa.Float(53),
    "count": sa.Integer(),
    "size": sa.BigInteger(),
    "date": sa.String(10),
    "utc": sa.String(27),
    "sha": sa.String(64),
    "long": sa.Text(),
}

_TABLES: dict[str, tuple[str, ...]] = {
    "owner": ("name", "contact", "email", "phone", "address", "costs", "remark"),
    "vehicle": (
        *("owner_id>owner?", "name", "fleet_number", "plate", "vin", "kind"),
        *("service_due_on:date", "service_due_km:number", "remark"),
    ),
    "engine": (
        *("vehicle_id>vehicle", "name", "serial", "engine_type", "description"),
        *("fitted_on:date", "fitted_km:number", "removed_on:date", "remark"),
    ),
    "visit": (
        *("vehicle_id>vehicle", "engine_id>engine?", "visited_on:date!", "purpose", "place"),
        *("technician", "odometer_km:number", "running_hours:number", "fuel", "oil"),
        *("coolant_k:number", "air_k:number", "altitude_m:number", "weather", "complaint"),
        "remark",
    ),
    "recording": (
        *("visit_id>visit", "sha256:sha!", "file_name", "size_bytes:size!", "condition"),
        *("speed_hint_rpm:number", "rate_hz:number", "roles", "duration_s:number", "remark"),
    ),
    "analysis": (
        *("recording_id>recording", "sha256:sha!", "size_bytes:size!", "software", "schema"),
        *("asked", "state", "not_judged:long", "speed_rpm:number", "cycles_kept:count"),
        *("healthy:number", "none_of_these:number", "causes"),
    ),
    "reading_set": ("analysis_id>analysis", "readings"),
    "test_result": (
        *("visit_id>visit", "analysis_id>analysis?", "test", "outcome", "cylinder:count"),
        *("firing_position:count", "readings", "done_on:date", "minutes:number", "remark"),
    ),
    "work": (
        *("visit_id>visit", "done_on:date", "code", "text", "parts", "failure_mode"),
        *("cylinder:count", "odometer_km:number", "minutes:number", "cost:number", "currency"),
    ),
    "outcome": (
        *("visit_id>visit", "analysis_id>analysis?", "failure_mode", "cylinder:count"),
        *("firing_position:count", "severity:number", "severity_unit", "found_on:date", "how"),
        "text",
    ),
    "report_sent": (
        *("visit_id>visit", "kind", "recipient", "subject", "sha256:sha", "state", "reason"),
        "sent_utc:utc",
    ),
    "note": ("vehicle_id>vehicle", "visit_id>visit?", "text", "written_by"),
    "photo": (
        *("vehicle_id>vehicle", "visit_id>visit?", "sha256:sha!", "file_name"),
        *("size_bytes:size!", "media_type", "caption"),
    ),
}
"""Columns: `name` text, `name:type` may be null, `!` may not, `name>table` a parent, `?` if any."""

_INDEXES = (
    *(("vehicle", "vin"), ("vehicle", "name"), ("engine", "engine_type"), ("visit", "visited_on")),
    *(("recording", "sha256"), ("report_sent", "state")),
)


def _column(word: str) -> sa.Column[Any]:
    if ">" in word:
        name, _ = word.rstrip("?").split(">")
        return sa.Column(name, sa.String(36), nullable=word.endswith("?"))
    if ":" in word:
        name, kind = word.rstrip("!").split(":")
        return sa.Column(name, _TYPES[kind], nullable=not word.endswith("!"))
    return sa.Column(word, sa.Text(), nullable=False, server_default="")


def _parents(table: str, words: tuple[str, ...]) -> list[tuple[str, sa.ForeignKeyConstraint]]:
    pairs = [word.rstrip("?").split(">") for word in words if ">" in word]
    return [
        (name, sa.ForeignKeyConstraint([name], [f"{parent}.id"], name=f"fk_{table}_{name}"))
        for name, parent in pairs
    ]


def upgrade() -> None:
    """Make them."""
    for table, words in _TABLES.items():
        parents = _parents(table, words)
        op.create_table(
            table,
            sa.Column("id", sa.String(36), nullable=False),
            sa.Column("created_utc", sa.String(27), nullable=False),
            sa.Column("changed_utc", sa.String(27), nullable=False),
            sa.Column("version", sa.Integer(), nullable=False),
            sa.Column("deleted_utc", sa.String(27)),
            *map(_column, words),
            sa.PrimaryKeyConstraint("id", name=f"pk_{table}"),
            *(constraint for _, constraint in parents),
        )
        for name, _ in parents:
            op.create_index(f"ix_{table}_{name}", table, [name])
    for table, name in _INDEXES:
        op.create_index(f"ix_{table}_{name}", table, [name])
    op.create_index("ix_visit_vehicle_day", "visit", ["vehicle_id", "visited_on"])
    op.create_table(
        "audit",
        sa.Column("id", sa.String(36), nullable=False),
        sa.Column("utc", sa.String(27), nullable=False),
        *map(_column, ("who", "action", "kind")),
        sa.Column("row_id", sa.String(36), nullable=False),
        _column("fields"),
        sa.PrimaryKeyConstraint("id", name="pk_audit"),
    )
    op.create_index("ix_audit_row_id", "audit", ["row_id"])
    op.create_table(
        "info",
        sa.Column("key", sa.String(64), nullable=False),
        _column("value"),
        sa.PrimaryKeyConstraint("key", name="pk_info"),
    )
