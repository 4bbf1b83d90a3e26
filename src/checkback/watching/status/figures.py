"""What the sections share: figures that may not be known, and how they are written."""

from __future__ import annotations

import math
from collections.abc import Callable
from decimal import Decimal
from typing import Literal

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import (
    Entry,
    Frozen,
)
from checkback.watching.facts import Facts
from checkback.watching.limits import Limits
from checkback.watching.renal import Sex, clearance
from checkback.watching.status.state import ENTRIES, Figure
from checkback.watching.times import (
    h_mm,
)


class Given:
    """Figures of the patient; one that is not known is an error that names it."""

    def __init__(self, facts: Facts) -> None:
        self._patient = facts.patient
        self._creatinine_mg_dl = facts.creatinine_mg_dl
        self._refused = facts.creatinine_refused
        self.dialysis = bool(facts.patient.dialysis)

    @property
    def age_y(self) -> float:
        """Age, years."""
        return self._number("age", self._patient.age_y)

    @property
    def weight_kg(self) -> float:
        """Weight, kg."""
        return self._number("weight", self._patient.weight_kg)

    @property
    def creatinine_mg_dl(self) -> float:
        """Serum creatinine, mg/dL."""
        if self._refused is not None:
            raise UserError(self._refused)
        return self._number("creatinine", self._creatinine_mg_dl)

    @property
    def sex(self) -> Sex:
        """Sex, as the formulas ask for it."""
        if self._patient.sex is None:
            raise UserError(not_on_record("sex"))
        return self._patient.sex

    def need(self, *names: Literal["age", "sex", "weight", "creatinine"]) -> None:
        """Refuse with one sentence that names all that is lacking."""
        known = {
            "age": self._patient.age_y,
            "sex": self._patient.sex,
            "weight": self._patient.weight_kg,
            # a refused one has a sentence of its own
            "creatinine": self._creatinine_mg_dl if self._refused is None else self._refused,
        }
        lacking = [name for name in names if known[name] is None]
        if lacking:
            raise UserError(not_on_record(*lacking))

    def need_own_kidney(self, what: str) -> None:
        """Refuse what is made of creatinine: on dialysis that tells of the dialysis.

        Gurm, JACC 2011;58:907 left patients on dialysis out; the formulas assume a steady state.
        """
        if self.dialysis:
            raise UserError(f"on dialysis: {what} from creatinine does not apply")

    @staticmethod
    def _number(name: str, value: float | Decimal | None) -> float:
        if value is None:
            raise UserError(not_on_record(name))
        return float(value)


def not_on_record(*names: str) -> str:
    """Return the sentence that names what is lacking."""
    if len(names) == 1:
        plural = names[0] in ("allergies", "risk factors")
        return f"{names[0]} {'are' if plural else 'is'} not on record"
    return f"{', '.join(names[:-1])} and {names[-1]} are not on record"


def figure_of(compute: Callable[[], Figure]) -> Figure:
    """Return a figure, or the sentence of what stands against it."""
    try:
        return compute()
    except UserError as error:
        return Figure(missing=str(error))


def clearance_now(given: Given, limits: Limits) -> tuple[float, str]:
    """Return the creatinine clearance, mL/min, and its source."""
    given.need_own_kidney("clearance")
    given.need("creatinine", "age", "weight", "sex")
    found = clearance(given.creatinine_mg_dl, given.age_y, given.weight_kg, given.sex, limits.plausible)
    return found.clearance_ml_min, found.source


def figures_of(count: int, compute: Callable[[], tuple[Figure, ...]]) -> tuple[Figure, ...]:
    """Return figures that stand or fall together."""
    try:
        return compute()
    except UserError as error:
        return (Figure(missing=str(error)),) * count


def from_now(minutes: float) -> str:
    """Return minutes from now (negative: ago) in words."""
    return f"in about {minutes:.0f} min" if minutes >= 0 else f"about {-minutes:.0f} min ago"


def first_of(case: Case, kind: type[Frozen]) -> Entry | None:
    """Return the first entry of a kind that is in force."""
    return next((entry for entry in case.in_force() if isinstance(entry.body, kind)), None)


def ago_s(at_min: Callable[[Entry], float], entry: Entry) -> float:
    """Return how long ago an entry was, s; never negative."""
    return max(0.0, round(-60 * at_min(entry), 3))


def shown(value: float, places: int = 1) -> str:
    """Return a number without zeros that say nothing."""
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def down(volume_ml: float) -> str:
    """Return a volume in whole mL."""
    # what is left is never shown as more than it is
    return str(math.floor(volume_ml + 1e-9))


def number_figure(value: float, source: str = ENTRIES, *, unit: str) -> Figure:
    """Return a figure that is a plain number with its unit."""
    return Figure(text=f"{shown(value)} {unit}", value=value, unit=unit, source=source)


def span(seconds: float) -> str:
    """Return a time as it is said in the room: seconds at first, then minutes, then hours."""
    whole = int(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{h_mm(seconds)} h"


def count(number: int, one: str, many: str | None = None) -> str:
    """Return a number with its noun."""
    return f"{number} {one if number == 1 else many or one + 's'}"
