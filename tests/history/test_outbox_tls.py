"""Encrypted ways to a mail server: a trusted certificate is used, any other sends nothing."""

import ipaddress
import socket
import ssl
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.handlers import Message
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from ringland.report.mail import MailServer, Outcome, hand_over

LETTER = b"Subject: s\r\n\r\ntext\r\n"


class Taken(Message):
    """Keeps what arrives."""

    def __init__(self) -> None:
        super().__init__()
        self.letters: list[Any] = []

    def handle_message(self, message: Any) -> None:
        self.letters.append(message)


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate for this machine, and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "test")])
    now = datetime.now(UTC)
    built = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), False
        )
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    folder = tmp_path_factory.mktemp("tls")
    (folder / "c.pem").write_bytes(built.public_bytes(serialization.Encoding.PEM))
    (folder / "k.pem").write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return folder / "c.pem", folder / "k.pem"


class _Implicit(Controller):
    """Encrypted from the first byte; aiosmtpd's own check of the port does not speak TLS."""

    def _trigger_server(self) -> None:
        with socket.create_connection((self.hostname, self.port), 5):
            pass


@pytest.mark.parametrize("security", ["tls", "starttls"])
@pytest.mark.parametrize("trusted", [True, False])
def test_certificates_are_checked(
    security: str,
    trusted: bool,
    certificate: tuple[Path, Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*certificate)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    taken = Taken()
    make: Callable[..., Controller] = Controller
    options: dict[str, Any] = {"tls_context": context, "require_starttls": True}
    if security == "tls":
        make, options = _Implicit, {"ssl_context": context}
    controller = make(taken, hostname="127.0.0.1", port=port, **options)
    controller.start()
    try:
        if trusted:
            monkeypatch.setenv("SSL_CERT_FILE", str(certificate[0]))
        server = MailServer("127.0.0.1", "w@marrow.example", port=port, security=security)
        handed = hand_over(server, LETTER, "a@valley.example", timeout_s=20)
    finally:
        controller.stop()
    assert handed.outcome is (Outcome.ACCEPTED if trusted else Outcome.LATER), handed
    assert len(taken.letters) == trusted
    assert trusted or "certificate" in handed.reply.casefold()
