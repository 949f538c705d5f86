"""The page on recording files names every format and role, and its map file loads."""

import re
from pathlib import Path

from ringland.model import ChannelRole
from ringland.readers import FORMATS
from ringland.readers._map import load_map

PAGE = Path(__file__).parents[2] / "docs" / "formats.md"


def test_every_format_and_role_is_on_the_page() -> None:
    text = PAGE.read_text(encoding="utf-8")
    for one in FORMATS:
        assert one.name in text
        for suffix in one.suffixes:
            assert f"`{suffix}`" in text
    for role in ChannelRole:
        assert role is ChannelRole.UNASSIGNED or f"| `{role.value}` |" in text


def test_the_map_on_the_page_loads(tmp_path: Path) -> None:
    (example,) = re.findall(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.S)
    path = tmp_path / "map.toml"
    path.write_text(example)
    assert load_map(path).names == {ChannelRole.EXHAUST: "CH1", ChannelRole.CRANKCASE: "CH2"}
