"""What keeps others out. Requirements by their numbers in OWASP ASVS 4.0.3, level 1."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from ringland.history import Store
from ringland.web import create_app
from ringland.web.app import local_hosts
from ringland.web.guard import GuardSettings
from ringland.web.sessions import Role, Sessions, csrf_token, read_or_make_key

from .conftest import BASE, PAGE

PAGES = ("/", "/vehicles", "/vehicles/new", "/fleet", "/track-record", "/settings", "/words")
SHAPE = {"error", "wrong", "got", "allowed", "remedy"}


@pytest.mark.parametrize(
    "host",
    [
        "attacker.example",
        "attacker.example:8765",
        "127.0.0.1",
        "127.0.0.1:9999",
        "",
        "10.0.0.7:8765",
    ],
)
def test_another_host_name_gets_nothing(client: TestClient, host: str) -> None:
    """DNS rebinding: the browser says the attacker's name in Host (ASVS 13.2.3, 14.5.3)."""
    answer = client.get("/api/v1/vehicles", headers={"Host": host})
    assert answer.status_code == 403
    assert set(answer.json()) == SHAPE


def test_localhost_is_this_computer_too(client: TestClient) -> None:
    assert client.get("/words", headers={"Host": "localhost:8765"}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://attacker.example"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1:8765"},
        {"Origin": "http://127.0.0.1:8766"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_another_site_changes_nothing(client: TestClient, headers: dict[str, str]) -> None:
    """Cross-site requests (ASVS 4.2.2, 13.2.3)."""
    answer = client.post("/api/v1/owners", json={"name": "x"}, headers=headers)
    assert answer.status_code == 403
    assert client.get("/api/v1/owners").json() == []


def test_another_site_reads_nothing_but_may_link_here(client: TestClient) -> None:
    other = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}
    assert client.get("/api/v1/owners", headers=other).status_code == 403
    link = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", **PAGE}
    assert client.get("/words", headers=link).status_code == 200


@pytest.mark.parametrize("token", [None, "", "0" * 64])
def test_a_change_needs_the_token_of_the_page(client: TestClient, token: str | None) -> None:
    """CSRF (ASVS 4.2.2)."""
    client.headers.pop("X-Ringland-Token")
    headers = {} if token is None else {"X-Ringland-Token": token}
    answer = client.post("/api/v1/owners", json={"name": "x"}, headers=headers)
    assert answer.status_code == 403
    assert "out of date" in answer.json()["wrong"]


@pytest.mark.parametrize("path", [*PAGES, "/api/v1/vehicles", "/api/v1/openapi.json", "/nowhere"])
def test_a_stranger_gets_nothing(stranger: TestClient, path: str) -> None:
    """Access control on every address, also those that are not there (ASVS 4.1.1, 4.1.5)."""
    assert stranger.get(path).status_code == 403
    page = stranger.get(path, headers=PAGE)
    assert page.status_code == 403
    assert "has not been let in" in page.text


def test_a_wrong_key_lets_nobody_in(stranger: TestClient, app: FastAPI) -> None:
    for key in ("", "x", app.state.context.sessions.key[:-1], "é" * 40):
        answer = stranger.get("/enter", params={"key": key})
        assert answer.status_code == 403
        assert "set-cookie" not in answer.headers


def test_guessing_is_slowed(store: Store, tmp_path: Path) -> None:
    """Anti-automation (ASVS 2.2.1, 11.1.4)."""
    guard = GuardSettings(hosts=local_hosts(8765), tries_per_minute=5)
    app = create_app(store, folder=tmp_path, guard=guard, warm=False)
    with TestClient(app, base_url=BASE, follow_redirects=False) as client:
        codes = [client.get("/enter", params={"key": "no"}).status_code for _ in range(7)]
        right = client.get("/enter", params={"key": app.state.context.sessions.key})
    assert codes == [403] * 5 + [429] * 2
    assert right.status_code == 429


def test_changes_are_limited(store: Store, tmp_path: Path) -> None:
    guard = GuardSettings(hosts=local_hosts(8765), changes_per_minute=3)
    app = create_app(store, folder=tmp_path, guard=guard, warm=False)
    with TestClient(app, base_url=BASE, follow_redirects=False) as client:
        client.get("/enter", params={"key": app.state.context.sessions.key})
        token = client.get("/words", headers=PAGE).text.split('ringland-token" content="')[1][:64]
        headers = {"X-Ringland-Token": token}
        codes = [
            client.post("/api/v1/owners", json={"name": f"o{i}"}, headers=headers).status_code
            for i in range(5)
        ]
    assert codes == [201, 201, 201, 429, 429]


def test_the_cookie_is_strict_and_not_for_scripts(stranger: TestClient, app: FastAPI) -> None:
    """Cookie attributes (ASVS 3.4.2, 3.4.3, 3.4.5)."""
    cookie = stranger.get("/enter", params={"key": app.state.context.sessions.key}).headers[
        "set-cookie"
    ]
    assert "httponly" in cookie.lower()
    assert "samesite=strict" in cookie.lower()
    assert "path=/" in cookie.lower()


def test_a_session_cannot_be_fixed(stranger: TestClient, app: FastAPI) -> None:
    """A token brought along is not taken over; every entry makes a new one (ASVS 3.2.1, 3.2.2)."""
    stranger.cookies.set("ringland", "a-token-chosen-by-somebody-else")
    key = {"key": app.state.context.sessions.key}
    first = stranger.get("/enter", params=key).cookies["ringland"]
    second = stranger.get("/enter", params=key).cookies["ringland"]
    assert len({first, second, "a-token-chosen-by-somebody-else"}) == 3
    assert len(first) >= 43  # 256 bits


def test_sessions_are_kept_hashed_and_end(tmp_path: Path) -> None:
    """ASVS 3.3.1, 3.3.2; nothing in the file lets anyone in."""
    sessions = Sessions(tmp_path, read_or_make_key(tmp_path))
    token = sessions.open(Role.TECHNICIAN)
    assert token not in (tmp_path / "web-sessions.json").read_text()
    again = Sessions(tmp_path, read_or_make_key(tmp_path))
    found = again.find(token)
    assert found is not None
    assert found.role is Role.TECHNICIAN
    assert not found.alive(found.made_s + 31 * 86400)
    assert not found.alive(found.used_s + 15 * 86400)
    again.close(token)
    assert again.find(token) is None
    assert again.find(None) is None


def test_the_key_stays_and_is_private(tmp_path: Path) -> None:
    key = read_or_make_key(tmp_path)
    assert read_or_make_key(tmp_path) == key
    assert len(key) >= 43
    if (tmp_path / "web.key").stat().st_mode & 0o700:  # systems with permissions
        assert (tmp_path / "web.key").stat().st_mode & 0o077 == 0


def test_a_reader_changes_nothing(client: TestClient, app: FastAPI) -> None:
    """Roles (ASVS 4.1.3)."""
    sessions = app.state.context.sessions
    token = sessions.open(Role.READER)
    client.cookies.clear()
    client.cookies.set("ringland", token)
    headers = {"X-Ringland-Token": csrf_token(sessions.key, token)}
    assert client.get("/api/v1/owners", headers=headers).status_code == 200
    answer = client.post("/api/v1/owners", json={"name": "x"}, headers=headers)
    assert answer.status_code == 403
    assert answer.json()["allowed"] == "technician"


@pytest.mark.parametrize("path", [*PAGES, "/api/v1/vehicles", "/nowhere", "/sw.js", "/enter"])
def test_every_answer_has_strict_headers(client: TestClient, path: str) -> None:
    """HTTP security headers (ASVS 14.4.1 to 14.4.7, 8.2.1)."""
    headers = client.get(path, headers=PAGE).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy  # nothing from elsewhere
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] in ("no-store", "no-cache")
    assert "server" not in headers
    assert "charset" in headers["content-type"] or "json" in headers["content-type"]


