"""Kidney function from creatinine: eGFR, creatinine clearance, and units that are never guessed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from checkback.errors import UserError
from checkback.watching.limits import CLEARANCE_SOURCE, EGFR_SOURCE, Plausible, check

Sex = Literal["female", "male"]

UMOL_L_PER_MG_DL = 88.4


@dataclass(frozen=True)
class Egfr:
    """Estimated glomerular filtration rate.

    Attributes
    ----------
    egfr_ml_min_173 : float
        mL/min/1.73 m2, unrounded.
    source : str
        Where the formula comes from.
    """

    egfr_ml_min_173: float
    source: str


@dataclass(frozen=True)
class Clearance:
    """Creatinine clearance.

    Attributes
    ----------
    clearance_ml_min : float
        mL/min, unrounded.
    source : str
        Where the formula comes from.
    """

    clearance_ml_min: float
    source: str


def creatinine_mg_dl(value: float, unit: str, plausible: Plausible) -> float:
    """Return a creatinine in mg/dL.

    Parameters
    ----------
    value : float
        As the laboratory gave it.
    unit : str
        "mg/dL" or "umol/L" ("µmol/L").
    plausible : Plausible
        What is taken for a real creatinine in either unit.

    Raises
    ------
    UserError
        If the unit is another one, or the value cannot be a creatinine in this unit.
    """
    if unit == "mg/dL":
        check_creatinine(value, plausible)
        return value
    if unit.replace("µ", "u").replace("μ", "u") == "umol/L":
        check("creatinine", value, plausible.creatinine_umol_l, _other_unit(value, "umol/L", plausible))
        return value / UMOL_L_PER_MG_DL
    raise UserError(f"creatinine unit '{unit}' is unknown; give mg/dL or umol/L")


def creatinine_umol_l(creatinine_mg_dl: float) -> float:
    """Return a creatinine in µmol/L."""
    return creatinine_mg_dl * UMOL_L_PER_MG_DL


def egfr(creatinine_mg_dl: float, age_y: float, sex: Sex, plausible: Plausible) -> Egfr:
    """Return the estimated glomerular filtration rate of an adult (CKD-EPI 2021, no race term).

    Parameters
    ----------
    creatinine_mg_dl, age_y : float
        Serum creatinine in mg/dL, age in years.
    sex : {"female", "male"}
        Which coefficients.
    plausible : Plausible
        What is taken for real.

    Raises
    ------
    UserError
        If a figure is not plausible.
    """
    check("age", age_y, plausible.age)
    check_creatinine(creatinine_mg_dl, plausible)
    kappa, alpha, factor = (0.7, -0.241, 1.012) if sex == "female" else (0.9, -0.302, 1.0)
    ratio = creatinine_mg_dl / kappa
    value = 142 * min(ratio, 1) ** alpha * max(ratio, 1) ** -1.2 * 0.9938**age_y * factor
    return Egfr(value, EGFR_SOURCE)


def clearance(
    creatinine_mg_dl: float, age_y: float, weight_kg: float, sex: Sex, plausible: Plausible
) -> Clearance:
    """Return the creatinine clearance (Cockcroft-Gault) with the actual body weight.

    Parameters
    ----------
    creatinine_mg_dl, age_y, weight_kg : float
        Serum creatinine in mg/dL, age in years, weight in kg.
    sex : {"female", "male"}
        Whether the factor 0.85 counts.
    plausible : Plausible
        What is taken for real.

    Raises
    ------
    UserError
        If a figure is not plausible.
    """
    check("age", age_y, plausible.age)
    check_weight(weight_kg, plausible)
    check_creatinine(creatinine_mg_dl, plausible)
    value = (140 - age_y) * weight_kg / (72 * creatinine_mg_dl) * (0.85 if sex == "female" else 1.0)
    return Clearance(value, CLEARANCE_SOURCE)


def check_weight(weight_kg: float, plausible: Plausible) -> None:
    """Refuse a weight that nobody has.

    Raises
    ------
    UserError
        If the weight is not plausible.
    """
    check("weight", weight_kg, plausible.weight)


def check_creatinine(creatinine_mg_dl: float, plausible: Plausible) -> None:
    """Refuse a creatinine that is none in mg/dL.

    Raises
    ------
    UserError
        If the creatinine is not plausible.
    """
    hint = _other_unit(creatinine_mg_dl, "mg/dL", plausible)
    check("creatinine", creatinine_mg_dl, plausible.creatinine_mg_dl, hint)


def check_haematocrit(haematocrit_percent: float, plausible: Plausible) -> None:
    """Refuse a haematocrit that nobody has, such as a fraction in place of a percentage.

    Raises
    ------
    UserError
        If the haematocrit is not plausible.
    """
    check("haematocrit", haematocrit_percent, plausible.haematocrit)


def _other_unit(value: float, unit: str, plausible: Plausible) -> str:
    other = plausible.creatinine_umol_l if unit == "mg/dL" else plausible.creatinine_mg_dl
    return f" (would it be {other.unit}?)" if other.low <= value <= other.high else ""
