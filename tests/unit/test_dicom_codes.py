"""Codes: each against pydicom's own dictionary, and the private scheme."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydicom.sr import _concepts_dict
from pydicom.sr import codes as pydicom_codes

from checkback.language.catalogue import DRUG_UNITS
from checkback.reporting.dicom import codes
from checkback.reporting.dicom.codes import Code
from checkback.reporting.dicom.layout import CLASSES, HEADS, heads, slots


def all_codes() -> Iterator[Code]:
    yield from (value for value in vars(codes).values() if isinstance(value, Code))
    yield from codes.FIELDS.values()
    yield from (code for values in codes.VALUES.values() for code in values.values())
    for kind in CLASSES:
        for head in heads(kind):
            yield head.concept
            if isinstance(head.value, Code):
                yield head.value
        for slot in slots(kind):
            yield slot.concept
            yield from slot.values.values()


STANDARD = sorted({code for code in all_codes() if code.scheme not in (codes.SCHEME, "UCUM")})
DICTIONARY: dict[tuple[str, str], set[str]] = {}
for _scheme, _named in _concepts_dict.concepts.items():
    for _by_value in _named.values():
        for _value, (_meaning, *_) in _by_value.items():
            DICTIONARY.setdefault((_value, _scheme), set()).add(_meaning)


@pytest.mark.outside
@pytest.mark.parametrize("code", STANDARD, ids=lambda code: f"{code.scheme} {code.value}")
def test_a_standard_code_is_in_the_dictionary_of_pydicom_with_this_meaning(code: Code) -> None:
    if code.key in codes.NOT_IN_PYDICOM:
        assert code.key not in DICTIONARY, "it is there by now: take it out of NOT_IN_PYDICOM"
        return
    meanings = DICTIONARY[code.key]
    # some there end with the tag of SNOMED CT's full name, as in "Pain score (observable entity)"
    untagged = {re.sub(r" \((observable entity|attribute)\)$", "", meaning) for meaning in meanings}
    assert code.meaning in meanings | untagged


@pytest.mark.outside
@pytest.mark.parametrize(
    ("cid", "ours"),
    [
        (3400, [codes.TITLE]),
        (10, [c for name, c in codes.VALUES["drug"].items() if name != "oxygen"]),
        (11, list(codes.VALUES["route"].values())),
        (12, [codes.CONTRAST_AGENT]),
        (3403, list(codes.VALUES["site"].values())),
        (3415, list(codes.VALUES["rhythm"].values())),
        (3604, list(codes.VALUES["segment"].values())),
        (3713, [h.value for h in HEADS["flow"] if isinstance(h.value, Code)]),
        (
            3412,
            [
                h.value
                for k in ("inflation", "deflation", "deployment")
                for h in HEADS[k]
                if isinstance(h.value, Code)
            ],
        ),
        (3409, [h.concept for k in ("drug", "infusion") for h in HEADS[k] if h.concept.scheme == "DCM"]),
        (3425, [codes.FIELDS["pressure_atm"], codes.FIELDS["duration_s"]]),
        (3410, [codes.FIELDS["dose"], codes.FIELDS["rate"], codes.FIELDS["volume_ml"]]),
    ],
)
def test_values_come_from_the_context_group_that_the_template_names(cid: int, ours: list[Code]) -> None:
    # PS3.16 by way of pydicom's table of context groups
    group: Any = getattr(pydicom_codes, f"cid{cid}")
    members = {(c.value, c.scheme_designator) for c in group.concepts.values()}
    assert ours and {code.key for code in ours} <= members


def test_every_unit_that_can_be_heard_has_one_in_ucum_and_no_two_are_the_same() -> None:
    assert set(codes.DRUG_UNITS) == DRUG_UNITS
    assert len({code.key for code in codes.DRUG_UNITS.values()}) == len(DRUG_UNITS)


def test_two_kinds_or_fields_are_never_written_alike() -> None:
    for kind in CLASSES:
        concepts = [slot.concept.key for slot in slots(kind)]
        assert len(set(concepts)) == len(concepts), kind
        for slot in slots(kind):
            values = [code.key for code in slot.values.values()]
            assert len(set(values)) == len(values), (kind, slot.field)
    seen: dict[object, str] = {}
    for kind in CLASSES:
        for head in heads(kind):
            value = head.value.key if isinstance(head.value, Code) else None
            assert seen.setdefault((head.concept.key, value), kind) == kind


def test_a_private_code_is_the_name_where_it_is_short() -> None:
    assert codes.own("time_out").value == "time_out"


def test_a_long_name_is_shortened_and_told_apart() -> None:
    long, other = codes.own("proximal left main trunk"), codes.own("proximal left main stem")
    assert long.value.startswith("proximal ") and len(long.value) == 16
    assert long.value != other.value


@given(st.text(max_size=80))
def test_a_name_that_can_be_coded_fits_and_is_recognised(name: str) -> None:
    code = codes.own_value(name)
    if codes.can_be_coded(name):
        assert len(code.value.encode()) <= 16 and len(code.meaning.encode()) <= 64
        assert codes.is_own_value(code)
        assert not codes.is_own_value(code._replace(meaning=name + "x"))
