"""One document in every format says the same, and nobody's words can break it.

Each format is read back by a reader that has nothing to do with what wrote it.
"""

from __future__ import annotations

import io
import re
import shutil
import struct
import subprocess
import sys
import zipfile
import zlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checkback.errors import UserError
from checkback.reporting.document import (
    DRAFT,
    BulletList,
    DataTable,
    Document,
    Figure,
    Heading,
    PageBreak,
    Paragraph,
    cell,
    run,
    split_stop,
)
from checkback.reporting.documents import FORMATS, written
from checkback.reporting.documents.html import as_html
from checkback.reporting.documents.markdown import as_markdown
from checkback.reporting.documents.text import WIDTH, as_text

SVG = b"""<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 60 10" width="60" height="10">
<rect width="40" height="8" fill="#036"/></svg>"""


def png() -> bytes:
    """Return the smallest grey picture, written by the rules of the PNG specification."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0\0"))
        + chunk(b"IEND", b"")
    )


WHOLE = Document(
    "Report of a case",
    DRAFT,
    (
        Heading(1, "Access"),
        Paragraph((run("Access was right radial.", 4), run("Heparin 7000 units was given.", 10, marks=("amended",)))),
        BulletList((cell("the closure"), cell("1. contrast *forty*.", 3, marks=("questioned",))), style="warning"),
        Paragraph(cell("Small print & <b>signs</b> #x $y _z_ `q`."), "note"),
        Heading(2, "Mid right coronary"),
        DataTable(
            ("Device", "atm"),
            ((cell("3.0 × 15 mm balloon", 4), cell("16", 5)), (cell("stent | covered", 7), cell(""))),
            "Devices",
            frozenset({1}),
        ),
        Figure(SVG, png(), "A bar of forty", "The course"),
        PageBreak(),
        Heading(1, "Closure"),
        Paragraph(cell("Left in.", strong=True)),
    ),
    notices=("The journal is broken at line 3.",),
)  # fmt: skip

SAID = [
    "Report of a case",
    DRAFT,
    "The journal is broken at line 3.",
    "Access was right radial",
    "(amended)",
    "[10]",
    "1. contrast *forty* [3]",
    "(questioned)",
    "Small print & <b>signs</b> #x $y _z_ `q`.",
    "Mid right coronary",
    "3.0 × 15 mm balloon [4]",
    "stent | covered [7]",
    "Closure",
]


def spaced(text: str) -> str:
    return " ".join(text.split())


def test_text_is_what_one_would_paste() -> None:
    assert (
        as_text(WHOLE)
        == """\
DRAFT, not signed

The journal is broken at line 3.

Report of a case
================

Access
------

Access was right radial [4]. Heparin 7000 units was given [10] (amended).

! the closure
! 1. contrast *forty* [3] (questioned).

Small print & <b>signs</b> #x $y _z_ `q`.

Mid right coronary
------------------

Devices
Device                      atm
-----------------------  ------
3.0 × 15 mm balloon [4]  16 [5]
stent | covered [7]

[Figure: A bar of forty]

The course

Closure
-------

