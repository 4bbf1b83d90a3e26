"""Radiation: which notices are due between two readings, and what a substantial dose asks for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from checkback.errors import UserError
from checkback.watching.limits import Notices, Plausible, RadiationLimits, Value, check

Quantity = Literal["air kerma", "dose-area product", "fluoroscopy", "peak skin dose"]

_PER_GY = {"Gy": 1, "cGy": 100, "mGy": 1000}
_PER_GY_CM2 = {"Gy.cm2": 1, "dGy.cm2": 10, "cGy.cm2": 100, "uGy.m2": 100, "mGy.cm2": 1000}


@dataclass(frozen=True)
class Exposure:
    """What the X-ray system shows so far; None: not read yet.

    Attributes
    ----------
    air_kerma_gy, dose_area_gy_cm2, fluoroscopy_min : float or None
        Totals in the unit of their name.
    peak_skin_gy : float or None
        Peak skin dose, where the system estimates one.
    """

    air_kerma_gy: float | None = None
    dose_area_gy_cm2: float | None = None
    fluoroscopy_min: float | None = None
    peak_skin_gy: float | None = None


@dataclass(frozen=True)
class Notice:
    """A step that was reached.

    Attributes
    ----------
    quantity : str
        What was read.
    level : float
        The step.
    reading : float
        The reading that reached it.
    unit : str
        Of both.
    source : str
        Of the steps.
    """

    quantity: Quantity
    level: float
    reading: float
    unit: str
    source: str


@dataclass(frozen=True)
class FollowUpLine:
    """What a substantial dose asks for, to stand in the record.

    Attributes
    ----------
    reached : tuple of Notice
        Which substantial levels, with their readings.
    actions : tuple of str
        What is to be done, in sentences.
    source : str
        Of levels and actions.
    """

    reached: tuple[Notice, ...]
    actions: tuple[str, ...]
    source: str


def air_kerma_gy(value: float, unit: str) -> float:
    """Return an air kerma in Gy.

    Raises
    ------
    UserError
        If the unit is none of air kerma.
    """
    return _converted("air kerma", value, unit, _PER_GY)


def dose_area_gy_cm2(value: float, unit: str) -> float:
    """Return a dose-area product in Gy·cm².

    Raises
    ------
    UserError
        If the unit is none of dose-area product.
    """
    return _converted("dose-area product", value, unit, _PER_GY_CM2)


def check_exposure(exposure: Exposure, plausible: Plausible) -> None:
    """Refuse a reading that no case reaches, such as one in another unit.

    Raises
    ------
    UserError
        If a reading is not plausible.
    """
    for what, reading, allowed in (
        ("air kerma", exposure.air_kerma_gy, plausible.air_kerma),
        ("dose-area product", exposure.dose_area_gy_cm2, plausible.dose_area),
        ("fluoroscopy", exposure.fluoroscopy_min, plausible.fluoroscopy),
        ("peak skin dose", exposure.peak_skin_gy, plausible.air_kerma),
    ):
        if reading is not None:
            check(what, reading, allowed)


def notices(
    before: Exposure, now: Exposure, rules: RadiationLimits, plausible: Plausible
) -> tuple[Notice, ...]:
    """Return the notices that are due between two readings, ascending within each quantity.

    A value itself counts as reached.  A reading that fell, as after a correction, is due nothing.

    Raises
    ------
    UserError
        If a reading is not plausible.
    """
    check_exposure(before, plausible)
    check_exposure(now, plausible)
    quantities: tuple[tuple[Quantity, float | None, float | None, Notices], ...] = (
        ("air kerma", before.air_kerma_gy, now.air_kerma_gy, rules.air_kerma),
        ("dose-area product", before.dose_area_gy_cm2, now.dose_area_gy_cm2, rules.dose_area),
        ("fluoroscopy", before.fluoroscopy_min, now.fluoroscopy_min, rules.fluoroscopy),
    )
    return tuple(
        Notice(quantity, rule.first + k * rule.step, reading, rule.unit, rule.cited)
        for quantity, earlier, reading, rule in quantities
        if reading is not None
        for k in range(_steps(earlier or 0.0, rule), _steps(reading, rule))
    )


def substantial(now: Exposure, rules: RadiationLimits, plausible: Plausible) -> tuple[Notice, ...]:
    """Return the substantial dose levels that are reached; a value itself counts.

    Raises
    ------
    UserError
        If a reading is not plausible.
    """
    check_exposure(now, plausible)
    quantities: tuple[tuple[Quantity, float | None, Value], ...] = (
        ("air kerma", now.air_kerma_gy, rules.substantial_air_kerma),
        ("dose-area product", now.dose_area_gy_cm2, rules.substantial_dose_area),
        ("fluoroscopy", now.fluoroscopy_min, rules.substantial_fluoroscopy),
        ("peak skin dose", now.peak_skin_gy, rules.substantial_peak_skin),
    )
    return tuple(
        Notice(quantity, rule.value, reading, rule.unit, rule.cited)
        for quantity, reading, rule in quantities
        if reading is not None and reading >= rule.value
    )


def follow_up(now: Exposure, rules: RadiationLimits, plausible: Plausible) -> FollowUpLine | None:
    """Return the follow-up line of a substantial dose, or None below every substantial level.

    The first action is due for any substantial level, each further one from its air kerma on.

    Raises
    ------
    UserError
        If a reading is not plausible.
    """
    reached = substantial(now, rules, plausible)
    if not reached:
        return None
    kerma_gy = now.air_kerma_gy or 0.0
    due = [rule for n, rule in enumerate(rules.follow_up) if n == 0 or kerma_gy >= rule.lowest]
    cited = [notice.source for notice in reached] + [rule.cited for rule in due]
    return FollowUpLine(reached, tuple(rule.text for rule in due), "; ".join(dict.fromkeys(cited)))


def _steps(reading: float, rule: Notices) -> int:
    """Return how many steps a reading has reached."""
    steps = max(0, math.floor((reading - rule.first) / rule.step) + 1)
    # The division may round across a step such as 0.3 of 0.1.
    while rule.first + steps * rule.step <= reading:
        steps += 1
    while steps and rule.first + (steps - 1) * rule.step > reading:
        steps -= 1
    return steps


def _converted(what: str, value: float, unit: str, per_unit: dict[str, int]) -> float:
    plain = unit.replace("µ", "u").replace("μ", "u").replace("·", ".").replace("²", "2")
    if plain not in per_unit:
        raise UserError(f"{what} unit '{unit}' is unknown; give one of {', '.join(per_unit)}")
    if not 0 <= value < math.inf:
        raise UserError(f"{what} {value:g} {unit} is not possible; check the figure")
    return value / per_unit[plain]
