"""Regimes of resuscitation as data: cycles, epinephrine, shocks, antiarrhythmics, each with its source."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from checkback.guiding.data import NOTE, Count, Data, Number, Positive, Source, source_faults
from checkback.language.catalogue import fault, read_toml

FILE_NAME = "resuscitation.toml"


class Epinephrine(Data):
    """When epinephrine is due.

    Attributes
    ----------
    dose_mg : Decimal
    after_shock : int
        The shock after which the first dose is due, in a shockable rhythm.
    least_min, most_min : Decimal
        The next dose is not before the one and not after the other.
    """

    dose_mg: Positive
    after_shock: Count
    least_min: Positive
    most_min: Positive
    sources: tuple[str, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _in_order(self) -> Epinephrine:
        if self.most_min < self.least_min:
            raise ValueError(f"'most_min' ({self.most_min}) is below 'least_min' ({self.least_min})")
        return self


class Antiarrhythmic(Data):
    """When an antiarrhythmic is due: dose by dose, each after a shock."""

    drug: Literal["amiodarone", "lidocaine"]
    doses: tuple[str, ...] = Field(min_length=1)
    after_shocks: tuple[Count, ...]
    sources: tuple[str, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _as_many(self) -> Antiarrhythmic:
        if len(self.doses) != len(self.after_shocks) or list(self.after_shocks) != sorted(
            set(self.after_shocks)
        ):
            raise ValueError(
                "'after_shocks' needs one shock for each of 'doses', each later than the one before"
            )
        return self


class Regime(Data):
    """One published way to do it."""

    title: str = Field(min_length=1)
    cycle_s: Positive
    pause_s: Positive
    stack_s: Number
    shock_j: str = Field(min_length=1)
    epinephrine: Epinephrine
    antiarrhythmics: tuple[Antiarrhythmic, ...] = Field(min_length=1)
    sources: tuple[str, ...] = Field(min_length=1)
    note: Literal["check against local protocol"]


class Regimes(Data):
    """Every regime of the file, with the sources."""

    regimes: dict[str, Regime] = Field(min_length=1)
    sources: dict[str, Source]

    def cited(self, names: tuple[str, ...]) -> str:
        """Return sources in words, with the advice to check."""
        return f"{'; '.join(self.sources[name].cited for name in names)}; {NOTE}"


def load(folder: Path) -> Regimes:
    """Read the regimes.

    Raises
    ------
    UserError
        If the file is missing or a key is wrong; names file, line and key.
    """
    path = folder / FILE_NAME
    found = read_toml(path, Regimes)
    used: dict[str, tuple[str, ...]] = {}
    for name, regime in found.regimes.items():
        used[f"regimes.{name}.sources"] = regime.sources
        used[f"regimes.{name}.epinephrine"] = regime.epinephrine.sources
        for place, each in enumerate(regime.antiarrhythmics):
            used[f"regimes.{name}.antiarrhythmics.{place}"] = each.sources
    for mistake in source_faults(found.sources, used):
        raise fault(path, mistake.key, mistake.message)
    return found
