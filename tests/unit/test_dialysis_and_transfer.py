"""What dialysis and a transfer change.  Beside each check: F found in a source, C computed."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from test_watching_status import KIDNEY, SOFT, after, contrast, state_of

from checkback.record.entry import Contrast, Device, Drug, Frozen, Inflation, Patient
from checkback.watching.status import Status, rows
from watched_case import BEGAN, Told
from watched_room import Room

DIALYSIS = KIDNEY.model_copy(update={"dialysis": True})


def test_on_dialysis_no_figure_is_made_of_creatinine() -> None:
    state = after(DIALYSIS, contrast(120))
    silent = [
        state.patient.egfr,
        state.patient.clearance,
        state.contrast.allowable,
        state.contrast.left,
        state.contrast.ratio,
        state.contrast.to_next_step,
        state.contrast.mehran.score,
        state.contrast.mehran.ahead,
    ]
    for figure in silent:
        assert figure.value is None and figure.missing is not None
        # F: Gurm, JACC 2011;58:907, left patients on dialysis out.
        assert figure.missing.startswith("on dialysis: ") and figure.missing.endswith("does not apply")
    # what was called out is still counted
    assert state.contrast.total.value == 120


def test_label_doses_on_dialysis() -> None:
    doses = {dose.drug: dose for dose in after(DIALYSIS).clotting.doses}
    # F, label 2.2: bolus unchanged, 0.25 mg/kg/h; C for 80 kg.
    assert doses["bivalirudin"].bolus.value == 60 and doses["bivalirudin"].infusion.value == 20
    assert "reduced for dialysis" in (doses["bivalirudin"].infusion.text or "")
    # F, label: contraindicated.
    assert "not for a patient on dialysis" in (doses["eptifibatide"].bolus.missing or "")
    assert "reduced for dialysis" in (doses["tirofiban"].infusion.text or "")


def told_contrast(patient: Patient) -> list[str]:
    room = Room()
    room.say(patient)
    spoke = []
    for total in (100, 200, 300, 400):
        room.say(Contrast(volume_ml=Decimal(total), counted="total"))
        spoke += room.tick()
    return spoke


def test_no_reminder_is_made_of_creatinine_either() -> None:
    assert set(told_contrast(KIDNEY)) >= {"contrast_limit", "ratio_reached"}
    assert told_contrast(DIALYSIS) == []


def told_emergency(**more: object) -> Status:
    told = Told()
    told.say(0, Patient(
        symptom_onset=BEGAN - timedelta(minutes=150),
        first_contact=BEGAN - timedelta(minutes=95),
        arrival=BEGAN - timedelta(minutes=20),
        **more,
    ))  # fmt: skip
    told.say(5, SOFT)
    told.say(10, Inflation(pressure_atm=Decimal(10)))
    return state_of(told, 12)


def test_a_transfer_has_its_own_target_from_contact() -> None:
    # F, secondary: 90 min, 120 after a transfer (2025); C: 95 + 10 min.
    at_once = told_emergency().times.contact_to_device
    assert (at_once.value, at_once.high) == (105, 90) and "above" in (at_once.text or "")
    transferred = told_emergency(transfer_in=True).times.contact_to_device
    assert (transferred.value, transferred.high) == (105, 120) and "within" in (transferred.text or "")


def test_door_in_to_door_out() -> None:
    state = told_emergency(
        transfer_in=True,
        first_door=BEGAN - timedelta(minutes=85),
        first_door_out=BEGAN - timedelta(minutes=50),
    )
    # F, secondary: 30 min in the first hospital; C: 85 - 50.
    assert (state.times.door_in_door_out.value, state.times.door_in_door_out.high) == (35, 30)
    assert state.times.first_door_to_device.value == 95
    # the door of this hospital is another one
    assert state.times.door_to_device.value == 30


def test_without_a_transfer_there_is_no_first_door() -> None:
    times = told_emergency().times
    assert times.door_in_door_out.missing == "no transfer from another hospital is on record"
    assert times.first_door_to_device.missing == times.door_in_door_out.missing


def test_a_departure_before_the_arrival_is_named() -> None:
    state = told_emergency(transfer_in=True, first_door=BEGAN, first_door_out=BEGAN - timedelta(minutes=1))
    assert "check both times" in (state.times.door_in_door_out.missing or "")


@pytest.mark.parametrize(
    ("bodies", "shown"),
    [
        ((Patient(allergies="latex", indication="stable angina"),), {"allergies": "latex", "indication": "stable angina"}),
        ((Patient(height_cm=Decimal(174), haematocrit_percent=Decimal(38)),), {"height": "174 cm", "haematocrit": "38 %"}),
        ((Patient(smoker=True, diabetes=False, transfer_in=True),), {"risk factors": "no diabetes, smoker", "plan": "transferred from another hospital"}),
        ((Device(device="balloon", segment="first diagonal"), Inflation(), Drug(drug="heparin", dose=Decimal(5), unit="kU")), {"lesion": "first diagonal: 1 device, 0 attempts to cross, 1 inflation, 0 stents; in hand"}),
    ],
)  # fmt: skip
def test_what_the_table_shows_of_it(bodies: tuple[Frozen, ...], shown: dict[str, str]) -> None:
    table = {row.figure: row.value for row in rows(after(*bodies))}
    assert shown.items() <= table.items()


def test_the_json_has_the_lesions() -> None:
    state = after(Device(device="balloon", segment="first diagonal"), minute=1)
    (lesion,) = state.model_dump(mode="json")["devices"]["lesions"]
    assert (lesion["segment"], lesion["devices"], lesion["in_hand"]) == ("first diagonal", 1, True)


@pytest.mark.parametrize("indication", ["ST elevation infarction, anterior", "STEMI", "st-elevation MI"])
def test_the_times_of_an_infarction_belong_into_the_record(indication: str) -> None:
    told = Told()
    told.say(0, Patient(indication=indication))
    assert {"symptom_onset", "first_contact", "arrival"} <= set(told.case.missing())


def test_protamine_for_what_is_left() -> None:
    told = Told()
    told.say(0, Patient(weight_kg=Decimal(70)))
    told.say(0, Drug(drug="heparin", dose=Decimal(7000), unit="U"))
    # F: half-life 60 min at 100 U/kg, 1 mg for each 100 U; C: 3500 U are left after an hour.
    figure = state_of(told, 60).clotting.protamine_for_left
    assert figure.low == pytest.approx(35, abs=0.01) and figure.high == figure.low
