"""What is known of the patient, from the plan and from what is spoken later."""

from __future__ import annotations

from decimal import Decimal

from checkback.record.entry import Patient
from checkback.record.patient import merged
from watched_case import Told


def test_a_later_entry_changes_only_what_it_names() -> None:
    known = merged([Patient(age_y=Decimal(70), weight_kg=Decimal(80)), Patient(weight_kg=Decimal(78))])
    assert (known.age_y, known.weight_kg) == (70, 78)


def test_creatinine_in_the_other_unit_is_the_same_thing_said_again() -> None:
    known = merged([Patient(creatinine_mg_dl=Decimal("1.4")), Patient(creatinine_umol_l=Decimal(120))])
    assert (known.creatinine_mg_dl, known.creatinine_umol_l) == (None, 120)
    Patient.model_validate(known.model_dump())


def test_an_allergy_that_is_told_later_hides_no_other() -> None:
    assert (
        merged([Patient(allergies="latex"), Patient(allergies="penicillin")]).allergies == "latex, penicillin"
    )
    assert merged([Patient(allergies="latex"), Patient(allergies="latex")]).allergies == "latex"
    assert merged([Patient(allergies="none known"), Patient(allergies="latex")]).allergies == "latex"
    assert merged([Patient(allergies="latex"), Patient(allergies="none known")]).allergies == "none known"


def test_an_empty_text_says_nothing() -> None:
    assert merged([Patient(allergies="latex"), Patient(allergies="")]).allergies == "latex"
    assert merged([Patient(allergies=""), Patient(allergies="latex")]).allergies == "latex"


def test_no_is_an_answer_too() -> None:
    assert merged([Patient(diabetes=True), Patient(diabetes=False)]).diabetes is False


def test_a_withdrawn_entry_leaves_what_was_known_before() -> None:
    told = Told()
    told.say(0, Patient(weight_kg=Decimal(80)))
    wrong = told.say(1, Patient(weight_kg=Decimal(180)))
    assert told.case.patient().weight_kg == 180
    told.withdraw(2, wrong)
    assert told.case.patient().weight_kg == 80
