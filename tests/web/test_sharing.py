"""Other devices in the workshop: what they get before and after pairing, and what a reader may.

Requests go through the door for other devices (TLS) of an app that is shared. Requirements by their
numbers in OWASP ASVS 4.0.3."""

import asyncio
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from fastapi.testclient import TestClient

from ringland.history import Store, changes_of
from ringland.web import create_app
from ringland.web.certificate import certificate_for
from ringland.web.events import Hub
from ringland.web.guard import HOST_ONLY, LEAVE
from ringland.web.pairing import Pairing
from ringland.web.sessions import Role
from ringland.web.sharing import Sharing
from ringland.web.templating import STATIC

from .conftest import BASE, PAGE

PLACE = "https://192.168.7.20:8765"
COOKIE = "__Host-ringland-8765"
SHAPE = {"error", "wrong", "got", "allowed", "remedy"}
UNSAFE = ("POST", "PUT", "PATCH", "DELETE")


@dataclass(frozen=True)
class Bench:
    """A shared app, what it said, and clients of it."""

    app: FastAPI
    pairing: Pairing
    said: list[str]
    host: TestClient
    device: Callable[..., TestClient]

    def pair(self, role: Role, *, name: str = "Kim Marsh", device: str = "tablet") -> TestClient:
        """A device that was let in, with the token of its pages."""
        client = self.device()
        code = self.pairing.new(role).shown
        form = {"code": code, "name": name, "device": device}
        answer = client.post("/pair", data=form, headers=PAGE)
        assert answer.status_code == 303, answer.text
        with_token(client)
        return client


def with_token(client: TestClient) -> None:
    text = client.get("/words", headers=PAGE).text
    found = text.split('name="ringland-token" content="')[1].split('"')[0]
    client.headers["X-Ringland-Token"] = found


@pytest.fixture
def bench(store: Store, tmp_path: Path) -> Iterator[Bench]:
    """An app shared at 192.168.7.20, with this computer's own browser let in."""
    said: list[str] = []
    pairing = Pairing()
    hosts = frozenset({"192.168.7.20:8765", "bench:8765", "bench.local:8765"})
    certificate = certificate_for(tmp_path, ["192.168.7.20", "bench", "bench.local"])
    sharing = Sharing((PLACE,), hosts, COOKIE, certificate, pairing, said.append)
    app = create_app(store, folder=tmp_path / "data", sharing=sharing, warm=False)
    with TestClient(app, base_url=BASE, follow_redirects=False) as host:
        host.get(f"/enter?key={app.state.context.sessions.key}")
        with_token(host)

        def device(address: str = "192.168.7.31") -> TestClient:
            return TestClient(app, base_url=PLACE, follow_redirects=False, client=(address, 50_000))

        yield Bench(app, pairing, said, host, device)


# The whole route table.


def routes(app: FastAPI) -> list[tuple[str, str]]:
    """(method, path) of everything the app offers, ids filled in."""
    found: list[tuple[str, str]] = []
    for route in iter_route_contexts(app.routes):
        path = re.sub(r"\{(\w+)(:\w+)?\}", lambda m: _filled(m[1]), route.path or "/")
        found += [(method, path) for method in sorted(route.methods or {"GET"})]
    return found


def _filled(name: str) -> str:
    return {"part": "about", "step": "about", "name": "a-draft"}.get(name, "0" * 32)


def test_the_route_table_is_whole(bench: Bench) -> None:
    """Everything in the description is in the table that the tests below go through."""
    described = {
        (method.upper(), re.sub(r"\{(\w+)\}", lambda m: _filled(m[1]), path))
        for path, methods in bench.app.openapi()["paths"].items()
        for method in methods
    }
    table = set(routes(bench.app))
    assert len(described) > 60
    assert described <= table
    assert {("GET", "/settings"), ("GET", "/visits/" + "0" * 32 + "/about")} <= table


