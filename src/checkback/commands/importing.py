"""`checkback import`: a case from a file that this program did not write as it is now.

The format is told by the file's content.  A new format is one line in `FORMATS`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import NamedTuple

import click

from checkback import __version__, app
from checkback.commands.common import SettingsFile, attention, given_path, pass_settings
from checkback.errors import UserError
from checkback.language.phrasebook import Phrasebook
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import SCHEMA_VERSION, Entry, Imported, Moment, Session, Signature, Withdrawal
from checkback.record.journal import JOURNAL, verify
from checkback.record.rewriting import oldest_version, write_instead, write_new


@dataclass(frozen=True)
class Job:
    """What a reader of a format is given.

    Attributes
    ----------
    path : Path
    data : bytes
        The file.
    book : Phrasebook
    day : date or None
        Of times that tell none.
    skip_bad : bool
        Leave out what cannot be read, instead of refusing the whole file.
    now : datetime
        When the entries are taken into the record.
    """

    path: Path
    data: bytes
    book: Phrasebook
    day: date | None
    skip_bad: bool
    now: datetime


class Taken(NamedTuple):
    """What a reader found.

    Attributes
    ----------
    entries : sequence of Entry
        In order, numbered upwards (gaps are closed later), amendments pointing backwards.
    notes : sequence of str
        What the user must be told, such as what the format could not hold.
    left_out : int
        How many rows or items were left out because `skip_bad` allowed it.
    same_record : bool
        True if the entries are those of a journal and keep their sources; else each gets the source
        "import".
    """

    entries: Sequence[Entry]
    notes: Sequence[str] = ()
    left_out: int = 0
    same_record: bool = False


class Format(NamedTuple):
    """One format: whether a file's bytes are of it, and what reads it."""

    fits: Callable[[bytes], bool]
    read: Callable[[Job], Taken]


# --- formats -------------------------------------------------------------------------------------


def _is_journal(data: bytes) -> bool:
    try:
        first = json.loads(data.partition(b"\n")[0])
    except (ValueError, RecursionError):
        return False
    return isinstance(first, dict) and {"schema_version", "n", "body"} <= first.keys()


def _read_journal(job: Job) -> Taken:
    from checkback.record.journal import read_entries

    entries = read_entries(job.data, job.path)
    if oldest_version(job.data) == SCHEMA_VERSION:
        raise UserError(
            f"{job.path}: this journal is of version {SCHEMA_VERSION} already: use its folder as it is, nothing was "
            "imported"
        )
    notes = [entries.torn] if entries.torn is not None else []
    return Taken(entries, notes, same_record=True)


def _is_fhir(data: bytes) -> bool:
    try:
        content = json.loads(data)
    except (ValueError, RecursionError):
        return False
    return isinstance(content, dict) and "resourceType" in content


def _read_fhir(job: Job) -> Taken:
    from checkback.reporting.fhir.reading import read_document

    try:
        found = read_document(job.data)
    except UserError as error:
        raise UserError(f"{job.path}: {error}") from None
    if found.notes and not job.skip_bad:
        raise UserError(
            f"{job.path}: {' '.join(found.notes[:3])} Nothing was imported: leave such entries out with --skip-bad"
        )
    return Taken(found.entries, found.notes, len(found.notes))


def _is_text(data: bytes) -> bool:
    return b"\0" not in data


def _read_csv(job: Job) -> Taken:
    from checkback.reporting.handwritten import SHOWN, read_table

    try:
        text = job.data.decode()
    except UnicodeDecodeError as error:
        line = job.data.count(b"\n", 0, error.start) + 1
        raise UserError(f"{job.path}: line {line}: not UTF-8; save the table as CSV in UTF-8") from None
    try:
        written = read_table(text, job.book, day=job.day, now=job.now)
    except UserError as error:
        raise UserError(f"{job.path}: {error}") from None
    rows = [str(bad) for bad in written.bad]
    if rows and not job.skip_bad:
        more = f"; and {len(rows) - SHOWN} more" if len(rows) > SHOWN else ""
        raise UserError(
            f"{job.path}: {'; '.join(rows[:SHOWN])}{more}; nothing was imported: mend the rows, or leave them out with "
            "--skip-bad"
        )
    return Taken(written.entries, [f"left out, {row}" for row in rows], len(rows))


def _is_dicom(data: bytes) -> bool:
    return data[128:132] == b"DICM"


def _read_dicom(job: Job) -> Taken:
    from checkback.reporting.dicom.reading import read_bytes

    log = read_bytes(job.data, name=str(job.path))
    if log.left_out and not job.skip_bad:
        more = f"; and {len(log.left_out) - 1} more" if len(log.left_out) > 1 else ""
        raise UserError(
            f"{job.path}: {log.left_out[0]}{more}; nothing was imported: leave out what has no place in a journal with "
            "--skip-bad"
        )
    notes = [f"left out, {item}" for item in log.left_out] + [f"The log says: {note}" for note in log.notes]
    # what an earlier import or signature was about is another journal
    entries = [entry for entry in log.entries if not isinstance(entry.body, Imported | Signature)]
    return Taken(entries, notes, len(log.left_out))


FORMATS: dict[str, Format] = {
    "journal": Format(_is_journal, _read_journal),
    "fhir": Format(_is_fhir, _read_fhir),
    "dicom": Format(_is_dicom, _read_dicom),
    "csv": Format(_is_text, _read_csv),  # last: any text may be one
}


