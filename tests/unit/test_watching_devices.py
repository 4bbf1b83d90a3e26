"""Rated burst pressures, diameters under pressure and balloon-to-vessel ratios, from the catalogue."""

from __future__ import annotations

from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checkback.language.catalogue import Catalogue, Stock, read_toml
from checkback.record.entry import Device, DeviceClass, Reference
from checkback.watching.devices import diameters_at, fitting, over_rated, rated_burst, vessel_ratio

CATALOGUE = read_toml(Path(__file__).parents[2] / "grammars" / "catalogue.toml", Catalogue)
WITH_PRESSURE = [item for item in CATALOGUE.stock if item.rated_burst_atm is not None]

SHELF = Catalogue(
    note="invented for this test",
    stock=(
        Stock(
            device="balloon",
            type="semi-compliant",
            item="soft balloon",
            diameters_mm=(Decimal(2), Decimal(3)),
            lengths_mm=(Decimal(12), Decimal(15)),
            **{"except": ((Decimal(3), Decimal(12)),)},
            nominal_atm=Decimal(8),
            rated_burst_atm=Decimal(14),
            compliance_percent=(
                (Decimal(6), Decimal(96)),
                (Decimal(8), Decimal(100)),
                (Decimal(14), Decimal(112)),
            ),
        ),
        Stock(
            device="balloon",
            type="non-compliant",
            item="hard balloon",
            diameters_mm=(Decimal(3),),
            lengths_mm=(Decimal(12), Decimal(15)),
            nominal_atm=Decimal(12),
            rated_burst_atm=Decimal(20),
            compliance_percent=((Decimal(12), Decimal(100)), (Decimal(20), Decimal(104))),
        ),
        Stock(device="wire", type="workhorse", item="wire"),
    ),
)


def device(
    diameter: str | None = None,
    length: int | None = None,
    kind: str | None = None,
    device: DeviceClass = "balloon",
) -> Device:
    return Device(
        device=device,
        type=kind,
        diameter_mm=None if diameter is None else Decimal(diameter),
        length_mm=None if length is None else Decimal(length),
    )


def names(found: tuple[Stock, ...]) -> list[str]:
    return [item.item for item in found]


# --- which item it is ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "items"),
    [
        (device("3", 15, "non-compliant"), ["hard balloon"]),
        (device("3", 15), ["soft balloon", "hard balloon"]),
        (device("3"), ["soft balloon", "hard balloon"]),
        (device("2", 15), ["soft balloon"]),
        (device("3", 12), ["hard balloon"]),  # the soft one is not made in that size
        (device(None, None, "semi-compliant"), ["soft balloon"]),
        (device("3.2", 15), []),
        (device("3", 15, "cutting"), []),
        (device("3", 15, device="stent"), []),
    ],
)
def test_every_item_fits_that_agrees_with_what_was_said(said: Device, items: list[str]) -> None:
    assert names(fitting(SHELF, said)) == items


# --- rated burst pressure ------------------------------------------------------------------------


def test_a_pressure_above_the_rating_is_told_with_its_item() -> None:
    balloon = device("3", 15, "non-compliant")
    assert over_rated(SHELF, balloon, Decimal(20)) is None, "the rating itself is allowed"
    found = over_rated(SHELF, balloon, Decimal(22))
    assert found is not None
    assert (found.pressure_atm, found.rated_burst_atm, found.excess_atm) == (22, 20, 2)
    assert found.source == "hard balloon" and not found.lowest_of_several


def test_with_no_type_said_the_lowest_rating_counts_and_is_marked() -> None:
    rated = rated_burst(SHELF, device("3", 15))
    assert rated is not None
    assert (rated.rated_burst_atm, rated.source, rated.lowest_of_several) == (14, "soft balloon", True)
    found = over_rated(SHELF, device("3", 15), Decimal(16))
    assert found is not None and found.lowest_of_several
    only = rated_burst(SHELF, device("2", 15))
    assert only is not None and not only.lowest_of_several


def test_a_balloon_named_without_its_type_is_held_against_the_plain_ones() -> None:
    # a lithotripsy balloon of this size is rated 10 atm, which would call out every inflation
    said = Device(device="balloon", diameter_mm=Decimal("2.5"), length_mm=Decimal(12), stocked=True)
    assert over_rated(CATALOGUE, said, Decimal(14)) is None
    found = over_rated(CATALOGUE, said, Decimal(20))
    assert found is not None
    assert found.source.startswith("semi-compliant balloon")


def test_what_the_catalogue_does_not_know_is_not_judged() -> None:
    assert rated_burst(SHELF, device("3.2", 15)) is None
    assert over_rated(SHELF, device("3.2", 15), Decimal(40)) is None
    assert rated_burst(SHELF, device(device="wire")) is None


