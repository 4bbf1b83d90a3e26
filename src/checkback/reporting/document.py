"""A document in no format yet: what stands on paper, before anybody decides what paper.

Text, Markdown, HTML, PDF and DOCX are written from it (`checkback.reporting.documents`), so that
they all say the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

Mark = Literal["questioned", "clarified", "amended", "dictated"]
"""What the reader has to know of a statement.

"questioned": an entry behind it was asked about and nobody answered.  "clarified": it was asked
about, and this is the answer.  "amended": it replaces what was recorded before.  "dictated": free
words that nobody has structured.
"""

DRAFT = "DRAFT, not signed"
"""Status line of all that nobody has signed."""


@dataclass(frozen=True)
class Run:
    """Some text, such as a sentence, with the entries that it came from.

    Attributes
    ----------
    text : str
        On one line, with its full stop.  Formats put the citation where they want it.
    cites : tuple of int
        Numbers of the entries, in order.
    marks : tuple of Mark
    strong : bool
        Whether it is to stand out.
    """

    text: str
    cites: tuple[int, ...] = ()
    marks: tuple[Mark, ...] = ()
    strong: bool = False


Runs = tuple[Run, ...]


@dataclass(frozen=True)
class Heading:
    """A heading; level 1 is below the title of the document."""

    level: Literal[1, 2, 3]
    text: str


@dataclass(frozen=True)
class Paragraph:
    """Sentences that belong together.

    Attributes
    ----------
    runs : tuple of Run
        Joined by a space.
    style : str
        "note" is small print; "warning" must not be overlooked.
    """

    runs: Runs
    style: Literal["body", "note", "warning"] = "body"


@dataclass(frozen=True)
class BulletList:
    """A list; each item is a run of runs, joined by a space.

    Attributes
    ----------
    items : tuple of tuple of Run
    style : str
        "warning": what must not be overlooked, such as what is missing.
    """

    items: tuple[Runs, ...]
    style: Literal["body", "warning"] = "body"


@dataclass(frozen=True)
class DataTable:
    """A table with one line of headers.

    Attributes
    ----------
    headers : tuple of str
        One for each column.
    rows : tuple of tuple of tuple of Run
        Each row has a cell for each header; see `cell`.
    caption : str
        Above it; empty for none.
    numeric : frozenset of int
        Columns, from 0, that are set flush right.
    widths : tuple of float
        Relative widths of the columns; empty: as the content needs.

    Raises
    ------
    ValueError
        If a row or the widths do not have one cell for each header.
    """

    headers: tuple[str, ...]
    rows: tuple[tuple[Runs, ...], ...]
    caption: str = ""
    numeric: frozenset[int] = frozenset()
    widths: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        for cells in (*self.rows, *([self.widths] if self.widths else [])):
            if len(cells) != len(self.headers):
                raise ValueError(f"{len(cells)} cells in a table of {len(self.headers)} columns")


@dataclass(frozen=True)
class Figure:
    """A drawing, in both forms: formats that cannot show the first take the second.

    Attributes
    ----------
    svg : bytes
        A whole SVG file that refers to nothing outside.
    png : bytes
        The same as PNG; fit for print at `width_mm`.
    alt : str
        What it shows, in words, for who cannot see it.
    caption : str
        Below it; empty for none.
    width_mm : float
        On paper; a page of A4 has 174 mm between its margins.
    """

    svg: bytes
    png: bytes
    alt: str
    caption: str = ""
    width_mm: float = 174.0


@dataclass(frozen=True)
class PageBreak:
    """What follows begins on a new page, where there are pages."""


Block = Heading | Paragraph | BulletList | DataTable | Figure | PageBreak


@dataclass(frozen=True)
class Document:
    """All that a document says.

    Attributes
    ----------
    title : str
    status : str
        `DRAFT`, or who signed and when.  Stands on every page.
    blocks : tuple of Block
    signed : bool
        Whether the status is that of a signed document.
    notices : tuple of str
        What must stand on every page beside the status, such as a broken chain of entries.
    """

    title: str
    status: str
    blocks: tuple[Block, ...]
    signed: bool = False
    notices: tuple[str, ...] = ()


def run(text: str, *cites: int, marks: tuple[Mark, ...] = (), strong: bool = False) -> Run:
    """Return text with the entries that it came from, in order and each once."""
    return Run(" ".join(text.split()), tuple(sorted(set(cites))), marks, strong)


def cell(text: str, *cites: int, marks: tuple[Mark, ...] = (), strong: bool = False) -> Runs:
    """Return a cell of a table, or an item of a list, of one run."""
    return (run(text, *cites, marks=marks, strong=strong),)


def runs_of(block: Block) -> Iterator[Run]:
    """Yield every run of a block, in order."""
    match block:
        case Paragraph():
            yield from block.runs
        case BulletList():
            for item in block.items:
                yield from item
        case DataTable():
            for row in block.rows:
                for each in row:
                    yield from each
        case _:
            return


def every_run(document: Document) -> Iterator[Run]:
    """Yield every run of a document, in order."""
    for block in document.blocks:
        yield from runs_of(block)


_KEEP = re.compile(r"(?<=\d) (?=[^\W\d]|[%×])|(?<=×) (?=\d)|(?<=\d,) (?=\d+[,\]])")


def unbroken(text: str) -> str:
    """Return text in which no line ends between a number and its unit, or inside a citation."""
    return _KEEP.sub("\u00a0", text)


def split_stop(text: str) -> tuple[str, str]:
    """Split a sentence from its closing mark, so that a citation can go between them.

    Returns
    -------
    tuple of str
        The sentence, and its last sign if that is one of ``. ; : ,``, else nothing.
    """
    return (text[:-1], text[-1]) if text[-1:] in (".", ";", ":", ",") else (text, "")