# --- the command ---------------------------------------------------------------------------------


@click.command("import")
@click.argument("file", type=given_path)
@click.option("--case", type=given_path, required=True, help="Case folder to write.")
@click.option("--date", "day", help="Day of times that tell none, like 2026-03-02.")
@click.option("--skip-bad", is_flag=True, help="Leave out rows that cannot be read, and name them.")
@pass_settings
def import_command(settings: SettingsFile, file: Path, case: Path, day: str | None, skip_bad: bool) -> None:
    """Make a case of FILE: one written by hand as CSV, a FHIR document, a DICOM Procedure Log, or the journal of an older version.

    What FILE is, is told by its content.  Every entry that did not come from a journal is marked as
    imported.  An older journal is written in today's version; if FILE is the journal of CASE
    itself, the old one is kept beside it.

    Example: checkback import notes.csv --case cases/by-hand --date 2026-03-02
    """
    job = Job(
        file,
        _bytes_of(file),
        app.load_book(settings.load()),
        _day(day),
        skip_bad,
        datetime.now().astimezone(),
    )
    in_place = file.name == JOURNAL and file.absolute().parent.resolve() == case.absolute().resolve()
    if app.holds_case(case) and not in_place:
        raise UserError(f"{case} already holds a case; give another folder with --case, or remove that one")
    name, taken = read(job)
    for note in taken.notes:
        attention(note)
    if not taken.entries:
        raise UserError(f"{file}: there is no entry in it, so nothing was imported")
    entries = _record(job, name, taken)
    if in_place:
        kept = write_instead(case, entries)
        attention(f"The old journal is kept as {kept}.")
    else:
        write_new(case, entries)
        if taken.same_record:
            attention(f"The old journal is left where it is, {file}; keep it.")
    app.write_case_files(case, Case(entries), Phrasing(job.book))
    report = verify(case)
    click.echo(
        f"{case}: {_rows_of(entries)} entries imported from {file} ({name}), {taken.left_out} rows left out; "
        f"{report.lines_ok} lines, head {report.head}"
    )


def _rows_of(entries: Sequence[Entry]) -> int:
    """Return what the latest entry about an import says."""
    return [entry.body.rows for entry in entries if isinstance(entry.body, Imported)][-1]


def _bytes_of(file: Path) -> bytes:
    try:
        return file.read_bytes()
    except OSError as error:
        raise UserError(
            f"{file}: cannot be read ({error.strerror or error}); name the file to import"
        ) from None


def _day(text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        raise UserError(f"--date {text}: not a day; write it like 2026-03-02") from None


def read(job: Job) -> tuple[str, Taken]:
    """Return the name of the file's format and what was read.

    Raises
    ------
    UserError
        If no format fits, or the file is wrong.
    """
    for name, each in FORMATS.items():
        if each.fits(job.data):
            return name, each.read(job)
    raise UserError(f"{job.path}: neither {' nor '.join(FORMATS)}; nothing was imported")


def _record(job: Job, name: str, taken: Taken) -> list[Entry]:
    """Return the entries of the new journal: those taken, with one that says where they came from."""
    found = list(taken.entries) if taken.same_record else imported(taken.entries, after=2)
    about = Imported(
        file=job.path.name,
        format=name,
        file_sha256=hashlib.sha256(job.data).hexdigest(),
        rows=len(found),
        left_out=taken.left_out,
    )
    if taken.same_record:
        # kept in their order and numbers; the source of each entry is as it was
        return [*found, _of_program(len(found) + 1, about, found[-1].recorded, job.now, found[-1].session)]
    first = taken.entries[0]
    began = Session(
        number=1,
        program_version=__version__,
        recogniser="none",
        phrasebook_sha256=job.book.sha256,
        catalogue_sha256=job.book.catalogue_sha256,
    )
    return [
        _of_program(1, began, first.at, job.now, session=1),
        _of_program(2, about, first.at, job.now, session=1),
        *found,
    ]


def _of_program(n: int, body: Session | Imported, at: Moment, now: datetime, session: int) -> Entry:
    passed_s = (now - at.wall).total_seconds()
    recorded = Moment(wall=now, monotonic_s=round(at.monotonic_s + passed_s, 3))
    return Entry(
        n=n,
        session=session,
        at=at,
        said=at,
        recorded=recorded,
        source="program",
        standing="stands",
        body=body,
    )


def imported(entries: Sequence[Entry], *, after: int = 0) -> list[Entry]:
    """Return `entries` numbered from `after` + 1, all of session 1 and marked as imported.

    What points at an entry that is not among them points at nothing any more; a withdrawal of such
    an entry is left out.  So are starts of the program, which belong to the record that they began.
    """
    numbers: dict[int, int] = {}
    result: list[Entry] = []
    for entry in entries:
        body = entry.body
        if isinstance(body, Session):
            continue
        if isinstance(body, Withdrawal):
            if body.target not in numbers:
                continue
            body = Withdrawal(target=numbers[body.target])
        n = numbers[entry.n] = after + len(result) + 1
        amends = None if entry.amends is None else numbers.get(entry.amends)
        result.append(
            entry.model_copy(
                update={"n": n, "session": 1, "source": "import", "amends": amends, "body": body}
            )
        )
    return result
