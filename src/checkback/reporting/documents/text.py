"""Plain text, to read in a terminal or to paste into a form."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from checkback.reporting.document import (
    BulletList,
    DataTable,
    Document,
    Figure,
    Heading,
    PageBreak,
    Paragraph,
    Run,
    Runs,
    split_stop,
    unbroken,
)

WIDTH = 96
"""Columns of the text."""

GAP = "  "
"""Between the columns of a table."""


def as_text(document: Document) -> str:
    """Return a document as lines of at most `WIDTH` columns, where no single word is longer."""
    blocks = [document.status, *map(_folded, document.notices), _underlined(document.title, "=")]
    for block in document.blocks:
        match block:
            case Heading():
                blocks.append(_underlined(block.text, "-") if block.level < 3 else block.text)
            case Paragraph():
                warning = "! " if block.style == "warning" else ""
                blocks.append(_folded(warning + flat(block.runs)))
            case BulletList():
                sign = "! " if block.style == "warning" else "- "
                blocks.append("\n".join(_folded(sign + flat(item), hanging="  ") for item in block.items))
            case DataTable():
                blocks.append("\n".join(filter(None, [_folded(block.caption), *_table(block)])))
            case Figure():
                blocks.append(_folded(f"[Figure: {block.alt}]"))
                if block.caption:
                    blocks.append(_folded(block.caption))
            case PageBreak():
                continue
    return "\n\n".join(block for block in blocks if block) + "\n"


def flat(runs: Runs) -> str:
    """Return runs as text: "The time-out was held at 08:00:30 [3] (amended)."."""
    return " ".join(_flat(each) for each in runs)


def _flat(each: Run) -> str:
    if not each.cites and not each.marks:
        return each.text
    words, stop = split_stop(each.text)
    cited = f" [{', '.join(map(str, each.cites))}]" if each.cites else ""
    marked = f" ({', '.join(each.marks)})" if each.marks else ""
    return f"{words}{cited}{marked}{stop}"


def _underlined(text: str, sign: str) -> str:
    return f"{text}\n{sign * len(text)}"


def _folded(text: str, hanging: str = "", width: int = WIDTH) -> str:
    """Fold a paragraph, but not between a number and its unit or inside brackets."""
    text = unbroken(" ".join(text.split()))
    lines = textwrap.fill(
        text, width, subsequent_indent=hanging, break_long_words=False, break_on_hyphens=False
    )
    return lines.replace("\u00a0", " ")


def _table(table: DataTable) -> Iterator[str]:
    rows = [list(table.headers), *([flat(each) for each in row] for row in table.rows)]
    widths = _widths(rows)
    for i, row in enumerate(rows):
        cells = [_folded(text, width=width).split("\n") for text, width in zip(row, widths, strict=True)]
        for line in range(max(map(len, cells))):
            parts = (
                _set(each[line] if line < len(each) else "", width, right=column in table.numeric)
                for column, (each, width) in enumerate(zip(cells, widths, strict=True))
            )
            yield GAP.join(parts).rstrip()
        if i == 0:
            yield GAP.join("-" * width for width in widths)


def _set(text: str, width: int, *, right: bool) -> str:
    return text.rjust(width) if right else text.ljust(width)


def _widths(rows: list[list[str]]) -> list[int]:
    """Return widths that hold every line, or share what there is with the widest columns folded."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    least = [
        min(width, max((len(word) for text in column for word in text.split()), default=1))
        for width, column in zip(widths, zip(*rows, strict=True), strict=True)
    ]
    room = WIDTH - len(GAP) * (len(widths) - 1)
    while sum(widths) > room:
        spare = [width - low for width, low in zip(widths, least, strict=True)]
        if max(spare) <= 0:
            break
        widths[max(range(len(widths)), key=lambda i: (spare[i] > 0, widths[i]))] -= 1
    return [max(1, width) for width in widths]
