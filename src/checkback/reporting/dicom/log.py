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
from datetime import datetime, timedelta, timezone
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
from checkback.reporting.dicom.items import (
    below,
    clean,
    code_item,
    coded,
    date_of,
    date_time,
    new_item,
    number_item,
    person_of,
    short,
    text_item,
    text_or_empty,
    time_item,
    time_of,
)
from checkback.reporting.dicom.layout import CLASSES, NOT_CARRIED, Slot, heads, slots

if TYPE_CHECKING:
    from pydicom.dataelem import DataElement
    from pydicom.dataset import Dataset

LOG = "procedure-log.dcm"
SOP_CLASS = "1.2.840.10008.5.1.4.1.1.88.40"
"""Procedure Log Storage."""

UTC_FRAME = "1.2.840.10008.15.1.1"
"""Synchronization frame of reference: times are those of UTC (PS3.3, C.7.4.2)."""

QUESTIONED_MARK = "QUESTIONED, not confirmed"

_IMPLEMENTATION = uuid.uuid5(uuid.NAMESPACE_DNS, "implementation.checkback.invalid")
_DEVICE = uuid.uuid5(uuid.NAMESPACE_DNS, "device.checkback.invalid")
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
    zone = _zone(case.entries[0].at.wall)
    last = max(entry.recorded.wall for entry in case.entries).astimezone(zone)
    chain = _chain(case.entries)
    ds = Dataset()
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.SOPClassUID = UID(SOP_CLASS)
    ds.TimezoneOffsetFromUTC = f"{last:%z}"
    _patient_and_study(ds, case, chain[0])
    _series_and_equipment(ds, chain[0])
    _document(ds, case, last, notes, signed(case, chain))
    ds.ContentSequence = [
        *_about_the_log(notes, chain[-1]),
        *(_first_level(entry, case, summary) for entry in carried(case)),
    ]
    _in_one_zone(ds)
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
    began = began.astimezone(_zone(began))
    ds.StudyInstanceUID = uid("study", first_hash)
    ds.StudyDate, ds.StudyTime = date_of(began), time_of(began)
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
        ds.CompletionFlagDescription = short(notes[0] if notes else "Draft, not signed.")
    ds.VerificationFlag = "VERIFIED" if complete else "UNVERIFIED"
    if complete and signature is not None and isinstance(signature.body, Signature):
        observer = Dataset()
        observer.VerifyingObserverName = person_of(signature.body.name) or "not stated"
        observer.VerifyingObserverIdentificationCodeSequence = []
        # the journal keeps no institution, and this may not be empty
        observer.VerifyingOrganization = "not stated"
        observer.VerificationDateTime = date_time(signature.at.wall)
        ds.VerifyingObserverSequence = [observer]
    ds.ContentDate, ds.ContentTime = date_of(last), time_of(last)
    ds.InstanceCreationDate, ds.InstanceCreationTime = date_of(last), time_of(last)
    ds.PerformedProcedureCodeSequence = []
    ds.ValueType = "CONTAINER"
    ds.ConceptNameCodeSequence = [coded(codes.TITLE)]
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
    device = new_item("HAS OBS CONTEXT", "UIDREF", codes.OBSERVER_UID)
    device.UID = f"2.25.{_DEVICE.int}"
    return [
        code_item(codes.OBSERVER_TYPE, codes.DEVICE, "HAS OBS CONTEXT"),
        device,
        text_item(codes.OBSERVER_NAME, f"Checkback {__version__}", "HAS OBS CONTEXT"),
        text_item(codes.JOURNAL_HEAD, head, "HAS OBS CONTEXT"),
        *(text_item(codes.AT_ROOT, note, "HAS OBS CONTEXT") for note in notes),
    ]


# --- entries -------------------------------------------------------------------------------------


