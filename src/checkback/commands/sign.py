"""`checkback sign`: somebody answers for the record as it stands."""

from __future__ import annotations

from pathlib import Path

import click

from checkback import app
from checkback.commands.common import SettingsFile, attention, case_argument, pass_settings
from checkback.errors import UserError
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.clock import SystemClock
from checkback.record.entry import CaseEnd, Entry, Signature
from checkback.record.journal import Journal, Kept
from checkback.record.signing import SHORT


@click.command("sign")
@case_argument
@click.option("--name", required=True, help="Name or initials of who signs.")
@click.option("--role", default="physician", show_default=True, help="In which role.")
@click.option("--unfinished", is_flag=True, help="Sign although the end of the case is not on record.")
@pass_settings
def sign(settings: SettingsFile, case: Path, name: str, role: str, unfinished: bool) -> None:
    """Sign CASE as it stands: from then on its report is no draft, until anything else is recorded.

    The signature is an entry of the journal and names the hash of the last line that it covers.
    It is no qualified electronic signature: who may type it is for the laboratory to rule.

    Example: checkback sign demo-case --name "A. B." --unfinished
    """
    name, role = (" ".join(each.split()) for each in (name, role))
    if not name or not role:
        raise UserError("--name and --role: say who signs, such as --name 'A. B.' --role physician")
    if not app.holds_case(case):
        raise UserError(f"{case}: there is no case to sign; name the folder of a case")
    loaded = settings.load()
    phrasing = Phrasing(app.load_book(loaded))
    with Journal.open(case, create=False) as journal:
        folded = Case(journal.entries)
        _insist(case, folded, unfinished=unfinished)
        body = _signature(journal, name, role)
        done = journal.append(_entry(journal, body))
        if isinstance(done, Kept):
            raise UserError(f"{case}: not signed. {done.trouble}")
        folded.apply(done.entry)
    for question in folded.questions():
        attention(f"signed although it is not settled: entry {question.n}, {phrasing.summary(question)}")
    # said first: the signature is in the journal, whatever becomes of the tables beside it
    click.echo(
        f"{case}: {body.entries} entries signed by {name}, {role}, up to the hash {body.head[:SHORT]}. "
        f"Write the report anew: checkback report {case}"
    )
    app.write_case_files(case, folded, phrasing, loaded.reporting.narrative)


def _insist(folder: Path, case: Case, *, unfinished: bool) -> None:
    if case.latest(CaseEnd) is None and not unfinished:
        raise UserError(
            f"{folder}: the end of the case is not on record; record it, or sign with --unfinished"
        )


def _signature(journal: Journal, name: str, role: str) -> Signature:
    if not journal.entries:
        raise UserError(f"{journal.folder}: there is nothing to sign; no entry is on record")
    return Signature(name=name, role=role, entries=len(journal), head=journal.head)


def _entry(journal: Journal, body: Signature) -> Entry:
    now = SystemClock().now()
    return Entry(
        n=journal.next_n,
        session=journal.entries[-1].session,
        at=now,
        said=now,
        recorded=now,
        source="typed",
        standing="stands",
        body=body,
    )
