"""DOCX, for who wants to go on writing in it."""

from __future__ import annotations

from datetime import datetime
from io import BytesIO
from typing import TYPE_CHECKING, Any

from checkback.reporting.document import (
    BulletList,
    DataTable,
    Document,
    Figure,
    Heading,
    PageBreak,
    Paragraph,
    Runs,
    split_stop,
    unbroken,
)
from checkback.reporting.documents import not_installed

if TYPE_CHECKING:
    from docx.document import Document as File
    from docx.text.paragraph import Paragraph as Written

GREY = 0x60
"""Of citations; still 6:1 against white."""

RED = (0x9C, 0x1C, 0x1C)

MADE = datetime(2000, 1, 1)
"""Date of making in the file's properties: the same document gives the same properties."""


def as_docx(document: Document) -> bytes:
    """Return a document as an Office Open XML file.

    Raises
    ------
    UserError
        If python-docx is not installed.
    """
    try:
        import docx
    except ImportError:
        raise not_installed("python-docx", "DOCX") from None
    from docx.enum.text import WD_BREAK

    file = docx.Document()
    _set_up(file, document)
    file.add_heading(_safe(document.title), 0)
    _status(file.add_paragraph(), document)
    for block in document.blocks:
        match block:
            case Heading():
                file.add_heading(_safe(block.text), block.level)
            case Paragraph():
                _runs(file.add_paragraph(), block.runs, style=block.style)
            case BulletList():
                for item in block.items:
                    _runs(file.add_paragraph(style="List Bullet"), item, style=block.style)
            case DataTable():
                _table(file, block)
            case Figure():
                _figure(file, block)
            case PageBreak():
                file.add_paragraph().add_run().add_break(WD_BREAK.PAGE)
    out = BytesIO()
    file.save(out)
    return out.getvalue()


def _set_up(file: File, document: Document) -> None:
    from docx.shared import Mm, Pt

    section = file.sections[0]
    section.page_width, section.page_height = Mm(210), Mm(297)
    section.left_margin = section.right_margin = Mm(18)
    section.top_margin = section.bottom_margin = Mm(20)
    style: Any = file.styles["Normal"]
    style.font.name, style.font.size = "Calibri", Pt(10.5)
    style.paragraph_format.space_after = Pt(6)
    _status(section.header.paragraphs[0], document)
    properties = file.core_properties
    properties.title, properties.author, properties.comments = document.title, "", document.status
    properties.created = properties.modified = MADE


def _status(paragraph: Written, document: Document) -> None:
    from docx.shared import RGBColor

    status = paragraph.add_run(_safe(document.status))
    status.bold = True
    if not document.signed:
        status.font.color.rgb = RGBColor(*RED)
    for notice in document.notices:
        status.add_break()
        status.add_text(_safe(notice))


def _runs(paragraph: Written, runs: Runs, *, style: str = "body") -> None:
    from docx.shared import Pt, RGBColor

    for i, each in enumerate(runs):
        words, stop = split_stop(unbroken(_safe(each.text)))
        text = paragraph.add_run((" " if i else "") + words)
        text.bold = each.strong or None
        if style == "warning":
            text.font.color.rgb = RGBColor(*RED)
        if style == "note":
            text.font.size = Pt(9)
        if each.cites:
            cited = paragraph.add_run(f" [{', '.join(map(str, each.cites))}]")
            cited.font.size, cited.font.color.rgb = Pt(7.5), RGBColor(GREY, GREY, GREY)
        if each.marks:
            marked = paragraph.add_run(f" ({', '.join(each.marks)})")
            marked.italic, marked.font.size = True, Pt(9)
        if stop:
            paragraph.add_run(stop)


def _table(file: File, block: DataTable) -> None:
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.shared import Mm

    if block.caption:
        file.add_paragraph(_safe(block.caption)).paragraph_format.keep_with_next = True
    table = file.add_table(rows=1, cols=len(block.headers))
    table.style = "Table Grid"
    _repeat(table.rows[0])
    for place, header in zip(table.rows[0].cells, block.headers, strict=True):
        place.paragraphs[0].add_run(_safe(header)).bold = True
    for row in block.rows:
        for column, (place, runs) in enumerate(zip(table.add_row().cells, row, strict=True)):
            paragraph = place.paragraphs[0]
            _runs(paragraph, runs)
            if column in block.numeric:
                paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
    for row_of in table.rows:
        for place in row_of.cells:
            place.paragraphs[0].paragraph_format.space_after = 0
    if block.widths:
        table.autofit = False
        for column, width in zip(table.columns, block.widths, strict=True):
            column.width = Mm(174 * width / sum(block.widths))
            for place in column.cells:
                place.width = Mm(174 * width / sum(block.widths))
    file.add_paragraph()


def _repeat(row: Any) -> None:
    """Let a row stand at the top of each page that its table reaches."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    mark = OxmlElement("w:tblHeader")
    mark.set(qn("w:val"), "true")
    row._tr.get_or_add_trPr().append(mark)


def _figure(file: File, block: Figure) -> None:
    from docx.shared import Mm

    shape = file.add_picture(BytesIO(block.png), width=Mm(block.width_mm))
    shape._inline.docPr.set("descr", _safe(block.alt))
    if block.caption:
        file.add_paragraph(_safe(block.caption))


def _safe(text: str) -> str:
    """Return text without the signs that XML cannot hold."""
    return "".join(sign if sign.isprintable() or sign == "\u00a0" else " " for sign in text)
