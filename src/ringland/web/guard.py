"""What every request passes before any page sees it.

Host and Origin (against DNS rebinding and cross-site requests), session and role, the token of the
page, the size of the body, the rate; and on every answer the headers that keep a browser strict.
There are two doors: plain on loopback, and TLS for other devices when the app is shared.
"""

import hmac
import ipaddress
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any, TypeAlias

from ringland.errors import RinglandError
from ringland.web.errors import NotPaired, Refused, TooLarge, TooMany
from ringland.web.sessions import Role, Session, Sessions, csrf_token

__all__ = ["CONTENT_POLICY", "HOST_ONLY", "Door", "Guard", "GuardSettings"]

Scope: TypeAlias = MutableMapping[str, Any]
Message: TypeAlias = MutableMapping[str, Any]
Receive: TypeAlias = Callable[[], Awaitable[Message]]
Send: TypeAlias = Callable[[Message], Awaitable[None]]
App: TypeAlias = Callable[[Scope, Receive, Send], Awaitable[None]]

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = (
    (b"content-security-policy", CONTENT_POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), payment=(), usb=()"),
)
_AS_FILE = (b"content-disposition", b'attachment; filename="api.json"')
"""An answer of the API that is opened by itself is saved, never shown (ASVS 4.0.3, 14.4.2)."""
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_ENTRIES = ("/enter", "/pair")
LEAVE = "/leave"
"""Ends the device's own session; the only change that every role may make."""
HOST_ONLY = ("/api/v1/sharing", "/api/v1/store")
"""Codes and devices, backup and restore: for this computer alone."""
_SMALL_BYTES = 1_000_000
_UPLOADS = "/upload"


@dataclass(frozen=True)
class Door:
    """A way in. `hosts`: what the Host header may say. `entry`: where a session is to be had.
    `open_paths`: reached without one, nothing of the user's is in them; what ends with a slash is
    all below it. `shared`: other devices come through it, and over TLS only."""

    hosts: frozenset[str]
    cookie: str
    entry: str
    open_paths: tuple[str, ...]
    shared: bool

    @property
    def scheme(self) -> str:
        """Of its addresses."""
        return "https" if self.shared else "http"

    def is_open(self, path: str) -> bool:
        """True for what needs no session."""
        return any(path == p or (p.endswith("/") and path.startswith(p)) for p in self.open_paths)


@dataclass(frozen=True)
class GuardSettings:
    """`hosts`: what the Host header may say on loopback. `shared_hosts`: the same for other
    devices; without any there is no door for them. `largest_upload_bytes`: for addresses that take
    files. `changes_per_minute`, `tries_per_minute`: allowed per client, for changes and for
    attempts to get a session."""

    hosts: frozenset[str]
    cookie: str = "ringland"
    shared_hosts: frozenset[str] = frozenset()
    shared_cookie: str = "__Host-ringland"
    largest_upload_bytes: int = 2_000_000_000
    changes_per_minute: int = 600
    tries_per_minute: int = 10

    def door(self, scheme: str) -> Door:
        """The door a connection came through: TLS or not, which no client can make up."""
        if scheme == "https":
            style = ("/static/css/theme.css", "/static/css/app.css")
            return Door(self.shared_hosts, self.shared_cookie, "/pair", style, True)
        shell = ("/static/", "/sw.js", "/manifest.webmanifest")
        return Door(self.hosts, self.cookie, "/enter", shell, False)


class _Rate:
    """A bucket of tokens per client, refilled steadily."""

    def __init__(self, per_minute: int) -> None:
        self._per_minute = per_minute
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, client: str) -> None:
        """One token; TooMany when there is none left."""
        now = time.monotonic()
        left, then = self._left.pop(client, (float(self._per_minute), now))
        left = min(self._per_minute, left + (now - then) * self._per_minute / 60.0)
        self._left[client] = (max(left - 1.0, 0.0), now)
        while len(self._left) > 1000:
            self._left.popitem(last=False)
        if left < 1.0:
            raise TooMany(
                "Too many requests in a short time.",
                allowed=f"{self._per_minute} a minute",
                remedy="Wait a minute, then try again.",
            )