Left in.
"""
    )


def test_a_wide_table_is_folded_into_the_width_of_the_text() -> None:
    words = "word " * 40
    table = DataTable(("a", "b", "c"), ((cell(words), cell(words), cell("x")),))
    lines = as_text(Document("t", DRAFT, (table,))).splitlines()
    assert max(map(len, lines)) <= WIDTH
    assert sum(line.count("word") for line in lines) == 80


@pytest.mark.outside
def test_markdown_as_another_parser_reads_it() -> None:
    """markdown-it-py, CommonMark with tables."""
    from markdown_it import MarkdownIt

    tokens = MarkdownIt("commonmark").enable("table").parse(as_markdown(WHOLE))
    inline = [
        spaced("".join(c.content for c in t.children or () if c.type != "image"))
        for t in tokens
        if t.type == "inline"
    ]
    text = " ".join(inline)
    assert [t.tag for t in tokens if t.type == "heading_open"] == ["h1", "h2", "h3", "h2"]
    assert [said for said in SAID if said not in text] == []
    assert sum(t.type == "tr_open" for t in tokens) == 3
    assert sum(t.type == "td_open" for t in tokens) == 4
    assert not [t for t in tokens if t.type in ("html_block", "ordered_list_open", "fence", "code_block")]
    assert not [
        c for t in tokens for c in t.children or () if c.type in ("html_inline", "link_open", "code_inline")
    ]


@pytest.mark.outside
@settings(max_examples=100, deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"]), min_size=1))
def test_any_words_stay_words_in_markdown(words: str) -> None:
    """markdown-it-py finds one paragraph, and its text is what was said."""
    from markdown_it import MarkdownIt

    said = spaced(words)
    tokens = (
        MarkdownIt("commonmark")
        .enable("table")
        .parse(as_markdown(Document("t", "s", (Paragraph(cell(words)),))))
    )
    found = [t for t in tokens if t.type == "inline"][2:]
    assert [spaced("".join(c.content for c in t.children or ())) for t in found] == ([said] if said else [])
    assert len([t for t in tokens if t.type == "paragraph_open"]) == (2 if said else 1)


@pytest.mark.outside
def test_html_as_another_parser_reads_it() -> None:
    """html5lib: no error of syntax, nothing from elsewhere, nothing that runs."""
    import html5lib

    page = as_html(WHOLE)
    parser = html5lib.HTMLParser(
        tree=html5lib.getTreeBuilder("etree"), namespaceHTMLElements=False, strict=True
    )
    root = parser.parse(page)
    text = spaced("".join(root.find("body").itertext()))
    assert [said for said in SAID if said not in text] == []
    assert {e.tag for e in root.iter() if isinstance(e.tag, str)} & {
        "script",
        "link",
        "b",
        "iframe",
        "object",
    } == set()
    (figure,) = root.iter("img")
    assert figure.get("alt") == "A bar of forty" and figure.get("src").startswith(
        "data:image/svg+xml;base64,"
    )
    assert re.findall(r'(?:src|href)="(?!data:)', page) == []
    assert [e.tag for e in root.iter() if e.tag in ("h1", "h2", "h3")] == ["h1", "h2", "h3", "h2"]
    assert len(list(root.iter("th"))) == 2 and all(e.get("scope") == "col" for e in root.iter("th"))


def test_nothing_in_the_style_can_cut_a_line_short_in_print() -> None:
    style = re.sub(r"/\*.*?\*/", "", as_html(WHOLE), flags=re.DOTALL)
    assert "nowrap" not in style and "overflow" not in style


@pytest.mark.outside
def test_pdf_as_another_reader_reads_it() -> None:
    """pdfminer.six."""
    pytest.importorskip("typst")
    from pdfminer.high_level import extract_pages, extract_text

    pdf = written(WHOLE, "pdf")
    pages = [spaced(extract_text(io.BytesIO(pdf), page_numbers=[i])) for i in range(2)]
    assert len(list(extract_pages(io.BytesIO(pdf)))) == 2
    # columns come out as blocks, so a line of a table is looked for in its pieces
    assert [said for said in SAID if said not in " ".join(pages)] == []
    assert all(DRAFT in page and "The journal is broken at line 3." in page for page in pages)
    assert "page 2 of 2" in pages[1] and "Left in." in pages[1]


def test_pdf_is_tagged_and_names_what_the_figure_shows() -> None:
    pytest.importorskip("typst")
    from pdfminer.pdfdocument import PDFDocument
    from pdfminer.pdfparser import PDFParser
    from pdfminer.pdftypes import resolve1

    read = PDFDocument(PDFParser(io.BytesIO(written(WHOLE, "pdf"))))
    assert resolve1(read.catalog["MarkInfo"])["Marked"] is True
    assert "StructTreeRoot" in read.catalog
    assert any(b"A bar of forty" in str(resolve1(value)).encode() for value in _objects(read))


def _objects(read: Any) -> list[Any]:
    found = []
    for xref in read.xrefs:
        for number in xref.get_objids():
            found.append(read.getobj(number))
    return found


@pytest.mark.outside
def test_docx_as_another_reader_reads_it() -> None:
    """mammoth reads the body; the header is looked up in the package itself."""
    pytest.importorskip("docx")
    import html5lib
    import mammoth

    docx = written(WHOLE, "docx")
    body = mammoth.convert_to_html(io.BytesIO(docx)).value
    root = html5lib.parse(body, namespaceHTMLElements=False)
    text = spaced("".join(root.itertext()))
    assert [said for said in SAID if said not in text] == []
    assert len(list(root.iter("tr"))) == 3
    assert [e.get("alt") for e in root.iter("img")] == ["A bar of forty"]
    header = zipfile.ZipFile(io.BytesIO(docx)).read("word/header1.xml").decode()
    assert DRAFT in header and "The journal is broken at line 3." in header


@pytest.mark.outside
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext (poppler-utils) is not installed")
def test_pdf_as_pdftotext_reads_it(tmp_path: Path) -> None:
    """Poppler's pdftotext keeps the layout, so a row of a table is one line."""
    pytest.importorskip("typst")
    path = tmp_path / "report.pdf"
    path.write_bytes(written(WHOLE, "pdf"))
    done = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, check=True)
    assert done.stderr == b""
    text = spaced(done.stdout.decode())
    assert [said for said in SAID if said not in text] == []
    pages = text.split("Report of a case The journal is broken at line 3.")
    assert len(pages) == 3 and all(DRAFT in page for page in pages), "above each page, and below"


