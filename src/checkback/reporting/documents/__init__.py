"""Writes a document in the formats that people read."""

from __future__ import annotations

from typing import Literal, get_args

from checkback.errors import UserError
from checkback.reporting.document import Document

Format = Literal["text", "markdown", "html", "pdf", "docx"]

FORMATS: tuple[Format, ...] = get_args(Format)

SUFFIX: dict[Format, str] = {
    "text": ".txt",
    "markdown": ".md",
    "html": ".html",
    "pdf": ".pdf",
    "docx": ".docx",
}
"""How the names of files end."""


def written(document: Document, how: Format) -> bytes:
    """Return a document as the content of a file.

    Raises
    ------
    UserError
        If the library for the format is not installed, or cannot set the document.
    """
    # each format brings its own library in, so only the one that is asked for is needed
    match how:
        case "text":
            from checkback.reporting.documents.text import as_text

            return as_text(document).encode()
        case "markdown":
            from checkback.reporting.documents.markdown import as_markdown

            return as_markdown(document).encode()
        case "html":
            from checkback.reporting.documents.html import as_html

            return as_html(document).encode()
        case "pdf":
            from checkback.reporting.documents.pdf import as_pdf

            return as_pdf(document)
        case "docx":
            from checkback.reporting.documents.docx import as_docx

            return as_docx(document)


def not_installed(library: str, how: str) -> UserError:
    """Return the mistake of a format whose library is not there."""
    return UserError(
        f"{how} cannot be written, because {library} is not installed: "
        "install it with pip install 'checkback[report]', or ask for another --format."
    )
