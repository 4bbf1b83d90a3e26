"""The section on radiation."""

from __future__ import annotations

from collections.abc import Iterator

from checkback.errors import UserError
from checkback.watching.facts import Facts
from checkback.watching.limits import Limits
from checkback.watching.radiation import Exposure, check_exposure, follow_up, notices, substantial
from checkback.watching.status.figures import not_on_record, shown
from checkback.watching.status.state import Figure, Level, RadiationSection


def radiation_section(facts: Facts, limits: Limits) -> RadiationSection:
    """Return the exposure with the levels that it reached."""
    plausible, exposure = limits.plausible, facts.exposure
    alone = (
        ("air kerma", exposure.air_kerma_gy, "Gy", Exposure(air_kerma_gy=exposure.air_kerma_gy)),
        ("dose-area product", exposure.dose_area_gy_cm2, "Gy·cm²", Exposure(dose_area_gy_cm2=exposure.dose_area_gy_cm2)),
        ("fluoroscopy time", exposure.fluoroscopy_min, "min", Exposure(fluoroscopy_min=exposure.fluoroscopy_min)),
    )  # fmt: skip
    read: list[Figure] = []
    levels: list[Level] = []
    sound = Exposure()
    for name, value, unit, each in alone:
        if value is None:
            read.append(Figure(missing=not_on_record(name)))
            continue
        try:
            # one reading in a wrong unit must not hide the two others
            check_exposure(each, plausible)
        except UserError as error:
            read.append(Figure(missing=str(error)))
            continue
        read.append(Figure(text=f"{shown(value, 2)} {unit}", value=value, unit=unit))
        levels += _levels(each, unit, limits)
        sound = Exposure(
            sound.air_kerma_gy if each.air_kerma_gy is None else each.air_kerma_gy,
            sound.dose_area_gy_cm2 if each.dose_area_gy_cm2 is None else each.dose_area_gy_cm2,
            sound.fluoroscopy_min if each.fluoroscopy_min is None else each.fluoroscopy_min,
        )
    line = follow_up(sound, limits.radiation, plausible)
    return RadiationSection(
        air_kerma=read[0],
        dose_area=read[1],
        fluoroscopy=read[2],
        levels=tuple(levels),
        follow_up=Figure(missing="no substantial dose level is on record")
        if line is None
        else Figure(text=" ".join(line.actions), source=line.source),
    )


def _levels(exposure: Exposure, unit: str, limits: Limits) -> Iterator[Level]:
    """Yield the highest notice and the substantial level that one reading has reached."""
    due = notices(Exposure(), exposure, limits.radiation, limits.plausible)[-1:]
    for found, is_substantial in (
        *((notice, False) for notice in due),
        *((notice, True) for notice in substantial(exposure, limits.radiation, limits.plausible)),
    ):
        yield Level(
            quantity=found.quantity,
            substantial=is_substantial,
            level=Figure(
                text=f"{shown(found.level)} {unit} reached", value=found.level, unit=unit, source=found.source
            ),
        )