def test_without_pairing_nothing_is_served(bench: Bench) -> None:
    """ASVS 4.1.1, 4.1.5, 13.2.1: every address and method but the pairing page and its style."""
    stranger = bench.device()
    for method, path in [*routes(bench.app), ("GET", "/nowhere"), ("OPTIONS", "/"), ("PUT", "/")]:
        if path == "/pair":
            continue
        answer = stranger.request(method, path)
        assert answer.status_code == 403, (method, path)
        if method != "HEAD":
            assert set(answer.json()) == SHAPE, (method, path)
            assert answer.json()["got"] in (None, "/enter"), (method, path)
    page = stranger.get("/settings", headers=PAGE)
    assert page.status_code == 403
    assert page.text == stranger.get("/pair", headers=PAGE).text


def test_of_the_static_files_only_the_style_of_the_pairing_page(bench: Bench) -> None:
    stranger = bench.device()
    style = re.findall(r'<link rel="stylesheet" href="([^"]+)"', stranger.get("/pair").text)
    assert len(style) == 2
    for path in style:
        assert stranger.get(path).headers["content-type"].startswith("text/css")
    for file in sorted(Path(STATIC).rglob("*")):
        path = f"/static/{file.relative_to(STATIC).as_posix()}"
        if file.is_file() and not any(s.startswith(path + "?") for s in style):
            assert stranger.get(path).status_code == 403, path
    assert stranger.get("/static/css/app.css/../../js/api.js").status_code == 403


def test_a_reader_writes_nothing(bench: Bench, store: Store) -> None:
    """ASVS 4.1.3, 13.2.1: refused in one place for every address that is no reading."""
    reader = bench.pair(Role.READER)
    before = [c.id for c in changes_of(store)]
    asked = 0
    for method, path in routes(bench.app):
        if method not in UNSAFE or path in ("/pair", LEAVE) or path.startswith(HOST_ONLY):
            continue
        answer = reader.request(method, path, json={})
        assert answer.status_code == 403, (method, path)
        assert answer.json()["got"] == "reader", (method, path)
        asked += 1
    assert asked > 40
    assert [c.id for c in changes_of(store)] == before


def test_reading_writes_nothing(bench: Bench, store: Store) -> None:
    """No address that a reader may open leaves a trace in the store, in drafts or settings."""
    made = bench.host.post(
        "/api/v1/intake",
        json={"name": "bus 3", "engine": {"layout": "I4-1342"}, "purpose": "baseline"},
    ).json()
    ids = {"visits": made["visit_id"], "vehicles": made["vehicle_id"]}
    reader = bench.pair(Role.READER)
    before = [c.id for c in changes_of(store)]
    kept = _own_files(bench)
    seen = 0
    for method, path in routes(bench.app):
        if method != "GET" or path.endswith("/events") or path.startswith(HOST_ONLY):
            continue
        for kind, row_id in ids.items():
            if path.startswith((f"/{kind}/0", f"/api/v1/{kind}/0")):
                opened = path.replace("0" * 32, row_id, 1)
                assert reader.get(opened, headers=PAGE).status_code < 500, opened
        assert reader.get(path, headers=PAGE).status_code < 500, path
        seen += 1
    assert seen > 40
    assert [c.id for c in changes_of(store)] == before
    assert _own_files(bench) == kept


def _own_files(bench: Bench) -> dict[str, bytes]:
    folder: Path = bench.app.state.context.folder
    found = [*folder.glob("web-drafts/*"), *folder.glob("web-settings.json")]
    return {p.name: p.read_bytes() for p in found}


def test_a_technician_may_write_but_not_share(bench: Bench) -> None:
    device = bench.pair(Role.TECHNICIAN)
    assert device.post("/api/v1/owners", json={"name": "Marrow Valley"}).status_code == 201
    for method, path in routes(bench.app):
        if path.startswith(HOST_ONLY):
            assert device.request(method, path, json={}).status_code == 403, (method, path)
            assert device.request(method, path + "/", json={}).status_code == 403


# Pairing.


def form(code: str, name: str = "Kim Marsh", device: str = "tablet") -> dict[str, str]:
    return {"code": code, "name": name, "device": device}


def test_the_cookie_of_another_device(bench: Bench) -> None:
    """ASVS 3.4.1 to 3.4.5, 3.1.1."""
    code = bench.pairing.new(Role.READER).text
    answer = bench.device().post("/pair", data=form(code))
    parts = [p.strip().lower() for p in answer.headers["set-cookie"].split(";")]
    name, token = answer.headers["set-cookie"].split(";")[0].split("=", 1)
    assert name == COOKIE
    assert name.startswith("__Host-")
    assert {"httponly", "secure", "samesite=strict", "path=/"} <= set(parts)
    assert not any(p.startswith("domain") for p in parts)
    assert f"max-age={7 * 86_400}" in parts
    assert len(token) >= 43
    assert answer.headers["location"] == "/"


