"""Kidney function.  Beside each check: P printed by a reference package, C computed from the formula."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

import english
from checkback.errors import UserError
from checkback.watching import limits
from checkback.watching.renal import (
    Sex,
    check_haematocrit,
    clearance,
    creatinine_mg_dl,
    creatinine_umol_l,
    egfr,
)

PLAUSIBLE = limits.load(english.GRAMMARS).plausible

creatinines = st.floats(0.2, 20)
ages = st.floats(18, 119)
weights = st.floats(25, 300)
sexes = st.sampled_from(["female", "male"])


@pytest.mark.parametrize(
    ("creatinine", "age", "sex", "expected"),
    [
        # CKD-EPI 2021, Inker, NEJM 2021;385:1737.  P: two reference packages, and C.
        (0.6, 30, "female", 123.758),
        (0.7, 50, "female", 105.298),
        (0.9, 55, "female", 75.499),
        (1.0, 50, "female", 68.633),
        (2.5, 78, "female", 19.203),
        (0.5, 40, "male", 132.233),
        (0.9, 50, "male", 104.049),
        (1.0, 50, "male", 91.691),
        (1.5, 70, "male", 49.774),
        (3.5, 82, "male", 16.711),
    ],
)
def test_egfr(creatinine: float, age: float, sex: Sex, expected: float) -> None:
    result = egfr(creatinine, age, sex, PLAUSIBLE)
    assert result.egfr_ml_min_173 == pytest.approx(expected, abs=0.0005)
    assert "NEJM 2021;385:1737" in result.source


def test_egfr_rounds_at_the_display_edge_only() -> None:
    # P: 75.499 shows as 75, not 76 (which rounding twice would give).
    value = egfr(0.9, 55, "female", PLAUSIBLE).egfr_ml_min_173
    assert value != round(value, 1) and f"{value:.0f}" == "75"


@pytest.mark.parametrize(
    ("age", "weight", "creatinine", "sex", "expected"),
    [
        # Cockcroft-Gault.  P: a reference package.
        (60, 72, 1.0, "male", 80.0),
        (60, 72, 1.0, "female", 68.0),
        (70, 80, 1.5, "male", 51.852),
        (78, 55, 2.0, "female", 20.128),
        (82, 60, 1.2, "female", 34.236),
    ],
)
def test_clearance(age: float, weight: float, creatinine: float, sex: Sex, expected: float) -> None:
    result = clearance(creatinine, age, weight, sex, PLAUSIBLE)
    assert result.clearance_ml_min == pytest.approx(expected, abs=0.0005)
    assert result.source.startswith("Cockcroft-Gault")


def test_micromoles_are_converted() -> None:
    # F: 88.4 umol/L is 1 mg/dL.
    assert creatinine_mg_dl(88.4, "umol/L", PLAUSIBLE) == 1.0
    assert creatinine_mg_dl(132.6, "µmol/L", PLAUSIBLE) == pytest.approx(1.5)
    assert creatinine_mg_dl(1.5, "mg/dL", PLAUSIBLE) == 1.5


@given(creatinines)
def test_conversion_there_and_back(creatinine: float) -> None:
    umol_l = creatinine_umol_l(creatinine)
    if umol_l >= PLAUSIBLE.creatinine_umol_l.low:
        assert math.isclose(creatinine_mg_dl(umol_l, "umol/L", PLAUSIBLE), creatinine)


@pytest.mark.parametrize(
    ("value", "unit", "sentence"),
    [
        (
            90,
            "mg/dL",
            "creatinine 90 mg/dL is outside 0.2-20 mg/dL (would it be umol/L?); check figure and unit",
        ),
        (
            1.1,
            "umol/L",
            "creatinine 1.1 umol/L is outside 18-1768 umol/L (would it be mg/dL?); check figure and unit",
        ),
        (0, "mg/dL", "creatinine 0 mg/dL is outside 0.2-20 mg/dL; check figure and unit"),
        (-1, "mg/dL", "creatinine -1 mg/dL is outside 0.2-20 mg/dL; check figure and unit"),
        (math.nan, "mg/dL", "creatinine nan mg/dL is outside 0.2-20 mg/dL; check figure and unit"),
        (1, "mmol/L", "creatinine unit 'mmol/L' is unknown; give mg/dL or umol/L"),
        (1, "", "creatinine unit '' is unknown; give mg/dL or umol/L"),
    ],
)
def test_a_wrong_unit_is_refused_not_guessed(value: float, unit: str, sentence: str) -> None:
    with pytest.raises(UserError) as caught:
        creatinine_mg_dl(value, unit, PLAUSIBLE)
    assert str(caught.value) == sentence


def test_figures_that_nobody_has_are_refused() -> None:
    with pytest.raises(UserError, match="age 17 years is outside 18-120 years"):
        egfr(1.0, 17, "male", PLAUSIBLE)
    with pytest.raises(UserError, match="weight 7 kg is outside"):
        clearance(1.0, 70, 7, "male", PLAUSIBLE)
    with pytest.raises(UserError, match="creatinine 90 mg/dL is outside"):
        clearance(90, 70, 70, "male", PLAUSIBLE)
    with pytest.raises(UserError, match=r"haematocrit 0\.41 % is outside 10-70 %"):
        check_haematocrit(0.41, PLAUSIBLE)


@given(creatinines, creatinines, ages, weights, sexes)
def test_more_creatinine_is_never_a_better_kidney(
    a: float, b: float, age: float, kg: float, sex: Sex
) -> None:
    low, high = sorted((a, b))
    worse, better = (egfr(c, age, sex, PLAUSIBLE).egfr_ml_min_173 for c in (high, low))
    assert 0 < worse <= better
    worse, better = (clearance(c, age, kg, sex, PLAUSIBLE).clearance_ml_min for c in (high, low))
    assert 0 < worse <= better


@given(sexes, ages)
def test_egfr_has_no_jump_where_the_exponent_changes(sex: Sex, age: float) -> None:
    kappa = 0.7 if sex == "female" else 0.9
    below, above = (egfr(kappa + d, age, sex, PLAUSIBLE).egfr_ml_min_173 for d in (-1e-9, 1e-9))
    assert below == pytest.approx(above, rel=1e-6)
