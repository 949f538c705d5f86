"""Originals and documents, found by the SHA-256 of their content and never changed.

On this machine a folder; anywhere fsspec reaches by URL (an object store, say), with a local copy
made when a path is needed. A file is complete under its final name or not there at all: it is
written beside it, flushed to the disk and then renamed.
"""

import hashlib
import os
import re
import secrets
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from io import BufferedReader
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Protocol
from urllib.parse import urlsplit

from ringland.errors import BadInput, SettingError

if TYPE_CHECKING:
    from fsspec import AbstractFileSystem  # type: ignore[import-untyped]

__all__ = ["Files", "LocalFiles", "MissingFile", "RemoteFiles", "files_at", "sha256_of"]

_CHUNK = 1 << 20
_HEX = re.compile(r"[0-9a-f]{64}")


class MissingFile(BadInput):
    """A file the store should have is not there."""


class Files(Protocol):
    """Where content is kept."""

    @property
    def url(self) -> str:
        """Folder or URL."""

    def put(self, source: Path) -> tuple[str, int]:
        """Keep a copy of a file; its SHA-256 and size. Raises BadInput when it cannot be read."""

    def put_bytes(self, content: bytes) -> str:
        """Keep these bytes; their SHA-256."""

    def has(self, sha256: str) -> bool:
        """True when the content is kept here."""

    def path(self, sha256: str) -> Path:
        """A local path of the content. Raises MissingFile."""

    def all(self) -> Iterator[str]:
        """SHA-256 of everything kept."""


