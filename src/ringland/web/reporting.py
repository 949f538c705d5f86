"""Reports of a visit: written by the worker, kept by content, sent through the outbox; so are the
other documents."""

import threading
from dataclasses import replace

from ringland.errors import BadInput, RinglandError
from ringland.history import (
    RecordingRow,
    ReportSent,
    Visit,
    get_owner,
    get_recording,
    get_vehicle,
)
from ringland.history.ids import id_from
from ringland.history.outbox import OUTBOX_FILE, add_letter, list_items, open_outbox, send_due
from ringland.history.reports_sent import about_visit, note_letters
from ringland.history.shelves import SHELVES
from ringland.report.mail import Attachment, Letter, MailServer, checked_address, load_mail_server
from ringland.web.context import Context
from ringland.web.handouts import MEDIA, Kind, firm_of
from ringland.web.jobs import Job
from ringland.web.judgement import task_of
from ringland.web.sizing import sized
from ringland.web.wording import distance_text
from ringland.web.worker import Plain

__all__ = [
    "MAIL_FILE",
    "Sender",
    "mail_server",
    "mailing",
    "post",
    "report_name",
    "send_report",
    "write_report",
]

MAIL_FILE = "mail.toml"
_EVERY_S = 30.0


def report_name(visit_id: str) -> str:
    """The draft that says which report of a visit was written last."""
    return f"report-{visit_id}"


def _facts(app: Context, visit: Visit) -> Plain:
    vehicle = get_vehicle(app.store, visit.vehicle_id)
    owner = get_owner(app.store, vehicle.owner_id) if vehicle.owner_id else None
    odometer = distance_text(visit.odometer_km, app.settings.distance_unit)
    if not odometer and visit.running_hours is not None:
        odometer = f"{visit.running_hours:g} h"
    lines = [owner.name, *owner.address.splitlines()] if owner else []
    return {
        "vehicle": vehicle.name + (f", {vehicle.plate}" if vehicle.plate else ""),
        "owner": owner.name if owner else "",
        "odometer": odometer,
        "technician": visit.technician,
        "date": visit.visited_on,
        "address": lines[:8],
    }


def write_report(
    app: Context, visit: Visit, recording: RecordingRow, *, readers: tuple[str, ...]
) -> Job:
    """Have the report of one recording written; PDF, HTML and content are kept."""
    settings, firm = app.settings, vars(firm_of(app))

    def task() -> Plain:
        row = get_recording(app.store, recording.id)
        report = {
            "visit": _facts(app, visit),
            "firm": firm,
            "readers": list(readers),
            "language": settings.language,
            "paper": settings.paper.lower(),
        }
        made = task_of(app, row)
        found = sized(app, row.id, made["asked"])
        fits = [] if found is None else found["fits"]
        path = str(app.store.file(row.sha256))
        return {**made, "path": path, "report": report, "severity_fits": fits}

    def finish(result: Plain) -> None:
        from ringland.report.document import from_json, printed_hash
        from ringland.report.kept import keep_report

        digest = keep_report(from_json(result["kept"]), app.folder)
        name = report_name(visit.id)
        fields = {
            "recording": recording.id,
            "readers": list(readers),
            "pdf": app.store.files.put_bytes(result["pdf"]),
            "html": app.store.files.put_bytes(result["html"].encode("utf-8")),
            "hash": digest,
            "printed": printed_hash(digest),
        }
        app.drafts.write(name, app.drafts.read(name)["version"], fields)
        app.changed("report", visit.id)

    return app.jobs.submit(
        "Writing the report", subject=f"report-{visit.id}", visit=visit.id, task=task, finish=finish
    )


def mail_server(app: Context) -> MailServer | None:
    """The mail server of this computer, or None when none is set up. Raises SettingError."""
    path = app.folder / MAIL_FILE
    return load_mail_server(path) if path.is_file() else None


def mailing(app: Context) -> Plain:
    """What a page needs to offer sending: the mail server, or what is wrong with it."""
    server, wrong = None, None
    try:
        server = mail_server(app)
    except RinglandError as error:
        wrong = error.as_dict()
    return {"mail": server, "mail_wrong": wrong, "folder": str(app.folder)}


def send_report(
    app: Context,
    visit: Visit,
    *,
    recipient: str,
    subject: str,
    text: str,
    kind: Kind = "pdf",
) -> ReportSent:
    """Put the report written last into the outbox. Raises SettingError, BadInput."""
    written = app.drafts.read(report_name(visit.id))
    if not written.get("pdf"):
        raise BadInput("No report of this visit has been written yet.", remedy="Write it first.")
    content = app.store.file(written[kind]).read_bytes()
    name = f"report-{visit.visited_on}.{kind}"
    file = Attachment(name, MEDIA[kind], content)
    letter = Letter(recipient, subject, text, (file,))
    return post(app, visit, letter, kind=kind, content_hash=written["hash"])


def post(app: Context, visit: Visit, letter: Letter, *, kind: str, content_hash: str) -> ReportSent:
    """Put a letter with one document into the outbox and write it down with a visit; the document
    is kept. The same document never goes to the same address twice. Raises SettingError, BadInput.
    """
    server = mail_server(app)
    if server is None:
        raise BadInput(
            "No mail server is set up on this computer.",
            allowed=f"a file {MAIL_FILE} in {app.folder} with host and sender",
            remedy="Set it up, or hand the document over another way.",
        )
    letter = replace(letter, recipient=checked_address(letter.recipient))
    (file,) = letter.attachments
    about = about_visit(visit.id, kind=kind, sha256=app.store.files.put_bytes(file.content))
    with open_outbox(app.folder) as outbox:
        item = add_letter(outbox, letter, server, content_hash=content_hash, about=about)
    note_letters(app.store, [item])
    row: ReportSent = SHELVES["report_sent"].get(app.store, id_from("report_sent", item.id))
    return row


class Sender:
    """Sends what is due now and then, and writes down what became of it."""

    def __init__(self, app: Context) -> None:
        self._app = app
        self._wake = app.send_now
        self._ending = False
        self._thread = threading.Thread(target=self._run, name="ringland-sender", daemon=True)

    def start(self) -> None:
        """Begin in a thread of its own."""
        self._thread.start()

    def stop(self) -> None:
        """End; a letter being handed over is finished or marked unclear by the outbox."""
        self._ending = True
        self._wake.set()
        self._thread.join(5.0)

    def _run(self) -> None:
        while not self._ending:
            try:
                self.once()
            except RinglandError as error:
                self._app.hub.tell("mail", error.as_dict())
            self._wake.wait(_EVERY_S)
            self._wake.clear()

    def once(self) -> None:
        """Send what is due, and write down what became of it and of what others sent. Raises
        RinglandError."""
        if not (self._app.folder / OUTBOX_FILE).is_file():
            return
        server = mail_server(self._app)
        with open_outbox(self._app.folder) as outbox:
            tried = () if server is None else send_due(outbox, server)
            items = list_items(outbox)
        noted = {row.id for row in note_letters(self._app.store, items)}
        for row_id in noted | {id_from("report_sent", item.id) for item in tried}:
            self._app.changed("report_sent", row_id)
