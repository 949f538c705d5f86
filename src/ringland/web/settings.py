"""What the user has chosen for the app, and small drafts: JSON files in the data folder.

Each has a version, so that two windows cannot overwrite each other unseen.
"""

import json
import os
import re
import threading
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from ringland.errors import BadInput
from ringland.web.errors import Conflict, NotFound

__all__ = ["AppSettings", "Drafts", "SettingsFile", "write_json"]

_NAME = re.compile(r"[a-z0-9-]{1,80}")
_MOST_BYTES = 200_000


class AppSettings(BaseModel):
    """What can be chosen under settings."""

    model_config = ConfigDict(extra="forbid")

    version: int = 1
    theme: Literal["auto", "light", "dark", "contrast"] = "auto"
    distance_unit: Literal["km", "mile"] = "km"
    pressure_unit: Literal["kPa", "bar", "psi", "mbar", "inHg"] = "kPa"
    language: str = Field(default="en", pattern=r"^[a-z]{2}(_[A-Z]{2})?$")
    paper: Literal["A4", "Letter"] = "A4"
    technician: str = Field(default="", max_length=200)
    firm_name: str = Field(default="", max_length=200)
    firm_telephone: str = Field(default="", max_length=100)
    firm_email: str = Field(default="", max_length=200)
    firm_address: str = Field(default="", max_length=1000)
    hour_cost: float | None = Field(default=None, gt=0, le=1e6)
    currency: str = Field(default="EUR", pattern=r"^[A-Z]{3}$")


def write_json(path: Path, content: object) -> None:
    """Write a small file of this computer whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f"{path.name}.{os.getpid()}.new")
    beside.write_text(json.dumps(content), encoding="utf-8", newline="\n")
    os.replace(beside, path)


class SettingsFile:
    """The settings, read once and written on change."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "web-settings.json"
        self._lock = threading.Lock()
        try:
            self.current = AppSettings.model_validate_json(self._path.read_text("utf-8"))
        except (OSError, ValueError):
            self.current = AppSettings()

    def change(self, version: int, fields: dict[str, Any]) -> AppSettings:
        """New settings. Raises Conflict when they were changed since they were read."""
        with self._lock:
            if version != self.current.version:
                raise Conflict(
                    "The settings were changed in another window.",
                    current=self.current.model_dump(),
                    remedy="Compare both and choose.",
                )
            merged = {**self.current.model_dump(), **fields, "version": version + 1}
            self.current = AppSettings.model_validate(merged)
            write_json(self._path, self.current.model_dump())
            return self.current


class Drafts:
    """Small JSON objects by name: which steps of a checklist are done, what is being prepared."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder / "web-drafts"
        self._lock = threading.Lock()

    def _path(self, name: str) -> Path:
        if not _NAME.fullmatch(name):
            raise NotFound(
                "There is no draft of that name.", got=name[:80], allowed="small letters and digits"
            )
        return self._folder / f"{name}.json"

    def read(self, name: str) -> dict[str, Any]:
        """The draft with its `version`; version 0 when there is none yet."""
        try:
            content = json.loads(self._path(name).read_text("utf-8"))
        except (OSError, ValueError):
            content = None
        return content if isinstance(content, dict) else {"version": 0}

    def write(self, name: str, version: int, fields: dict[str, Any]) -> dict[str, Any]:
        """Merge fields into a draft. Raises Conflict when it was changed since it was read."""
        with self._lock:
            current = self.read(name)
            if version != current["version"]:
                raise Conflict(
                    "This was changed in another window.",
                    current=current,
                    remedy="Compare both and choose.",
                )
            merged = {**current, **fields, "version": version + 1}
            if len(json.dumps(merged)) > _MOST_BYTES:
                raise BadInput(
                    "The draft is too long.", allowed=f"up to {_MOST_BYTES} bytes of JSON"
                )
            write_json(self._path(name), merged)
            return merged