# --- diameter at a pressure ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pressure", "diameter"),
    [("6", "2.880"), ("7", "2.940"), ("8", "3.000"), ("11", "3.180"), ("14", "3.360")],
)
def test_between_two_points_of_the_table_the_diameter_lies_on_a_line(pressure: str, diameter: str) -> None:
    (found,) = diameters_at(SHELF, device("3", 15, "semi-compliant"), Decimal(pressure))
    assert found.diameter_mm == Decimal(diameter) and found.beyond is None
    assert found.source == "soft balloon"


@pytest.mark.parametrize(("pressure", "side"), [("5.9", "below"), ("14.1", "above")])
def test_beyond_the_table_nothing_is_made_up(pressure: str, side: str) -> None:
    (found,) = diameters_at(SHELF, device("3", 15, "semi-compliant"), Decimal(pressure))
    assert (found.diameter_mm, found.beyond, found.table_atm) == (None, side, (6, 14))


def test_two_items_that_fit_give_two_diameters() -> None:
    found = diameters_at(SHELF, device("3", 15), Decimal(12))
    assert [(each.source, each.diameter_mm) for each in found] == [
        ("soft balloon", Decimal("3.240")),
        ("hard balloon", Decimal("3.000")),
    ]
    assert diameters_at(SHELF, device(None, None, "semi-compliant"), Decimal(12)) == ()


@given(st.data())
def test_more_pressure_is_never_a_smaller_balloon(data: st.DataObject) -> None:
    item = data.draw(st.sampled_from(WITH_PRESSURE), label="item")
    diameter, length = data.draw(st.sampled_from(sorted(item.sizes())), label="size")
    pressures = st.decimals(item.compliance_percent[0][0], item.compliance_percent[-1][0], places=1)
    low, high = sorted((data.draw(pressures), data.draw(pressures)))
    said = Device(device=item.device, type=item.type, diameter_mm=diameter, length_mm=length)
    (smaller,) = diameters_at(CATALOGUE, said, low)
    (larger,) = diameters_at(CATALOGUE, said, high)
    assert smaller.diameter_mm is not None and larger.diameter_mm is not None
    assert smaller.diameter_mm <= larger.diameter_mm
    assert smaller.source == item.item


# --- balloon to vessel ---------------------------------------------------------------------------


def test_the_balloon_is_set_against_the_vessel() -> None:
    (found,) = diameters_at(SHELF, device("3", 15, "non-compliant"), Decimal(20))
    assert found.diameter_mm == Decimal("3.120")
    ratio = vessel_ratio(found.diameter_mm, found.source, Reference(diameter_mm=Decimal("2.75")))
    assert ratio is not None
    assert (ratio.ratio, ratio.balloon_mm, ratio.reference_mm, ratio.source) == (
        Decimal("1.13"),
        Decimal("3.120"),
        Decimal("2.75"),
        "hard balloon",
    )


def test_a_vessel_of_no_width_has_no_ratio() -> None:
    assert vessel_ratio(Decimal(3), "labelled", Reference(diameter_mm=Decimal(0))) is None


# --- is the invented catalogue plausible? --------------------------------------------------------


def of_type(kind: str) -> list[Stock]:
    return list(CATALOGUE.of("balloon", kind))


@pytest.mark.parametrize("item", WITH_PRESSURE, ids=lambda item: item.item)
def test_a_compliance_table_rises_through_nominal_to_the_rating(item: Stock) -> None:
    assert all(a[0] < b[0] and a[1] < b[1] for a, b in pairwise(item.compliance_percent))
    assert (item.nominal_atm, 100) in item.compliance_percent
    assert item.compliance_percent[-1][0] == item.rated_burst_atm


def test_every_balloon_and_stent_has_a_rating() -> None:
    assert all(item in WITH_PRESSURE for item in (*CATALOGUE.of("balloon"), *CATALOGUE.of("stent")))


@pytest.mark.parametrize(
    ("kind", "percent", "lowest_atm", "highest_atm"),
    [
        # growth: secondary source (non-compliant at most 110 % of nominal, semi-compliant to about
        # 130 %); usual ratings: from memory
        ("non-compliant", 110, 18, 22),
        ("semi-compliant", 130, 12, 16),
    ],
)
def test_balloons_grow_and_are_rated_as_usual(
    kind: str, percent: int, lowest_atm: int, highest_atm: int
) -> None:
    items = of_type(kind)
    assert items
    for item in items:
        assert item.compliance_percent[-1][1] <= percent
        assert item.rated_burst_atm is not None and lowest_atm <= item.rated_burst_atm <= highest_atm


def test_balloons_come_in_usual_sizes() -> None:
    # usual sizes 1.0-5.0 x 6-48 mm: from memory
    for item in (*CATALOGUE.of("balloon"), *CATALOGUE.of("stent")):
        assert all(1 <= diameter <= 5 for diameter in item.diameters_mm)
        assert all(6 <= length <= 48 for length in item.lengths_mm)