@pytest.mark.parametrize("path", PAGES)
def test_pages_hold_no_inline_script_or_style_and_ask_nobody(client: TestClient, path: str) -> None:
    text = client.get(path, headers=PAGE).text
    assert re.findall(r"<script(?![^>]*\ssrc=)", text) == []
    assert re.findall(r"<style|\sstyle=|\son[a-z]+=", text) == []
    places = re.findall(r"""(?:src|href|action|data-path|data-hx-get)=["']([^"']*)""", text)
    assert [p for p in places if not p.startswith(("/", "#"))] == []


@pytest.mark.parametrize(
    "path",
    [
        "/static/../guard.py",
        "/static/%2e%2e/guard.py",
        "/static/..%2fguard.py",
        "/static/%2e%2e%5cguard.py",
        "/static//etc/passwd",
        "/static/css/../../templates/base.html.j2",
    ],
)
def test_nothing_outside_the_static_folder(client: TestClient, path: str) -> None:
    """Path traversal (ASVS 12.3.1)."""
    answer = client.get(path)
    assert answer.status_code == 404
    assert "import" not in answer.text


def test_static_files_are_kept_only_under_their_content(client: TestClient) -> None:
    text = client.get("/words", headers=PAGE).text
    named = re.findall(r'href="(/static/css/app\.css\?[0-9a-f]{12})"', text)[0]
    assert "immutable" in client.get(named).headers["cache-control"]
    assert client.get("/static/css/app.css").headers["cache-control"] == "no-cache"


def test_a_body_that_is_too_long_is_refused(client: TestClient) -> None:
    """ASVS 12.1.1, 13.1.3: by what is said, and by what comes."""
    long = client.post("/api/v1/owners", content=b"x" * 1_000_001)
    assert long.status_code == 413

    def pieces() -> Iterator[bytes]:
        for _ in range(20):
            yield b"x" * 100_000

    streamed = client.post(
        "/api/v1/owners", content=pieces(), headers={"Content-Type": "application/json"}
    )
    assert streamed.status_code in (400, 413)


def test_an_upload_is_limited(store: Store, tmp_path: Path) -> None:
    guard = GuardSettings(hosts=local_hosts(8765), largest_upload_bytes=1000)
    app = create_app(store, folder=tmp_path / "own", guard=guard, warm=False)
    with TestClient(app, base_url=BASE, follow_redirects=False) as client:
        client.get("/enter", params={"key": app.state.context.sessions.key})
        token = client.get("/words", headers=PAGE).text.split('ringland-token" content="')[1][:64]
        client.headers["X-Ringland-Token"] = token
        made = client.post(
            "/api/v1/intake",
            json={"name": "x", "engine": {"layout": "I4-1342"}, "purpose": "before"},
        )
        path = f"/api/v1/visits/{made.json()['visit_id']}/recordings/upload"
        assert client.post(path, params={"name": "a.csv"}, content=b"1" * 1001).status_code == 413

        def pieces() -> Iterator[bytes]:
            for _ in range(30):
                yield b"x" * 100

        assert client.post(path, params={"name": "a.csv"}, content=pieces()).status_code == 413
    assert list((tmp_path / "own" / "web-arriving").iterdir()) == []


def test_websockets_are_closed(client: TestClient) -> None:
    from starlette.websockets import WebSocketDisconnect

    with pytest.raises(WebSocketDisconnect), client.websocket_connect("/"):
        pass


def test_a_method_that_is_not_offered(client: TestClient) -> None:
    answer = client.put("/api/v1/owners", json={})
    assert answer.status_code == 405
    assert set(answer.json()) == SHAPE
