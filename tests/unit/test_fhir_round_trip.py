"""A case written as a FHIR document and read back from its codes gives the same entries."""

from __future__ import annotations

import json
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from functools import cache
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

import strategies
from checkback.errors import UserError
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import Contrast, Drug, Entry, Flow, Infusion, Patient, Perforation
from checkback.reporting.fhir.bundle import as_text, document
from checkback.reporting.fhir.checks import faults_of, model_faults
from checkback.reporting.fhir.reading import read_document
from checkback.reporting.fhir.shapes import BODY_TYPES, NOT_HELD, held
from english import book
from invented_case import CASE, entry

# without the phase that explains failures, which traces every line
QUICK = settings(
    phases=(Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink),
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
HELD_KINDS = sorted(set(BODY_TYPES) - set(NOT_HELD))


@cache
def phrasing() -> Phrasing:
    return Phrasing(book())


def written(case: Case) -> str:
    return as_text(document(case, phrasing()))


def read_back(case: Case) -> list[Entry]:
    read = read_document(written(case))
    assert read.notes == ()
    return list(read.entries)


def test_the_invented_case_comes_back_without_what_was_withdrawn() -> None:
    case = Case(CASE)
    entries = read_back(case)
    assert entries == held(case)
    numbers = [each.n for each in entries]
    # 1 is the session, 15 was amended, 19 withdrawn by 24, 20 not understood
    assert numbers == [n for n in range(2, 31) if n not in (15, 19, 20, 24)]
    for each in entries:
        original = case.entry(each.n)
        assert original is not None
        assert (each.at.wall, each.said.wall, each.recorded.wall, each.source) == (
            original.at.wall,
            original.said.wall,
            original.recorded.wall,
            original.source,
        )


@pytest.mark.parametrize("kind", HELD_KINDS)
@settings(QUICK, max_examples=10)
@given(data=st.data())
def test_every_kind_that_is_held_comes_back(kind: str, data: st.DataObject) -> None:
    one = data.draw(strategies.entries(BODY_TYPES[kind]))
    case = Case([one])
    assert read_back(case) == held(case)


@settings(QUICK, max_examples=30)
@given(strategies.cases(max_size=8))
def test_random_cases_come_back_and_pass_every_check(entries: list[Entry]) -> None:
    case = Case(entries)
    if not entries:
        with pytest.raises(UserError, match="no entries"):
            document(case, phrasing())
        return
    bundle = document(case, phrasing())
    assert faults_of(bundle) == []
    assert model_faults(bundle) == []
    read = read_document(as_text(bundle))
    assert read.notes == ()
    assert list(read.entries) == held(case)


def test_the_order_of_the_resources_does_not_matter() -> None:
    bundle = document(Case(CASE), phrasing())
    first, *others = bundle["entry"]
    turned = bundle | {"entry": [first, *reversed(others)]}
    assert read_document(json.dumps(turned)).entries == read_document(json.dumps(bundle)).entries


def one(body: Any, **more: Any) -> dict[str, Any]:
    """Return the resources of a case with one entry, by type."""
    bundle = document(Case([entry(1, body, "words", **more)]), phrasing())
    return {each["resource"]["resourceType"]: each["resource"] for each in bundle["entry"]}


def test_units_of_heparin_are_international_ones() -> None:
    given_dose = one(Drug(drug="heparin", dose=Decimal(70), unit="U/kg", route="intravenous"))
    dosage = given_dose["MedicationAdministration"]["dosage"]
    assert dosage["dose"] == {
        "value": 70,
        "unit": "U/kg",
        "system": "http://unitsofmeasure.org",
        "code": "[iU]/kg",
    }


def test_an_infusion_that_was_stopped_has_no_invented_rate() -> None:
    stopped = one(Infusion(action="stopped", drug="nitroglycerin"))["MedicationAdministration"]
    assert stopped["status"] == "stopped"
    assert "dosage" not in stopped


def test_contrast_given_is_a_medication_and_a_total_is_an_observation() -> None:
    assert "MedicationAdministration" in one(Contrast(volume_ml=Decimal(40), counted="given"))
    total = one(Contrast(volume_ml=Decimal(140), counted="total"))
    assert "MedicationAdministration" not in total
    assert total["Observation"]["valueQuantity"]["value"] == 140


def test_a_grade_of_flow_outside_the_scale_is_a_number_and_no_code() -> None:
    assert one(Flow(timi=Decimal("2.5")))["Observation"]["valueQuantity"]["value"] == 2.5
    grade = one(Flow(timi=Decimal(2)))["Observation"]["valueCodeableConcept"]["coding"][0]["code"]
    assert grade == "371864007"


def test_no_known_allergy_is_not_an_allergy_to_none_known() -> None:
    known = one(Patient(allergies="None known"))["AllergyIntolerance"]["code"]
    assert known["coding"][0]["code"] == "716186003"
    assert "coding" not in one(Patient(allergies="penicillin"))["AllergyIntolerance"]["code"]


def test_what_is_questioned_is_marked_and_stays_so() -> None:
    condition = one(
        Perforation(segment="mid right coronary", type="II"), standing="questioned", question="two or three?"
    )["Condition"]
    assert condition["meta"]["security"][0]["code"] == "UNCERTREL"
    assert condition["verificationStatus"]["coding"][0]["code"] == "unconfirmed"
    assert condition["note"] == [{"text": "Questioned and not settled. two or three?"}]
    assert "final" not in written(Case([entry(1, Flow(timi=Decimal(1)), "x", standing="questioned")]))


def test_times_keep_their_zone_and_milliseconds() -> None:
    zone = timezone(timedelta(hours=-9, minutes=-30))
    at = strategies.Moment(wall=datetime(2026, 3, 1, 23, 59, 59, 7_000, tzinfo=zone), monotonic_s=5.0)
    observation = one(Flow(timi=Decimal(3)), at=at)["Observation"]
    assert observation["effectiveDateTime"] == "2026-03-01T23:59:59.007-09:30"


# --- documents that are not ours -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "no JSON"),
        ("[]", "no FHIR Bundle"),
        ('{"resourceType": "Patient"}', "no FHIR Bundle"),
        ('{"resourceType": "Bundle", "type": "transaction"}', "only a document"),
        ('{"resourceType": "Bundle", "type": "document"}', "begins with a Composition"),
        (
            '{"resourceType": "Bundle", "type": "document", "entry": [{"resource": {}}]}',
            "begins with a Composition",
        ),
        (
            '{"resourceType": "Bundle", "type": "document", "entry": [{"resource": {"resourceType": "Patient"}}]}',
            "begins with a Composition",
        ),
        ("[" * 100_000, "no JSON"),
    ],
)
def test_what_is_no_document_is_refused(text: str, words: str) -> None:
    with pytest.raises(UserError, match=words):
        read_document(text)


