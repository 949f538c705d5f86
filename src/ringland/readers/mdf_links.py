"""Links between the blocks of an MDF file, followed before a library does: a damaged link that
points back into its own chain would otherwise be followed without end.

Block layouts: ASAM MDF 4.1.0, chapter 5; MDF 3.30, chapter 4.
"""

import struct
from pathlib import Path
from typing import BinaryIO

__all__ = ["check_links"]

_MOST_BLOCKS = 200_000
# MDF 4: fewest links of a block, and those that are followed: (link, kind it must lead to, None
# for any).
_LINKS_4: dict[bytes, tuple[int, tuple[tuple[int, bytes | None], ...]]] = {
    b"##HD": (6, ((0, b"##DG"), (1, b"##FH"), (3, b"##AT"), (4, b"##EV"), (5, None))),
    b"##DG": (4, ((0, b"##DG"), (1, b"##CG"), (2, None))),
    b"##CG": (6, ((0, b"##CG"), (1, b"##CN"))),
    b"##CN": (8, ((0, b"##CN"), (1, None))),
    b"##FH": (2, ((0, b"##FH"), (1, None))),
    b"##AT": (4, ((0, b"##AT"),)),
    b"##EV": (5, ((0, b"##EV"),)),
    b"##HL": (1, ((0, b"##DL"),)),
    b"##DL": (1, ((0, b"##DL"),)),
}
# MDF 3: byte offsets of the links (four bytes each) in a block, by its two letters.
_FOLLOWED_3 = {b"HD": (4,), b"DG": (4, 8), b"CG": (4, 8), b"CN": (4,)}


def check_links(path: Path) -> None:
    """Raises ValueError when the links of the file run in a circle or out of the file."""
    with path.open("rb") as file:
        head = file.read(64)
        if len(head) < 64:
            raise ValueError("the file ends inside its identification block")
        if not head[8:16].isascii() or head[60:64] != b"\0\0\0\0":
            raise ValueError("its identification block is damaged, or it was not finished")
        size = path.stat().st_size
        version = struct.unpack_from("<H", head, 28)[0]
        if version >= 400:
            _walk_4(file, size)
        else:
            order = ">" if struct.unpack_from("<H", head, 24)[0] else "<"
            _walk_3(file, size, order)


def _walk_4(file: BinaryIO, size: int) -> None:
    seen: set[int] = set()
    todo: list[tuple[int, bytes | None]] = [(64, b"##HD")]
    while todo:
        at, expected = todo.pop()
        _check(at, seen, size, smallest=24)
        file.seek(at)
        kind, _, length, links = struct.unpack("<4sIQQ", file.read(24))
        fewest, followed = _LINKS_4.get(kind, (0, ()))
        if expected not in (None, kind) or links < fewest:
            raise ValueError(f"the block at byte {at} is not what its link says")
        if at + length > size or 24 + 8 * links > length:
            raise ValueError(f"the block at byte {at} claims to be longer than the file")
        found = struct.unpack(f"<{fewest}Q", file.read(8 * fewest))
        todo += [(found[i], leads_to) for i, leads_to in followed if found[i]]


def _walk_3(file: BinaryIO, size: int, order: str) -> None:
    seen: set[int] = set()
    todo = [64]
    while todo:
        at = todo.pop()
        _check(at, seen, size, smallest=4)
        file.seek(at)
        kind, length = struct.unpack(f"{order}2sH", file.read(4))
        if at == 64 and kind != b"HD":
            raise ValueError("it has no header block")
        if at + length > size:
            raise ValueError(f"block at {at} claims to be longer than the file")
        block = file.read(max(length - 4, 0))
        for offset in _FOLLOWED_3.get(kind, ()):
            if offset + 4 <= length:
                link = struct.unpack_from(f"{order}I", block, offset - 4)[0]
                if link:
                    todo.append(link)


def _check(at: int, seen: set[int], size: int, *, smallest: int) -> None:
    if at + smallest > size:
        raise ValueError(f"a link leads to byte {at}, outside the file")
    if at in seen or len(seen) > _MOST_BLOCKS:
        raise ValueError("its links run in a circle")
    seen.add(at)
