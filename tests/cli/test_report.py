"""`ringland report` and `ringland outbox` as a technician types them."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from ringland.cli.main import app


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A saved analysis of an empty recording: nothing judged, which costs no time."""
    from ringland.engines import layout
    from ringland.model import Recording, SourceInfo
    from ringland.output import as_json, write_json
    from ringland.pipeline import analyse

    recording = Recording((), source=SourceInfo("bus.csv", "csv", 10, "ab" * 32))
    path = tmp_path_factory.mktemp("report") / "bus.json"
    write_json(as_json(analyse(recording, layout("I4-1342").engine)), path)
    return path


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> CliRunner:
    monkeypatch.setenv("RINGLAND_DATA", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    return CliRunner()


def test_written_kept_and_checked(run: CliRunner, saved: Path, tmp_path: Path) -> None:
    (tmp_path / "firm.toml").write_text('name = "Marrow Works"\nlabour_per_hour = 90\n')
    made = run.invoke(
        app,
        ["report", str(saved), "--pdf", "r.pdf", "--html", "r.html", "--for", "owner", "--paper",
         "letter", "--language", "de", "--firm", "firm.toml", "--vehicle", "Bus 12"],
    )  # fmt: skip
    assert made.exit_code == 0, made.output
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF")
    assert "Marrow Works" in (tmp_path / "r.html").read_text("utf-8")
    digits = made.output.split("Content ")[1].split(" ...")[0]
    checked = run.invoke(app, ["report-check", digits, "--pdf", "again.pdf", "--paper", "letter"])
    assert checked.exit_code == 0, checked.output
    assert "Bus 12" in checked.output
    assert (tmp_path / "again.pdf").read_bytes() == (tmp_path / "r.pdf").read_bytes()
    wrong = run.invoke(app, ["report-check", "00000000"])
    assert wrong.exit_code == 2


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["--pdf", "r.pdf", "--language", "xx"],
        ["--pdf", "no/such/folder/r.pdf"],
        ["--pdf", "r.pdf", "--firm", "missing.toml"],
        ["--pdf", "r.pdf", "--key", "missing.pem"],
    ],
)
def test_what_is_refused(run: CliRunner, saved: Path, words: list[str]) -> None:
    assert run.invoke(app, ["report", str(saved), *words]).exit_code == 2


def test_sources_that_are_no_analysis(run: CliRunner, tmp_path: Path) -> None:
    for name, text in (("a.json", "{}"), ("b.json", "[1]"), ("c.json", "x"), ("d.csv", "time\n")):
        (tmp_path / name).write_text(text)
        assert run.invoke(app, ["report", name, "--html", "r.html"]).exit_code == 2


def test_sealed(run: CliRunner, saved: Path) -> None:
    assert run.invoke(app, ["report-key", "key.pem"]).exit_code == 0
    made = run.invoke(
        app, ["report", str(saved), "--html", "r.html", "--for", "owner", "--key", "key.pem"]
    )
    digits = made.output.split("Content ")[1].split(" ...")[0]
    checked = run.invoke(app, ["report-check", digits, "--key", "key.public.pem"])
    assert checked.exit_code == 0
    assert "fits this key" in checked.output
    run.invoke(app, ["report-key", "other.pem"])
    assert run.invoke(app, ["report-check", digits, "--key", "other.pem"]).exit_code == 2


def test_outbox(run: CliRunner, tmp_path: Path) -> None:
    (tmp_path / "r.pdf").write_bytes(b"%PDF-1.7 ...")
    (tmp_path / "mail.toml").write_text(
        'host = "127.0.0.1"\nport = 9\nsecurity = "none"\nsender = "w@marrow.example"\n'
    )
    assert "empty" in run.invoke(app, ["outbox", "list"]).output
    added = run.invoke(
        app,
        ["outbox", "add", "r.pdf", "--mail", "mail.toml", "--to", "a@valley.example", "--to",
         "b@valley.example", "--subject", "Bus 12"],
    )  # fmt: skip
    assert added.exit_code == 0, added.output
    assert added.output.count("waits") == 2
    identifier = added.output.split()[0]
    tried = run.invoke(app, ["outbox", "send", "--mail", "mail.toml"])
    assert tried.output.count("next try") == 2
    assert run.invoke(app, ["outbox", "save", identifier, "letter.eml"]).exit_code == 0
    assert b"Subject: Bus 12" in (tmp_path / "letter.eml").read_bytes()
    assert "cancelled" in run.invoke(app, ["outbox", "cancel", identifier]).output
    assert run.invoke(app, ["outbox", "settle", identifier, "--arrived"]).exit_code == 2
    (tmp_path / "r.exe").write_bytes(b"MZ")
    for words in (
        ["r.exe", "--to", "a@b.example"], ["r.pdf", "--to", "nobody"],
        ["no.pdf", "--to", "a@b.example"],
    ):  # fmt: skip
        refused = run.invoke(app, ["outbox", "add", *words, "--mail", "mail.toml"])
        assert refused.exit_code == 2, refused.output