def changed(body: Any, **change: Any) -> list[str]:
    """Return the notes about a case of one entry whose Observation was changed by somebody."""
    bundle = document(Case([entry(1, body, "words")]), phrasing())
    for each in bundle["entry"]:
        if each["resource"]["resourceType"] == "Observation":
            each["resource"] |= change
    read = read_document(as_text(bundle))
    assert read.entries == ()
    return list(read.notes)


def test_what_somebody_changed_is_left_out_and_named() -> None:
    flow = Flow(segment="mid right coronary", timi=Decimal(2))
    other = {"coding": [{"system": "http://snomed.info/sct", "code": "1"}]}
    assert changed(flow, code=other) == [
        "Entry 1 was left out: the code of its Observation is not known, [('http://snomed.info/sct', '1')]."
    ]
    assert "no known grade" in changed(flow, valueCodeableConcept=other)[0]
    assert "no known code for segment" in changed(flow, bodySite=other)[0]
    assert "has no time zone" in changed(flow, effectiveDateTime="2026-03-02T09:00:00")[0]
    litres = {"value": 1, "unit": "L", "system": "http://unitsofmeasure.org", "code": "L"}
    total = Contrast(volume_ml=Decimal(140), counted="total")
    assert changed(total, valueQuantity=litres) == ["Entry 1 was left out: L where mL is due."]
    above = {"value": 100, "comparator": ">", "system": "http://unitsofmeasure.org", "code": "mL"}
    assert "only > 100" in changed(total, valueQuantity=above)[0]
    assert changed(total, component="nonsense")
    assert changed(total, identifier=[]) == ["A Observation without the number of an entry was left out."]


def test_two_resources_of_one_entry_may_not_contradict_each_other() -> None:
    case = Case([entry(1, Patient(age_y=Decimal(74), weight_kg=Decimal(78)), "", source="plan")])
    bundle = document(case, phrasing())
    ages = [e for e in bundle["entry"] if e["resource"].get("valueQuantity", {}).get("code") == "a"]
    twin = json.loads(json.dumps(ages[0]))
    twin["fullUrl"] = "urn:uuid:00000000-0000-4000-8000-000000000000"
    twin["resource"]["valueQuantity"]["value"] = 75
    bundle["entry"].append(twin)
    assert read_document(as_text(bundle)).notes == (
        "Entry 1 was left out: its resources say two things about age_y.",
    )
