"""The section on devices, lesions and what is up."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from checkback.errors import UserError
from checkback.language.catalogue import Catalogue
from checkback.record.case import Case
from checkback.record.devices import DeviceLife
from checkback.record.entry import (
    Device,
    Entry,
    Reference,
)
from checkback.watching.devices import diameters_at, over_rated, rated_burst, vessel_ratio
from checkback.watching.status.figures import ago_s, figure_of, not_on_record, number_figure, shown, span
from checkback.watching.status.state import BalloonUp, DeviceNow, DeviceSection, Figure, LesionNow


def device_section(case: Case, catalogue: Catalogue, at_min: Callable[[Entry], float]) -> DeviceSection:
    """Return what is in, what stays, what is up, and the work by lesion; `at_min` gives minutes from now."""

    def now(life: DeviceLife, name: str, notes: list[str]) -> DeviceNow:
        return DeviceNow(
            number=life.number,
            entry=life.entry.n,
            device=name,
            since_s=ago_s(at_min, life.entry),
            notes=tuple(notes),
        )

    reference = case.latest(Reference)
    vessel = None if reference is None else reference.body
    assert vessel is None or isinstance(vessel, Reference)
    unaccounted = case.unaccounted()
    return DeviceSection(
        inside=tuple(now(life, device_name(life.body), _notes(life)) for life in case.inside()),
        up=tuple(
            _balloon_up(life, vessel, catalogue, at_min)
            for life in unaccounted
            if life.inflated and life.inflations
        ),
        implants=tuple(
            now(
                life, device_name(life.body), _label(life) + ([] if life.fate == "implanted" else [life.fate])
            )
            for life in case.implants()
        ),
        lesions=_lesions(case),
        unaccounted=tuple(
            now(life, f"balloon of the {name}" if life.deployed else name, _notes(life))
            for life in unaccounted
            for name in [device_name(life.body)]
        ),
    )


def _lesions(case: Case) -> tuple[LesionNow, ...]:
    by_number = {life.number: device_name(life.body) for life in case.devices()}
    in_hand = case.lesion_in_hand()
    return tuple(
        LesionNow(
            number=work.number,
            segment=work.segment,
            in_hand=work is in_hand,
            devices=len(work.devices),
            attempts=work.attempts,
            failures=work.failures,
            failed=tuple(by_number[number] for number in work.failed),
            inflations=work.inflations,
            stents=work.stents,
        )
        for work in case.lesions()
    )


def _label(life: DeviceLife) -> list[str]:
    identity = life.identity
    said = () if identity is None else (("lot", identity.lot), ("serial number", identity.serial))
    return [f"{name} {value}" for name, value in said if value]


def _notes(life: DeviceLife) -> list[str]:
    said = (
        ("across", life.across is True),
        ("not across", life.across is False),
        ("up", life.inflated),
        ("stuck", life.stuck),
        ("ruptured", life.ruptured),
        ("off its balloon", life.off_balloon),
        ("snared", life.snared),
    )
    return [words for words, true in said if true]


def _balloon_up(
    life: DeviceLife, vessel: Reference | None, catalogue: Catalogue, at_min: Callable[[Entry], float]
) -> BalloonUp:
    last = life.inflations[-1]
    seconds, pressure_atm = ago_s(at_min, last.entry), last.pressure_atm

    def called_out() -> Decimal:
        if pressure_atm is None:
            raise UserError("the pressure was not called out")
        return pressure_atm

    def rated() -> Figure:
        found = rated_burst(catalogue, life.body)
        if found is None:
            raise UserError("the catalogue has none for this device")
        over = None if pressure_atm is None else over_rated(catalogue, life.body, pressure_atm)
        above = (
            "" if over is None else f", which this pressure exceeds by {shown(float(over.excess_atm))} atm"
        )
        lowest = ", the lowest of several items" if found.lowest_of_several else ""
        return Figure(
            text=f"{shown(float(found.rated_burst_atm))} atm{lowest}{above}",
            value=float(found.rated_burst_atm),
            unit="atm",
            source=f"catalogue: {found.source}",
        )

    def diameter() -> Figure:
        found = diameters_at(catalogue, life.body, called_out())
        if not found:
            raise UserError("the catalogue has no compliance table for this device")
        inside = [(float(each.diameter_mm), each.source) for each in found if each.diameter_mm is not None]
        if not inside:
            low, high = found[0].table_atm
            raise UserError(
                f"{shown(float(called_out()))} atm is {found[0].beyond} the compliance table, "
                f"{shown(float(low))}-{shown(float(high))} atm"
            )
        low_mm, high_mm = min(inside)[0], max(inside)[0]
        text = shown(low_mm, 2) if low_mm == high_mm else f"{shown(low_mm, 2)}-{shown(high_mm, 2)}"
        return Figure(
            text=f"{text} mm",
            low=low_mm,
            high=high_mm,
            unit="mm",
            source="catalogue: " + "; ".join(source for _, source in inside),
        )

    def ratio() -> Figure:
        if vessel is None:
            raise UserError(not_on_record("reference diameter"))
        at = [
            each for each in diameters_at(catalogue, life.body, called_out()) if each.diameter_mm is not None
        ]
        widest = max(at, key=lambda each: each.diameter_mm or 0, default=None)
        if widest is None or widest.diameter_mm is None:
            raise UserError("the diameter at this pressure is not known")
        found = vessel_ratio(widest.diameter_mm, f"catalogue: {widest.source}", vessel)
        if found is None:
            raise UserError("the reference diameter on record is 0 mm")
        return Figure(
            text=f"{shown(float(found.ratio), 2)} of a vessel of {shown(float(found.reference_mm), 2)} mm",
            value=float(found.ratio),
            unit="ratio",
            source=f"{found.source}; reference diameter from the entries",
        )

    return BalloonUp(
        number=life.number,
        device=device_name(life.body),
        pressure=figure_of(lambda: number_figure(float(called_out()), unit="atm")),
        up=Figure(text=span(seconds), value=seconds, unit="s"),
        rated_burst=figure_of(rated),
        diameter=figure_of(diameter),
        vessel_ratio=figure_of(ratio),
    )


def device_name(body: Device) -> str:
    """Return a device as a short line for the eye, such as "non-compliant balloon 3.0 × 15 mm"."""
    size = [
        # the trade writes "3.0 mm"
        None if mm is None else f"{mm:.1f}" if least and mm == round(mm, 1) else f"{mm.normalize():f}"
        for mm, least in ((body.diameter_mm, True), (body.length_mm, False))
    ]
    sizes = " × ".join(each for each in size if each is not None)
    parts = (
        body.type,
        body.device,
        body.curve,
        None if body.french is None else f"{body.french.normalize():f} French",
        f"{sizes} mm" if sizes else None,
    )
    return " ".join(part for part in parts if part)
