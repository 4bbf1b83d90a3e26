"""The document: one Bundle with a Composition, and everything that it refers to.

The same entries give the same bytes, so that a document that is sent twice can be recognised.  The
patient has no name and no number, because the record has none; whoever receives the document has to
know whose it is.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from checkback import __version__
from checkback.errors import UserError
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import CaseEnd, CaseStart, Entry, Session, Signature
from checkback.record.signing import Signing, heads_of, signing
from checkback.reporting.document import DRAFT, Document
from checkback.reporting.fhir import codes, xhtml
from checkback.reporting.fhir.basics import Made, Setting, reference
from checkback.reporting.fhir.resources import resources
from checkback.reporting.fhir.shapes import SECTION_OF, UNKNOWN_SIGN, folded, held
from checkback.reporting.fhir.values import Json, concept, numbers_plain, time_text
from checkback.reporting.fhir.xhtml import safe
from checkback.reporting.tables import put_file

FILE = "case.fhir.json"

NOTE = "Not a medical device: staff decide, check against local protocol."

_CASES = uuid.UUID("3d6f0b3e-8f0e-5b64-8a53-0f6f1d0a7f11")
"""Namespace of the ids of cases."""

_INTERVENES = frozenset(
    ("balloon", "stent", "burr", "crown", "laser catheter", "aspiration catheter", "coil")
)


def document(
    case: Case,
    phrasing: Phrasing,
    *,
    notes: Sequence[str] = (),
    narrative: Document | None = None,
    signed: Signing | None = None,
) -> Json:
    """Return the case as a FHIR R4 document Bundle.

    Parameters
    ----------
    case : Case
        Finished or not.
    phrasing : Phrasing
        Says entries in one line, for people.
    notes : sequence of str
        What a reader must know of the whole: unfinished, torn, broken.
    narrative : Document or None
        The report in prose, for a section of its own.
    signed : Signing or None
        How the record stands to its signatures; None: as the entries say.

    Returns
    -------
    dict
        JSON data.  Withdrawn entries are not in it; those still questioned have the security label
        `UNCERTREL` and a note.

    Raises
    ------
    UserError
        If the case has no entries.
    """
    if not case.entries:
        raise UserError("The case has no entries: there is nothing to put into a document.")
    entries = held(case)
    known = signed if signed is not None else signing(case)
    setting = _setting(case, known)
    made = {entry.n: resources(entry, setting) for entry in entries}
    everything: list[Made] = [
        Made(
            setting.address("composition"),
            _composition(case, entries, known, setting)
            | {
                "section": [
                    _about(case, known, notes),
                    *_prose(narrative),
                    *_sections(entries, made, phrasing),
                ]
            },
        ),
        Made(setting.address("patient"), _patient(case)),
        Made(setting.address("software"), _software(case)),
        *_signers(known, setting),
        Made(setting.address("procedure"), _procedure(case, entries, made, setting)),
        *(each for entry in entries for each in made[entry.n]),
        *(_provenance(case, entry, made[entry.n], setting) for entry in entries),
    ]
    content = numbers_plain([{"fullUrl": each.address, "resource": each.resource} for each in everything])
    digest = uuid.uuid5(setting.case, json.dumps(content, sort_keys=True))
    return {
        "resourceType": "Bundle",
        "identifier": {"system": "urn:ietf:rfc:3986", "value": digest.urn},
        "type": "document",
        "timestamp": _last(case),
        "entry": content,
    }


def as_text(bundle: Json) -> str:
    """Return a bundle as the text of a file."""
    return json.dumps(bundle, ensure_ascii=False, indent=2) + "\n"


def write_document(
    case: Case,
    phrasing: Phrasing,
    folder: Path,
    *,
    source: Path | None = None,
    notes: Sequence[str] = (),
) -> list[Path]:
    """Write the document into a folder, whole or not at all, and return the file.

    Parameters
    ----------
    case : Case
    phrasing : Phrasing
    folder : Path
        An existing folder.
    source : Path or None
        The folder of the case, where the lines stand that signatures name; none: signatures are taken
        as they are.
    notes : sequence of str
        As for `document`.

    Raises
    ------
    UserError
        If the case has no entries, or our own checks object.
    OSError
        If it cannot be written, or the journal not read.
    """
    path = folder / FILE
    put_file(path, checked_text(case, phrasing, source=source, notes=notes).encode())
    return [path]


def checked_text(
    case: Case, phrasing: Phrasing, *, source: Path | None = None, notes: Sequence[str] = ()
) -> str:
    """Return the text of the document with the report in it, if our own checks let it pass.

    Parameters and errors as for `write_document`.
    """
    from checkback.reporting.fhir.checks import insist
    from checkback.reporting.narrative import draft

    signed = signing(case, heads_of(source) if source is not None else None)
    narrative = draft(case, phrasing, signed=signed, notices=tuple(notes)) if case.entries else None
    bundle = document(case, phrasing, notes=notes, narrative=narrative, signed=signed)
    insist(bundle)
    return as_text(bundle)


def _setting(case: Case, signed: Signing) -> Setting:
    first = case.entries[0]
    lives = {n: life for life in case.devices() for n in (life.entry.n, *(e.n for e in life.happenings))}
    questions = {e.n: folded(e.question or "") for e in case.questions()}
    return Setting(uuid.uuid5(_CASES, first.model_dump_json()), questions, lives, signed.signed)


def _last(case: Case) -> str:
    return time_text(max(entry.recorded.wall for entry in case.entries))


# --- what stands once ---------------------------------------------------------------------------


def _patient(case: Case) -> Json:
    told = [e.body.sex for e in case.in_force() if e.body.kind == "patient" and e.body.sex]
    return {"resourceType": "Patient", "gender": told[-1] if told else "unknown"}


def _software(case: Case) -> Json:
    versions = [e.body.program_version for e in case.in_force() if isinstance(e.body, Session)]
    return {
        "resourceType": "Device",
        "deviceName": [{"name": "Checkback", "type": "user-friendly-name"}],
        "type": concept(codes.local("software", "Case log software")),
        "version": [{"value": value} for value in dict.fromkeys(filter(None, map(folded, versions)))]
        or [{"value": __version__}],
        "note": [{"text": NOTE}],
    }


def _procedure(
    case: Case, entries: Sequence[Entry], made: Mapping[int, list[Made]], setting: Setting
) -> Json:
    """Return the whole procedure; an intervention if something was used that treats."""
    start, end = case.latest(CaseStart), case.latest(CaseEnd)
    walls = [entry.at.wall for entry in entries if entry.source != "plan"]
    begun = start.at.wall if start else min(walls, default=case.entries[0].at.wall)
    period = {"start": time_text(begun)}
    if end is not None and end.at.wall >= begun:
        period["end"] = time_text(end.at.wall)
    treated = any(life.body.device in _INTERVENES for life in case.devices())
    implants = [
        {"manipulated": setting.ref("Device", life.entry.n, "device")}
        for life in case.implants()
        if life.entry.n in made
    ]
    complications = [
        reference(each.resource["resourceType"], each.address)
        for entry in entries
        if SECTION_OF.get(entry.body.kind) == "complications"
        for each in made[entry.n]
    ]
    indications = [folded(e.body.indication or "") for e in entries if e.body.kind == "patient"]
    reasons = [{"text": text} for text in indications if text]
    return {
        "resourceType": "Procedure",
        "status": "in-progress" if end is None else "completed",
        "code": concept(codes.INTERVENTION if treated else codes.CATHETERISATION),
        "subject": setting.patient,
        "performedPeriod": period,
        **({"reasonCode": reasons[-1:]} if reasons else {}),
        **({"complicationDetail": complications} if complications else {}),
        **({"focalDevice": implants} if implants else {}),
    }


def _provenance(case: Case, entry: Entry, made: Iterable[Made], setting: Setting) -> Made:
    """Return how and when an entry came into the record."""
    original = case.entry(entry.n)
    revised = original.amends if original is not None else None
    revision = (
        []
        if revised is None
        else [
            {
                "role": "revision",
                "what": {"identifier": {"system": setting.case.urn, "value": str(revised)}},
            }
        ]
    )
    participant = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
    return Made(
        setting.address(entry.n, "provenance"),
        {
            "resourceType": "Provenance",
            "target": [reference(each.resource["resourceType"], each.address) for each in made],
            "occurredDateTime": time_text(entry.said.wall),
            "recorded": time_text(entry.recorded.wall),
            "activity": concept(codes.SOURCES[entry.source]),
            "agent": [
                {
                    "type": {"coding": [{"system": participant, "code": "assembler"}]},
                    "who": setting.ref("Device", "software"),
                }
            ],
            **({"entity": revision} if revision else {}),
        },
    )


def _signers(signed: Signing, setting: Setting) -> list[Made]:
    """Return who signed, by name and role as they gave them."""
    made = []
    for entry in signed.holding if signed.signed else ():
        body = entry.body
        assert isinstance(body, Signature)
        person: Json = {
            "resourceType": "Practitioner",
            "name": [{"text": folded(body.name) or UNKNOWN_SIGN}],
            "qualification": [{"code": {"text": folded(body.role) or UNKNOWN_SIGN}}],
        }
        made.append(Made(setting.address(entry.n, "signer"), person))
    return made


# --- the composition ----------------------------------------------------------------------------


def _composition(case: Case, entries: Sequence[Entry], signed: Signing, setting: Setting) -> Json:
    attested = [
        {
            "mode": "professional",
            "time": time_text(entry.at.wall),
            "party": setting.ref("Practitioner", entry.n, "signer"),
        }
        for entry in (signed.holding if signed.signed else ())
    ]
    return {
        "resourceType": "Composition",
        "status": "final" if signed.signed else "preliminary",
        "type": concept(codes.DOCUMENT),
        "subject": setting.patient,
        "date": _last(case),
        "author": [setting.ref("Device", "software")],
        "title": "Catheterisation record" + ("" if signed.signed else f". {DRAFT}"),
        **({"attester": attested} if attested else {}),
        "event": [{"detail": [setting.procedure]}],
    }


def _prose(narrative: Document | None) -> list[Json]:
    if narrative is None:
        return []
    return [{"title": folded(narrative.title), "text": xhtml.document_text(narrative)}]


def _sections(entries: Sequence[Entry], made: Mapping[int, list[Made]], phrasing: Phrasing) -> Iterator[Json]:
    for name, code in codes.SECTIONS.items():
        own = [entry for entry in entries if _section_of(entry) == name]
        if own:
            yield _section(code, own, made, phrasing)


def _section_of(entry: Entry) -> str:
    if entry.body.kind == "patient" and entry.body.allergies:
        told = entry.body.model_dump(exclude_none=True, exclude={"kind", "allergies"})
        return "history" if told else "allergies"
    return SECTION_OF.get(entry.body.kind, "procedure")


def _about(case: Case, signed: Signing, notes: Sequence[str]) -> Json:
    """Return the section that says how far the document can be trusted."""
    unclear = sum(entry.body.kind == "unclear" for entry in case.questions())
    questioned = len(case.questions()) - unclear
    lines = ["Signed." if signed.signed else DRAFT + ".", NOTE, *notes]
    if signed.outdated and not signed.signed:
        lines.append("It was signed before, and something was recorded since.")
    if signed.false:
        lines.append("It has a signature that does not belong to the entries before it.")
    if questioned:
        lines.append(f"Questioned and not settled: {questioned}, marked below.")
    if unclear:
        lines.append(f"Said but not understood, and not in this document: {unclear}.")
    return {"title": "About this document", "text": xhtml.text(f"<p>{safe(line)}</p>" for line in lines)}


def _section(
    code: codes.Coding,
    entries: Sequence[Entry],
    made: Mapping[int, list[Made]],
    phrasing: Phrasing,
) -> Json:
    lines = []
    for entry in sorted(entries, key=lambda entry: (entry.at.wall, entry.n)):
        mark = " <b>Questioned and not settled.</b>" if entry.standing == "questioned" else ""
        said = safe(phrasing.written(entry.body))
        lines.append(f"<li>{entry.at.wall:%H:%M:%S} {said} [{entry.n}]{mark}</li>")
    # devices are reached through the statement of their use
    refs = [
        reference(each.resource["resourceType"], each.address)
        for entry in entries
        for each in made[entry.n]
        if each.resource["resourceType"] != "Device"
    ]
    return {
        "title": code.display,
        "code": concept(code),
        "text": xhtml.text(["<ul>", *lines, "</ul>"]),
        "entry": refs,
    }
