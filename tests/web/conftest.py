"""A store, an app over it, and a client that was let in."""

import ipaddress
import shutil
import socket
import ssl
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import numpy as np
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from ringland.history import Store, open_store
from ringland.web import create_app
from ringland.web.serve import share
from ringland.web.servers import shared_server
from ringland.web.sessions import Sessions
from ringland.web.sharing import Sharing

BASE = "http://127.0.0.1:8765"
PAGE = {"Accept": "text/html"}


@pytest.fixture(scope="session")
def empty_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of an empty store, made once."""
    folder = tmp_path_factory.mktemp("empty") / "data"
    open_store(folder, who="tester").close()
    return folder


@pytest.fixture
def store(empty_folder: Path, tmp_path: Path) -> Iterator[Store]:
    """An empty store of its own."""
    shutil.copytree(empty_folder, tmp_path / "data")
    with open_store(tmp_path / "data", who="tester") as opened:
        yield opened


@pytest.fixture
def app(store: Store, tmp_path: Path) -> FastAPI:
    """The app, its worker started only when a job needs it."""
    return create_app(store, folder=tmp_path / "data", warm=False)


@pytest.fixture
def stranger(app: FastAPI) -> Iterator[TestClient]:
    """A client that has not been let in."""
    with TestClient(app, base_url=BASE, follow_redirects=False) as client:
        yield client


@pytest.fixture
def client(app: FastAPI, stranger: TestClient) -> TestClient:
    """A client with a session and the token of its pages."""
    key = app.state.context.sessions.key
    assert stranger.get(f"/enter?key={key}").status_code == 303
    text = stranger.get("/words", headers=PAGE).text
    token = text.split('name="ringland-token" content="')[1].split('"')[0]
    stranger.headers["X-Ringland-Token"] = token
    return stranger


@pytest.fixture
def visit(client: TestClient) -> dict[str, str]:
    """A vehicle with a described engine and an open visit; its ids."""
    answer = client.post(
        "/api/v1/intake",
        json={
            "name": "minibus 7",
            "owner": "Marrow Valley Transit",
            "engine": {"cylinders": 4, "firing_order": "1-3-4-2", "trigger_cylinder": 1},
            "purpose": "fault-finding",
            "complaint": "Shakes at the stop.",
        },
    )
    assert answer.status_code == 201, answer.text
    found: dict[str, str] = answer.json()
    return found


@pytest.fixture(scope="session")
def recording_csv(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve seconds of a made-up four-cylinder engine at 750 rpm whose third pulse is weak: one
    raised cosine per firing, and a trigger once per cycle."""
    rate, seconds = 2000.0, 12.0
    time = np.arange(int(rate * seconds)) / rate
    angle = np.mod(time * 750.0 * 6.0, 720.0)
    generator = np.random.default_rng(20260309)
    pressure = generator.normal(0.0, 3.0, time.size)
    for number, size in enumerate((100.0, 100.0, 55.0, 100.0)):
        away = np.abs(np.mod(angle - 180.0 * number - 200.0 + 360.0, 720.0) - 360.0)
        pressure += size * 0.5 * (1.0 + np.cos(np.pi * np.minimum(away / 80.0, 1.0)))
    trigger = (np.mod(angle + 10.0, 720.0) < 12.0).astype(float)
    path = tmp_path_factory.mktemp("recording") / "idle.csv"
    rows = "\n".join(
        f"{t:.4f},{p:.3f},{g:.0f}" for t, p, g in zip(time, pressure, trigger, strict=True)
    )
    path.write_text(f"time,exhaust,ignition\n{rows}\n", encoding="ascii")
    return path


@dataclass(frozen=True)
class Place:
    """A running server for other devices."""

    base: str
    port: int
    sharing: Sharing
    sessions: Sessions

    def client(self) -> httpx.Client:
        """A device that trusts this certificate and no other, and checks the name in it."""
        context = ssl.create_default_context(cafile=str(self.sharing.certificate.path))
        return httpx.Client(base_url=self.base, verify=context, timeout=20)


@pytest.fixture
def place(store: Store, tmp_path: Path) -> Iterator[Place]:
    """Shared on loopback, where a test may listen on every machine."""
    listener = socket.create_server(("127.0.0.1", 0))
    port = int(listener.getsockname()[1])
    sharing = share(tmp_path, ipaddress.ip_address("127.0.0.1"), port=port, say=lambda _: None)
    app = create_app(store, folder=tmp_path, sharing=sharing, warm=False)
    server = shared_server(app, sharing)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    try:
        yield Place(f"https://127.0.0.1:{port}", port, sharing, app.state.context.sessions)
    finally:
        server.should_exit = True
        thread.join(20)
        app.state.context.jobs.close()
