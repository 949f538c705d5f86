"""`ringland outbox`: letters with reports, sent when the network is there, and never twice."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._results import written_or_told
from ringland.cli._store import StoreOption, named_visit, opened
from ringland.cli._text import plain
from ringland.errors import BadInput, SettingError

if TYPE_CHECKING:
    from ringland.history.outbox import Item
    from ringland.report.mail import Attachment

__all__ = ["app"]

app = typer.Typer(
    help="Send reports by mail: kept until the network is there, never sent twice.",
    no_args_is_help=True,
)
_MEDIA = {".pdf": "application/pdf", ".html": "text/html", ".json": "application/json"}
_Mail = Annotated[
    Path, typer.Option("--mail", metavar="MAIL.toml", help="Your mail server and address.")
]
_Folder = Annotated[
    Path | None, typer.Option("--folder", help="Where the outbox is, if not in your data folder.")
]
_Id = Annotated[str, typer.Argument(metavar="ID", help="Its id; the first digits are enough.")]


def _place(folder: Path | None) -> Path:
    from ringland.cli.report import data_folder

    return folder or data_folder()


@app.command("add")
def add(
    files: Annotated[list[Path], typer.Argument(help="Reports to send: PDF or HTML files.")],
    mail: _Mail,
    to: Annotated[
        list[str] | None,
        typer.Option(
            "--to", help="Recipient; may be repeated (default: the owner of the --vehicle)."
        ),
    ] = None,
    vehicle: Annotated[
        str | None, typer.Option("--vehicle", help="Whose report it is, by name or id.")
    ] = None,
    visit: Annotated[
        str | None, typer.Option("--visit", help="Date or id of the visit (default: the newest).")
    ] = None,
    subject: Annotated[str, typer.Option("--subject", help="Subject line.")] = "Engine report",
    text: Annotated[str, typer.Option("--text", help="What the letter says.")] = "",
    again: Annotated[
        bool, typer.Option("--again", help="Send it once more, although it was sent.")
    ] = False,
    folder: _Folder = None,
    store: StoreOption = None,
) -> None:
    """Put a letter per recipient into the outbox; nothing is sent yet.

    With --vehicle it is kept with the visit once it was sent.
    """
    with told_to_the_user():
        from ringland.history.outbox import add_letter, list_items, open_outbox
        from ringland.report.mail import Letter, addresses, load_mail_server

        server = load_mail_server(mail)
        _warn(server.warnings)
        attached = tuple(_attachment(f) for f in files)
        about, proposed = "", ""
        if vehicle is not None:
            about, proposed = _about(store, vehicle, visit, files[0])
        recipients = [one for given in to or [proposed] for one in addresses(given)]
        if not recipients:
            raise SettingError(
                "Nobody is named to send it to.",
                got="no address of the owner is kept" if vehicle else None,
                allowed="--to ADDRESS, or --vehicle NAME with an owner whose address is kept",
                remedy="Keep it: ringland vehicle owner NAME --email ADDRESS",
            )
        said = text or "The report is attached.\n"
        with open_outbox(_place(folder)) as outbox:
            for recipient in recipients:
                letter = Letter(recipient, subject, said, attached)
                _show(add_letter(outbox, letter, server, about=about, again=again))
            items = list_items(outbox)
        if vehicle is not None:
            _note(store, items)


def _about(store: str | None, vehicle: str, day: str | None, file: Path) -> tuple[str, str]:
    """What the letter says of its visit, and the address of the owner; the report is kept."""
    from ringland.history.reports_sent import about_visit, owner_address

    with opened(store) as kept:
        visit = named_visit(kept, vehicle, day)
        sha256, _ = kept.files.put(file)
        kind = file.suffix.lstrip(".").casefold()
        return about_visit(visit.id, kind=kind, sha256=sha256), owner_address(kept, visit)


def _note(store: str | None, items: "tuple[Item, ...]") -> None:
    """Write down with the visits what became of their letters. Makes no store."""
    from ringland.history.place import is_store

    if not any(item.about for item in items) or not is_store(store):
        return
    from ringland.history.reports_sent import note_letters

    with opened(store) as kept:
        note_letters(kept, items)


def _attachment(path: Path) -> "Attachment":
    from ringland.report.mail import Attachment

    media = _MEDIA.get(path.suffix.casefold())
    if media is None:
        raise SettingError("Only reports are sent.", got=path.name, allowed=", ".join(_MEDIA))
    try:
        return Attachment(path.name, media, path.read_bytes())
    except OSError as error:
        raise BadInput("The file cannot be read.", got=f"{path}: {error.strerror}") from error


@app.command("list")
def list_command(folder: _Folder = None) -> None:
    """Every letter and what became of it."""
    with told_to_the_user():
        from ringland.history.outbox import list_items, open_outbox

        with open_outbox(_place(folder)) as outbox:
            items = list_items(outbox)
        if not items:
            typer.echo("The outbox is empty.")
        for item in items:
            _show(item)


@app.command("send")
def send(
    mail: _Mail,
    now: Annotated[
        bool, typer.Option("--now", help="Also those that wait for their time.")
    ] = False,
    folder: _Folder = None,
    store: StoreOption = None,
) -> None:
    """Send every letter that is due; what was sent is kept with its visit."""
    with told_to_the_user():
        from ringland.history.outbox import list_items, open_outbox, send_due
        from ringland.report.mail import load_mail_server

        server = load_mail_server(mail)
        _warn(server.warnings)
        with open_outbox(_place(folder)) as outbox:
            tried = send_due(outbox, server, at_once=now)
            items = list_items(outbox)
        _note(store, items)
        if not tried:
            typer.echo("No letter is due.")
        for item in tried:
            _show(item)


@app.command("settle")
def settle_command(
    identifier: _Id,
    arrived: Annotated[
        bool,
        typer.Option("--arrived/--send-again", help="It arrived, or send it once more."),
    ],
    folder: _Folder = None,
    store: StoreOption = None,
) -> None:
    """Say what became of a letter whose fate is unclear: ask the recipient first."""
    with told_to_the_user():
        from ringland.history.outbox import find_item, open_outbox, settle

        with open_outbox(_place(folder)) as outbox:
            item = settle(outbox, find_item(outbox, identifier).id, arrived=arrived)
        _show(item)
        _note(store, (item,))


@app.command("cancel")
def cancel_command(identifier: _Id, folder: _Folder = None, store: StoreOption = None) -> None:
    """Take back a letter that still waits."""
    with told_to_the_user():
        from ringland.history.outbox import cancel, find_item, open_outbox

        with open_outbox(_place(folder)) as outbox:
            item = cancel(outbox, find_item(outbox, identifier).id)
        _show(item)
        _note(store, (item,))


@app.command("save")
def save(
    identifier: _Id,
    path: Annotated[Path, typer.Argument(metavar="FILE.eml", help="Where the letter goes.")],
    folder: _Folder = None,
) -> None:
    """Write a letter to a file, to send it with another mail program."""
    with told_to_the_user():
        from ringland.history.outbox import find_item, message_of, open_outbox

        with open_outbox(_place(folder)) as outbox:
            content = message_of(outbox, find_item(outbox, identifier).id)
        with written_or_told(path, "letter"):
            path.write_bytes(content)
        typer.echo(plain(f"Letter: {path}"))


_WORDS = {
    "waiting": "waits",
    "connecting": "being sent",
    "handing_over": "being sent",
    "sent": "sent",
    "refused": "refused by the server",
    "unclear": "unclear: it may have arrived. Ask the recipient, then: ringland outbox settle",
    "gave_up": "given up after five days",
    "cancelled": "cancelled",
}


def _show(item: "Item") -> None:
    typer.echo(plain(f"{item.id[:8]}  {item.recipient}  {item.subject}  {_WORDS[item.state]}"))
    if item.reply:
        typer.echo(plain(f"          {item.reply}"))
    if item.state == "waiting" and item.attempts:
        typer.echo(f"          next try {item.next_try_utc}")


def _warn(warnings: tuple[str, ...]) -> None:
    for warning in warnings:
        typer.echo(plain(f"Note: {warning}"), err=True)
