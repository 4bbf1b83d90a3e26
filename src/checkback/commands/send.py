"""`checkback send`: a finished document goes to another system, through the queue on disk."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path

import click
from rich.markup import escape

from checkback import app
from checkback.commands.common import SettingsFile, attention, given_path, out, pass_settings
from checkback.commands.export import unfinished
from checkback.errors import UserError
from checkback.language.phrasing import Phrasing
from checkback.sending import dicom, fhir
from checkback.sending.outbox import Deliver, Item, Outbox, Outcome, Protocol
from checkback.settings import default_path

NOT_YET = 1
"""Exit code: something is still in the queue."""


def senders() -> Mapping[Protocol, Deliver]:
    """Return what delivers, for each protocol."""
    return {"fhir": fhir.deliver, "dicom": dicom.deliver}


def default_outbox() -> Path:
    """Return the folder of the queue if none is named: beside the default settings."""
    return default_path().parent / "outbox"


@click.command("send", epilog=f"Exit code {NOT_YET}: something is still in the queue.")
@click.argument("case", type=given_path, required=False)
@click.option(
    "--fhir", "fhir_url", help="Base address of a FHIR R4 server; the case goes there as a document."
)
@click.option("--token-file", type=given_path, help="File with the server's bearer token.")
@click.option("--token-env", help="Environment variable with the server's bearer token.")
@click.option("--ca-file", type=given_path, help="Certificates to trust; default: the computer's.")
@click.option(
    "--plain-http", is_flag=True, help="Allow an address without TLS: everybody on the way can read."
)
@click.option(
    "--dicom",
    "archive",
    metavar="TITLE@HOST:PORT",
    help="DICOM archive; the case goes there as a Procedure Log.",
)
@click.option(
    "--calling", default=dicom.CALLING, show_default=True, help="What we call ourselves to an archive."
)
@click.option("--tls", is_flag=True, help="Speak to the archive through TLS.")
@click.option("--certificate", type=given_path, help="Our own, for an archive that asks who calls.")
@click.option("--key", type=given_path, help="Private key of our certificate.")
@click.option("--pending", is_flag=True, help="Try what is in the queue and due.")
@click.option("--again", is_flag=True, help="Try also what was refused, or whose time has not come.")
@click.option(
    "--wait",
    "wait_s",
    type=click.FloatRange(0, 86_400),
    default=0.0,
    help="Go on trying for so many seconds.",
)
@click.option("--list", "listing", is_flag=True, help="Show what is in the queue.")
@click.option("--drop", help="Take the item whose id begins so out of the queue, undelivered.")
@click.option("--outbox", type=given_path, help=f"Folder of the queue; default: {default_outbox()}.")
@click.option("--despite-breaks", is_flag=True, help="Send a journal whose chain is broken, marked so.")
@pass_settings
def send(
    settings: SettingsFile,
    case: Path | None,
    fhir_url: str | None,
    token_file: Path | None,
    token_env: str | None,
    ca_file: Path | None,
    plain_http: bool,
    archive: str | None,
    calling: str,
    tls: bool,
    certificate: Path | None,
    key: Path | None,
    pending: bool,
    again: bool,
    wait_s: float,
    listing: bool,
    drop: str | None,
    outbox: Path | None,
    despite_breaks: bool,
) -> None:
    """Send CASE, finished or not, to another system, or go on with what could not be sent.

    What is to be sent is put into a queue on disk first, and leaves it when the other side has
    taken it.  A token is read from its file or variable each time; the queue knows only where it is.

    Example: checkback send --pending --outbox outbox
    """
    if case is not None and fhir_url is None and archive is None:
        raise UserError(
            f"Where {case} is to go is not said: give the address of a server with --fhir, or an archive with --dicom"
        )
    if case is None and (fhir_url or archive) is not None:
        raise UserError("Which case is to go there is not said: name its folder")
    if case is None and not (pending or again or listing or drop):
        raise UserError("Nothing is to be sent: name a case and where it goes, or give --pending or --list")
    if not tls and (certificate or key) is not None:
        raise UserError("A certificate of our own is used with --tls only: give --tls too")
    if token_file is not None and token_env is not None:
        raise UserError("There are two places for one token: give --token-file or --token-env")
    queue = Outbox(outbox or default_outbox())
    # with two destinations, both are looked at before anything is queued
    base = None if fhir_url is None else fhir.address(fhir_url, plain_http=plain_http)
    added: list[str] = []
    if case is not None and archive is not None:
        to = str(dicom.archive(archive))
        options = {"calling": dicom.title(calling)}
        options |= dicom.tls_options(ca_file, certificate, key) if tls else {}
        payload = _log(settings, case, despite_breaks=despite_breaks)
        added.append(queue.add("dicom", to, payload, title=case.absolute().name, options=options).id)
    if case is not None and base is not None:
        options = fhir.options_for(
            base, plain_http=plain_http, token_env=token_env, token_file=token_file, ca_file=ca_file
        )
        payload = _document(settings, case, despite_breaks=despite_breaks)
        added.append(queue.add("fhir", base, payload, title=case.absolute().name, options=options).id)
    only = added if added and not (pending or again) else None
    if drop:
        _drop(queue, drop)
    waiting = 0
    if case is not None or pending or again:
        waiting = _deliver(queue, only, again=again, wait_s=wait_s)
    if listing:
        _list(queue)
    if waiting:
        raise click.exceptions.Exit(NOT_YET)


def _document(settings: SettingsFile, case: Path, *, despite_breaks: bool) -> bytes:
    from checkback.reporting.fhir.bundle import checked_text

    phrasing = Phrasing(app.load_book(settings.load()))
    folded, notes = app.read_case(case, despite_breaks=despite_breaks)
    notes += filter(None, [unfinished(folded)])
    for note in notes:
        attention(note)
    return checked_text(folded, phrasing, source=case, notes=notes).encode()


def _log(settings: SettingsFile, case: Path, *, despite_breaks: bool) -> bytes:
    from checkback.reporting.dicom.log import checked_bytes

    phrasing = Phrasing(app.load_book(settings.load()))
    folded, notes = app.read_case(case, despite_breaks=despite_breaks)
    notes += filter(None, [unfinished(folded)])
    for note in notes:
        attention(note)
    return checked_bytes(folded, phrasing.summary, notes=notes)


def _deliver(queue: Outbox, only: list[str] | None, *, again: bool, wait_s: float) -> int:
    """Try what is due until nothing is, or the time is over, and return how much is left."""
    until = time.monotonic() + wait_s
    tried = 0
    while True:
        for outcome in queue.deliver(senders(), only=only, again=again):
            tried += 1
            _tell(outcome)
        again = False
        next_s = queue.next_due_s(only=only)
        left_s = until - time.monotonic()
        if next_s is None or next_s > left_s or left_s <= 0:
            break
        time.sleep(next_s)
    for path in queue.damaged():
        attention(f"{path} is damaged and was left where it is: look at it, then remove it by hand.")
    left = [item for item in queue.items() if only is None or item.id in only]
    if not tried:
        out.print("Nothing is due." if left else "Nothing is waiting.")
    if left:
        attention(f"{len(left)} in the queue {queue.folder}: go on with checkback send --pending.")
    return len(left)


def _tell(outcome: Outcome) -> None:
    item = outcome.item
    if outcome.delivered:
        out.print(escape(f"{item.title}: delivered, {outcome.said}"), soft_wrap=True)
    elif item.refused:
        attention(f"{item.title}: refused, {outcome.said}. It is kept; --again tries it once more.")
    else:
        attention(
            f"{item.title}: not delivered, {outcome.said}. Next attempt {item.next_at.astimezone():%H:%M:%S}."
        )


def _list(queue: Outbox) -> None:
    items = queue.items()
    if not items:
        out.print("Nothing is waiting.")
    for item in items:
        state = "refused" if item.refused else f"next {item.next_at.astimezone():%Y-%m-%d %H:%M:%S}"
        tries = "1 attempt" if item.attempts == 1 else f"{item.attempts} attempts"
        last = f"; {item.last_error}" if item.last_error else ""
        line = f"{item.id[:8]}  {item.title}  {item.protocol} {item.destination}  {tries}, {state}{last}"
        out.print(escape(line), soft_wrap=True)


def _drop(queue: Outbox, beginning: str) -> None:
    found: list[Item] = [item for item in queue.items() if item.id.startswith(beginning)]
    if len(found) != 1:
        how_many = "Nothing" if not found else "More than one thing"
        raise UserError(f"{how_many} in {queue.folder} begins with {beginning}: see checkback send --list")
    queue.drop(found[0])
    out.print(escape(f"{found[0].title}: dropped, not delivered"), soft_wrap=True)
