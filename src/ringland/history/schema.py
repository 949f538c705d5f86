"""The tables. A change here needs a migration in `migrations/versions`; a test compares the two."""

from typing import Any

from sqlalchemy import (
    BigInteger,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
)

__all__ = ["METADATA", "TABLES", "audit", "info", "search_text"]

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)
_ID = String(36)
_UTC = String(27)


def _text(name: str) -> Column[str]:
    return Column(name, Text, nullable=False, default="", server_default="")


def _number(name: str) -> Column[float]:
    return Column(name, Float(53))


def _date(name: str) -> Column[str]:
    return Column(name, String(10))


def _parent(name: str, table: str, *, needed: bool = True) -> Column[str]:
    return Column(name, _ID, ForeignKey(f"{table}.id"), nullable=not needed, index=True)


def _table(name: str, *columns: Column[Any], index: tuple[str, ...] = ()) -> Table:
    return Table(
        name,
        METADATA,
        Column("id", _ID, primary_key=True),
        Column("created_utc", _UTC, nullable=False),
        Column("changed_utc", _UTC, nullable=False),
        Column("version", Integer, nullable=False),
        Column("deleted_utc", _UTC),
        *columns,
        *(Index(f"ix_{name}_{column}", column) for column in index),
    )


TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        _table(
            "owner",
            _text("name"),
            _text("contact"),
            _text("email"),
            _text("phone"),
            _text("address"),
            _text("costs"),
            _text("remark"),
        ),
        _table(
            "vehicle",
            _parent("owner_id", "owner", needed=False),
            _text("name"),
            _text("fleet_number"),
            _text("plate"),
            _text("vin"),
            _text("kind"),
            _date("service_due_on"),
            _number("service_due_km"),
            _text("remark"),
            index=("vin", "name"),
        ),
        _table(
            "engine",
            _parent("vehicle_id", "vehicle"),
            _text("name"),
            _text("serial"),
            _text("engine_type"),
            _text("description"),
            _date("fitted_on"),
            _number("fitted_km"),
            _date("removed_on"),
            _text("remark"),
            index=("engine_type",),
        ),
        _table(
            "visit",
            _parent("vehicle_id", "vehicle"),
            _parent("engine_id", "engine", needed=False),
            Column("visited_on", String(10), nullable=False),
            _text("purpose"),
            _text("place"),
            _text("technician"),
            _number("odometer_km"),
            _number("running_hours"),
            _text("fuel"),
            _text("oil"),
            _number("coolant_k"),
            _number("air_k"),
            _number("altitude_m"),
            _text("weather"),
            _text("complaint"),
            _text("remark"),
            index=("visited_on",),
        ),
        _table(
            "recording",
            _parent("visit_id", "visit"),
            Column("sha256", String(64), nullable=False),
            _text("file_name"),
            Column("size_bytes", BigInteger, nullable=False),
            _text("condition"),
            _number("speed_hint_rpm"),
            _number("rate_hz"),
            _text("roles"),
            _number("duration_s"),
            _text("remark"),
            index=("sha256",),
        ),
        _table(
            "analysis",
            _parent("recording_id", "recording"),
            Column("sha256", String(64), nullable=False),
            Column("size_bytes", BigInteger, nullable=False),
            _text("software"),
            _text("schema"),
            _text("asked"),
            _text("state"),
            Column("not_judged", Text),
            _number("speed_rpm"),
            Column("cycles_kept", Integer),
            _number("healthy"),
            _number("none_of_these"),
            _text("causes"),
            _text("shares"),
        ),
        _table("reading_set", _parent("analysis_id", "analysis"), _text("readings")),
        _table(
            "test_result",
            _parent("visit_id", "visit"),
            _parent("analysis_id", "analysis", needed=False),
            _text("test"),
            _text("outcome"),
            Column("cylinder", Integer),
            Column("firing_position", Integer),
            _text("readings"),
            _date("done_on"),
            _number("minutes"),
            _text("remark"),
        ),
        _table(
            "work",
            _parent("visit_id", "visit"),
            _date("done_on"),
            _text("code"),
            _text("text"),
            _text("parts"),
            _text("failure_mode"),
            Column("cylinder", Integer),
            _number("odometer_km"),
            _number("minutes"),
            _number("cost"),
            _text("currency"),
        ),
        _table(
            "outcome",
            _parent("visit_id", "visit"),
            _parent("analysis_id", "analysis", needed=False),
            _text("failure_mode"),
            Column("cylinder", Integer),
            Column("firing_position", Integer),
            _number("severity"),
            _text("severity_unit"),
            _date("found_on"),
            _text("how"),
            _text("text"),
        ),
        _table(
            "report_sent",
            _parent("visit_id", "visit"),
            _text("kind"),
            _text("recipient"),
            _text("subject"),
            Column("sha256", String(64)),
            _text("state"),
            _text("reason"),
            Column("sent_utc", _UTC),
            index=("state",),
        ),
        _table(
            "note",
            _parent("vehicle_id", "vehicle"),
            _parent("visit_id", "visit", needed=False),
            _text("text"),
            _text("written_by"),
        ),
        _table(
            "photo",
            _parent("vehicle_id", "vehicle"),
            _parent("visit_id", "visit", needed=False),
            Column("sha256", String(64), nullable=False),
            _text("file_name"),
            Column("size_bytes", BigInteger, nullable=False),
            _text("media_type"),
            _text("caption"),
        ),
        _table(
            "calibration",
            _text("what"),
            _text("instrument"),
            _text("address"),
            _text("input"),
            _text("role"),
            Column("measured_utc", _UTC, nullable=False),
            Column("rate_hz", Float(53), nullable=False),
            Column("value", Float(53), nullable=False),
            _number("standard_error"),
            _text("unit"),
            _text("reference"),
            _text("readings"),
            _text("remark"),
            _text("which"),
            index=("instrument",),
        ),
    )
}
"""The tables with rows a person makes, parents before children."""

Index("ix_visit_vehicle_day", TABLES["visit"].c.vehicle_id, TABLES["visit"].c.visited_on)

audit = Table(
    "audit",
    METADATA,
    Column("id", _ID, primary_key=True),
    Column("utc", _UTC, nullable=False),
    _text("who"),
    _text("action"),
    _text("kind"),
    Column("row_id", _ID, nullable=False, index=True),
    _text("fields"),
)

info = Table(
    "info",
    METADATA,
    Column("key", String(64), primary_key=True),
    _text("value"),
)

search_text = Table(
    "search_text",
    METADATA,
    Column("number", Integer, primary_key=True, autoincrement=True),
    Column("row_id", _ID, nullable=False, unique=True),
    _text("kind"),
    Column("vehicle_id", _ID, index=True),
    _text("text"),
)
