"""Sharing by real servers over TLS, asked by httpx, which checks the certificate."""

import re
import socket
import ssl
import subprocess
import sys
import time
from pathlib import Path

import httpx
import psutil  # type: ignore[import-untyped]
import pytest

from ringland.web.network import own_addresses
from ringland.web.sessions import Role

from .conftest import Place


def test_pairing_over_tls_and_being_sent_away(place: Place) -> None:
    with place.client() as device:
        assert device.get("/api/v1/owners").status_code == 403
        code = place.sharing.pairing.new(Role.TECHNICIAN).shown
        form = {"code": code, "name": "Kim Marsh", "device": "tablet"}
        answer = device.post("/pair", data=form, headers={"Origin": place.base})
        assert answer.status_code == 303
        assert "secure" in answer.headers["set-cookie"].lower()
        assert "server" not in answer.headers
        assert device.get("/api/v1/owners").json() == []
        with device.stream("GET", "/api/v1/events") as stream:
            lines = stream.iter_lines()
            assert next(lines).startswith("retry")
            shared = next(s for s in place.sessions.all() if s.shared)
            place.sessions.revoke(shared.id)
            list(lines)  # ends: the beat after it is not sent any more
        assert device.get("/api/v1/owners").status_code == 403


def test_a_client_cannot_make_up_who_it_is(place: Place) -> None:
    """There is no proxy: its headers change neither door nor address nor the limit of tries."""
    with place.client() as device:
        codes = [
            device.post(
                "/pair",
                data={"code": "1", "name": "x", "device": "x"},
                headers={"X-Forwarded-For": f"10.0.0.{n}", "X-Forwarded-Proto": "http"},
            ).status_code
            for n in range(12)
        ]
    assert codes == [403] * 10 + [429] * 2


def test_plain_text_gets_no_answer(place: Place) -> None:
    """ASVS 9.1.1."""
    with socket.create_connection(("127.0.0.1", place.port), 10) as line:
        line.sendall(f"GET /pair HTTP/1.1\r\nHost: 127.0.0.1:{place.port}\r\n\r\n".encode())
        assert not line.recv(1000).startswith(b"HTTP")


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion:DeprecationWarning")
def test_old_tls_gets_no_answer(place: Place) -> None:
    """ASVS 9.1.3."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    context.minimum_version = ssl.TLSVersion.TLSv1
    context.maximum_version = ssl.TLSVersion.TLSv1_1
    context.set_ciphers("ALL:@SECLEVEL=0")
    line = socket.create_connection(("127.0.0.1", place.port), 10)
    with line, pytest.raises((ssl.SSLError, ConnectionError)):
        context.wrap_socket(line)


def test_the_command_shares_one_address_and_no_other(tmp_path: Path) -> None:
    """The whole command: what it says, where it listens, that a device gets in."""
    addresses = own_addresses()
    if not addresses:
        pytest.skip("this machine has no address in a private network")
    data = tmp_path / "data"
    words = [sys.executable, "-m", "ringland", "serve", "--lan", "--no-browser"]
    words += ["--data", str(data), "--address", str(addresses[0])]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            said = ""
            while "Stop with" not in said:
                line = process.stdout.readline()
                assert line, said
                said += line
            base = re.findall(r"https://\S+", said)[0]
            code = re.findall(r"code:\s+(\d{4} \d{4})", said)[0]
            form = {"code": code, "name": "Kim", "device": "tablet"}
            context = ssl.create_default_context(cafile=str(data / "web-lan.pem"))
            with httpx.Client(base_url=base, verify=context, timeout=20) as device:
                end = time.monotonic() + 30
                while True:
                    try:
                        assert device.post("/pair", data=form).status_code == 303
                        break
                    except httpx.TransportError:
                        assert time.monotonic() < end
                        time.sleep(0.1)
                assert device.get("/api/v1/owners").json() == []
            heard = psutil.Process(process.pid).net_connections(kind="inet")
            listening = {c.laddr.ip for c in heard if c.status == psutil.CONN_LISTEN}
            assert listening == {"127.0.0.1", str(addresses[0])}
        finally:
            process.terminate()
        process.wait(20)