def test_wrong_used_and_old_codes(bench: Bench) -> None:
    stranger = bench.device()
    code = bench.pairing.new(Role.READER).text
    wrong = f"{(int(code) + 1) % 10**8:08d}"
    said = [stranger.post("/pair", data=form(wrong))]
    assert bench.device().post("/pair", data=form(code)).status_code == 303
    said.append(stranger.post("/pair", data=form(code)))
    bench.pairing.new(Role.READER)
    bench.pairing.end()
    said.append(stranger.post("/pair", data=form(code)))
    assert [a.status_code for a in said] == [403] * 3
    assert len({a.text for a in said}) == 1
    assert all("set-cookie" not in a.headers for a in said)
    page = stranger.post("/pair", data=form(wrong), headers=PAGE)
    assert "That code is not good." in page.text
    assert wrong not in page.text
    assert "Kim Marsh" in page.text  # what was typed stays, but for the code


@pytest.mark.parametrize("field", ["name", "device"])
@pytest.mark.parametrize("text", ["", "   ", "\x1b\x07", "x" * 61])
def test_a_device_must_say_whose_it_is(bench: Bench, field: str, text: str) -> None:
    code = bench.pairing.new(Role.READER).text
    stranger = bench.device()
    assert stranger.post("/pair", data={**form(code), field: text}).status_code == 400
    assert stranger.post("/pair", data=form(code)).status_code == 303  # the code was not used up


def test_guessing_codes_is_slowed(bench: Bench) -> None:
    """ASVS 2.2.1, 11.1.4: by the minute, on top of the five tries of a code."""
    stranger = bench.device()
    codes = [stranger.post("/pair", data=form("1")).status_code for _ in range(12)]
    assert codes == [403] * 10 + [429] * 2
    assert bench.device("192.168.7.32").post("/pair", data=form("1")).status_code == 403


def test_pairing_makes_a_new_session_and_ends_the_old(bench: Bench) -> None:
    """Session fixation (ASVS 3.2.1)."""
    device = bench.device()
    device.cookies.set(COOKIE, "a-token-chosen-by-somebody-else", domain="192.168.7.20")
    device.post("/pair", data=form(bench.pairing.new(Role.READER).text))
    first = device.cookies[COOKIE]
    device.post("/pair", data=form(bench.pairing.new(Role.TECHNICIAN).text))
    second = device.cookies[COOKIE]
    assert len({first, second, "a-token-chosen-by-somebody-else"}) == 3
    sessions = bench.app.state.context.sessions
    assert sessions.find(first) is None
    assert sessions.find(second).role is Role.TECHNICIAN


def test_a_session_goes_through_its_own_door_only(bench: Bench) -> None:
    """A cookie of the network does not open loopback, nor the other way round, nor does the key."""
    device = bench.pair(Role.TECHNICIAN)
    key = bench.app.state.context.sessions.key
    assert device.get("/enter", params={"key": key}).status_code == 403
    assert bench.host.get("/pair").status_code == 403
    own = bench.host.cookies["ringland"]
    stranger = bench.device()
    stranger.cookies.set(COOKIE, own, domain="192.168.7.20")
    assert stranger.get("/words").status_code == 403
    other = TestClient(bench.app, base_url=BASE)
    other.cookies.set("ringland", device.cookies[COOKIE], domain="127.0.0.1")
    assert other.get("/words").status_code == 403


@pytest.mark.parametrize(
    "host",
    ["attacker.example", "attacker.example:8765", "192.168.7.20", "192.168.7.20:8766",
     "192.168.7.21:8765", "127.0.0.1:8765", "localhost:8765", "bench.attacker.example:8765", ""],
)  # fmt: skip
def test_other_host_names_get_nothing(bench: Bench, host: str) -> None:
    """DNS rebinding (ASVS 13.2.3): not even the pairing page, and no name of this computer."""
    for client in (bench.device(), bench.pair(Role.TECHNICIAN)):
        for path in ("/pair", "/words", "/api/v1/owners"):
            answer = client.get(path, headers={"Host": host})
            assert answer.status_code == 403
            assert answer.json()["allowed"] is None
    for name in ("192.168.7.20:8765", "bench:8765"):
        assert bench.host.get("/words", headers={"Host": name}).status_code == 403


