"""Doses by weight as the labels give them."""

from __future__ import annotations

from collections.abc import Callable

from checkback.errors import UserError
from checkback.watching.anticoagulation import (
    WeightDose,
    bivalirudin,
    cangrelor,
    eptifibatide,
    tirofiban,
)
from checkback.watching.limits import Limits
from checkback.watching.status.figures import Given, clearance_now, figures_of, shown
from checkback.watching.status.state import Dose, Figure


def label_doses(given: Given, limits: Limits) -> tuple[Dose, ...]:
    """Return the doses by weight that the labels give."""
    plausible, on = limits.plausible, given.dialysis
    cleared: float | None
    try:
        cleared = clearance_now(given, limits)[0]
    except UserError:
        cleared = None
    return (
        _labelled(
            "bivalirudin",
            lambda: bivalirudin(given.weight_kg, cleared, limits.bivalirudin, plausible, dialysis=on),
            dialysis=on,
        ),
        _labelled("cangrelor", lambda: cangrelor(given.weight_kg, limits.cangrelor, plausible)),
        _labelled(
            "eptifibatide",
            lambda: eptifibatide(given.weight_kg, cleared, limits.eptifibatide, plausible, dialysis=on),
            dialysis=on,
        ),
        _labelled(
            "tirofiban",
            lambda: tirofiban(given.weight_kg, cleared, limits.tirofiban, plausible, dialysis=on),
            dialysis=on,
        ),
    )


def _labelled(drug: str, compute: Callable[[], WeightDose], *, dialysis: bool = False) -> Dose:
    bolus, infusion = figures_of(2, lambda: _dose(compute(), dialysis))
    return Dose(drug=drug, bolus=bolus, infusion=infusion)


def _dose(dose: WeightDose, dialysis: bool) -> tuple[Figure, ...]:
    over = "" if dose.bolus_over_min is None else f" over {shown(dose.bolus_over_min)} min"
    again = (
        ""
        if dose.second_bolus_after_min is None
        else f", again after {shown(dose.second_bolus_after_min)} min"
    )
    kidney = f", reduced for {'dialysis' if dialysis else 'the clearance'}" if dose.reduced else ""
    if not dose.clearance_known:
        kidney = ", full dose: the clearance is not known"
    return (
        Figure(
            text=f"{shown(dose.bolus_mg, 2)} mg = {shown(dose.bolus_ml)} mL{_capped(dose.bolus_capped)}{over}{again}",
            value=dose.bolus_mg,
            unit="mg",
            source=dose.source,
        ),
        Figure(
            text=f"{shown(dose.infusion_mg_per_h, 2)} mg/h = {shown(dose.infusion_ml_per_h)} mL/h"
            f"{_capped(dose.infusion_capped)}{kidney}",
            value=dose.infusion_mg_per_h,
            unit="mg/h",
            source=dose.source,
        ),
    )


def _capped(capped: bool) -> str:
    return " (capped)" if capped else ""
