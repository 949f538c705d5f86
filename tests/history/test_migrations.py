"""Old stores are brought up to date, newer ones refused; the scripts make the tables we use."""

from pathlib import Path

import pytest
from sqlalchemy import URL, insert, text

from ringland.errors import SettingError
from ringland.history import list_vehicles, open_store, search
from ringland.history.migrate import HEAD, bring_up_to_date, newest
from ringland.history.place import DATABASE_NAME
from ringland.history.schema import METADATA, TABLES
from ringland.history.store import Store, _connectable

both = pytest.mark.parametrize("address", ["sqlite", "postgresql"], indirect=True)
WHEN = "2026-01-01T00:00:00.000000Z"


def test_the_newest_revision_is_the_one_written_down() -> None:
    assert newest() == HEAD


@both
def test_the_scripts_make_the_tables_of_the_schema(store: Store) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    own = {"search_words", "search_words_data", "search_words_idx", "search_words_docsize",
           "search_words_config"}  # fmt: skip
    indexes = {"ix_search_text_words"}
    with store.database.connect() as connection:
        context = MigrationContext.configure(
            connection,
            opts={"include_name": lambda name, kind, _: name not in own | indexes},
        )
        found = compare_metadata(context, METADATA)
    assert [f for f in found if "uq_search_text" not in str(f)] == []


def old_store(folder: Path) -> None:
    """A store with the first tables, and one vehicle."""
    folder.mkdir()
    database = _connectable(URL.create("sqlite", database=str(folder / DATABASE_NAME)))
    bring_up_to_date(database, to="0001")
    row = {"id": "00000000-0000-7000-8000-000000000001", "name": "Old bus", "created_utc": WHEN,
           "changed_utc": WHEN, "version": 1}  # fmt: skip
    with database.begin() as connection:
        connection.execute(insert(TABLES["vehicle"]), [row])
    database.dispose()


def test_an_old_store_is_brought_up_to_date(tmp_path: Path) -> None:
    old_store(tmp_path / "old")
    with open_store(tmp_path / "old") as store:
        assert [v.name for v in list_vehicles(store)] == ["Old bus"]
        assert len(search(store, "old bus")) == 1, "what was there before is found by words"


def test_a_newer_store_is_refused_unchanged(tmp_path: Path) -> None:
    with open_store(tmp_path / "new") as store, store.transaction() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    before = (tmp_path / "new" / DATABASE_NAME).read_bytes()
    with pytest.raises(SettingError, match="newer Ringland"):
        open_store(tmp_path / "new")
    assert (tmp_path / "new" / DATABASE_NAME).read_bytes() == before
