"""Collect every sentence a report can say into the gettext catalogues; keep what is translated.

Sentences come from the code that words them (texts and f-strings, each value a place) and from the
knowledge files. A sentence that is no longer said is dropped, a new one is added untranslated.
"""

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

from ringland.report.catalogue import read_catalogue, write_catalogue
from ringland.report.language import pieces

PACKAGE = Path(__file__).resolve().parents[1] / "src" / "ringland"
LANGUAGES = PACKAGE / "report" / "languages"
OWN = ("report", "figures")
"""Folders whose every text is meant for a reader."""
NOT_WORDING = {
    "mail.py", "kept.py", "pdf.py", "html.py", "firm.py", "document.py",
    "catalogue.py",
    "language.py", "saved.py", "svg.py", "style.py", "blocks.py", "__init__.py",
    "pages.py", "answers.py", "network.py", "belief.py", "value.py", "fields.py",
}  # fmt: skip
LOWER = (
    "quality", "symptoms", "cycles", "cylinders", "metrics", "diagnosis", "advice", "verify",
    "reference", "pipeline.py", "history/fleet.py", "history/trends.py", "history/summary.py",
    "history/trend_figures.py",
)  # fmt: skip
"""Parts that word findings which a report repeats."""
KNOWLEDGE = (
    "data/knowledge/actions.toml", "data/knowledge/failure_modes.toml",
    "data/knowledge/evidence.toml", "data/knowledge/tests.toml", "report/texts.toml",
)  # fmt: skip
SAID_KEYS = {
    "name", "mechanism", "severity_quantity", "consequences", "title", "equipment", "cautions",
    "text", "seen", "not_seen", "would_show", "clean", "repair", "owner", "caution", "what", "do",
    "word", "meaning", "term_of",
}  # fmt: skip
NEVER_SAID = {
    "offset points", "axes fraction", "figure fraction", "lower left", "Strip", "Raster", "Trace",
}  # fmt: skip
"""Names that the code gives to libraries and types."""
HAND = LANGUAGES / "patterns.txt"


def collected() -> dict[str, str]:
    """msgid -> the file it is said in, in a fixed order."""
    found: dict[str, str] = {}
    for line in HAND.read_text("utf-8").splitlines():
        if line and not line.startswith("#"):
            found.setdefault(line, "patterns.txt")
    for name in KNOWLEDGE:
        content = tomllib.loads((PACKAGE / name).read_text("utf-8"))
        if name.endswith("evidence.toml"):
            for item in content["item"]:
                item.pop("text")  # the trade's shorthand, only shown in the documentation
        for text in _toml_texts(content, ""):
            _add(found, text, name)
    for folder in (*OWN, *LOWER):
        place = PACKAGE / folder
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            if path.name not in NOT_WORDING:
                where = path.relative_to(PACKAGE).as_posix()
                lone = folder in OWN or where in ("quality/registry.py",) or folder == "metrics"
                for text in _code_texts(path):
                    if text not in NEVER_SAID and (lone or " " in text.strip()):
                        _add(found, text, where)
    return found


def _add(found: dict[str, str], text: str, where: str) -> None:
    """The sentences of a text, places numbered within each."""
    for piece in pieces(" ".join(text.split()))[::2]:
        numbered = _numbered(piece)
        bare = re.sub(r"\{\d+\}", "", numbered)
        if re.search(r"[A-Za-z]{2}", bare):
            found.setdefault(numbered, where)


def _numbered(text: str) -> str:
    count = 0

    def number(_: re.Match[str]) -> str:
        nonlocal count
        count += 1
        return f"{{{count}}}"

    return re.sub(r"(?:\{\d*\})+", number, text)


def _toml_texts(value: object, key: str) -> Iterator[str]:
    if isinstance(value, dict):
        for name, inner in value.items():
            keep = name if not name.endswith(("_owner", "_workshop")) else "owner"
            yield from _toml_texts(inner, keep)
    elif isinstance(value, list):
        for inner in value:
            yield from _toml_texts(inner, key)
    elif isinstance(value, str) and key in SAID_KEYS:
        yield value


def _code_texts(path: Path) -> Iterator[str]:
    """Texts of a file that a person could read: not docstrings, errors, ids or formats."""
    tree = ast.parse(path.read_text("utf-8"))
    skipped = {id(n) for node in ast.walk(tree) for part in _not_said(node) for n in ast.walk(part)}
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        text = ""
        if isinstance(node, ast.JoinedStr):
            values = node.values
            text = "".join(str(v.value) if isinstance(v, ast.Constant) else "{}" for v in values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        if _is_said(text):
            yield text


def _not_said(node: ast.AST) -> Iterator[ast.AST]:
    """Parts of a node that hold no wording: errors, imports, types, docstrings, formats."""
    match node:
        case ast.Raise() | ast.Import() | ast.ImportFrom():
            yield node
        case ast.Call(func=ast.Name(id="Limit")):
            yield node  # why a limit is what it is: for the documentation
        case ast.AnnAssign():
            yield node.annotation
        case ast.arg(annotation=ast.expr() as annotation):
            yield annotation
        case ast.FunctionDef(returns=ast.expr() as returns):
            yield returns
        case ast.Expr(value=ast.Constant() as docstring):
            yield docstring
        case ast.JoinedStr():
            yield from (v for v in node.values if isinstance(v, ast.Constant))
        case ast.FormattedValue(format_spec=ast.JoinedStr() as form):
            yield form


def _is_said(text: str) -> bool:
    bare = text.replace("{}", "").strip()
    if len(bare) < 3 or "\n" in text or re.search(r"[\\|<>=/#_]|\.(py|toml)", bare):
        return False
    return " " in bare or (bare[0].isupper() and bare[1:].islower())


def updated(text: str, found: dict[str, str]) -> str:
    """A catalogue with exactly these sentences, its translations kept."""
    old = read_catalogue(text)
    header = {"": old.get("", "")}
    return write_catalogue({**header, **{s: old.get(s, "") for s in found}}, found)


if __name__ == "__main__":
    sentences = collected()
    for path in sorted(LANGUAGES.glob("*.po")):
        path.write_text(updated(path.read_text("utf-8"), sentences), "utf-8", newline="\n")
        print(f"{path.name}: {len(sentences)} sentences")
