"""Pressures and diameters of balloons, from the laboratory's own catalogue.

The catalogue holds what the makers' charts say of a device in air or water; in a vessel a balloon
may come out smaller.  Everything here is advice for licensed staff.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from typing import Literal

from checkback.language.catalogue import Catalogue, Stock
from checkback.record.entry import Device, Reference

_MM = Decimal("0.001")
_RATIO = Decimal("0.01")


@dataclass(frozen=True)
class RatedBurst:
    """The rated burst pressure of a device.

    Attributes
    ----------
    rated_burst_atm : Decimal
        atm.
    source : str
        The catalogue's name of the item.
    lowest_of_several : bool
        Whether several items fit what was said and are rated differently; this is the lowest.
    """

    rated_burst_atm: Decimal
    source: str
    lowest_of_several: bool


@dataclass(frozen=True)
class OverRated:
    """A pressure above the rated burst pressure.

    Attributes
    ----------
    pressure_atm, rated_burst_atm, excess_atm : Decimal
        What was called out, what the item is rated for, and the difference, atm.
    source : str
        The catalogue's name of the item.
    lowest_of_several : bool
        Whether several items fit what was said and are rated differently; this is the lowest.
    """

    pressure_atm: Decimal
    rated_burst_atm: Decimal
    excess_atm: Decimal
    source: str
    lowest_of_several: bool


@dataclass(frozen=True)
class DiameterAt:
    """The diameter of a balloon at a pressure.

    Attributes
    ----------
    diameter_mm : Decimal or None
        To 0.001 mm; None where the compliance table does not reach.
    pressure_atm : Decimal
        atm.
    beyond : {"below", "above"} or None
        On which side of the table the pressure lies; nothing is extrapolated.
    table_atm : tuple of Decimal
        Lowest and highest pressure of the table, atm.
    source : str
        The catalogue's name of the item.
    """

    diameter_mm: Decimal | None
    pressure_atm: Decimal
    beyond: Literal["below", "above"] | None
    table_atm: tuple[Decimal, Decimal]
    source: str


@dataclass(frozen=True)
class VesselRatio:
    """How wide a balloon is against the vessel.

    Attributes
    ----------
    ratio : Decimal
        Balloon to vessel, to 0.01.
    balloon_mm, reference_mm : Decimal
        The two diameters, mm.
    source : str
        Where the balloon's diameter comes from.
    """

    ratio: Decimal
    balloon_mm: Decimal
    reference_mm: Decimal
    source: str


def fitting(catalogue: Catalogue, device: Device) -> tuple[Stock, ...]:
    """Return the items that a device can be: every one that agrees with what was said of it.

    A size that is not stocked fits no item.
    """
    return tuple(item for item in catalogue.of(device.device, device.type) if _has_size(item, device))


def rated_burst(catalogue: Catalogue, device: Device) -> RatedBurst | None:
    """Return the rated burst pressure, or None if the catalogue has none for this device.

    Where only the device was named, the items that the catalogue calls plain count: nobody says
    "balloon" for a lithotripsy balloon, and its low rating would call out every inflation.
    """
    fits = fitting(catalogue, device)
    plain = [item for item in fits if item.plain]
    rated = [
        (item.rated_burst_atm, item.item)
        for item in (plain if device.type is None and plain else fits)
        if item.rated_burst_atm is not None
    ]
    if not rated:
        return None
    lowest, source = min(rated)
    return RatedBurst(lowest, source, lowest_of_several=any(each != lowest for each, _ in rated))


def over_rated(catalogue: Catalogue, device: Device, pressure_atm: Decimal) -> OverRated | None:
    """Return by how much a pressure is above the rated burst pressure, or None if it is not."""
    rated = rated_burst(catalogue, device)
    if rated is None or pressure_atm <= rated.rated_burst_atm:
        return None
    return OverRated(
        pressure_atm,
        rated.rated_burst_atm,
        pressure_atm - rated.rated_burst_atm,
        rated.source,
        rated.lowest_of_several,
    )


def diameters_at(catalogue: Catalogue, device: Device, pressure_atm: Decimal) -> tuple[DiameterAt, ...]:
    """Return the diameter of a device at a pressure, once for each item that it can be.

    Empty if the diameter was not said, or the catalogue has no compliance table for it.
    """
    if device.diameter_mm is None:
        return ()
    return tuple(
        _diameter_at(item, device.diameter_mm, pressure_atm)
        for item in fitting(catalogue, device)
        if item.compliance_percent
    )


def vessel_ratio(balloon_mm: Decimal, source: str, reference: Reference) -> VesselRatio | None:
    """Return the balloon-to-vessel ratio, or None if the reference diameter is nothing to divide by.

    Parameters
    ----------
    balloon_mm : Decimal
        Diameter of the balloon, mm: labelled, or at a pressure.
    source : str
        Where that comes from.
    reference : Reference
        The vessel, as it was called out.
    """
    if reference.diameter_mm <= 0:
        return None
    ratio = (balloon_mm / reference.diameter_mm).quantize(_RATIO)
    return VesselRatio(ratio, balloon_mm, reference.diameter_mm, source)


def _has_size(item: Stock, device: Device) -> bool:
    diameter, length = device.diameter_mm, device.length_mm
    return (
        (diameter is None or diameter in item.diameters_mm)
        and (length is None or length in item.lengths_mm)
        and (diameter is None or length is None or (diameter, length) not in item.missing)
    )


def _diameter_at(item: Stock, labelled_mm: Decimal, pressure_atm: Decimal) -> DiameterAt:
    table = sorted(item.compliance_percent)
    lowest, highest = table[0][0], table[-1][0]
    beyond: Literal["below", "above"] | None = None
    percent: Decimal | None = None
    if pressure_atm < lowest:
        beyond = "below"
    elif pressure_atm > highest:
        beyond = "above"
    else:
        percent = _interpolated(table, pressure_atm)
    diameter_mm = None if percent is None else (labelled_mm * percent / 100).quantize(_MM)
    return DiameterAt(diameter_mm, pressure_atm, beyond, (lowest, highest), item.item)


def _interpolated(table: list[tuple[Decimal, Decimal]], pressure_atm: Decimal) -> Decimal:
    """Return the percentage at a pressure inside the table, on the line between its neighbours."""
    for (low_atm, low), (high_atm, high) in pairwise(table):
        if low_atm <= pressure_atm <= high_atm and low_atm < high_atm:
            return low + (high - low) * (pressure_atm - low_atm) / (high_atm - low_atm)
    return table[0][1]
