"""The device list: implants first, traceable or marked as not, then everything else with its fate."""

from __future__ import annotations

from decimal import Decimal

from hypothesis import HealthCheck, given, settings

from checkback.record.case import Case
from checkback.record.entry import (
    CaseStart,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    Identity,
    Inflation,
    Lesion,
    Withdrawal,
)
from checkback.reporting.device_list import device_list
from checkback.reporting.document import DataTable, Document, every_run
from checkback.reporting.documents.text import as_text
from invented_case import CASE
from long_case import long_case
from strategies import cases
from watched_case import Told


def tables(document: Document) -> list[list[list[str]]]:
    return [
        [[" ".join(run.text for run in cell) for cell in row] for row in block.rows]
        for block in document.blocks
        if isinstance(block, DataTable)
    ]


def stented() -> Told:
    told = Told()
    told.say(0, CaseStart())
    told.say(0.5, Lesion(lesion=1, segment="mid right coronary"))
    told.say(
        1, Device(device="balloon", type="semi-compliant", diameter_mm=Decimal(2), length_mm=Decimal(15))
    )
    told.say(2, Inflation(pressure_atm=Decimal(12)))
    told.say(2.5, Deflation())
    told.say(3, DeviceEvent(happening="out", device="balloon"))
    told.say(4, Device(device="stent", type="drug-eluting", diameter_mm=Decimal(3), length_mm=Decimal(18)))
    told.say(5, Deployment(pressure_atm=Decimal(14)))
    return told


def test_implants_stand_first_with_size_place_and_label():
    told = stented()
    told.say(
        6,
        Identity(
            udi="(01)09506000134352(10)AB12",
            device_identifier="09506000134352",
            lot="AB12",
            expires="2028-05-31",
        ),
    )
    implants, others = tables(device_list(told.case))
    assert implants == [
        [
            "2", "Drug-eluting stent 3.0 × 18 mm", "lesion 1, mid right coronary", "09:05:00, 14 atm", "AB12",
            "09506000134352", "2028-05-31",
        ]
    ]  # fmt: skip
    assert others == [
        ["1", "Semi-compliant balloon 2.0 × 15 mm", "09:01:00", "09:03:00", "Inflated to 12 atm, up 30 s"]
    ]
    assert "UDI (01)09506000134352(10)AB12" in as_text(device_list(told.case))


def test_an_implant_that_cannot_be_traced_is_marked():
    document = device_list(stented().case)
    marked = [run for run in every_run(document) if run.strong and run.text == "not recorded"]
    assert len(marked) == 3


def test_each_cell_names_the_entries_it_came_from():
    told = stented()
    label = told.say(6, Identity(lot="AB12"))
    (block, _) = [block for block in device_list(told.case).blocks if isinstance(block, DataTable)]
    cites = [cell[0].cites for cell in block.rows[0]]
    assert cites == [(), (7,), (2,), (8,), (label.n,), (), ()]


def test_what_is_not_accounted_for_stands_above_all():
    document = device_list(Case(CASE))
    text = as_text(document)
    assert (
        text.index("Not accounted for") < text.index("Implants and what stays") < text.index("Other devices")
    )
    assert "Guide 6 Fr JR4: its removal is not on record" in text
    assert "Delivery balloon of the drug-eluting stent 2.75 × 28 mm: its removal is not on record" in text


def test_a_stent_that_came_off_is_no_implant():
    text = "\n".join(run.text for run in every_run(device_list(long_case())))
    assert "Came off its balloon, retrieved" in text
    assert "39 devices went in, 5 of them stayed as implants" in text


def test_nothing_on_record_is_said():
    text = as_text(device_list(Case()))
    assert "No device is on record" in text and text.count("None is on record.") == 2


@given(cases())
@settings(max_examples=25, suppress_health_check=list(HealthCheck))
def test_every_device_stands_once_and_nothing_withdrawn(entries):
    case = Case(entries)
    if entries:
        gone = entries[0].model_copy(
            update={"n": len(entries) + 1, "amends": None, "standing": "stands", "body": Withdrawal(target=1)}
        )
        case.apply(gone)
    document = device_list(case)
    rows = [row[0] for table in tables(document) for row in table]
    assert sorted(rows, key=int) == [str(life.number) for life in case.devices()]
    assert {n for run in every_run(document) for n in run.cites} <= {e.n for e in case.in_force()}
