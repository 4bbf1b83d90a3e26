"""Documents and lines as the XHTML that FHIR allows in a narrative."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape

from checkback.reporting.document import (
    Block,
    BulletList,
    DataTable,
    Document,
    Heading,
    Paragraph,
    Run,
    Runs,
    split_stop,
)
from checkback.reporting.fhir.shapes import folded
from checkback.reporting.fhir.values import Json


def text(parts: Iterable[str]) -> Json:
    """Return a Narrative of parts that are XHTML already."""
    inside = "".join(parts)
    return {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{inside}</div>'}


def safe(words: str) -> str:
    """Return words with every sign that would be markup escaped."""
    return escape(folded(words), quote=False)


def document_text(document: Document) -> Json:
    """Return a document as a Narrative: its status, its notices and its text; no figures."""
    before = [f"<p><b>{safe(line)}</b></p>" for line in (document.status, *document.notices)]
    return text([*before, *(part for block in document.blocks for part in _block(block))])


def _block(block: Block) -> Iterator[str]:
    match block:
        case Heading():
            # the section has a title of its own above these
            yield f"<h{block.level + 2}>{safe(block.text)}</h{block.level + 2}>"
        case Paragraph():
            said = _runs(block.runs)
            yield f"<p><b>{said}</b></p>" if block.style == "warning" else f"<p>{said}</p>"
        case BulletList():
            if block.items:
                yield f"<ul>{''.join(f'<li>{_runs(item)}</li>' for item in block.items)}</ul>"
        case DataTable():
            yield from _table(block)


def _table(table: DataTable) -> Iterator[str]:
    yield "<table>"
    if table.caption:
        yield f"<caption>{safe(table.caption)}</caption>"
    yield _row("th", (safe(header) for header in table.headers))
    for row in table.rows:
        yield _row("td", map(_runs, row))
    yield "</table>"


def _row(tag: str, cells: Iterable[str]) -> str:
    return f"<tr>{''.join(f'<{tag}>{cell}</{tag}>' for cell in cells)}</tr>"


def _runs(runs: Runs) -> str:
    return " ".join(map(_run, runs))


def _run(run: Run) -> str:
    said, stop = split_stop(run.text)
    cited = f" [{', '.join(map(str, run.cites))}]" if run.cites else ""
    marks = f" ({', '.join(run.marks)})" if run.marks else ""
    words = f"{safe(said)}{marks}{cited}{safe(stop)}"
    return f"<b>{words}</b>" if run.strong else words
