"""Every field of the patient can be spoken, and what was spoken is said back."""

from __future__ import annotations

import random
from typing import Any

import pytest

import english
from checkback.language.phrasing import Phrasing
from checkback.language.reading import Reading
from checkback.record.entry import Patient

PHRASING = Phrasing(english.book())


def spoken(words: str) -> Reading:
    (reading,) = english.reader().read(words)
    return reading


@pytest.mark.parametrize(
    ("words", "field", "value", "back"),
    [
        ("age seventy four years", "age_y", 74, "patient, age seventy four"),
        ("patient is a woman", "sex", "female", "patient, female"),
        ("weight eighty two kilos", "weight_kg", 82, "patient, weight eighty two"),
        ("height one hundred seventy four", "height_cm", 174, "patient, height one hundred seventy four"),
        ("creatinine one point three five", "creatinine_mg_dl", 1.35, "patient, creatinine one point three five"),
        ("creatinine one hundred twenty micromoles", "creatinine_umol_l", 120, "patient, creatinine one hundred twenty micromoles"),
        ("haematocrit thirty eight percent", "haematocrit_percent", 38, "patient, haematocrit thirty eight"),
        ("patient has diabetes", "diabetes", True, "patient, diabetes"),
        ("patient has no diabetes", "diabetes", False, "patient, no diabetes"),
        ("patient has heart failure", "heart_failure", True, "patient, heart failure"),
        ("patient is on dialysis", "dialysis", True, "patient, on dialysis"),
        ("patient is not on dialysis", "dialysis", False, "patient, not on dialysis"),
        ("patient has hypertension", "hypertension", True, "patient, hypertension"),
        ("patient is a smoker", "smoker", True, "patient, smoker"),
        ("patient has a previous bypass", "prior_bypass", True, "patient, previous bypass"),
        ("allergic to penicillin", "allergies", "penicillin", "patient, allergies penicillin"),
        ("allergy to contrast", "allergies", "contrast medium", "patient, allergies contrast medium"),
        ("no known allergies", "allergies", "none known", "patient, allergies none known"),
        ("indication stemi", "indication", "ST elevation infarction", "patient, indication s t elevation infarction"),
        ("planned bivalirudin", "anticoagulant", "bivalirudin", "patient, plan bivalirudin"),
        ("glycoprotein inhibitor planned", "gp_inhibitor", True, "patient, glycoprotein inhibitor planned"),
        ("patient is not loaded", "antiplatelet_loaded", False, "patient, not loaded with an antiplatelet"),
        ("patient was transferred", "transfer_in", True, "patient, transferred"),
    ],
)  # fmt: skip
def test_what_is_spoken_of_the_patient(words: str, field: str, value: Any, back: str) -> None:
    body = spoken(words).body
    assert body == Patient.model_validate({field: value})
    assert PHRASING.spoken(body) == back


def test_every_field_that_is_known_before_the_case_has_a_family() -> None:
    said: set[str] = set()
    rng = random.Random(5)
    events = english.book().file.events
    for name in (each for each in english.EVENTS if events[each].set.get("kind") == "patient"):
        for _ in range(200):
            for reading in english.reader().read(english.book().sample(rng, name).words):
                said |= set(reading.body.model_dump(exclude_none=True)) | {reading.clock_field or "kind"}
    # these three are written for the report
    assert said == set(Patient.model_fields) - {"consent", "disposition", "recommendations"}


@pytest.mark.parametrize(
    ("words", "field", "clock"),
    [
        ("symptom onset oh seven thirty", "symptom_onset", (7, 30)),
        ("first medical contact at twenty two oh five", "first_contact", (22, 5)),
        ("arrival fourteen hundred", "arrival", (14, 0)),
        ("first hospital arrival ten fifteen", "first_door", (10, 15)),
        ("first hospital departure ten forty", "first_door_out", (10, 40)),
    ],
)
def test_key_times(words: str, field: str, clock: tuple[int, int]) -> None:
    reading = spoken(words)
    assert (reading.clock_field, reading.clock, reading.body) == (field, clock, Patient())


@pytest.mark.parametrize(
    ("typed", "ago_s", "clock"),
    [
        ("heparin 5000 units two minutes ago", 120.0, None),
        ("heparin 5000 units 12 minutes ago", 720.0, None),
        ("heparin 5000 units at 14:20", None, (14, 20)),
        ("at 14:20 heparin 5000 units", None, (14, 20)),
        ("at 07:05 heparin 5000 units", None, (7, 5)),
        ("at 00:10 heparin 5000 units", None, (0, 10)),
    ],
)
def test_a_time_before_or_behind(typed: str, ago_s: float | None, clock: tuple[int, int] | None) -> None:
    (reading,) = english.typed_reader().read(typed)
    assert (reading.ago_s, reading.clock, reading.body.drug) == (ago_s, clock, "heparin")


@pytest.mark.parametrize(
    "words",
    [
        "heparin five thousand two minutes ago",
        "heparin five thousand that was seven minutes ago",
        "heparin five thousand that was at fourteen twenty",
    ],
)
def test_a_time_spoken_behind(words: str) -> None:
    reading = spoken(words)
    assert (reading.ago_s in (120.0, 420.0)) != (reading.clock == (14, 20))


@pytest.mark.parametrize(
    ("typed", "entry"),
    [
        ("chest pain 3/10", {"kind": "pain", "pain_of_ten": 3}),
        ("spo2 97", {"kind": "saturation", "saturation_percent": 97}),
        ("spo2 97%", {"kind": "saturation", "saturation_percent": 97}),
        ("slow flow", {"kind": "slow_flow"}),
        ("mid lad slow flow", {"kind": "slow_flow", "segment": "mid left anterior descending"}),
        ("oxygen 2 l/min", {"kind": "infusion", "action": "started", "drug": "oxygen", "rate": 2, "unit": "L/min"}),
        ("oxygen four litres", {"kind": "infusion", "action": "started", "drug": "oxygen", "rate": 4, "unit": "L/min"}),
        ("oxygen on", {"kind": "infusion", "action": "started", "drug": "oxygen"}),
        ("oxygen off", {"kind": "infusion", "action": "stopped", "drug": "oxygen"}),
        ("adenosine infusion started", {"kind": "infusion", "action": "started", "drug": "adenosine"}),
        ("adenosine infusion 140", {"kind": "infusion", "action": "started", "drug": "adenosine", "rate": 140, "unit": "ug/kg/min"}),
        ("adenosine 140 mcg/kg/min", {"kind": "infusion", "action": "started", "drug": "adenosine", "rate": 140, "unit": "ug/kg/min"}),
        ("lesion 1 mid lad", {"kind": "lesion", "lesion": 1, "segment": "mid left anterior descending"}),
        ("wire to first diagonal", {"kind": "device", "device": "wire", "segment": "first diagonal"}),
        ("creatinine 1.35 mg/dl", {"kind": "patient", "creatinine_mg_dl": 1.35}),
        ("creatinine 120 µmol/l", {"kind": "patient", "creatinine_umol_l": 120}),
    ],
)  # fmt: skip
def test_what_people_type(typed: str, entry: dict[str, Any]) -> None:
    assert [reading.plain()["entry"] for reading in english.typed_reader().read(typed)] == [entry]


def test_a_balloon_to_a_lesion() -> None:
    body = spoken("balloon two five by twelve to mid l a d").body
    assert body.segment == "mid left anterior descending"
    assert PHRASING.spoken(body) == "balloon two point five by twelve, to mid l a d"
    assert spoken("balloon two five by twelve to lesion two").body.lesion == 2