def _first_level(entry: Entry, case: Case, summary: Summary) -> Dataset:
    item, complete = _body_item(entry.body)
    if case.standing(entry)[0] == "questioned":
        item.RelationshipType = "HAS PROPERTIES"
        said = summary(entry)
        outer = text_item(codes.QUESTIONED, f"{QUESTIONED_MARK}: {said}" if said else QUESTIONED_MARK)
        outer.ContentSequence = [item]
        item = outer
        if entry.question and clean(entry.question):
            below(item, text_item(codes.QUESTION, entry.question))
    item.RelationshipType = "CONTAINS"
    item.ObservationDateTime = date_time(entry.at.wall)
    if not complete and clean(summary(entry)):
        below(item, text_item(codes.COMMENT, summary(entry)))
    below(item, number_item(codes.NUMBER, Decimal(entry.n), codes.NO_UNIT))
    if entry.said.wall != entry.at.wall:
        below(item, time_item(codes.SAID, entry.said.wall))
    below(item, time_item(codes.RECORDED, entry.recorded.wall))
    below(item, code_item(codes.SOURCE, codes.own_value(entry.source)))
    if clean(entry.words):
        below(item, text_item(codes.WORDS, entry.words))
    return item


def _body_item(body: Any) -> tuple[Dataset, bool]:
    """Return a body as an item, and whether every field of it is in."""
    kind = body.kind
    head = next(head for head in heads(kind) if head.fits(body))
    by_field = {slot.field: slot for slot in slots(kind)}
    told = set(head.when)
    if isinstance(head.value, Code):
        item = code_item(head.concept, head.value)
    else:
        told.add(head.value)
        item = _field_item(by_field[head.value], body, head.concept)
    if head.action_id is not None:
        below(item, text_item(codes.ACTION_ID, head.action_id))
    fields = CLASSES[kind].model_fields
    for slot in by_field.values():
        value = getattr(body, slot.field)
        if slot.field not in told and value is not None and value != fields[slot.field].default:
            below(item, _field_item(slot, body, slot.concept))
    unit = getattr(body, "unit", None)
    if unit is not None and _unit_is_apart(body, unit):
        below(item, text_or_empty(codes.DRUG_UNIT, unit))
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
        return number_item(concept, number * slot.factor, unit)
    if slot.form == "flag":
        return code_item(concept, codes.YES if value else codes.NO)
    if slot.form == "choice":
        return code_item(concept, slot.values[value])
    if slot.form == "time":
        return time_item(concept, value)
    text = str(value)
    if slot.form == "name":
        known = slot.values.get(text)
        if known is not None or codes.can_be_coded(text):
            return code_item(concept, known or codes.own_value(text))
    return text_or_empty(concept, text)


# --- zone -----------------------------------------------------------------------------------------


def _zone(wall: datetime) -> timezone:
    """Return the zone of the log: that of a time in it, or UTC if a DT cannot hold that."""
    return timezone(timedelta(minutes=_minutes(date_time(wall)[-5:])))


def _minutes(offset: str) -> int:
    """Return the minutes of an offset like +0130."""
    minutes = int(offset[1:3]) * 60 + int(offset[3:5])
    return -minutes if offset[0] == "-" else minutes


def _in_one_zone(ds: Dataset) -> None:
    """Take the offsets below one hour out of the DTs.

    They are legal, and dcmtk 3.6.7 refuses a file that has one.  Such a time is written in the zone of
    the log, with its offset, or without it where that one is below an hour too (PS3.3, C.12.1.1.8).
    """
    log_minutes = _minutes(ds.TimezoneOffsetFromUTC)
    bare = abs(log_minutes) < 60
    zone = timezone(timedelta(minutes=log_minutes))

    def settle(_: Dataset, element: DataElement) -> None:
        if element.VR != "DT" or abs(_minutes(str(element.value)[-5:])) >= 60:
            return
        moment = datetime.strptime(str(element.value), "%Y%m%d%H%M%S.%f%z").astimezone(zone)
        text = date_time(moment)
        element.value = text[:-5] if bare else text

    ds.walk(settle)


def _encoded(ds: Dataset) -> bytes:
    from pydicom.filebase import DicomBytesIO
    from pydicom.filewriter import write_dataset

    raw = DicomBytesIO()
    raw.is_little_endian, raw.is_implicit_VR = True, False
    write_dataset(raw, ds)
    return bytes(raw.getvalue())