def files_at(url: str, *, cache: Path) -> Files:
    """The place a folder or URL names. `cache`: where copies of remote content go."""
    scheme = urlsplit(url).scheme
    if len(scheme) < 2:  # a drive letter is no scheme
        return LocalFiles(Path(url))
    if scheme == "file":
        from urllib.request import url2pathname

        return LocalFiles(Path(url2pathname(urlsplit(url).path)))
    import fsspec

    try:
        system, root = fsspec.core.url_to_fs(url)
    except (ImportError, ValueError) as error:
        raise SettingError(
            "The place for originals cannot be used.",
            got=f"{scheme}: {error}",
            allowed="a folder, or a URL that fsspec knows",
            remedy="Install the package fsspec names for this kind of URL, or use a folder.",
        ) from error
    return RemoteFiles(url, system, root.rstrip("/"), LocalFiles(cache))


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal. Raises BadInput when it cannot be read."""
    with _opened(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _opened(path: Path) -> BufferedReader:
    try:
        return path.open("rb")
    except (OSError, ValueError) as error:
        raise BadInput(
            f"The file '{path.name}' cannot be read.",
            got=getattr(error, "strerror", None) or str(error),
            remedy="Check the name, and that the recorder had finished writing it.",
        ) from error


def _checked(sha256: str) -> str:
    if not _HEX.fullmatch(sha256):
        raise BadInput(
            "That is not the name of kept content.",
            got=repr(sha256[:80]),
            allowed="64 hexadecimal digits",
        )
    return sha256


@dataclass(frozen=True)
class LocalFiles:
    """Content in a folder of this machine: root/ab/abcdef..."""

    root: Path

    @property
    def url(self) -> str:
        """The folder."""
        return str(self.root)

    def _place(self, sha256: str) -> Path:
        return self.root / _checked(sha256)[:2] / sha256

    def put(self, source: Path) -> tuple[str, int]:
        """Keep a copy of a file; its SHA-256 and size. Raises BadInput when it cannot be read."""
        with _opened(source) as file:
            return self.put_stream(file)

    def put_bytes(self, content: bytes) -> str:
        """Keep these bytes; their SHA-256."""
        sha256 = hashlib.sha256(content).hexdigest()
        if not self.has(sha256):
            self._write(iter((content,)))
        return sha256

    def put_stream(self, stream: BinaryIO, *, limit: int | None = None) -> tuple[str, int]:
        """Keep what a stream gives; its SHA-256 and size. Raises BadInput above `limit` bytes."""
        return self._write(iter(lambda: stream.read(_CHUNK), b""), limit=limit)

    def _write(self, pieces: Iterator[bytes], *, limit: int | None = None) -> tuple[str, int]:
        digest, size = hashlib.sha256(), 0
        arriving = self.root / "arriving"
        arriving.mkdir(parents=True, exist_ok=True)
        temporary = arriving / secrets.token_hex(12)
        try:
            with temporary.open("xb") as file:
                for piece in pieces:
                    size += len(piece)
                    if limit is not None and size > limit:
                        raise BadInput(
                            "A file is larger than is allowed.",
                            got=f"more than {limit} bytes",
                            allowed=f"{limit} bytes",
                        )
                    digest.update(piece)
                    file.write(piece)
                file.flush()
                os.fsync(file.fileno())
            place = self._place(digest.hexdigest())
            if not place.exists():
                place.parent.mkdir(exist_ok=True)
                temporary.chmod(0o444)
                os.replace(temporary, place)
                _flush_folder(place.parent)
        finally:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
        return digest.hexdigest(), size

    def has(self, sha256: str) -> bool:
        """True when the content is kept here."""
        return self._place(sha256).is_file()

    def path(self, sha256: str) -> Path:
        """The path of the content. Raises MissingFile."""
        place = self._place(sha256)
        if not place.is_file():
            raise MissingFile(
                "A file that should be kept is not there.",
                got=sha256,
                remedy="Run `ringland store verify`, and restore it from a backup.",
            )
        return place

    def all(self) -> Iterator[str]:
        """SHA-256 of everything kept, in order."""
        if not self.root.is_dir():
            return
        for folder in sorted(self.root.iterdir()):
            if folder.is_dir() and len(folder.name) == 2:
                yield from sorted(p.name for p in folder.iterdir() if _HEX.fullmatch(p.name))


def _flush_folder(folder: Path) -> None:
    """Make a rename last through a power cut, where the system can do that for a folder."""
    with suppress(OSError):  # Windows cannot open a folder
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@dataclass(frozen=True)
class RemoteFiles:
    """Content anywhere fsspec reaches; `cache` holds the local copies, which are checked."""

    url: str
    system: "AbstractFileSystem" = field(repr=False)
    root: str
    cache: LocalFiles

    def _place(self, sha256: str) -> str:
        return f"{self.root}/{_checked(sha256)[:2]}/{sha256}"

    def put(self, source: Path) -> tuple[str, int]:
        """Keep a copy of a file; its SHA-256 and size. Raises BadInput when it cannot be read."""
        sha256, size = self.cache.put(source)
        self._send(sha256)
        return sha256, size

    def put_bytes(self, content: bytes) -> str:
        """Keep these bytes; their SHA-256."""
        sha256 = self.cache.put_bytes(content)
        self._send(sha256)
        return sha256

    def _send(self, sha256: str) -> None:
        place = self._place(sha256)
        if self.system.exists(place):
            return
        temporary = f"{self.root}/arriving/{secrets.token_hex(12)}"
        self.system.makedirs(f"{self.root}/arriving", exist_ok=True)
        self.system.makedirs(place.rsplit("/", 1)[0], exist_ok=True)
        self.system.put_file(str(self.cache.path(sha256)), temporary)
        self.system.mv(temporary, place)

    def has(self, sha256: str) -> bool:
        """True when the content is kept there."""
        return bool(self.system.exists(self._place(sha256)))

    def path(self, sha256: str) -> Path:
        """A local copy of the content. Raises MissingFile, also when what came is not it."""
        if not self.cache.has(sha256):
            try:
                with self.system.open(self._place(sha256), "rb") as stream:
                    got, _ = self.cache.put_stream(stream)
            except FileNotFoundError:
                got = "nothing"
            if got != sha256:
                raise MissingFile(
                    "A file that should be kept is not there, or is damaged.",
                    got=f"{got} instead of {sha256}",
                    remedy="Run `ringland store verify`, and restore it from a backup.",
                )
        return self.cache.path(sha256)

    def all(self) -> Iterator[str]:
        """SHA-256 of everything kept, in order."""
        if self.system.exists(self.root):
            names = (str(p).rsplit("/", 1)[-1] for p in self.system.find(self.root))
            yield from sorted(name for name in names if _HEX.fullmatch(name))
