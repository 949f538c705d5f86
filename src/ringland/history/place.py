"""Where a store is and whether there is one, without loading a database library."""

import os
from pathlib import Path

__all__ = ["DATABASE_NAME", "default_folder", "is_store"]

DATABASE_NAME = "ringland.sqlite"


def default_folder() -> Path:
    """The folder for this user's data on this system; nothing is made."""
    from platformdirs import user_data_path

    return user_data_path("ringland", appauthor=False)


def is_store(place: str | None) -> bool:
    """True for a folder that is a store already, and for any address of a database.

    `place` as for `open_store`: without it the environment's RINGLAND_DATA, else this user's data
    folder. Makes no store.
    """
    named = place if place is not None else os.environ.get("RINGLAND_DATA", "")
    folder = Path(named) if named else default_folder()
    return "://" in named or (folder / DATABASE_NAME).is_file()
