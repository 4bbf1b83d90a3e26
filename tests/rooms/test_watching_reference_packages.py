"""Kidney function against two packages by others, over random patients."""

from __future__ import annotations

import math
import random

import clincalc
import pytest
from medcalc.ckd_epi_2021_creatinine import ckd_epi_2021
from medcalc.creatinine_clearance import generate_cockcroft_gault_explanation

import english
from checkback.watching import limits
from checkback.watching.renal import Sex, clearance, egfr

pytestmark = pytest.mark.outside

PLAUSIBLE = limits.load(english.GRAMMARS).plausible


def patients(number: int) -> list[tuple[float, int, float, Sex]]:
    """Return creatinine (mg/dL), age (years), weight (kg) and sex of random patients."""
    chance = random.Random(20260301)
    sexes: tuple[Sex, Sex] = ("female", "male")
    return [
        (
            round(math.exp(chance.uniform(math.log(0.3), math.log(12))), 2),
            chance.randint(18, 100),
            round(chance.uniform(35, 180), 1),
            chance.choice(sexes),
        )
        for _ in range(number)
    ]


PATIENTS = patients(5000)


def test_egfr_of_5000_patients_against_an_unrounded_package() -> None:
    for creatinine, age, _, sex in PATIENTS:
        reference = ckd_epi_2021(
            {"sex": sex.title(), "age": (age, "years"), "creatinine": (creatinine, "mg/dL")}
        )
        assert egfr(creatinine, age, sex, PLAUSIBLE).egfr_ml_min_173 == pytest.approx(reference, rel=1e-12)


def test_clearance_of_5000_patients_against_a_package_rounded_to_three_places() -> None:
    # That package takes the actual weight only of a thin patient, so each is made tall enough.
    for creatinine, age, kg, sex in PATIENTS:
        reference = generate_cockcroft_gault_explanation(
            {
                "sex": sex.title(),
                "age": (age, "years"),
                "creatinine": (creatinine, "mg/dL"),
                "weight": (kg, "kg"),
                "height": (round(math.sqrt(kg / 16) * 100), "cm"),
            }
        )["Answer"]
        ours = clearance(creatinine, age, kg, sex, PLAUSIBLE).clearance_ml_min
        # Three places below 1000, significant figures above.
        assert ours == pytest.approx(reference, abs=0.00051, rel=1e-5)


def test_both_figures_of_2000_patients_against_a_second_package_rounded_to_whole_numbers() -> None:
    for creatinine, age, kg, sex in PATIENTS[:2000]:
        asked = {"age": age, "sex": sex, "creatinine": creatinine, "creatinine_unit": "mg/dL"}
        reference = clincalc.calculate("egfr", asked)["result"]
        assert abs(egfr(creatinine, age, sex, PLAUSIBLE).egfr_ml_min_173 - reference) <= 0.5 + 1e-9
        reference = clincalc.calculate("cockcroft_gault", asked | {"weight_kg": kg})["result"]
        assert clearance(creatinine, age, kg, sex, PLAUSIBLE).clearance_ml_min == pytest.approx(
            reference, abs=0.5
        )
