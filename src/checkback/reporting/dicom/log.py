"""A case becomes a DICOM Procedure Log.

Source: PS3.3, A.35.7 (Procedure Log IOD) and C.17 (SR document); PS3.16, TID 3001.

- One first-level item for each entry that stands or is questioned.  What was withdrawn or amended
  does not appear.
- The order is that of the time when a thing happened, then of the entry's number: a correction
  stands where the event was, an event told afterwards stands where it happened.  Where the clock was
  set, this is the order of what the clock showed, as the standard wants it; the step is an entry.
- A questioned entry is a TEXT that begins with the word; its codes stand below it, so that a reader
  of first-level codes does not take it for a fact.
- No name and no number of a patient is kept in the journal: name and ID are empty (type 2).
- Study and series UIDs are digests of the first entry, the instance UID is one of the content: the
  same journal gives the same file, a journal that went on a new instance of the same series.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from checkback import __version__
from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import CaseEnd, Entry, Patient, Signature
from checkback.record.journal import START, line_of
from checkback.record.signing import signing
from checkback.reporting.dicom import codes
from checkback.reporting.dicom.codes import Code
from checkback.reporting.dicom.layout import CLASSES, NOT_CARRIED, Slot, heads, slots

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

LOG = "procedure-log.dcm"
SOP_CLASS = "1.2.840.10008.5.1.4.1.1.88.40"
"""Procedure Log Storage."""

UTC_FRAME = "1.2.840.10008.15.1.1"
"""Synchronization frame of reference: times are those of UTC (PS3.3, C.7.4.2)."""

QUESTIONED_MARK = "QUESTIONED, not confirmed"

LONGEST_NUMBER = 16
"""Characters of a decimal string (PS3.5, table 6.2-1)."""

_IMPLEMENTATION = uuid.uuid5(uuid.NAMESPACE_DNS, "implementation.checkback.invalid")
_DEVICE = uuid.uuid5(uuid.NAMESPACE_DNS, "device.checkback.invalid")
_ZONE_LIMITS = timedelta(hours=-12), timedelta(hours=14)
_MISSING = "exporting to DICOM needs the packages of the extra 'export': pip install 'checkback[export]'"

Summary = Callable[[Entry], str]
"""Says an entry in one line for people."""


def uid(kind: str, content: str) -> str:
    """Return a UID that is a digest: the same content gives the same one (PS3.5, B.2: 2.25 and a UUID)."""
    digest = hashlib.sha256(f"checkback {kind} {content}".encode()).digest()
    return f"2.25.{uuid.UUID(bytes=digest[:16], version=5).int}"


def carried(case: Case) -> list[Entry]:
    """Return the entries that the log holds, in its order."""
    alive = (
        entry
        for entry in case.entries
        if case.standing(entry)[0] in ("stands", "questioned") and entry.body.kind not in NOT_CARRIED
    )
    return sorted(alive, key=lambda entry: (entry.at.wall, entry.n))


def signed(case: Case, chain: Sequence[str]) -> Entry | None:
    """Return the signature that covers everything on record, or None; see `checkback.record.signing`.

    Parameters
    ----------
    case : Case
    chain : sequence of str
        Hash of each line of its journal.
    """
    found = signing(case, {entry.n: line for entry, line in zip(case.entries, chain, strict=True)})
    return found.holding[-1] if found.signed else None


def dataset(
    case: Case,
    summary: Summary,
    *,
    notes: Sequence[str] = (),
) -> Dataset:
    """Return a case, finished or not, as a Procedure Log.

    Parameters
    ----------
    case : Case
    summary : callable
        An entry in one line; used where codes do not say it all.
    notes : sequence of str
        What a reader must know of the log, such as that the case is unfinished.

    Raises
    ------
    UserError
        If the case has no entries, or pydicom is not installed.
    """
    try:
        from pydicom.dataset import Dataset
        from pydicom.uid import UID
    except ImportError:
        raise UserError(_MISSING) from None
    if not case.entries:
        raise UserError("the case has no entries, so there is nothing that a procedure log could hold")
    last = max(entry.recorded.wall for entry in case.entries)
    chain = _chain(case.entries)
    ds = Dataset()
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.SOPClassUID = UID(SOP_CLASS)
    _patient_and_study(ds, case, chain[0])
    _series_and_equipment(ds, chain[0])
    _document(ds, case, last, notes, signed(case, chain))
    ds.ContentSequence = [
        *_about_the_log(notes, chain[-1]),
        *(_first_level(entry, case, summary) for entry in carried(case)),
    ]
    ds.SOPInstanceUID = uid("instance", _encoded(ds).hex())
    return ds


def file_bytes(ds: Dataset) -> bytes:
    """Return a data set as the bytes of a DICOM file (PS3.10), Explicit VR Little Endian."""
    from pydicom.dataset import FileMetaDataset
    from pydicom.filewriter import dcmwrite
    from pydicom.uid import UID, ExplicitVRLittleEndian

    ds.file_meta = FileMetaDataset()
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.file_meta.ImplementationClassUID = UID(f"2.25.{_IMPLEMENTATION.int}")
    ds.file_meta.ImplementationVersionName = f"CHECKBACK_{__version__}"[:16]
    buffer = BytesIO()
    dcmwrite(buffer, ds, enforce_file_format=True)
    return buffer.getvalue()


def checked_bytes(case: Case, summary: Summary, *, notes: Sequence[str] = ()) -> bytes:
    """Return a case as the bytes of a Procedure Log that was held against the rules.

    Raises
    ------
    UserError
        See `dataset`; also if the log breaks a rule of the standard, which is then named.
    """
    from checkback.reporting.dicom.checks import problems

    ds = dataset(case, summary, notes=notes)
    found = problems(ds)
    if found:
        raise UserError(f"the procedure log would not follow the standard and was not made: {found[0]}")
    return file_bytes(ds)


def write_log(case: Case, summary: Summary, folder: Path, *, notes: Sequence[str] = ()) -> list[Path]:
    """Write `procedure-log.dcm` into a folder, replacing an earlier one in one step.

    Raises
    ------
    UserError
        See `checked_bytes`.
    OSError
        If the folder cannot be written to.
    """
    path = Path(folder) / LOG
    data = checked_bytes(case, summary, notes=notes)
    beside = path.with_name(f".{path.name}.new")
    try:
        beside.write_bytes(data)
        beside.replace(path)
    except OSError:
        beside.unlink(missing_ok=True)
        raise
    return [path]


# --- modules -------------------------------------------------------------------------------------


def _chain(entries: Iterable[Entry]) -> list[str]:
    """Return the hash of each line as the journal has them."""
    hashes, prev = [], START
    for entry in entries:
        _, prev = line_of(entry, prev)
        hashes.append(prev)
    return hashes


def _patient_and_study(ds: Dataset, case: Case, first_hash: str) -> None:
    ds.PatientName = ds.PatientID = ds.PatientBirthDate = ""
    known = [e.body for e in case.in_force() if isinstance(e.body, Patient) and e.body.sex is not None]
    ds.PatientSex = {"female": "F", "male": "M"}.get(known[-1].sex or "", "") if known else ""
    began = case.entries[0].at.wall
    ds.StudyInstanceUID = uid("study", first_hash)
    ds.StudyDate, ds.StudyTime = _date(began), _time(began)
    ds.ReferringPhysicianName = ds.StudyID = ds.AccessionNumber = ""


def _series_and_equipment(ds: Dataset, first_hash: str) -> None:
    from pydicom.uid import UID

    ds.Modality = "SR"
    ds.SeriesInstanceUID = uid("series", first_hash)
    ds.SeriesNumber = 1
    ds.ReferencedPerformedProcedureStepSequence = []
    ds.SynchronizationFrameOfReferenceUID = UID(UTC_FRAME)
    ds.SynchronizationTrigger = "NO TRIGGER"
    # whether somebody keeps the computer's clock right is not known here
    ds.AcquisitionTimeSynchronized = "N"
    ds.Manufacturer = ""
    ds.ManufacturerModelName = "Checkback"
    ds.SoftwareVersions = __version__


def _document(ds: Dataset, case: Case, last: datetime, notes: Sequence[str], signature: Entry | None) -> None:
    from pydicom.dataset import Dataset

    ds.InstanceNumber = 1
    complete = signature is not None and case.latest(CaseEnd) is not None and not case.questions()
    ds.CompletionFlag = "COMPLETE" if complete else "PARTIAL"
    ds.PreliminaryFlag = "FINAL" if complete else "PRELIMINARY"
    if not complete:
        ds.CompletionFlagDescription = _short(notes[0] if notes else "Draft, not signed.")
    ds.VerificationFlag = "VERIFIED" if complete else "UNVERIFIED"
    if complete and signature is not None and isinstance(signature.body, Signature):
        observer = Dataset()
        observer.VerifyingObserverName = _person(signature.body.name) or "not stated"
        observer.VerifyingObserverIdentificationCodeSequence = []
        # the journal keeps no institution, and this may not be empty
        observer.VerifyingOrganization = "not stated"
        observer.VerificationDateTime = date_time(signature.at.wall)
        ds.VerifyingObserverSequence = [observer]
    ds.ContentDate, ds.ContentTime = _date(last), _time(last)
    ds.InstanceCreationDate, ds.InstanceCreationTime = _date(last), _time(last)
    ds.PerformedProcedureCodeSequence = []
    ds.ValueType = "CONTAINER"
    ds.ConceptNameCodeSequence = [_coded(codes.TITLE)]
    ds.ContinuityOfContent = "SEPARATE"
    template = Dataset()
    template.MappingResource = "DCMR"
    template.TemplateIdentifier = "3001"
    ds.ContentTemplateSequence = [template]
    scheme = Dataset()
    scheme.CodingSchemeDesignator = codes.SCHEME
    scheme.CodingSchemeName = codes.SCHEME_NAME
    scheme.CodingSchemeVersion = __version__
    scheme.CodingSchemeResponsibleOrganization = "Checkback"
    ds.CodingSchemeIdentificationSequence = [scheme]


def _about_the_log(notes: Sequence[str], head: str) -> list[Dataset]:
    """Return who observed (TID 1002: this program), the last hash and what must be known of the log."""
    device = _item("HAS OBS CONTEXT", "UIDREF", codes.OBSERVER_UID)
    device.UID = f"2.25.{_DEVICE.int}"
    return [
        _code_item(codes.OBSERVER_TYPE, codes.DEVICE, "HAS OBS CONTEXT"),
        device,
        _text_item(codes.OBSERVER_NAME, f"Checkback {__version__}", "HAS OBS CONTEXT"),
        _text_item(codes.JOURNAL_HEAD, head, "HAS OBS CONTEXT"),
        *(_text_item(codes.AT_ROOT, note, "HAS OBS CONTEXT") for note in notes),
    ]


# --- entries -------------------------------------------------------------------------------------


def _first_level(entry: Entry, case: Case, summary: Summary) -> Dataset:
    item, complete = _body_item(entry.body)
    if case.standing(entry)[0] == "questioned":
        item.RelationshipType = "HAS PROPERTIES"
        said = summary(entry)
        outer = _text_item(codes.QUESTIONED, f"{QUESTIONED_MARK}: {said}" if said else QUESTIONED_MARK)
        outer.ContentSequence = [item]
        item = outer
        if entry.question and clean(entry.question):
            _below(item, _text_item(codes.QUESTION, entry.question))
    item.RelationshipType = "CONTAINS"
    item.ObservationDateTime = date_time(entry.at.wall)
    if not complete and clean(summary(entry)):
        _below(item, _text_item(codes.COMMENT, summary(entry)))
    _below(item, _number_item(codes.NUMBER, Decimal(entry.n), codes.NO_UNIT))
    if entry.said.wall != entry.at.wall:
        _below(item, _time_item(codes.SAID, entry.said.wall))
    _below(item, _time_item(codes.RECORDED, entry.recorded.wall))
    _below(item, _code_item(codes.SOURCE, codes.own_value(entry.source)))
    if clean(entry.words):
        _below(item, _text_item(codes.WORDS, entry.words))
    return item


def _body_item(body: Any) -> tuple[Dataset, bool]:
    """Return a body as an item, and whether every field of it is in."""
    kind = body.kind
    head = next(head for head in heads(kind) if head.fits(body))
    by_field = {slot.field: slot for slot in slots(kind)}
    told = set(head.when)
    if isinstance(head.value, Code):
        item = _code_item(head.concept, head.value)
    else:
        told.add(head.value)
        item = _field_item(by_field[head.value], body, head.concept)
    if head.action_id is not None:
        _below(item, _text_item(codes.ACTION_ID, head.action_id))
    fields = CLASSES[kind].model_fields
    for slot in by_field.values():
        value = getattr(body, slot.field)
        if slot.field not in told and value is not None and value != fields[slot.field].default:
            _below(item, _field_item(slot, body, slot.concept))
    unit = getattr(body, "unit", None)
    if unit is not None and _unit_is_apart(body, unit):
        _below(item, _text_or_empty(codes.DRUG_UNIT, unit))
    held = {*by_field, "kind", "unit"}
    return item, all(getattr(body, name) is None for name in fields if name not in held)


def _unit_is_apart(body: Any, unit: str) -> bool:
    """Whether no number of the body can carry the unit."""
    amount = getattr(body, "dose", None) if hasattr(body, "dose") else getattr(body, "rate", None)
    return amount is None or unit not in codes.DRUG_UNITS


def _field_item(slot: Slot, body: Any, concept: Code) -> Dataset:
    value = getattr(body, slot.field)
    if slot.form == "number":
        unit = slot.unit
        if unit is None:
            name = getattr(body, slot.unit_field or "")
            unit = codes.NO_UNIT if name is None else codes.DRUG_UNITS.get(name, codes.UNIT_AS_TEXT)
        number = Decimal(repr(value)) if isinstance(value, float) else Decimal(value)
        return _number_item(concept, number * slot.factor, unit)
    if slot.form == "flag":
        return _code_item(concept, codes.YES if value else codes.NO)
    if slot.form == "choice":
        return _code_item(concept, slot.values[value])
    if slot.form == "time":
        return _time_item(concept, value)
    text = str(value)
    if slot.form == "name":
        known = slot.values.get(text)
        if known is not None or codes.can_be_coded(text):
            return _code_item(concept, known or codes.own_value(text))
    return _text_or_empty(concept, text)


# --- items ---------------------------------------------------------------------------------------


def _below(item: Dataset, child: Dataset) -> None:
    if "ContentSequence" not in item:
        item.ContentSequence = []
    item.ContentSequence.append(child)


def _item(relationship: str, value_type: str, concept: Code) -> Dataset:
    from pydicom.dataset import Dataset

    item = Dataset()
    item.RelationshipType = relationship
    item.ValueType = value_type
    item.ConceptNameCodeSequence = [_coded(concept)]
    return item


def _coded(code: Code) -> Dataset:
    from pydicom.dataset import Dataset

    ds = Dataset()
    ds.CodeValue = code.value
    ds.CodingSchemeDesignator = code.scheme
    ds.CodeMeaning = code.meaning
    return ds


def _code_item(concept: Code, value: Code, relationship: str = "HAS PROPERTIES") -> Dataset:
    item = _item(relationship, "CODE", concept)
    item.ConceptCodeSequence = [_coded(value)]
    return item


def _text_item(concept: Code, text: str, relationship: str = "HAS PROPERTIES") -> Dataset:
    item = _item(relationship, "TEXT", concept)
    item.TextValue = clean(text)
    return item


def _text_or_empty(concept: Code, text: str) -> Dataset:
    """Return a text; an empty one, which a TEXT must not be, as a code."""
    return _text_item(concept, text) if clean(text) else _code_item(concept, codes.EMPTY)


def _time_item(concept: Code, value: datetime) -> Dataset:
    item = _item("HAS PROPERTIES", "DATETIME", concept)
    item.DateTime = date_time(value)
    return item


def _number_item(concept: Code, value: Decimal, unit: Code) -> Dataset:
    from pydicom.dataset import Dataset

    measured = Dataset()
    measured.MeasurementUnitsCodeSequence = [_coded(unit)]
    text = decimal_text(value)
    if len(text) > LONGEST_NUMBER:
        # (PS3.3, C.18.1) the exact value goes beside what the string can hold
        measured.FloatingPointValue = float(value)
        text = _rounded(value)
    measured.NumericValue = text
    item = _item("HAS PROPERTIES", "NUM", concept)
    item.MeasuredValueSequence = [measured]
    return item


def decimal_text(value: Decimal) -> str:
    """Return a number without exponent and needless zeros."""
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _rounded(value: Decimal) -> str:
    for digits in range(LONGEST_NUMBER, 0, -1):
        text = f"{value:.{digits}g}"
        if len(text) <= LONGEST_NUMBER:
            return text
    raise AssertionError("a number with one digit fits")


def clean(text: str) -> str:
    """Return a text as a TEXT item can hold it: no control characters but those of layout, no blanks at the end."""
    kept = (
        sign
        if sign in "\t\n\f\r" or not ("\0" <= sign < " " or "\x7f" <= sign < "\xa0")
        else "\N{REPLACEMENT CHARACTER}"
        for sign in text
    )
    return "".join(kept).rstrip(" ")


def date_time(value: datetime) -> str:
    """Return a moment as a DT with milliseconds and offset; an offset that a DT cannot hold becomes UTC."""
    offset = value.utcoffset() or timedelta(0)
    lowest, highest = _ZONE_LIMITS
    if not lowest <= offset <= highest or offset % timedelta(minutes=1):
        value, offset = value.astimezone(UTC), timedelta(0)
    minutes = int(offset.total_seconds()) // 60
    sign = "-" if minutes < 0 else "+"
    return (
        f"{_date(value)}{value:%H%M%S}.{value.microsecond // 1000:03}"
        f"{sign}{abs(minutes) // 60:02}{abs(minutes) % 60:02}"
    )


def _date(value: datetime) -> str:
    return f"{value.year:04}{value:%m%d}"


def _time(value: datetime) -> str:
    return f"{value:%H%M%S}.{value.microsecond // 1000:03}"


def _short(text: str) -> str:
    return " ".join(clean(text).replace("\\", "/").split())[:64].rstrip()


def _person(name: str) -> str:
    """Return a name as a PN; its parts cannot be told apart, so it is all of the first one."""
    return " ".join(clean(name).replace("\\", " ").replace("^", " ").replace("=", " ").split())[:64]


def _encoded(ds: Dataset) -> bytes:
    from pydicom.filebase import DicomBytesIO
    from pydicom.filewriter import write_dataset

    raw = DicomBytesIO()
    raw.is_little_endian, raw.is_implicit_VR = True, False
    write_dataset(raw, ds)
    return bytes(raw.getvalue())