class Guard:
    """ASGI middleware around the app."""

    def __init__(
        self,
        app: App,
        *,
        settings: GuardSettings,
        sessions: Sessions,
        answer: Callable[[Scope, RinglandError], App],
    ) -> None:
        self._app = app
        self._settings = settings
        self._sessions = sessions
        self._answer = answer
        self._changes = _Rate(settings.changes_per_minute)
        self._tries = _Rate(settings.tries_per_minute)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the request through, or answer it with an error."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        sender = self._strict(scope, send)
        try:
            limited = self._checked(scope, receive)
        except RinglandError as error:
            await self._answer(scope, error)(scope, receive, sender)
            return
        await self._app(scope, limited, sender)

    def _checked(self, scope: Scope, receive: Receive) -> Receive:
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        door = self._settings.door(scope["scheme"])
        state = scope.setdefault("state", {})
        state.update(door=door, session=None, csrf="")
        client = (scope.get("client") or ("?",))[0]
        _from_near(client, door)
        _from_here(scope, headers, door)
        path, method = scope["path"], scope["method"]
        if path == door.entry:
            if method not in _SAFE or scope.get("query_string"):
                self._tries.take(client)
            return self._limited(receive, headers, _SMALL_BYTES)
        if path in _ENTRIES:
            raise Refused("This is not the way in here.", got=path)
        token = self._token(headers, door)
        session = self._sessions.find(token)
        if token and session is not None and session.shared == door.shared:
            state.update(session=session, csrf=csrf_token(self._sessions.key, token))
        if door.is_open(path):
            return self._limited(receive, headers, _SMALL_BYTES)
        session = state["session"]
        if session is None:
            raise _not_let_in(door)
        if door.shared and path.startswith(HOST_ONLY):
            raise Refused(
                "This can be done on the computer that shares only.",
                remedy="Go to its settings page.",
            )
        if method not in _SAFE:
            _may_change(scope, headers, session)
            self._changes.take(session.digest)
        uploads = path.endswith(_UPLOADS)
        most = self._settings.largest_upload_bytes if uploads else _SMALL_BYTES
        return self._limited(receive, headers, most)

    def _token(self, headers: dict[str, str], door: Door) -> str | None:
        try:
            jar = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return None
        morsel = jar.get(door.cookie)
        return None if morsel is None else morsel.value

    def _limited(self, receive: Receive, headers: dict[str, str], most: int) -> Receive:
        """The body, cut off with an error when it is longer than allowed."""
        said = headers.get("content-length", "0")
        error = TooLarge(
            "That is more than can be taken in one go.",
            got=f"{said[:20]} bytes",
            allowed=f"up to {most} bytes",
        )
        if not said.isdecimal() or int(said[:20]) > most:
            raise error
        seen = 0

        async def limited() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > most:
                raise error
            return message

        return limited

    def _strict(self, scope: Scope, send: Send) -> Send:
        async def strict(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = list(message.get("headers", []))
                named = {name.lower() for name, _ in own}
                own += [(name, value) for name, value in _HEADERS if name not in named]
                if b"cache-control" not in named:
                    own.append((b"cache-control", b"no-store"))
                if scope["path"].startswith("/api/") and b"content-disposition" not in named:
                    own.append(_AS_FILE)
                own = [(n, v) for n, v in own if n.lower() != b"server"]
                message = {**message, "headers": own}
            await send(message)

        return strict


def _not_let_in(door: Door) -> Refused:
    if door.shared:
        return NotPaired(
            "This device is not paired.",
            remedy="Type the code that the computer shows which shares Ringland.",
        )
    return Refused(
        "This browser has not been let in.",
        remedy="Start from the address that `ringland serve` opens or prints.",
    )


def _from_near(client: str, door: Door) -> None:
    """Other devices are those of the workshop: nobody comes in from the internet, not even through
    a router that passes it on."""
    try:
        far = door.shared and ipaddress.ip_address(client).is_global
    except ValueError:
        far = False
    if far:
        raise Refused("Ringland is shared in the workshop only.")


def _from_here(scope: Scope, headers: dict[str, str], door: Door) -> None:
    """The names that are served here only; nothing sent by another site."""
    host = headers.get("host", "").lower()
    if host not in door.hosts:
        raise Refused(
            "This address does not belong to Ringland.",
            got=host[:200] or "no Host",
            allowed=None if door.shared else ", ".join(sorted(door.hosts)),
        )
    origin = headers.get("origin")
    own = f"{door.scheme}://{host}"
    unsafe = scope["method"] not in _SAFE
    if origin is not None and origin.lower() != own and (unsafe or origin != "null"):
        raise Refused("Another site sent this request.", got=origin[:200], allowed=own)
    site = headers.get("sec-fetch-site", "none")
    navigation = not unsafe and headers.get("sec-fetch-mode") == "navigate"
    if site not in ("none", "same-origin") and not navigation:
        raise Refused("Another site sent this request.", got=f"Sec-Fetch-Site {site}"[:200])


def _may_change(scope: Scope, headers: dict[str, str], session: Session) -> None:
    """The token of the page, and the role: the one place where both are asked for."""
    wanted: str = scope["state"]["csrf"]
    given = headers.get("x-ringland-token", "")
    if not hmac.compare_digest(given.encode("latin-1"), wanted.encode("ascii")):
        raise Refused(
            "The page that sent this is out of date.",
            remedy="Load the page again; what you typed is kept.",
        )
    if session.role is not Role.TECHNICIAN and scope["path"] != LEAVE:
        raise Refused(
            "This device may read and change nothing.", got="reader", allowed="technician"
        )
