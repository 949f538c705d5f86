"""Links between the blocks of an MDF file, followed before a library does: a damaged link that
points back into its own chain would otherwise be followed without end.

Block layouts: ASAM MDF 4.1.0, chapter 5; MDF 3.30, chapter 4.
"""

import struct
from pathlib import Path
from typing import BinaryIO

__all__ = ["check_links"]

_MOST_BLOCKS = 200_000
# MDF 4: which links of a block lead on along the structure that is walked here.
_FOLLOWED_4 = {
    b"##HD": (0, 1, 3, 4, 5),
    b"##DG": (0, 1),
    b"##CG": (0, 1),
    b"##CN": (0, 1),
    b"##DL": (0,),
    b"##FH": (0,),
    b"##AT": (0,),
    b"##EV": (0,),
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
    todo = [64]
    while todo:
        at = todo.pop()
        _check(at, seen, size, smallest=24)
        file.seek(at)
        kind, _, length, links = struct.unpack("<4sIQQ", file.read(24))
        if at + length > size or 24 + 8 * links > length:
            raise ValueError(f"block at {at} claims to be longer than the file")
        if at == 64 and (kind != b"##HD" or links < 6):
            raise ValueError("it has no header block")
        followed = _FOLLOWED_4.get(kind, ())
        if not followed:
            continue
        found = struct.unpack(f"<{min(links, 6)}Q", file.read(8 * min(links, 6)))
        todo += [found[i] for i in followed if i < len(found) and found[i]]


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
