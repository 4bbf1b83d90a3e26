"""PDF, set by Typst.

The document goes to Typst as data and never as its language, so no recorded word can be taken for
a command.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from checkback.errors import UserError
from checkback.reporting.document import (
    Block,
    BulletList,
    DataTable,
    Document,
    Figure,
    Heading,
    Paragraph,
    Runs,
    split_stop,
    unbroken,
)
from checkback.reporting.documents import not_installed
from checkback.reporting.documents.text import flat

_WIDEST = 48
"""Signs; a column with longer cells has them folded."""

TEMPLATE = Path(__file__).parents[1] / "templates" / "report.typ"


def as_pdf(document: Document) -> bytes:
    """Return a document as a tagged PDF; the same document gives the same bytes.

    Raises
    ------
    UserError
        If typst is not installed, or cannot set the document.
    """
    try:
        import typst
    except ImportError:
        raise not_installed("typst", "PDF") from None
    try:
        pdf = typst.compile(
            TEMPLATE.read_bytes(),
            format="pdf",
            sys_inputs={"document": json.dumps(_plain(document))},
            # what it makes of fonts must not differ from computer to computer more than it has to
            ignore_system_fonts=False,
        )
    except typst.TypstError as error:
        raise UserError(f"The PDF cannot be set ({error}): ask for another --format.") from error
    assert isinstance(pdf, bytes)
    return pdf


def _plain(document: Document) -> dict[str, Any]:
    return {
        "title": document.title,
        "status": document.status,
        "signed": document.signed,
        "notices": list(document.notices),
        "blocks": [_block(block) for block in document.blocks],
    }


def _block(block: Block) -> dict[str, Any]:
    kind = {"kind": type(block).__name__}
    match block:
        case Heading():
            return kind | {"level": block.level, "text": block.text}
        case Paragraph():
            return kind | {"runs": _runs(block.runs), "style": block.style}
        case BulletList():
            return kind | {"items": [_runs(item) for item in block.items], "style": block.style}
        case DataTable():
            return kind | {
                "caption": block.caption,
                "headers": list(block.headers),
                "rows": [[_runs(each) for each in row] for row in block.rows],
                "numeric": sorted(block.numeric),
                "widths": list(block.widths or _shares(block)),
            }
        case Figure():
            return kind | {
                "svg": block.svg.decode(),
                "alt": block.alt,
                "caption": block.caption,
                "width_mm": block.width_mm,
            }
        case _:
            return kind


def _shares(table: DataTable) -> list[float]:
    """Return relative widths of columns by their longest cell, but none so wide that others starve."""
    columns = zip(table.headers, *([flat(each) for each in row] for row in table.rows), strict=True)
    return [float(min(max(map(len, column)) + 2, _WIDEST)) for column in columns]


def _runs(runs: Runs) -> list[dict[str, Any]]:
    plain = []
    for each in runs:
        words, stop = split_stop(each.text)
        plain.append(
            {
                "text": unbroken(words),
                "stop": stop,
                "cites": ", ".join(map(str, each.cites)),
                "marks": ", ".join(each.marks),
                "strong": each.strong,
            }
        )
    return plain
