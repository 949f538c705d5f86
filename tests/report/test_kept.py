"""Kept reports: found by what stands on paper, and any change is noticed."""

import gzip
from datetime import date
from pathlib import Path

import pytest

from ringland.errors import BadInput, FileFormatError, SettingError
from ringland.report.blocks import Paragraph, Section
from ringland.report.document import Document, canonical_json, content_hash, printed_hash
from ringland.report.finish import finish
from ringland.report.kept import find_report, keep_report, make_key, seal_of


@pytest.fixture
def document() -> Document:
    sections = (Section("a", "Found", (Paragraph("Bus 12 – ü 漢"),)),)
    return finish(sections, kind="analysis", title="Bus 12", subtitle="", made_on=date(2026, 9, 14))


def test_found_by_the_printed_hash(document: Document, tmp_path: Path) -> None:
    digest = keep_report(document, tmp_path)
    assert keep_report(document, tmp_path) == digest == content_hash(document)
    for printed in (digest, digest[:8], printed_hash(digest), printed_hash(digest[:16]).upper()):
        found = find_report(printed, tmp_path)
        assert found.document == document
        assert found.seal is None
    assert len(list((tmp_path / "reports").iterdir())) == 1


@pytest.mark.parametrize("printed", ["", "abc", "../../etc", "*" * 8, "z" * 64, "0" * 8, "a" * 65])
def test_what_is_not_found(document: Document, tmp_path: Path, printed: str) -> None:
    keep_report(document, tmp_path)
    with pytest.raises(BadInput):
        find_report(printed, tmp_path)


def test_a_change_is_noticed(document: Document, tmp_path: Path) -> None:
    digest = keep_report(document, tmp_path)
    (path,) = (tmp_path / "reports").iterdir()
    text = canonical_json(document).replace("Bus 12", "Bus 13")
    path.write_bytes(gzip.compress(text.encode()))
    with pytest.raises(FileFormatError, match="changed"):
        find_report(digest, tmp_path)
    path.write_bytes(b"rubbish")
    with pytest.raises(FileFormatError):
        find_report(digest, tmp_path)


def test_seals(document: Document, tmp_path: Path) -> None:
    key, other = tmp_path / "key.pem", tmp_path / "other.pem"
    public = make_key(key)
    make_key(other)
    digest = keep_report(document, tmp_path, key=key)
    assert find_report(digest, tmp_path, key=public).seal is True
    assert find_report(digest, tmp_path, key=key).seal is True
    assert find_report(digest, tmp_path, key=other).seal is False
    (tmp_path / "reports" / f"{digest}.seal").write_text("not hexadecimal")
    assert find_report(digest, tmp_path, key=public).seal is False
    (tmp_path / "reports" / f"{digest}.seal").unlink()
    assert find_report(digest, tmp_path, key=public).seal is False


def test_keys_that_are_refused(tmp_path: Path) -> None:
    key = tmp_path / "key.pem"
    public = make_key(key)
    with pytest.raises(SettingError, match="never overwritten"):
        make_key(key)
    for bad in (public, tmp_path / "missing.pem", tmp_path):
        with pytest.raises(SettingError, match="key"):
            seal_of("ab" * 32, bad)
