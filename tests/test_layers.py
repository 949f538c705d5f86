"""Who may import whom. Layers go one way; siblings do not know each other."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "src" / "ringland"

# fmt: off
LAYERS: tuple[frozenset[str], ...] = (
    frozenset({"errors"}),
    frozenset({"units", "signals"}),
    frozenset({"model"}),
    frozenset({
        "readers", "writers", "instruments", "engines", "quality", "cycles", "cylinders", "metrics",
        "symptoms", "simulator", "data",
    }),
    frozenset({"reference"}),
    frozenset({"diagnosis", "advice", "verify", "severity"}),
    frozenset({"pipeline", "figures", "live"}),
    frozenset({"report", "output"}),
    frozenset({"history"}),
    frozenset({"web"}),
    frozenset({"cli"}),
)
# fmt: on
"""Lowest first. A part may import parts of lower layers and itself, never a sibling."""

FREE = frozenset({"__init__", "__main__"})
"""The package's own front doors: they name every part, lazily."""


def parts() -> list[str]:
    """Folders and files directly in the package."""
    return sorted(
        entry.stem
        for entry in PACKAGE.iterdir()
        if (entry.is_dir() and any(entry.rglob("*.py"))) or entry.suffix == ".py"
    )


def files_of(part: str) -> list[Path]:
    """The Python files of one part."""
    folder = PACKAGE / part
    return sorted(folder.rglob("*.py")) if folder.is_dir() else [folder.with_suffix(".py")]


def imported_parts(path: Path) -> Iterator[tuple[str, int]]:
    """Parts of the package a file imports anywhere, in functions too, with the line."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: write the full name"
            module = node.module or ""
            names = (
                [f"{module}.{alias.name}" for alias in node.names]
                if module == "ringland"
                else [module]
            )
        for name in names:
            pieces = name.split(".")
            if pieces[0] == "ringland" and len(pieces) > 1 and pieces[1] != "__version__":
                assert isinstance(node, ast.stmt)
                yield pieces[1], node.lineno


def level(part: str) -> int:
    """Index of the part's layer."""
    return next(i for i, layer in enumerate(LAYERS) if part in layer)


@pytest.mark.parametrize("part", parts())
def test_every_part_has_a_layer(part: str) -> None:
    assert part in FREE or any(part in layer for layer in LAYERS), (
        f"{part} is in no layer: put it into LAYERS or move it"
    )


@pytest.mark.parametrize("part", [p for p in parts() if p not in FREE])
def test_imports_go_down_only(part: str) -> None:
    wrong = [
        f"{path.relative_to(PACKAGE)}:{line} imports {other}"
        for path in files_of(part)
        for other, line in imported_parts(path)
        if other != part and level(other) >= level(part)
    ]
    assert wrong == []


def test_layers_do_not_overlap() -> None:
    names = [name for layer in LAYERS for name in layer]
    assert len(names) == len(set(names))


def test_the_check_notices(tmp_path: Path) -> None:
    file = tmp_path / "sample.py"
    file.write_text("def f():\n    from ringland.report import x\n    import ringland.cli.main\n")
    assert list(imported_parts(file)) == [("report", 2), ("cli", 3)]