def test_the_names_served_are_this_computer(bench: Bench) -> None:
    for host in ("192.168.7.20:8765", "bench:8765", "BENCH.local:8765"):
        assert bench.device().get("/pair", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://attacker.example"},
        {"Origin": "null"},
        {"Origin": "http://192.168.7.20:8765"},
        {"Origin": "https://bench:8765"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "navigate"},
    ],
)
def test_another_site_cannot_pair_or_change(bench: Bench, headers: dict[str, str]) -> None:
    """ASVS 4.2.2, also for who is not let in yet."""
    code = bench.pairing.new(Role.TECHNICIAN).text
    assert bench.device().post("/pair", data=form(code), headers=headers).status_code == 403
    device = bench.pair(Role.TECHNICIAN)
    answer = device.post("/api/v1/owners", json={"name": "x"}, headers=headers)
    assert answer.status_code == 403


def test_nobody_comes_in_from_the_internet(bench: Bench) -> None:
    for address in ("8.8.8.8", "2606:4700::1111"):
        assert bench.device(address).get("/pair").status_code == 403
    for address in ("10.1.2.3", "172.16.0.9", "fd12::7", "169.254.3.4"):
        assert bench.device(address).get("/pair").status_code == 200


def test_there_is_no_second_door_unless_it_is_shared(app: FastAPI, stranger: TestClient) -> None:
    client = TestClient(app, base_url="https://127.0.0.1:8765")
    assert client.get("/pair").status_code == 403
    assert stranger.get("/pair").status_code == 403
    assert stranger.post("/pair", data=form("1")).status_code == 403


# Who is connected, and sending away.


def test_pages_say_who_is_connected(bench: Bench) -> None:
    reader = bench.pair(Role.READER, device="tablet bay 2")
    text = reader.get("/", headers=PAGE).text
    assert (
        "Connected: Kim Marsh, tablet bay 2, as <b>reader</b>. This device changes nothing" in text
    )
    assert 'data-role="reader"' in text
    assert "This computer, as <b>technician</b>" in bench.host.get("/", headers=PAGE).text


def test_the_settings_page_of_the_host_and_of_a_device(bench: Bench) -> None:
    device = bench.pair(Role.TECHNICIAN, name="<b>Kim</b>")
    code = bench.pairing.new(Role.READER)
    host = bench.host.get("/settings", headers=PAGE).text
    assert code.shown in host
    assert PLACE in host
    assert "&lt;b&gt;Kim" in host
    assert "<b>Kim" not in host
    theirs = device.get("/settings", headers=PAGE).text
    assert code.shown not in theirs
    assert "Sign this device out" in theirs
    assert str(bench.app.state.context.folder) not in theirs


def test_a_device_sees_nothing_of_how_the_store_is_looked_after(bench: Bench) -> None:
    """Folders of the host are no matter of other devices, nor can they stop the work."""
    job = bench.host.post("/api/v1/store/verify").json()
    device = bench.pair(Role.TECHNICIAN)
    assert bench.host.get(f"/api/v1/jobs/{job['id']}").status_code == 200
    assert device.get("/api/v1/jobs").json() == []
    assert device.get(f"/api/v1/jobs/{job['id']}").status_code == 404
    assert device.delete(f"/api/v1/jobs/{job['id']}").status_code == 404
    assert device.get("/settings/care", headers=PAGE).status_code == 403
    assert "Last backup" not in device.get("/settings", headers=PAGE).text


def test_sending_a_device_away(bench: Bench) -> None:
    """ASVS 3.3.1."""
    device = bench.pair(Role.TECHNICIAN)
    listed = bench.host.get("/api/v1/sharing/devices").json()
    assert {d["shared"] for d in listed} == {True, False}
    one = next(d for d in listed if d["shared"])
    assert bench.host.delete(f"/api/v1/sharing/devices/{one['id']}").status_code == 200
    assert device.get("/words").status_code == 403
    assert bench.host.delete(f"/api/v1/sharing/devices/{one['id']}").status_code == 404


