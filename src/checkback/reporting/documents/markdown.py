"""Markdown (CommonMark with tables), for who keeps reports among text files."""

from __future__ import annotations

import base64
import re

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
)

_ACTIVE = re.compile(r"([\\`*_{}\[\]<>|~&!$])")
"""Signs that mean something inside a line."""

_OPENING = re.compile(r"^(\s*)([#+=-]|\d+(?=[.)]))")
"""What means something at the beginning of a line only."""


def as_markdown(document: Document) -> str:
    """Return a document as Markdown; figures stand in it as data."""
    blocks = [f"# {_escaped(document.title)}", f"**{_escaped(document.status)}**"]
    blocks += [f"**{_escaped(notice)}**" for notice in document.notices]
    for block in document.blocks:
        match block:
            case Heading():
                blocks.append(f"{'#' * (block.level + 1)} {_escaped(block.text)}")
            case Paragraph(style="warning"):
                blocks.append(f"> {_inline(block.runs)}")
            case Paragraph():
                blocks.append(_inline(block.runs))
            case BulletList():
                blocks.append("\n".join(f"- {_inline(item)}" for item in block.items))
            case DataTable():
                if block.caption:
                    blocks.append(f"**{_escaped(block.caption)}**")
                blocks.append(_table(block))
            case Figure():
                data = base64.b64encode(block.svg).decode()
                blocks.append(f"![{_escaped(block.alt)}](data:image/svg+xml;base64,{data})")
                if block.caption:
                    blocks.append(_escaped(block.caption))
            case PageBreak():
                blocks.append("---")
    return "\n\n".join(block for block in blocks if block) + "\n"


def _escaped(text: str) -> str:
    return _OPENING.sub(_opening, _ACTIVE.sub(r"\\\1", " ".join(text.split())))


def _opening(found: re.Match[str]) -> str:
    # a number cannot be escaped itself, but the sign behind it can; what follows is matched ahead
    return found[1] + (f"{found[2]}\\" if found[2].isdigit() else f"\\{found[2]}")


def _inline(runs: Runs) -> str:
    return " ".join(_run(each) for each in runs)


def _run(each: Run) -> str:
    words, stop = split_stop(each.text)
    text = f"**{_escaped(words)}**" if each.strong and words else _escaped(words)
    if each.cites:
        text += f" \\[{', '.join(map(str, each.cites))}\\]"
    if each.marks:
        text += f" *({', '.join(each.marks)})*"
    return text + stop


def _table(table: DataTable) -> str:
    rule = ["---:" if i in table.numeric else "---" for i in range(len(table.headers))]
    rows = [[_escaped(header) for header in table.headers], rule]
    rows += [[_inline(each) for each in row] for row in table.rows]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)
