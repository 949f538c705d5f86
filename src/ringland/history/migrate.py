"""Bringing the tables of a store up to date, all of it or nothing."""

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine, text

from ringland.errors import SettingError

if TYPE_CHECKING:
    from alembic.config import Config

__all__ = ["bring_up_to_date", "newest", "revision"]

_FOLDER = Path(__file__).parent / "migrations"
_LOCK = 0x52494E47
"""Number of the lock two starting programs share on a server ("RING")."""


def _config(connection: Connection | None = None) -> "Config":
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(_FOLDER).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def newest() -> str:
    """The revision this program writes."""
    from alembic.script import ScriptDirectory

    head = ScriptDirectory.from_config(_config()).get_current_head()
    assert head is not None
    return head


def revision(connection: Connection) -> str | None:
    """The revision the tables are at; None for an empty database."""
    from alembic.migration import MigrationContext

    return MigrationContext.configure(connection).get_current_revision()


HEAD = "0005"
"""Newest revision; a test compares it with the scripts. Spares loading Alembic at each opening."""


def bring_up_to_date(database: Engine, *, to: str = "head") -> None:
    """Make or change the tables, in one transaction: a broken-off change never happened.

    Raises SettingError when the store was made by a newer Ringland.
    """
    if to == "head" and _quick_revision(database) == HEAD:
        return
    with database.connect() as plain:
        connection = plain.execution_options(ringland_writing=True)
        with connection.begin():
            if connection.dialect.name == "postgresql":
                connection.execute(text("SELECT pg_advisory_xact_lock(:n)"), {"n": _LOCK})
            _upgrade(connection, to)


def _quick_revision(database: Engine) -> str | None:
    from sqlalchemy import inspect

    with database.connect() as connection:
        if not inspect(connection).has_table("alembic_version"):
            return None
        found: str | None = connection.scalar(text("SELECT version_num FROM alembic_version"))
    return found


def _upgrade(connection: Connection, to: str) -> None:
    from alembic import command
    from alembic.script import ScriptDirectory

    config = _config(connection)
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    present = revision(connection)
    if present is not None and present not in known:
        raise SettingError(
            "The store was made by a newer Ringland than this one.",
            got=f"tables of revision {present}",
            allowed=", ".join(sorted(known)),
            remedy="Install the newer Ringland. Nothing was changed.",
        )
    command.upgrade(config, to)
    if present == "0001" and to in ("head", HEAD):
        from ringland.history.finding import index_everything

        index_everything(connection)
