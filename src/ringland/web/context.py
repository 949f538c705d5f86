"""What every page and API function needs from the app, in one place and typed."""

import threading
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

from fastapi import Depends, Request

from ringland.history.store import Store
from ringland.web.events import Hub
from ringland.web.jobs import Jobs
from ringland.web.sessions import Session, Sessions
from ringland.web.settings import AppSettings, Drafts, SettingsFile
from ringland.web.sharing import Sharing

__all__ = ["App", "Context", "app_of"]


@dataclass(frozen=True)
class Context:
    """The parts of one running app. `folder` is this computer's own: settings, drafts, figures.
    `send_now` makes the sender look at the outbox. `sharing`: None when only this computer is
    served. `device`: the other device whose request this is, None for this computer."""

    store: Store
    folder: Path
    sessions: Sessions
    settings_file: SettingsFile
    drafts: Drafts
    hub: Hub
    jobs: Jobs
    send_now: threading.Event
    sharing: Sharing | None = None
    device: Session | None = None

    @property
    def settings(self) -> AppSettings:
        """What the user has chosen."""
        return self.settings_file.current

    @property
    def technician(self) -> str:
        """The name to put under new work: of who paired the device, else of this computer."""
        return self.device.name if self.device is not None else self.settings.technician

    def changed(self, kind: str, row_id: str, window: str = "") -> None:
        """Tell open pages that a row is not what it was."""
        self.hub.tell("changed", {"kind": kind, "id": row_id, "window": window})


def app_of(request: Request) -> Context:
    """The parts of the app that serves this request; what another device does is written down in
    the store under the name it was paired with."""
    found: Context = request.app.state.context
    session: Session | None = request.scope.get("state", {}).get("session")
    if session is None or not session.shared:
        return found
    return replace(found, store=replace(found.store, who=session.who), device=session)


App = Annotated[Context, Depends(app_of)]
