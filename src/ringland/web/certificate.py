"""The certificate that other devices see: made on this computer, kept in the data folder.

Nobody vouches for it, so a person compares its fingerprint once. It stays the same until it runs
out or the computer gets an address it does not name.
"""

import ipaddress
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from ringland.errors import SettingError
from ringland.web.sessions import write_private

if TYPE_CHECKING:
    from cryptography import x509

__all__ = ["FILE_NAME", "Certificate", "certificate_for", "need_cryptography", "tls_context"]

FILE_NAME = "web-lan.pem"
_LIFE = timedelta(days=397)
_RENEWED = timedelta(days=30)
"""This long before it runs out it is made anew."""
_SLACK = timedelta(days=1)
"""Clocks of other devices may be wrong by this much."""
_MOST_NAMES = 16


@dataclass(frozen=True)
class Certificate:
    """A certificate with its key in one file. `fingerprint`: SHA-256 as browsers show it.
    `fresh`: made just now, so that every device has to compare again."""

    path: Path
    fingerprint: str
    names: tuple[str, ...]
    ends: datetime
    fresh: bool


def need_cryptography() -> None:
    """Raises SettingError when the package that makes certificates is not installed."""
    if find_spec("cryptography") is None:
        raise SettingError(
            "Sharing needs a package that is not installed.",
            allowed="the package cryptography",
            remedy="Install it: python -m pip install 'ringland[lan]'. Without it the app runs on "
            "this computer only: ringland serve",
        )


def certificate_for(folder: Path, names: Sequence[str]) -> Certificate:
    """The kept certificate when it names all of `names` (addresses and host names), else a new one
    that names them and those before. Raises SettingError."""
    need_cryptography()
    path = folder / FILE_NAME
    kept = _kept(path)
    known = _names_in(kept) if kept is not None else ()
    wanted = tuple(dict.fromkeys([*names, *known]))[:_MOST_NAMES]
    lasts = kept is not None and kept.not_valid_after_utc - datetime.now(UTC) > _RENEWED
    if kept is not None and lasts and set(names) <= set(known):
        return _described(path, kept, fresh=False)
    return _described(path, _make(path, wanted), fresh=True)


def tls_context(certificate: Certificate) -> ssl.SSLContext:
    """TLS 1.2 or newer with the interpreter's own choice of ciphers."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.load_cert_chain(certificate.path)
    return context


def _kept(path: Path) -> "x509.Certificate | None":
    """The certificate in the file when its key is there and fits, else None."""
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        content = path.read_bytes()
        found = x509.load_pem_x509_certificate(content)
        key = load_pem_private_key(content, None)
    except (OSError, ValueError, TypeError):
        return None
    return found if key.public_key() == found.public_key() else None


def _names_in(certificate: "x509.Certificate") -> tuple[str, ...]:
    from cryptography import x509

    try:
        extension = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except (x509.ExtensionNotFound, ValueError):
        return ()
    return tuple(str(n.value) for n in extension.value)


def _described(path: Path, certificate: "x509.Certificate", *, fresh: bool) -> Certificate:
    from cryptography.hazmat.primitives.hashes import SHA256

    return Certificate(
        path,
        certificate.fingerprint(SHA256()).hex(":").upper(),
        _names_in(certificate),
        certificate.not_valid_after_utc,
        fresh,
    )


def _make(path: Path, names: Sequence[str]) -> "x509.Certificate":
    """A new key and a certificate signed by it (RFC 5280; for a server only), in one file."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    key = ec.generate_private_key(ec.SECP256R1())
    who = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Ringland in this workshop")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(who)
        .issuer_name(who)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - _SLACK)
        .not_valid_after(now + _LIFE)
        .add_extension(x509.SubjectAlternativeName([_general(n) for n in names]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    own = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    try:
        write_private(path, (own + made.public_bytes(serialization.Encoding.PEM)).decode("ascii"))
    except OSError as error:
        raise SettingError(
            "The certificate cannot be kept.",
            got=f"{path.name}: {error.strerror}",
            remedy="Check that the data folder can be written to.",
        ) from error
    return made


def _general(name: str) -> "x509.GeneralName":
    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)
