"""Own checks of a Procedure Log, for what readers of DICOM do not check.

Source: PS3.3, A.35.7.3.1 (content constraints, table A.35.7-2), C.7.4.2 (synchronization), C.17;
PS3.16, TID 3001 and 1002.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from checkback.reporting.dicom import codes
from checkback.reporting.dicom.items import LONGEST_NUMBER
from checkback.reporting.dicom.log import SOP_CLASS
from checkback.reporting.dicom.reading import _DATE_TIME, _moment, _Unreadable

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

VALUE_TYPES = ("TEXT", "CODE", "NUM", "PNAME", "DATETIME", "UIDREF")
_PROPERTY = frozenset(("TEXT", "CODE", "NUM", "DATETIME", "UIDREF", "PNAME"))

RELATIONSHIPS: dict[str, dict[str, frozenset[str]]] = {
    "CONTAINER": {
        "CONTAINS": frozenset(("TEXT", "CODE", "NUM", "PNAME")),
        "HAS OBS CONTEXT": _PROPERTY,
        "HAS ACQ CONTEXT": frozenset(("TEXT", "CODE", "NUM", "DATETIME", "UIDREF", "PNAME")),
        "HAS CONCEPT MOD": frozenset(("TEXT", "CODE")),
    },
    **{
        source: {
            "HAS OBS CONTEXT": _PROPERTY,
            "HAS PROPERTIES": _PROPERTY,
            "HAS CONCEPT MOD": frozenset(("TEXT", "CODE")),
        }
        for source in ("TEXT", "CODE", "NUM", "PNAME")
    },
}
"""By the parent's value type, the relationships of a log and the value types they lead to; items by
reference, images, waveforms and composites are not written here."""

_VALUE_OF = {
    "TEXT": "TextValue",
    "CODE": "ConceptCodeSequence",
    "NUM": "MeasuredValueSequence",
    "PNAME": "PersonName",
    "DATETIME": "DateTime",
    "UIDREF": "UID",
}
_TYPE_1 = (
    "SOPInstanceUID StudyInstanceUID SeriesInstanceUID SeriesNumber InstanceNumber CompletionFlag VerificationFlag "
    "ContentDate ContentTime SynchronizationFrameOfReferenceUID SynchronizationTrigger AcquisitionTimeSynchronized"
).split()
_TYPE_2 = (
    "PatientName PatientID PatientBirthDate PatientSex StudyDate StudyTime ReferringPhysicianName StudyID "
    "AccessionNumber Manufacturer ReferencedPerformedProcedureStepSequence PerformedProcedureCodeSequence"
).split()
_DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


def problems(ds: Dataset) -> list[str]:
    """Return what breaks a rule of the Procedure Log, each as a sentence that says where; none if it is fine."""
    return [*_modules(ds), *_root(ds), *_first_level(ds), *_tree(ds, "CONTAINER", "root"), *_schemes(ds)]


def _modules(ds: Dataset) -> Iterator[str]:
    if ds.get("SOPClassUID") != SOP_CLASS:
        yield f"SOP class is {ds.get('SOPClassUID')}, not Procedure Log Storage ({SOP_CLASS})"
    if ds.get("Modality") != "SR":
        yield "modality is not SR"
    for name in _TYPE_1:
        if ds.get(name) in (None, ""):
            yield f"{name} is missing or empty"
    for name in _TYPE_2:
        if name not in ds:
            yield f"{name} is missing (it may be empty)"
    if ds.get("AcquisitionTimeSynchronized", "N") not in ("Y", "N"):
        yield "AcquisitionTimeSynchronized is neither Y nor N"
    if ds.get("CompletionFlag", "PARTIAL") not in ("PARTIAL", "COMPLETE"):
        yield "CompletionFlag is neither PARTIAL nor COMPLETE"
    if ds.get("VerificationFlag") == "VERIFIED":
        observers = ds.get("VerifyingObserverSequence") or []
        wanted = ("VerifyingObserverName", "VerifyingOrganization", "VerificationDateTime")
        if not observers or any(not o.get(name) for o in observers for name in wanted):
            yield "the log is VERIFIED, but not by whom, for whom and when"
    elif "VerifyingObserverSequence" in ds:
        yield "the log names a verifying observer, but is not VERIFIED"


def _root(ds: Dataset) -> Iterator[str]:
    title = _code(ds.get("ConceptNameCodeSequence"))
    if ds.get("ValueType") != "CONTAINER":
        yield "the root is no CONTAINER"
    if title != codes.TITLE.key:
        yield f"the title is {title}, not {codes.TITLE.key} (CID 3400)"
    templates = ds.get("ContentTemplateSequence") or []
    if [(t.get("MappingResource"), t.get("TemplateIdentifier")) for t in templates] != [("DCMR", "3001")]:
        yield "the template is not 3001 of DCMR"
    context = {
        _code(item.get("ConceptNameCodeSequence"))
        for item in ds.get("ContentSequence", [])
        if item.get("RelationshipType") == "HAS OBS CONTEXT"
    }
    if codes.OBSERVER_TYPE.key not in context:
        yield "the observer is missing (TID 1002)"


def _first_level(ds: Dataset) -> Iterator[str]:
    previous = None
    entries = [i for i in ds.get("ContentSequence", []) if i.get("RelationshipType") == "CONTAINS"]
    for place, item in enumerate(entries, 1):
        value = str(item.get("ObservationDateTime") or "")
        if not value:
            yield f"entry {place} has no ObservationDateTime"
        elif not _DATE_TIME.fullmatch(value):
            yield f"the ObservationDateTime of entry {place} is not to the second: {value}"
        else:
            try:
                moment = _moment(value, str(ds.get("TimezoneOffsetFromUTC") or "") or None)
            except _Unreadable as reason:
                yield f"the ObservationDateTime of entry {place} is {reason}: {value}"
                continue
            if previous is not None and moment < previous:
                yield f"entry {place} is before the one above it: {value}"
            previous = moment


def _tree(parent: Dataset, parent_type: str, where: str) -> Iterator[str]:
    for place, item in enumerate(parent.get("ContentSequence", None) or [], 1):
        here = f"{where}.{place}"
        kind, relationship = str(item.get("ValueType")), str(item.get("RelationshipType"))
        if "ReferencedContentItemIdentifier" in item:
            yield f"item {here} is by reference"
            continue
        if kind not in VALUE_TYPES:
            yield f"item {here} has value type {kind}"
            continue
        if kind not in RELATIONSHIPS.get(parent_type, {}).get(relationship, ()):
            yield f"item {here}: {parent_type} {relationship} {kind} is not allowed"
        if not all(_code(item.get("ConceptNameCodeSequence"))):
            yield f"item {here} has no concept"
        yield from _value(item, kind, here)
        yield from _tree(item, kind, here)


def _value(item: Dataset, kind: str, here: str) -> Iterator[str]:
    value = item.get(_VALUE_OF[kind])
    if value is None or value == "" or (kind in ("CODE", "NUM") and len(value) != 1):
        yield f"item {here} has no {kind} value"
    elif kind == "CODE":
        if not all(_code(value)):
            yield f"item {here} has an incomplete code"
    elif kind == "DATETIME":
        if not _DATE_TIME.fullmatch(str(value)):
            yield f"item {here} has no whole date and time: {value}"
    elif kind == "NUM":
        number = str(value[0].get("NumericValue", ""))
        if not _DECIMAL.fullmatch(number) or len(number) > LONGEST_NUMBER:
            yield f"item {here} has no number that a decimal string can be: {number!r}"
        if not all(_code(value[0].get("MeasurementUnitsCodeSequence"))):
            yield f"item {here} is a number without a unit"


def _schemes(ds: Dataset) -> Iterator[str]:
    declared = {i.get("CodingSchemeDesignator") for i in ds.get("CodingSchemeIdentificationSequence") or []}
    used = {
        str(i.get("CodingSchemeDesignator"))
        for i in _all(ds)
        if "CodingSchemeDesignator" in i and "CodeMeaning" in i
    }
    for scheme in sorted(used - declared):
        if scheme.startswith("99"):
            yield f"the private coding scheme {scheme} is not declared"
    for item in _all(ds):
        value, meaning = item.get("CodeValue"), item.get("CodeMeaning")
        if value is not None and (
            len(str(value)) > codes.LONGEST_VALUE or len(str(meaning)) > codes.LONGEST_MEANING
        ):
            yield f"the code {value} ({meaning}) is longer than its value representation"


def _all(ds: Dataset) -> Iterator[Dataset]:
    for element in ds:
        if element.VR == "SQ":
            for item in element.value:
                yield item
                yield from _all(item)


def _code(sequence: Any) -> tuple[str, str]:
    if not sequence:
        return "", ""
    first = sequence[0]
    return str(first.get("CodeValue", "")), str(first.get("CodingSchemeDesignator", ""))
