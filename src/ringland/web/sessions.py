"""Who may use the app: sessions made from a key that only this computer's user can read, or from a
pairing code when the app is shared.

A session token is 32 random bytes, handed out once and kept as a hash. The token that a page sends
back with every change (against forged requests) is derived from it, so it needs no storage.
"""

import hashlib
import hmac
import json
import os
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path

__all__ = ["Role", "Session", "Sessions", "csrf_token", "read_or_make_key", "write_private"]

LONGEST_S = 30 * 24 * 3600.0
"""A session ends this long after it was made."""
IDLE_S = 14 * 24 * 3600.0
"""... or this long after it was last used."""
SHARED_LONGEST_S = 7 * 24 * 3600.0
SHARED_IDLE_S = 24 * 3600.0
"""The same for another device, which may be lost or lent."""
_KEPT = 200
_TOUCH_S = 3600.0


class Role(StrEnum):
    """What a session may do: a reader sees all and changes nothing."""

    TECHNICIAN = "technician"
    READER = "reader"


@dataclass(frozen=True)
class Session:
    """One browser. `digest` is the SHA-256 of its token. `shared`: another device, with the `name`
    and `device` given when it was paired and the `address` it came from."""

    digest: str
    role: Role
    made_s: float
    used_s: float
    shared: bool = False
    name: str = ""
    device: str = ""
    address: str = ""

    @property
    def id(self) -> str:
        """What it is called in lists and in the audit log; lets nobody in."""
        return self.digest[:32]

    @property
    def who(self) -> str:
        """Who works at it."""
        return f"{self.name} ({self.device})" if self.shared else "this computer"

    @property
    def longest_s(self) -> float:
        """How long it lasts however much it is used."""
        return SHARED_LONGEST_S if self.shared else LONGEST_S

    def alive(self, now_s: float) -> bool:
        """False when it is too old or was not used for too long."""
        idle_s = SHARED_IDLE_S if self.shared else IDLE_S
        return now_s - self.made_s < self.longest_s and now_s - self.used_s < idle_s


def csrf_token(key: str, token: str) -> str:
    """What a page must send with every change; bound to the session."""
    return hmac.new(key.encode(), b"csrf:" + token.encode(), hashlib.sha256).hexdigest()


def read_or_make_key(folder: Path) -> str:
    """The key of this data folder, made on first use and readable by its owner only."""
    path = folder / "web.key"
    try:
        text = path.read_text("ascii").strip()
        if len(text) >= 43:
            return text
    except (OSError, ValueError):
        pass
    key = secrets.token_urlsafe(32)
    write_private(path, key)
    return key


def write_private(path: Path, text: str) -> None:
    """Write through a file beside it, readable by the owner only where the system knows that."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f"{path.name}.{os.getpid()}.new")
    handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="ascii", newline="\n") as file:
        file.write(text)
    os.replace(beside, path)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


class Sessions:
    """The sessions of one data folder, kept over restarts. Safe to use from several threads."""

    def __init__(self, folder: Path, key: str) -> None:
        self._path = folder / "web-sessions.json"
        self._lock = threading.Lock()
        self.key = key
        self._known = self._read()

    def _read(self) -> dict[str, Session]:
        try:
            rows = json.loads(self._path.read_text("ascii"))
            found = [Session(**{**r, "role": Role(r["role"])}) for r in rows]
        except (OSError, ValueError, KeyError, TypeError):
            return {}
        now = time.time()
        return {s.digest: s for s in found if s.alive(now)}

    def _write(self) -> None:
        newest = sorted(self._known.values(), key=lambda s: -s.used_s)[:_KEPT]
        self._known = {s.digest: s for s in newest}
        write_private(self._path, json.dumps([asdict(s) for s in newest]))

    def key_fits(self, given: str) -> bool:
        """Compare with the key in constant time."""
        return hmac.compare_digest(given.encode(), self.key.encode())

    def open(self, role: Role) -> str:
        """A new session of a browser on this computer; its token."""
        now = time.time()
        return self._opened(lambda digest: Session(digest, role, now, now))

    def open_shared(self, role: Role, *, name: str, device: str, address: str) -> str:
        """A new session of another device; its token."""
        now = time.time()
        return self._opened(
            lambda digest: Session(
                digest, role, now, now, shared=True, name=name, device=device, address=address
            )
        )

    def _opened(self, make: Callable[[str], Session]) -> str:
        """Never takes a token from the browser, so none can be fixed."""
        token = secrets.token_urlsafe(32)
        with self._lock:
            made = make(_digest(token))
            self._known[made.digest] = made
            self._write()
        return token

    def find(self, token: str | None) -> Session | None:
        """The session of a token, or None; remembers now and then that it was used."""
        if not token:
            return None
        now = time.time()
        with self._lock:
            found = self._known.get(_digest(token))
            if found is None or not found.alive(now):
                return None
            if now - found.used_s > _TOUCH_S:
                found = Session(found.digest, found.role, found.made_s, now)
                self._known[found.digest] = found
                self._write()
            return found

    def close(self, token: str) -> Session | None:
        """End the session of a token; None when there was none."""
        return self.revoke(_digest(token)[:32])

    def revoke(self, session_id: str) -> Session | None:
        """End a session by its id; None when there was none."""
        with self._lock:
            digest = next((d for d, s in self._known.items() if s.id == session_id), None)
            found = self._known.pop(digest) if digest is not None else None
            if found is not None:
                self._write()
            return found

    def all(self) -> tuple[Session, ...]:
        """Every session that is alive, the one used last first."""
        now = time.time()
        with self._lock:
            found = [s for s in self._known.values() if s.alive(now)]
        return tuple(sorted(found, key=lambda s: -s.used_s))

    def is_alive(self, session: Session) -> bool:
        """False when it ended since it was found."""
        with self._lock:
            found = self._known.get(session.digest)
        return found is not None and found.alive(time.time())