@pytest.mark.outside
def test_docx_as_python_docx_reads_it() -> None:
    """python-docx also writes it; it is how other programs will open the parts of the file."""
    docx = pytest.importorskip("docx")
    read = docx.Document(io.BytesIO(written(WHOLE, "docx")))
    pieces = [p.text for p in read.paragraphs]
    pieces += [cell.text for table in read.tables for row in table.rows for cell in row.cells]
    text = spaced(" ".join(pieces))
    assert [said for said in SAID if said not in text] == []
    assert [len(table.rows) for table in read.tables] == [3]
    header = " ".join(p.text for p in read.sections[0].header.paragraphs)
    assert DRAFT in header and "The journal is broken at line 3." in header


@pytest.mark.parametrize("how", FORMATS)
def test_the_same_document_gives_the_same_file(how: Any) -> None:
    pytest.importorskip({"pdf": "typst", "docx": "docx"}.get(how, "sys"))
    first, second = written(WHOLE, how), written(WHOLE, how)
    if how == "docx":  # the package writes the hour of packing beside each part
        parts = [{name: file.read(name) for name in file.namelist()} for file in map(zipfile.ZipFile, map(io.BytesIO, (first, second)))]  # fmt: skip
        assert parts[0] == parts[1]
    else:
        assert first == second


@pytest.mark.parametrize("how", FORMATS)
def test_an_empty_document_and_odd_signs_are_no_trouble(how: Any) -> None:
    pytest.importorskip({"pdf": "typst", "docx": "docx"}.get(how, "sys"))
    odd = Document(
        "t",
        DRAFT,
        (Paragraph(()), DataTable(("a",), ()), Paragraph(cell('\x00\x1b[2J\ud7ff #import "x" \u202e'))),
    )
    assert written(Document("t", DRAFT, ()), how)
    assert written(odd, how)


@pytest.mark.parametrize(("module", "how"), [("typst", "pdf"), ("docx", "docx")])
def test_a_missing_library_is_named_with_its_remedy(
    module: str, how: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(UserError, match=r"is not installed.*pip install 'checkback\[report\]'"):
        written(WHOLE, how)


def test_a_table_with_a_cell_too_few_is_refused() -> None:
    with pytest.raises(ValueError, match="1 cells in a table of 2 columns"):
        DataTable(("a", "b"), ((cell("x"),),))


@pytest.mark.parametrize(
    ("text", "parts"),
    [("It was so.", ("It was so", ".")), ("", ("", "")), ("mm", ("mm", "")), ("16;", ("16", ";"))],
)
def test_a_citation_goes_before_the_stop(text: str, parts: tuple[str, str]) -> None:
    assert split_stop(text) == parts
