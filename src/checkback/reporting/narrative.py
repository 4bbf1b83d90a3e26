"""The draft of the procedure report: prose in which every sentence names the entries it came from.

The wording is a Jinja2 template (`templates/narrative.txt.j2`), what goes where is decided in
`narrative_contents` and `narrative_course`.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import Entry, Moment, Signature
from checkback.record.signing import SHORT, Signing, signing
from checkback.reporting.computed import NOTHING, Computed
from checkback.reporting.document import DRAFT, Document, Mark
from checkback.reporting.documents.text import as_text
from checkback.reporting.narrative_contents import contents
from checkback.reporting.narrative_template import Marks, blocks_from

TEMPLATE = Path(__file__).parent / "templates" / "narrative.txt.j2"

TITLE = "Coronary procedure report"


def draft(
    case: Case,
    phrasing: Phrasing,
    *,
    computed: Computed = NOTHING,
    signed: Signing | None = None,
    template: Path = TEMPLATE,
    notices: tuple[str, ...] = (),
) -> Document:
    """Put the draft report of a case together.

    Parameters
    ----------
    case : Case
        Finished or not; it may be empty.
    phrasing : Phrasing
        Writes the entries that are open.
    computed : Computed
        Figures that were computed from the entries.
    signed : Signing or None
        How the record stands to its signatures; None: as the entries say.
    template : Path
        A laboratory's own template.
    notices : tuple of str
        What must stand on every page.

    Raises
    ------
    UserError
        If the template cannot be used.
    """
    known = signed if signed is not None else signing(case)
    values = contents(case) | {
        "computed": [figure for figure in computed.figures if figure.text],
        "note": computed.note,
        "signing": known,
    }
    blocks = blocks_from(template, values, {"summary": phrasing.summary}, marks_of(case))
    return Document(
        title=TITLE,
        status=status_line(known),
        blocks=blocks,
        signed=known.signed,
        notices=(*notices, *about_signatures(known)),
    )


def narrative(
    case: Case, phrasing: Phrasing, *, template: Path = TEMPLATE, signed: Signing | None = None
) -> str:
    """Write the draft report of a case as plain text; see `draft`."""
    return as_text(draft(case, phrasing, template=template, signed=signed))


def marks_of(case: Case) -> Marks:
    """Return what tells the marks of an entry."""

    def marks(n: int) -> Iterable[Mark]:
        entry = case.entry(n)
        if entry is None:
            return
        if case.standing(entry)[0] == "questioned":
            yield "questioned"
        if entry.body.kind == "dictation":
            # a note that grows replaces itself with each part
            yield "dictated"
        elif entry.amends is not None and case.standing(entry)[0] == "stands":
            before = case.entry(entry.amends)
            asked = before is not None and (before.standing == "questioned" or before.body.kind == "unclear")
            yield "clarified" if asked else "amended"

    return marks


def status_line(signed: Signing) -> str:
    """Return the status of a document: `DRAFT`, or who signed and when."""
    if not signed.signed:
        return DRAFT
    return "Signed by " + " and ".join(_who(entry) for entry in signed.holding)


def _who(entry: Entry) -> str:
    body = entry.body
    assert isinstance(body, Signature)
    return f"{_line(body.name)}, {_line(body.role)}, on {_when(entry.at)}"


def _line(text: str) -> str:
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def _when(moment: Moment) -> str:
    return f"{moment.wall:%Y-%m-%d at %H:%M}"


def about_signatures(signed: Signing) -> tuple[str, ...]:
    """Return what is to be said of signatures on every page, beside the status."""
    said = []
    for entry in signed.false:
        said.append(
            f"The signature in entry {entry.n} does not belong to the entries before it: the record was "
            "changed after it was signed, or put together anew."
        )
    if signed.outdated and not signed.holding:
        last = signed.outdated[-1]
        assert isinstance(last.body, Signature)
        count = f"{signed.later} entries" if signed.later != 1 else "1 entry"
        said.append(
            f"It was signed by {_who(last)}, up to entry {last.body.entries}; {count} came later, so this is a draft again."
        )
    for entry in signed.holding if signed.signed else ():
        assert isinstance(entry.body, Signature)
        said.append(
            f"The signature covers {entry.body.entries} entries, up to the hash {entry.body.head[:SHORT]}."
        )
    return tuple(said)
