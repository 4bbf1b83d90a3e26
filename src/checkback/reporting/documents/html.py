"""HTML: one file that needs nothing else, with a style for print."""

from __future__ import annotations

import base64
from functools import cache
from pathlib import Path

import jinja2

from checkback.reporting.document import Block, Document, split_stop, unbroken

TEMPLATE = Path(__file__).parents[1] / "templates" / "report.html.j2"


def as_html(document: Document) -> str:
    """Return a document as one self-contained file; every recorded word is escaped."""
    return _template().render(document=document)


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {"kind": _kind, "data": _data, "split_stop": split_stop, "unbroken": unbroken}
    return environment.from_string(TEMPLATE.read_text(encoding="utf-8"))


def _kind(block: Block) -> str:
    return type(block).__name__


def _data(svg: bytes) -> str:
    # as an image, because a drawing that is part of the page could bring scripts with it
    return f"data:image/svg+xml;base64,{base64.b64encode(svg).decode()}"
