"""Own checks: each rule of the Procedure Log is broken once, and named."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from checkback.record.case import Case
from checkback.reporting.dicom.checks import problems
from checkback.reporting.dicom.log import dataset
from invented_case import CASE

FIRST = 4  # items about the log stand before the first entry


def good() -> Any:
    return dataset(Case(CASE), lambda e: e.words)


def in_number(ds: Any) -> Any:
    return next(i for i in ds.ContentSequence if i.ValueType == "NUM").MeasuredValueSequence[0]


def change(**values: Any) -> Callable[[Any], None]:
    def apply(ds: Any) -> None:
        for name, value in values.items():
            setattr(ds, name, value)

    return apply


def change_entry(place: int, **values: Any) -> Callable[[Any], None]:
    return lambda ds: change(**values)(ds.ContentSequence[FIRST + place])


BROKEN: list[tuple[str, Callable[[Any], None]]] = [
    ("SOP class is", change(SOPClassUID="1.2.840.10008.5.1.4.1.1.88.33")),
    ("modality is not SR", change(Modality="XA")),
    ("StudyInstanceUID is missing", change(StudyInstanceUID="")),
    ("PatientID is missing", lambda ds: delattr(ds, "PatientID")),
    ("SynchronizationFrameOfReferenceUID is missing", lambda ds: delattr(ds, "SynchronizationFrameOfReferenceUID")),
    ("SynchronizationTrigger is missing", change(SynchronizationTrigger="")),
    ("neither Y nor N", change(AcquisitionTimeSynchronized="M")),
    ("neither PARTIAL nor COMPLETE", change(CompletionFlag="DONE")),
    ("not by whom", change(VerificationFlag="VERIFIED")),
    ("not VERIFIED", change(VerifyingObserverSequence=[])),
    ("the title is", lambda ds: change(CodeValue="121144")(ds.ConceptNameCodeSequence[0])),
    ("the root is no CONTAINER", change(ValueType="TEXT")),
    ("the template is not 3001", lambda ds: change(TemplateIdentifier="3802")(ds.ContentTemplateSequence[0])),
    ("the template is not 3001", lambda ds: delattr(ds, "ContentTemplateSequence")),
    ("the observer is missing", lambda ds: ds.ContentSequence.pop(0)),
    ("entry 1 has no ObservationDateTime", lambda ds: delattr(ds.ContentSequence[FIRST], "ObservationDateTime")),
    ("entry 3 is not to the second", change_entry(2, ObservationDateTime="202603020915")),
    ("entry 2 is a time that does not exist", change_entry(1, ObservationDateTime="20260230091425+0100")),
    ("entry 3 is before the one above it", change_entry(2, ObservationDateTime="20260302091405+0100")),
    ("CONTAINER CONTAINS DATETIME is not allowed", change_entry(2, ValueType="DATETIME", DateTime="20260302091505")),
    ("has value type CONTAINER", change_entry(2, ValueType="CONTAINER")),
    ("has value type IMAGE", change_entry(2, ValueType="IMAGE")),
    ("CONTAINER INFERRED FROM CODE is not allowed", change_entry(2, RelationshipType="INFERRED FROM")),
    ("CODE CONTAINS NUM is not allowed", lambda ds: change(RelationshipType="CONTAINS")(ds.ContentSequence[FIRST].ContentSequence[0])),
    ("is by reference", change_entry(2, ReferencedContentItemIdentifier=[1, 2])),
    ("has no concept", lambda ds: delattr(ds.ContentSequence[FIRST], "ConceptNameCodeSequence")),
    ("has no CODE value", lambda ds: delattr(ds.ContentSequence[FIRST], "ConceptCodeSequence")),
    ("has an incomplete code", lambda ds: change(CodingSchemeDesignator="")(ds.ContentSequence[FIRST].ConceptCodeSequence[0])),
    ("is a number without a unit", lambda ds: delattr(in_number(ds), "MeasurementUnitsCodeSequence")),
    ("the private coding scheme 99CHECKBACK is not declared", change(CodingSchemeIdentificationSequence=[])),
]  # fmt: skip


def test_a_log_as_it_is_written_has_no_problem() -> None:
    assert problems(good()) == []


@pytest.mark.parametrize(("sentence", "broken"), BROKEN, ids=[sentence for sentence, _ in BROKEN])
def test_a_broken_rule_is_named(sentence: str, broken: Callable[[Any], None]) -> None:
    ds = good()
    broken(ds)
    assert any(sentence in problem for problem in problems(ds)), problems(ds)
