"""What every request passes before any page sees it.

Host and Origin (against DNS rebinding and cross-site requests), session and role, the token of the
page, the size of the body, the rate; and on every answer the headers that keep a browser strict.
"""

import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any, TypeAlias

from ringland.errors import RinglandError
from ringland.web.errors import Refused, TooLarge, TooMany
from ringland.web.sessions import Role, Session, Sessions, csrf_token

__all__ = ["CONTENT_POLICY", "Guard", "GuardSettings"]

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
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_OPEN_PATHS = ("/static/", "/enter", "/sw.js", "/manifest.webmanifest")
"""Reached without a session: nothing of the user's is in them."""
_SMALL_BYTES = 1_000_000
_UPLOADS = "/upload"


@dataclass(frozen=True)
class GuardSettings:
    """`hosts`: what the Host header may say. `largest_upload_bytes`: for addresses that take files.
    `changes_per_minute`, `tries_per_minute`: allowed per client, for changes and for attempts to
    get a session."""

    hosts: frozenset[str]
    scheme: str = "http"
    cookie: str = "ringland"
    largest_upload_bytes: int = 2_000_000_000
    changes_per_minute: int = 600
    tries_per_minute: int = 10


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
        self._from_here(scope, headers)
        path, method = scope["path"], scope["method"]
        client = (scope.get("client") or ("?",))[0]
        if path.startswith("/enter"):
            if method == "POST" or scope.get("query_string"):
                self._tries.take(client)
            return self._limited(receive, headers, _SMALL_BYTES)
        token = self._token(headers)
        session = self._sessions.find(token)
        scope.setdefault("state", {})
        scope["state"]["session"] = session
        scope["state"]["csrf"] = csrf_token(self._sessions.key, token) if token and session else ""
        if path.startswith(_OPEN_PATHS):
            return self._limited(receive, headers, _SMALL_BYTES)
        if session is None:
            raise Refused(
                "This browser has not been let in.",
                remedy="Start from the address that `ringland serve` opens or prints.",
            )
        if method not in _SAFE:
            self._may_change(scope, headers, session)
            self._changes.take(session.digest)
        uploads = path.endswith(_UPLOADS)
        most = self._settings.largest_upload_bytes if uploads else _SMALL_BYTES
        return self._limited(receive, headers, most)

    def _from_here(self, scope: Scope, headers: dict[str, str]) -> None:
        """Host names of this computer only; nothing sent by another site."""
        host = headers.get("host", "").lower()
        if host not in self._settings.hosts:
            raise Refused(
                "This address does not belong to Ringland.",
                got=host[:200] or "no Host",
                allowed=", ".join(sorted(self._settings.hosts)),
            )
        origin = headers.get("origin")
        own = f"{self._settings.scheme}://{host}"
        unsafe = scope["method"] not in _SAFE
        if origin is not None and origin.lower() != own and (unsafe or origin != "null"):
            raise Refused("Another site sent this request.", got=origin[:200], allowed=own)
        site = headers.get("sec-fetch-site", "none")
        navigation = not unsafe and headers.get("sec-fetch-mode") == "navigate"
        if site not in ("none", "same-origin") and not navigation:
            raise Refused("Another site sent this request.", got=f"Sec-Fetch-Site {site}"[:200])

    def _may_change(self, scope: Scope, headers: dict[str, str], session: Session) -> None:
        wanted: str = scope["state"]["csrf"]
        if headers.get("x-ringland-token", "") != wanted:
            raise Refused(
                "The page that sent this is out of date.",
                remedy="Load the page again; what you typed is kept.",
            )
        if session.role is Role.READER:
            raise Refused(
                "This device may read and change nothing.", got="reader", allowed="technician"
            )

    def _token(self, headers: dict[str, str]) -> str | None:
        try:
            jar = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return None
        morsel = jar.get(self._settings.cookie)
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
                own = [(n, v) for n, v in own if n.lower() != b"server"]
                message = {**message, "headers": own}
            await send(message)

        return strict
