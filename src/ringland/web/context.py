"""What every page and API function needs from the app, in one place and typed."""

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from fastapi import Depends, Request

from ringland.history.store import Store
from ringland.web.events import Hub
from ringland.web.jobs import Jobs
from ringland.web.sessions import Sessions
from ringland.web.settings import AppSettings, Drafts, SettingsFile

__all__ = ["App", "Context", "app_of"]


@dataclass(frozen=True)
class Context:
    """The parts of one running app. `folder` is this computer's own: settings, drafts, figures.
    `send_now` makes the sender look at the outbox."""

    store: Store
    folder: Path
    sessions: Sessions
    settings_file: SettingsFile
    drafts: Drafts
    hub: Hub
    jobs: Jobs
    send_now: threading.Event

    @property
    def settings(self) -> AppSettings:
        """What the user has chosen."""
        return self.settings_file.current

    def changed(self, kind: str, row_id: str, window: str = "") -> None:
        """Tell open pages that a row is not what it was."""
        self.hub.tell("changed", {"kind": kind, "id": row_id, "window": window})


def app_of(request: Request) -> Context:
    """The parts of the app that serves this request."""
    found: Context = request.app.state.context
    return found


App = Annotated[Context, Depends(app_of)]