def test_a_reader_may_sign_out(bench: Bench) -> None:
    """ASVS 3.3.1, 8.2.3."""
    reader = bench.pair(Role.READER)
    token = reader.cookies[COOKIE]
    assert reader.post(LEAVE, headers={"X-Ringland-Token": "0" * 64}).status_code == 403
    answer = reader.post(LEAVE)
    assert answer.status_code == 204
    assert "storage" in answer.headers["clear-site-data"]
    assert bench.app.state.context.sessions.find(token) is None
    assert reader.get("/words").status_code == 403


def test_the_audit_log_says_who(bench: Bench, store: Store) -> None:
    device = bench.pair(Role.TECHNICIAN, name="Kim Marsh", device="tablet bay 2")
    device.post("/api/v1/owners", json={"name": "by the device"})
    bench.host.post("/api/v1/owners", json={"name": "by the host"})
    device.post(LEAVE)
    lines = [(c.who, c.action, c.kind) for c in reversed(changes_of(store))]
    assert lines[-4:] == [
        ("tester", "pair", "device"),
        ("Kim Marsh (tablet bay 2)", "add", "owner"),
        ("tester", "add", "owner"),
        ("Kim Marsh (tablet bay 2)", "leave", "device"),
    ]
    told = json.loads(changes_of(store)[3].fields)
    assert told["device"] == "tablet bay 2"
    assert told["address"] == "192.168.7.31"
    assert bench.said == ["Let in: Kim Marsh (tablet bay 2), technician, from 192.168.7.31"]


def test_a_visit_begun_at_a_device_has_its_technician(bench: Bench) -> None:
    device = bench.pair(Role.TECHNICIAN, name="Kim Marsh")
    given = {"name": "bus 3", "engine": {"layout": "I4-1342"}, "purpose": "baseline"}
    made = device.post("/api/v1/intake", json=given).json()
    visit = device.get(f"/api/v1/visits/{made['visit_id']}").json()
    assert visit["technician"] == "Kim Marsh"


def test_codes_are_made_and_ended_at_the_host(bench: Bench) -> None:
    told = bench.host.post("/api/v1/sharing/code", json={"role": "reader"}).json()
    assert told["code"]["state"] == "good"
    assert 590.0 < told["code"]["left_s"] <= 600.0
    assert bench.host.delete("/api/v1/sharing/code").json()["code"]["state"] == "ended"
    answer = bench.device().post("/pair", data=form(told["code"]["code"]))
    assert answer.status_code == 403
    assert bench.host.post("/api/v1/sharing/code", json={"role": "owner"}).status_code == 422


def test_no_code_when_it_is_not_shared(client: TestClient) -> None:
    assert client.get("/api/v1/sharing").json()["shared"] is False
    answer = client.post("/api/v1/sharing/code", json={"role": "reader"})
    assert answer.status_code == 404
    assert "--lan" in answer.json()["remedy"]


def test_answers_of_the_api_are_files_when_opened_alone(bench: Bench) -> None:
    """ASVS 14.4.2."""
    for answer in (bench.host.get("/api/v1/owners"), bench.device().get("/api/v1/owners")):
        assert answer.headers["content-disposition"] == 'attachment; filename="api.json"'


def test_a_parameter_given_twice_is_still_checked(bench: Bench) -> None:
    """Parameter pollution (ASVS 5.1.1)."""
    assert bench.host.get("/api/v1/owners?limit=1&limit=99999").status_code == 422
    assert bench.host.get("/api/v1/owners?limit=99999&limit=1").status_code == 200


def test_a_stream_ends_with_its_session() -> None:
    """ASVS 3.3.1: nothing more than that is told to a device that was sent away."""

    async def follow() -> list[str]:
        hub = Hub()
        hub.start()
        heard: list[str] = []
        async for text in hub.listen(lambda: len(heard) < 2):
            heard.append(text)
            hub.tell("changed", {"n": len(heard)})
        return heard

    heard = asyncio.run(follow())
    assert len(heard) == 3
    assert heard[2] == "event: away\ndata: {}\n\n", "it is told that it was sent away, and no more"
