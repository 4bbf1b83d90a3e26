"""Codes, units and the table in the documents."""

from __future__ import annotations

from typing import Any

import pytest
import ucumvert
from pydicom.sr._concepts_dict import concepts

from checkback.language.catalogue import DRUG_UNITS
from checkback.record.entry import Entry
from checkback.reporting.fhir import codes
from checkback.reporting.fhir.basics import event_coding
from checkback.reporting.fhir.checks import loinc_digit_fits, verhoeff_fits
from checkback.reporting.fhir.coverage import every_code, sample, table, written
from checkback.reporting.fhir.shapes import (
    BODY_TYPES,
    LEADING_FIELD,
    LOST_FIELDS,
    LOST_OF_EVERY_ENTRY,
    NOT_HELD,
    field_form,
    fields_of,
)
from checkback.reporting.fhir.values import field_code, value_coding, values_of
from command_line import PROJECT

SCHEMES = {codes.LOINC: "LN", codes.SNOMED: "SCT", codes.DCM: "DCM", codes.MDC: "MDC"}
HELD = [kind for kind in BODY_TYPES if kind not in NOT_HELD]

SHORTENED = {
    "225908003": "Pain score (observable entity)",
    "8480-6": "Intravascular Systolic Blood pressure",
    "8462-4": "Intravascular diastolic blood pressure",
    "2708-6": "Arterial Oxygen saturation",
    "20570-8": "Hematocrit",
    "371867000": "0: No Perfusion",
    "371866009": "1: Penetration without Perfusion",
    "371864007": "2: Partial Perfusion",
    "371865008": "3: Complete Perfusion",
}
"""Meaning in PS3.16 where ours is another wording of the same."""


def meanings(code: codes.Coding) -> set[str]:
    """Return what PS3.16 calls a code, as pydicom has it."""
    value = code.code
    if code.system == codes.MDC:
        value = f"10:{int(value) - 10 * 2**16}"
    found: set[str] = set()
    for by_code in concepts[SCHEMES[code.system]].values():
        if value in by_code:
            found.add(by_code[value][0].lower())
    return found


@pytest.mark.outside
@pytest.mark.parametrize(
    "code", [c for c in every_code() if c.source == codes.PS3_16], ids=lambda code: code.code
)
def test_codes_mean_in_ps3_16_what_we_say(code: codes.Coding) -> None:
    assert {code.display.lower(), SHORTENED.get(code.code, "").lower()} & meanings(code)


def test_check_digits_fit() -> None:
    """Of those from memory too; a digit that was mistaken would not."""
    for code in every_code():
        if code.system == codes.LOINC:
            assert loinc_digit_fits(code.code), code
            assert not loinc_digit_fits(code.code[:-1] + str((int(code.code[-1]) + 1) % 10))
        if code.system == codes.SNOMED:
            assert verhoeff_fits(code.code), code
            turned = code.code[1] + code.code[0] + code.code[2:]
            assert turned == code.code or not verhoeff_fits(turned)


def test_check_digits_of_published_examples() -> None:
    # LOINC users' guide: 2951-2 is sodium; SNOMED CT: 73211009 is diabetes mellitus (both from memory)
    assert loinc_digit_fits("2951-2") and not loinc_digit_fits("2951-3")
    assert verhoeff_fits("73211009") and not verhoeff_fits("73211008")


def test_no_code_means_two_things_in_the_same_place() -> None:
    for kind in HELD:
        own = [field_code(kind, field)[:2] for field in fields_of(kind)]
        assert len(set(own)) == len(own), kind
        for field in fields_of(kind):
            if field_form(kind, field) == "choice":
                listed = [value_coding(kind, field, value)[:2] for value in values_of(kind, field)]
                assert len(set(listed)) == len(listed), (kind, field)
    events: list[Any] = []
    for kind in set(HELD) - set(codes.KIND_CODES):
        for leading in values_of(kind, LEADING_FIELD[kind]) if kind in LEADING_FIELD else (None,):
            events.append(event_coding(kind, leading)[:2])
    assert len(set(events)) == len(events)


def test_value_codes_are_of_values_that_exist() -> None:
    known = {
        (value_coding(kind, field, value)[:2])
        for kind in HELD
        for field in fields_of(kind)
        if field_form(kind, field) == "choice"
        for value in values_of(kind, field)
    }
    flow = {codes.VALUE_CODES["flow.timi", grade][:2] for grade in "0123"}
    assert {code[:2] for code in codes.VALUE_CODES.values()} <= known | flow


@pytest.mark.outside
def test_every_unit_is_ucum() -> None:
    """Outside: the grammar of `ucumvert`."""
    parser = ucumvert.get_ucum_parser()
    for unit in {*codes.DRUG_UCUM.values(), *(code for code, _, _ in codes.QUANTITY_UNITS.values())}:
        parser.parse(unit)


def test_every_unit_of_the_formulary_has_a_code_and_no_two_the_same() -> None:
    assert set(codes.DRUG_UCUM) == DRUG_UNITS
    assert len(set(codes.DRUG_UCUM.values())) == len(DRUG_UNITS)
    assert "U" not in "".join(codes.DRUG_UCUM.values()).replace("[iU]", "")


@pytest.mark.parametrize("kind", HELD)
def test_every_field_is_written_or_said_to_be_lost(kind: str) -> None:
    """What changes when a field is emptied is what holds it."""
    body = sample(kind)
    for field in BODY_TYPES[kind].model_fields:
        if field == "kind" or BODY_TYPES[kind].model_fields[field].is_required():
            continue
        without = body.model_copy(update={field: BODY_TYPES[kind].model_fields[field].default})
        if getattr(body, field) in (None, getattr(without, field)):
            continue
        lost = (kind, field) in LOST_FIELDS and field != "unit"
        assert (written(body) == written(without)) == lost, field


def test_what_is_left_out_exists() -> None:
    assert set(NOT_HELD) <= set(BODY_TYPES)
    assert all(field in BODY_TYPES[kind].model_fields for kind, field in LOST_FIELDS)
    named = {name for names in LOST_OF_EVERY_ENTRY for name in names.replace(",", " ").split()}
    # what is held of every entry: number, the three times, source, standing
    assert set(Entry.model_fields) - named == {"n", "at", "said", "recorded", "source", "standing", "body"}


def test_the_table_in_the_documents_is_that_of_the_program() -> None:
    assert table() in (PROJECT / "docs" / "fhir.md").read_text(encoding="utf-8"), (
        "run python tools/write_fhir_table.py docs/fhir.md"
    )
