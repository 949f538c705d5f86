"""Stores to test with: SQLite in a folder always, PostgreSQL where its server is installed."""

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from ringland.history import Store, open_store

DATABASES = ("sqlite", "postgresql")


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No test touches the user's own store."""
    monkeypatch.setenv("RINGLAND_DATA", str(tmp_path / "own"))


def _server_folder() -> Path | None:
    """Where the newest installed server's programs are (Debian keeps them off the path)."""
    candidates = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    found = [str(p) for p in candidates[-1:]] or [shutil.which("initdb") or ""]
    return Path(os.path.realpath(found[0])).parent if found[0] else None


def _as_server_user(words: list[str]) -> list[str]:
    """The server refuses to run as root: then it runs as the user its package made."""
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        return ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups", *words]
    return words


def _run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(_as_server_user(list(words)), capture_output=True, text=True, check=True)


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """Address of a real PostgreSQL server, made for this session; skips when there is none."""
    programs = _server_folder()
    if programs is None:
        if os.environ.get("CI"):
            pytest.fail("CI must have a PostgreSQL server: .ci/run installs it")
        pytest.skip("no PostgreSQL server here: install the package postgresql")
    folder = Path(tempfile.mkdtemp(prefix="ringland-pg-"))
    folder.chmod(0o777)
    data = folder / "data"
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    options = f"-p {port} -c listen_addresses=127.0.0.1 -k {folder} -c fsync=off"
    _run(str(programs / "initdb"), "-D", str(data), "-A", "trust", "-U", "tester", "-E", "UTF8")
    control = (str(programs / "pg_ctl"), "-D", str(data), "-w", "-l", str(folder / "log"))
    _run(*control, "-o", options, "start")
    try:
        yield f"postgresql://tester@127.0.0.1:{port}"
    finally:
        _run(*control, "-m", "immediate", "stop")
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a new store would be: a folder, or a database of its own on the server."""
    if getattr(request, "param", "sqlite") == "sqlite":
        return str(tmp_path / "store")
    import psycopg

    base = request.getfixturevalue("server")
    name = f"t{abs(hash(request.node.nodeid)):x}"
    with psycopg.connect(f"{base}/postgres", autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}" TEMPLATE template0')
    return f"{base}/{quote(name)}"


def opened(address: str, tmp_path: Path) -> Store:
    """The store at an address, with its originals in the test's folder."""
    files = str(tmp_path / "originals") if "://" in address else None
    return open_store(address, files=files, who="tester")


@pytest.fixture
def store(address: str, tmp_path: Path) -> Iterator[Store]:
    """An empty store; parametrize `address` indirectly with DATABASES for both databases."""
    with opened(address, tmp_path) as fresh:
        yield fresh
