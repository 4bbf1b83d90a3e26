"""`checkback export`: a case in a form that other systems load.

A new form is one line in `KINDS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

import click
from rich.markup import escape

from checkback import app
from checkback.commands.common import (
    SettingsFile,
    attention,
    case_argument,
    given_path,
    moment,
    out,
    pass_settings,
)
from checkback.errors import UserError
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import CaseEnd
from checkback.settings import Settings

EXPORTS = "export"
"""Folder inside a case folder that exports go to."""


@dataclass(frozen=True)
class Job:
    """What an exporter is given.

    Attributes
    ----------
    case : Case
        The folded case.
    phrasing : Phrasing
        For entries in one line.
    source : Path
        The case folder that it was read from.
    folder : Path
        An existing folder to write to.
    notes : tuple of str
        What a reader of the export must know: unfinished, torn, broken.
    settings : Settings
    recording_start : datetime or None
        Wall time of the recording's first sample, if the user told it.
    """

    case: Case
    phrasing: Phrasing
    source: Path
    folder: Path
    notes: tuple[str, ...]
    settings: Settings
    recording_start: datetime | None = None


class Kind(NamedTuple):
    """One form of export: what it is, and what writes it and returns the files."""

    what: str
    write: Callable[[Job], list[Path]]


def _tables(job: Job) -> list[Path]:
    from checkback.reporting.package import write_package

    return write_package(job.case, job.phrasing.summary, job.folder, name=job.source.name, notes=job.notes)


def _jsonl(job: Job) -> list[Path]:
    from checkback.reporting.package import write_jsonl

    return write_jsonl(job.case, job.phrasing.summary, job.folder)


def _webvtt(job: Job) -> list[Path]:
    from checkback.reporting.webvtt import write_webvtt

    return write_webvtt(
        job.case, job.phrasing.summary, job.folder, recording_start=job.recording_start, notes=job.notes
    )


def _parquet(job: Job) -> list[Path]:
    from checkback.reporting.parquet import write_parquet

    return write_parquet([(job.source.name, job.case)], job.phrasing.summary, job.folder)


def _dicom(job: Job) -> list[Path]:
    from checkback.reporting.dicom.log import write_log

    return write_log(job.case, job.phrasing.summary, job.folder, notes=job.notes)


def _fhir(job: Job) -> list[Path]:
    from checkback.reporting.fhir.bundle import write_document

    return write_document(job.case, job.phrasing, job.folder, source=job.source, notes=job.notes)


KINDS: dict[str, Kind] = {
    "tables": Kind("CSV, a file for each kind of entry, as a data package", _tables),
    "jsonl": Kind("JSON Lines, an entry a line with what became of it", _jsonl),
    "webvtt": Kind("the entries as a text track for the recording of the case", _webvtt),
    "fhir": Kind("a FHIR R4 document, for systems of the hospital", _fhir),
    "dicom": Kind("a DICOM Procedure Log, for an archive", _dicom),
    "parquet": Kind("one columnar table, for collections", _parquet),
}


def unfinished(case: Case) -> str | None:
    """Return a sentence if the case has no end on record."""
    if case.latest(CaseEnd) is not None:
        return None
    if not case.entries:
        return "The case has no entries."
    last = case.entries[-1].recorded.wall
    return (
        f"The case is unfinished: no case end is on record; this is what stood at {last:%Y-%m-%d %H:%M:%S}."
    )


@click.command("export", epilog="; ".join(f"{name}: {kind.what}" for name, kind in KINDS.items()) + ".")
@case_argument
@click.option(
    "--to", "kind", required=True, type=click.Choice(list(KINDS)), help="The form; see the list below."
)
@click.option(
    "--out",
    "folder",
    type=given_path,
    help=f"Folder to write to; default: {EXPORTS}/FORM in the case folder.",
)
@click.option(
    "--recording-start",
    help="For webvtt: wall time of the recording's first sample, RFC 3339; default: the first entry.",
)
@click.option("--despite-breaks", is_flag=True, help="Export a journal whose chain is broken, marked so.")
@pass_settings
def export(
    settings: SettingsFile,
    case: Path,
    kind: str,
    folder: Path | None,
    recording_start: str | None,
    despite_breaks: bool,
) -> None:
    """Write CASE, finished or not, in a form that other systems load.

    Example: checkback export demo-case --to tables
    """
    start = moment(recording_start, option="--recording-start") if recording_start else None
    loaded = settings.load()
    phrasing = Phrasing(app.load_book(loaded))
    folded, notes = app.read_case(case, despite_breaks=despite_breaks)
    notes += filter(None, [unfinished(folded)])
    for note in notes:
        attention(note)
    target = folder or case / EXPORTS / kind
    try:
        target.mkdir(parents=True, exist_ok=True)
        written = KINDS[kind].write(
            Job(folded, phrasing, case.absolute(), target, tuple(notes), loaded, start)
        )
    except OSError as error:
        raise UserError(
            f"{target} cannot be written ({error.strerror or error}): make room and leave to write there, or name "
            "another folder with --out"
        ) from None
    for path in written:
        out.print(escape(str(path)), soft_wrap=True)
