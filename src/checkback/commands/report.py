"""`checkback report`: the papers of a case.  A new paper is one line in `PAPERS`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import click

from checkback import app, paperwork
from checkback.commands.common import SettingsFile, attention, case_argument, given_path, pass_settings
from checkback.errors import UserError
from checkback.paperwork import Papers
from checkback.reporting.device_list import device_list
from checkback.reporting.document import Document, Heading
from checkback.reporting.documents import FORMATS, SUFFIX, Format, written
from checkback.reporting.handover import handover
from checkback.reporting.narrative import about_signatures, draft, status_line
from checkback.reporting.summary import summary, timeline_block, timeline_files
from checkback.reporting.tables import put_file
from checkback.reporting.timeline import timeline

REPORTS = "report"
"""Folder inside a case folder that papers go to."""


class Paper(NamedTuple):
    """One paper: the name of its files, and what makes it."""

    name: str
    make: Callable[[Papers], Document]


def _narrative(papers: Papers) -> Document:
    text = draft(
        papers.case,
        papers.phrasing,
        computed=papers.computed,
        signed=papers.signed,
        template=papers.template,
        notices=papers.notices,
    )
    course = timeline_block(timeline(papers.case, papers.computed), status=text.status, notices=text.notices)
    return replace(text, blocks=(*text.blocks, Heading(1, "Timeline"), course))


def _notices(papers: Papers) -> tuple[str, ...]:
    return (*papers.notices, *about_signatures(papers.signed))


def _summary(papers: Papers) -> Document:
    status, signed = status_line(papers.signed), papers.signed.signed
    return summary(papers.case, papers.computed, status=status, signed=signed, notices=_notices(papers))


def _devices(papers: Papers) -> Document:
    status, signed = status_line(papers.signed), papers.signed.signed
    return device_list(papers.case, status=status, signed=signed, notices=_notices(papers))


def _handover(papers: Papers) -> Document:
    status, signed = status_line(papers.signed), papers.signed.signed
    return handover(papers.case, papers.computed, status=status, signed=signed, notices=_notices(papers))


PAPERS: tuple[Paper, ...] = (
    Paper("report", _narrative),
    Paper("summary", _summary),
    Paper("devices", _devices),
    Paper("handover", _handover),
)


@click.command("report")
@case_argument
@click.option("--out", type=given_path, help="Folder to write to; default: report in the case folder.")
@click.option(
    "--format",
    "formats",
    type=click.Choice(FORMATS),
    multiple=True,
    help="Only this format; may be given several times. Default: all.",
)
@click.option("--template", type=given_path, help="A template of the narrative of your own (Jinja2).")
@click.option(
    "--despite-breaks", is_flag=True, help="Report a journal whose chain is broken; every page says so."
)
@pass_settings
def report(
    settings: SettingsFile,
    case: Path,
    out: Path | None,
    formats: tuple[Format, ...],
    template: Path | None,
    despite_breaks: bool,
) -> None:
    """Write the papers of CASE, finished or not, as text, Markdown, HTML, PDF and DOCX.

    These are the draft report, a summary on one page, the device list, a note for the unit that
    takes the patient, and the timeline as a picture.

    Each sentence names the entries that it came from.  It is a draft until somebody signs the case
    (checkback sign), and again as soon as anything is recorded after that.

    Example: checkback report demo-case
    """
    loaded = settings.load()
    folded, notes = app.read_case(case, despite_breaks=despite_breaks)
    for note in notes:
        attention(note)
    book = app.load_book(loaded)
    papers = paperwork.papers(case, folded, loaded, book, notices=tuple(notes), template=template)
    for path in write_papers(papers, out or case / REPORTS, formats or FORMATS):
        click.echo(str(path))


def write_papers(papers: Papers, folder: Path, formats: tuple[Format, ...]) -> list[Path]:
    """Write every paper in the formats that are asked for.

    All is made before anything is written, so that a mistake leaves no half of the papers behind.

    Raises
    ------
    UserError
        If a template is wrong, a library is missing, or the folder cannot be written.
    """
    made = [
        (folder / f"{paper.name}{SUFFIX[how]}", written(document, how))
        for paper in PAPERS
        for document in [paper.make(papers)]
        for how in dict.fromkeys(formats)
    ]
    drawn = timeline_files(
        papers.case, papers.computed, status=status_line(papers.signed), notices=_notices(papers)
    )
    made += [(folder / f"timeline{suffix}", content) for suffix, content in drawn.items()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, content in made:
            put_file(path, content)
    except OSError as error:
        raise UserError(
            f"{folder}: the report cannot be written there ({error.strerror}); the journal is not touched: "
            "make room or rights there, or name another folder with --out"
        ) from None
    return [path for path, _ in made]
