"""The section on the patient."""

from __future__ import annotations

from typing import TypeVar

from checkback.errors import UserError
from checkback.record.entry import (
    Patient,
)
from checkback.watching.facts import Facts
from checkback.watching.limits import Limits
from checkback.watching.limits import check as check_plausible
from checkback.watching.renal import check_haematocrit, check_weight, egfr
from checkback.watching.status.figures import (
    Given,
    clearance_now,
    figure_of,
    not_on_record,
    number_figure,
    shown,
)
from checkback.watching.status.state import Figure, PatientSection


def patient_section(facts: Facts, limits: Limits) -> PatientSection:
    """Return what is known of the patient, and the kidney that follows from it."""
    given, plausible = Given(facts), limits.plausible

    def age() -> Figure:
        check_plausible("age", given.age_y, plausible.age)
        return number_figure(given.age_y, unit="years")

    def weight() -> Figure:
        check_weight(given.weight_kg, plausible)
        return number_figure(given.weight_kg, unit="kg")

    def creatinine() -> Figure:
        value = given.creatinine_mg_dl
        umol_l = facts.patient.creatinine_umol_l
        said = "" if umol_l is None else f" ({shown(float(umol_l))} µmol/L)"
        return Figure(text=f"{shown(value, 2)} mg/dL{said}", value=value, unit="mg/dL")

    def haematocrit() -> Figure:
        value = float(_told("haematocrit", facts.patient.haematocrit_percent))
        check_haematocrit(value, plausible)
        return number_figure(value, unit="%")

    def filtration() -> Figure:
        given.need_own_kidney("eGFR")
        given.need("creatinine", "age", "sex")
        found = egfr(given.creatinine_mg_dl, given.age_y, given.sex, plausible)
        return Figure(
            text=f"{found.egfr_ml_min_173:.0f} mL/min/1.73 m²",
            value=found.egfr_ml_min_173,
            unit="mL/min/1.73 m2",
            source=found.source,
        )

    def cleared() -> Figure:
        return number_figure(*clearance_now(given, limits), unit="mL/min")

    return PatientSection(
        age=figure_of(age),
        sex=figure_of(lambda: Figure(text=given.sex)),
        weight=figure_of(weight),
        creatinine=figure_of(creatinine),
        egfr=figure_of(filtration),
        clearance=figure_of(cleared),
        height=figure_of(lambda: number_figure(float(_told("height", facts.patient.height_cm)), unit="cm")),
        haematocrit=figure_of(haematocrit),
        allergies=figure_of(lambda: Figure(text=_told("allergies", facts.patient.allergies))),
        indication=figure_of(lambda: Figure(text=_told("indication", facts.patient.indication))),
        plan=figure_of(lambda: Figure(text=_told("plan", _plan(facts.patient)))),
        risk_factors=figure_of(lambda: Figure(text=_told("risk factors", _risk_factors(facts.patient)))),
    )


Told = TypeVar("Told")


def _told(name: str, value: Told | None) -> Told:
    if value is None or value == "":
        raise UserError(not_on_record(name))
    return value


def _plan(patient: Patient) -> str | None:
    parts = [
        patient.anticoagulant,
        {True: "glycoprotein inhibitor planned", False: "no glycoprotein inhibitor planned"}.get(
            patient.gp_inhibitor  # type: ignore[arg-type]
        ),
        {True: "loaded with a P2Y12 inhibitor", False: "not loaded with a P2Y12 inhibitor"}.get(
            patient.antiplatelet_loaded  # type: ignore[arg-type]
        ),
        "transferred from another hospital" if patient.transfer_in else None,
    ]
    return ", ".join(part for part in parts if part) or None


RISK_FACTORS = (
    "diabetes",
    "heart_failure",
    "dialysis",
    "hypertension",
    "hyperlipidaemia",
    "smoker",
    "family_history",
    "prior_infarction",
    "prior_intervention",
    "prior_bypass",
    "prior_stroke",
    "peripheral_disease",
    "lung_disease",
)
"""Fields of the patient that are told as yes or no."""


def _risk_factors(patient: Patient) -> str | None:
    told = [(name.replace("_", " "), getattr(patient, name)) for name in RISK_FACTORS]
    words = [name if value else f"no {name}" for name, value in told if value is not None]
    return ", ".join(words) or None
