"""Reports kept as they were made, so that a printed one can be checked and drawn again.

One file per report, named by the hash of its content. A seal (Ed25519, RFC 8032) can stand beside
it: it shows that whoever held the key kept exactly this content.
"""

import gzip
import re
import zlib
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from ringland.errors import BadInput, FileFormatError, SettingError
from ringland.report.document import Document, canonical_json, content_hash, from_json

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )

__all__ = ["KeptReport", "find_report", "keep_report", "make_key", "read_report", "seal_of"]

FOLDER = "reports"
_SUFFIX = ".report.json.gz"
_SEAL = ".seal"
_LARGEST = 100_000_000
_FEWEST_DIGITS = 8
_HEX = re.compile("[0-9a-f]{8,64}")


@dataclass(frozen=True)
class KeptReport:
    """A report that was kept. `seal`: None when there is none, else whether it fits the key."""

    digest: str
    document: Document
    path: Path
    seal: bool | None = None


def keep_report(document: Document, folder: Path | str, *, key: Path | None = None) -> str:
    """Keep the report in a folder, sealed when there is a key; its hash. Keeping twice is once.

    Raises SettingError when the folder cannot be written or the key cannot be used.
    """
    digest = content_hash(document)
    path = Path(folder) / FOLDER / f"{digest}{_SUFFIX}"
    content = gzip.compress(canonical_json(document).encode("ascii"), mtime=0)
    seal = None if key is None else seal_of(digest, key)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.exists():
            half = path.with_suffix(".part")
            half.write_bytes(content)
            half.replace(path)
        if seal is not None:
            (path.parent / f"{digest}{_SEAL}").write_text(seal, encoding="ascii")
    except OSError as error:
        raise SettingError(
            "The report could not be kept.",
            got=f"{path.parent}: {error.strerror or error}",
            remedy="Name a folder that can be written to, or do not keep it.",
        ) from error
    return digest


def read_report(path: Path) -> Document:
    """The report in a kept file. Raises FileFormatError."""
    try:
        with gzip.open(path, "rb") as file:
            content = file.read(_LARGEST + 1)
        if len(content) > _LARGEST:
            raise ValueError("larger than any report")
        text = content.decode("ascii")
    except (OSError, EOFError, ValueError, zlib.error) as error:
        raise FileFormatError(
            f"{path.name} is not a kept report, or it is damaged.", got=str(error)
        ) from error
    return from_json(text)


def find_report(printed: str, folder: Path | str, *, key: Path | None = None) -> KeptReport:
    """The kept report with the hash that stands on paper: its first 8 digits are enough.

    What was kept is hashed again, so that a change to the file is found. With a key (public or
    private) the seal is checked. Raises BadInput when there is none or the content was changed.
    """
    digits = re.sub(r"[\s:.-]", "", printed).casefold()
    if not _HEX.fullmatch(digits):
        raise BadInput(
            "This is not a hash as it stands on a report.",
            got=repr(printed[:80]),
            allowed=f"{_FEWEST_DIGITS} to 64 digits 0 to 9 and a to f, with or without spaces",
        )
    found = sorted((Path(folder) / FOLDER).glob(f"{digits}*{_SUFFIX}"))
    if len(found) != 1:
        raise BadInput(
            "No report with this hash was kept here."
            if not found
            else "Several kept reports begin with these digits.",
            got=printed[:80],
            remedy="Look in the data folder of the machine that made it."
            if not found
            else "Give more digits.",
        )
    path = found[0]
    digest = path.name.removesuffix(_SUFFIX)
    document = read_report(path)
    if content_hash(document) != digest:
        raise FileFormatError(
            "The kept report was changed after it was kept.",
            got=f"content {content_hash(document)[:16]} in a file named {digest[:16]}",
            remedy="Restore the file from a backup.",
        )
    seal_path = path.parent / f"{digest}{_SEAL}"
    seal = None
    if key is not None:
        seal = seal_path.is_file() and _fits(digest, seal_path.read_text("ascii"), key)
    return KeptReport(digest, document, path, seal)


def make_key(path: Path) -> Path:
    """A new key to seal reports with, and beside it the public half to check them with.

    Raises SettingError when there is a file already or it cannot be written.
    """
    _need_cryptography()
    from cryptography.hazmat.primitives import serialization as form
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.generate()
    public = path.with_suffix(".public.pem")
    try:
        path.touch(mode=0o600, exist_ok=False)
        path.write_bytes(
            key.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, form.NoEncryption())
        )
        public.write_bytes(
            key.public_key().public_bytes(form.Encoding.PEM, form.PublicFormat.SubjectPublicKeyInfo)
        )
    except OSError as error:
        raise SettingError(
            "The key could not be written.",
            got=f"{path.name}: {error.strerror or error}",
            remedy="Name a new file. A key that is there is never overwritten.",
        ) from error
    return public


def seal_of(digest: str, key: Path) -> str:
    """The seal on a hash, hexadecimal. Raises SettingError when the key cannot be used."""
    return _private(key).sign(digest.encode("ascii")).hex()


def _fits(digest: str, seal: str, key: Path) -> bool:
    _need_cryptography()
    from cryptography.exceptions import InvalidSignature

    try:
        _public(key).verify(bytes.fromhex(seal.strip()), digest.encode("ascii"))
    except (InvalidSignature, ValueError):
        return False
    return True


def _private(path: Path) -> "Ed25519PrivateKey":
    _need_cryptography()
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        key = load_pem_private_key(path.read_bytes(), None)
    except (OSError, ValueError, TypeError) as error:
        raise _bad_key(path, str(error)) from error
    if not isinstance(key, Ed25519PrivateKey):
        raise _bad_key(path, type(key).__name__)
    return key


def _public(path: Path) -> "Ed25519PublicKey":
    """The public key in a file, or the public half of a private one."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(path.read_bytes())
    except OSError as error:
        raise _bad_key(path, str(error)) from error
    except ValueError:
        return _private(path).public_key()
    if not isinstance(key, Ed25519PublicKey):
        raise _bad_key(path, type(key).__name__)
    return key


def _bad_key(path: Path, got: str) -> SettingError:
    return SettingError(
        "The key cannot be used.",
        got=f"{path.name}: {got}",
        allowed="an Ed25519 key in PEM, not encrypted",
        remedy="Make one: ringland report-key KEY.pem",
    )


def _need_cryptography() -> None:
    if find_spec("cryptography") is None:
        raise SettingError(
            "Seals need a package that is not installed.",
            allowed="the package cryptography",
            remedy="Install it: pip install 'ringland[lan]'",
        )
