"""The state of a case.  Beside each check: F found in a source, P printed by a reference package,
C computed, M from memory."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

import english
import strategies
from checkback.record.case import Case
from checkback.record.entry import (
    Act,
    AirKerma,
    BloodPressure,
    CaseEnd,
    CaseStart,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    DoseArea,
    Drug,
    Entry,
    Fluoroscopy,
    Frozen,
    Inflation,
    Infusion,
    Moment,
    Patient,
    Reference,
    TimeOut,
    Unclear,
)
from checkback.watching import limits
from checkback.watching.status import Figure, Status, device_name, moment_of, rows, status, until
from watched_case import BEGAN, Told

LIMITS = limits.load(english.GRAMMARS)
CATALOGUE = english.book().catalogue

KIDNEY = Patient(age_y=Decimal(70), sex="male", weight_kg=Decimal(80), creatinine_mg_dl=Decimal("1.5"))
SOFT = Device(device="balloon", type="semi-compliant", diameter_mm=Decimal("2.5"), length_mm=Decimal(15))
STENT = Device(device="stent", type="drug-eluting", diameter_mm=Decimal(3), length_mm=Decimal(18))


def state_of(told: Told, minute: float) -> Status:
    return status(told.case, LIMITS, CATALOGUE, told.moment(minute), told.session)


def after(*bodies: Frozen, minute: float = 60.0) -> Status:
    """Return the state at a minute, everything having been said at the beginning."""
    told = Told()
    for body in bodies:
        told.say(0, body)
    return state_of(told, minute)


def value(figure: Figure) -> float:
    assert figure.value is not None, figure.missing
    return figure.value


def figures(part: object) -> Iterator[Figure]:
    if isinstance(part, Figure):
        yield part
    elif isinstance(part, BaseModel):
        for name in type(part).model_fields:
            yield from figures(getattr(part, name))
    elif isinstance(part, tuple):
        for item in part:
            yield from figures(item)


def heparin(dose: int, unit: str = "U") -> Drug:
    return Drug(drug="heparin", dose=Decimal(dose), unit=unit)


def contrast(volume: int) -> Contrast:
    return Contrast(volume_ml=Decimal(volume), counted="given")


def act(seconds: int) -> Act:
    return Act(act_s=Decimal(seconds), site="guide")


def weight(kg: int) -> Patient:
    return Patient(weight_kg=Decimal(kg))


# --- patient and contrast -------------------------------------------------------------------------


def test_the_patient_and_the_kidney() -> None:
    patient = after(KIDNEY).patient
    assert (patient.age.value, patient.sex.text, patient.weight.value) == (70, "male", 80)
    # P: medcalc-bench, CKD-EPI 2021 and Cockcroft-Gault for 70 years, 80 kg, 1.5 mg/dL, male.
    assert value(patient.egfr) == pytest.approx(49.774, abs=5e-4)
    assert value(patient.clearance) == pytest.approx(51.852, abs=5e-4)
    assert "NEJM 2021;385:1737" in patient.egfr.source
    assert "Cockcroft-Gault" in patient.clearance.source


def test_egfr_is_rounded_once() -> None:
    state = after(Patient(age_y=Decimal(55), sex="female", creatinine_mg_dl=Decimal("0.9")))
    # P: 75.499, which is 75 and not 76.
    assert state.patient.egfr.text == "75 mL/min/1.73 m²"


def test_contrast_against_its_limits() -> None:
    state = after(KIDNEY, contrast(100), contrast(60)).contrast
    assert value(state.total) == 160
    # F: Cigarroa, Am J Med 1989;86:649; C: 5 mL x 80 / 1.5 = 266.67.
    assert value(state.allowable) == pytest.approx(266.67, abs=0.005)
    assert value(state.left) == pytest.approx(106.67, abs=0.005)
    assert state.left.text == "106 mL"
    assert "Cigarroa" in state.left.source
    # C: 160 / 51.852 = 3.086; steps 3 (Gurm, JACC 2011;58:907, M) and 3.7 (Laskey, JACC 2007;50:584, M).
    assert value(state.ratio) == pytest.approx(3.086, abs=5e-4)
    assert value(state.step_reached) == pytest.approx(155.56, abs=0.005)
    assert "Gurm" in state.step_reached.source
    assert value(state.to_next_step) == pytest.approx(191.85 - 160, abs=0.005)
    assert "Laskey" in state.to_next_step.source


def test_contrast_above_its_limits() -> None:
    state = after(KIDNEY, contrast(300)).contrast
    assert value(state.left) == 0 and state.left.text == "0 mL, 33.3 mL above it"
    assert state.to_next_step.missing == "the last step is reached"


def test_before_any_contrast_the_limit_is_known() -> None:
    state = after(KIDNEY).contrast
    assert state.total.missing == "contrast is not on record"
    assert value(state.left) == pytest.approx(266.67, abs=0.005)
    assert state.step_reached.text == "none"


def test_what_is_lacking_is_named() -> None:
    state = after(Patient(age_y=Decimal(70)), contrast(100))
    assert state.patient.weight.missing == "weight is not on record"
    assert state.patient.egfr.missing == "creatinine and sex are not on record"
    assert state.contrast.left.missing == "weight and creatinine are not on record"
    assert state.contrast.ratio.missing == "creatinine, weight and sex are not on record"
    assert value(state.contrast.total) == 100


def test_the_mehran_score_and_what_moves_it() -> None:
    patient = Patient(
        age_y=Decimal(76),
        sex="male",
        weight_kg=Decimal(80),
        creatinine_mg_dl=Decimal("1.5"),  # C: eGFR 47.9, in 40-60
        haematocrit_percent=Decimal(37),
        diabetes=True,
        heart_failure=False,
    )
    pressure = BloodPressure(systolic_mmhg=Decimal(118))
    # F, secondary copies: Mehran, JACC 2004;44:1393: age 4, diabetes 3, anaemia 3, contrast 2, kidney 2.
    score = after(patient, pressure, contrast(250)).contrast.mehran
    assert value(score.score) == 14 and score.unknown == ()
    assert {c.name: c.points for c in score.contributions} == {
        "age": 4,
        "diabetes": 3,
        "anaemia": 3,
        "contrast": 2,
        "kidney function": 2,
    }
    # F: 11-15 points 26.1 % and 1.09 %.
    assert score.risk.text == "nephropathy 26.1 %, dialysis 1.09 %"
    # the next full 100 mL
    assert value(score.ahead) == 15


def test_a_score_with_unknowns_is_a_lower_bound() -> None:
    score = after(Patient(diabetes=True)).contrast.mehran
    assert value(score.score) == 3 and "age" in score.unknown
    assert score.score.text is not None and score.score.text.startswith("at least 3 points")
    assert score.risk.text is not None and score.risk.text.startswith("at least")


@pytest.mark.parametrize(
    ("patient", "lines"),
    [
        (
            KIDNEY.model_copy(update={"creatinine_mg_dl": Decimal("0.1")}),
            ["patient.creatinine", "patient.egfr", "patient.clearance", "contrast.left", "contrast.ratio"],
        ),
        (
            KIDNEY.model_copy(update={"weight_kg": Decimal(20)}),
            ["patient.weight", "patient.clearance", "contrast.left", "clotting.heparin_per_kg"],
        ),
        (KIDNEY.model_copy(update={"age_y": Decimal(7)}), ["patient.age", "patient.egfr", "contrast.ratio"]),
    ],
)
def test_what_cannot_be_true_becomes_a_line(patient: Patient, lines: list[str]) -> None:
    state = after(patient, heparin(5000), AirKerma(air_kerma_mgy=Decimal(900)))
    for line in lines:
        section, name = line.split(".")
        reason = getattr(getattr(state, section), name).missing
        assert reason is not None and "is outside" in reason, line
    assert value(state.clotting.heparin) == 5000
    assert value(state.radiation.air_kerma) == pytest.approx(0.9)


# --- devices --------------------------------------------------------------------------------------


def test_a_balloon_that_is_up_while_the_wall_clock_is_set() -> None:
    told = Told()
    told.say(0, Device(device="guide", french=Decimal(6), curve="JR4"))
    told.say(1, Reference(diameter_mm=Decimal("2.75")))
    told.say(2, SOFT)
    told.say(3, Inflation(pressure_atm=Decimal(10)))
    told.set_clock(3.2, -3600)
    devices = state_of(told, 3.5).devices

    guide, balloon = devices.inside
    assert guide.device == "guide JR4 6 French" and guide.since_s == pytest.approx(210)
    assert balloon.since_s == pytest.approx(90) and balloon.notes == ("up",)
    (up,) = devices.up
    assert up.device == "semi-compliant balloon 2.5 × 15 mm"
    assert (value(up.pressure), value(up.up)) == (10, pytest.approx(30))
    # C from the invented catalogue: 103.5 % of 2.5 mm at 10 atm, against 2.75 mm; rated for 14 atm.
    assert up.diameter.low == up.diameter.high == pytest.approx(2.588)
    assert value(up.vessel_ratio) == pytest.approx(0.94)
    assert up.rated_burst.text == "14 atm"
    assert up.rated_burst.source == "catalogue: semi-compliant balloon B"

    told.say(4, Deflation())
    assert state_of(told, 5).devices.up == ()


def test_a_pressure_above_the_rated_one() -> None:
    (up,) = after(SOFT, Inflation(pressure_atm=Decimal(16))).devices.up
    assert up.rated_burst.text == "14 atm, which this pressure exceeds by 2 atm"
    assert up.diameter.missing == "16 atm is above the compliance table, 4-14 atm"
    assert up.vessel_ratio.missing == "reference diameter is not on record"


def test_a_balloon_whose_type_was_not_said_may_be_several() -> None:
    vessel = Reference(diameter_mm=Decimal("2.5"))
    (up,) = after(
        vessel, SOFT.model_copy(update={"type": None}), Inflation(pressure_atm=Decimal(12))
    ).devices.up
    items = {
        s.item: dict(s.compliance_percent)
        for s in CATALOGUE.of("balloon")
        if (Decimal("2.5"), Decimal(15)) in s.sizes()
    }
    at_12 = [float(table[Decimal(12)]) / 100 * 2.5 for table in items.values() if Decimal(12) in table]
    assert len(at_12) > 1 and min(at_12) < max(at_12)
    assert (up.diameter.low, up.diameter.high) == (
        pytest.approx(min(at_12), abs=5e-4),
        pytest.approx(max(at_12), abs=5e-4),
    )
    # the widest that it may be counts against the vessel, the plain balloon's rating against the pressure
    assert value(up.vessel_ratio) == pytest.approx(max(at_12) / 2.5, abs=0.005)
    assert up.rated_burst.text == "14 atm"


def test_a_balloon_of_which_no_pressure_was_said_and_that_is_not_stocked() -> None:
    (up,) = after(SOFT.model_copy(update={"diameter_mm": Decimal("2.1")}), Inflation()).devices.up
    assert up.pressure.missing == "the pressure was not called out"
    assert up.rated_burst.missing == "the catalogue has none for this device"


def test_an_implant_and_the_balloon_that_brought_it() -> None:
    told = Told()
    told.say(0, Device(device="guide", french=Decimal(6)))
    told.say(1, Device(device="wire", type="workhorse"))
    told.say(2, STENT)
    told.say(3, Deployment(pressure_atm=Decimal(12)))
    told.say(3.5, Deflation())
    devices = state_of(told, 4).devices
    assert [each.device for each in devices.implants] == ["drug-eluting stent 3.0 × 18 mm"]
    assert [each.device for each in devices.inside] == ["guide 6 French", "workhorse wire"]
    assert devices.unaccounted[-1].device == "balloon of the drug-eluting stent 3.0 × 18 mm"

    told.say(5, DeviceEvent(happening="out", device="balloon"))
    told.say(6, DeviceEvent(happening="out", device="wire"))
    told.say(7, DeviceEvent(happening="out", device="guide"))
    devices = state_of(told, 8).devices
    assert devices.inside == devices.unaccounted == ()
    assert len(devices.implants) == 1


def test_what_is_in_is_no_trouble_until_the_case_ends() -> None:
    told = Told()
    told.say(0, Device(device="wire", type="workhorse"))
    lines = [(row.figure, row.value) for row in rows(state_of(told, 2)) if row.section == "devices"]
    assert ("in", "workhorse wire, went in 2 min 0 s ago") in lines
    assert ("not accounted for", "none") in lines
    told.say(3, CaseEnd())
    lines = [(row.figure, row.value) for row in rows(state_of(told, 70)) if row.section == "devices"]
    assert ("not accounted for", "workhorse wire, went in 1:10 h ago") in lines


def test_what_is_stuck_is_said() -> None:
    devices = after(Device(device="burr"), DeviceEvent(happening="stuck", device="burr")).devices
    assert devices.unaccounted[0].notes == ("stuck",)


@pytest.mark.parametrize(
    ("body", "name"),
    [
        (SOFT.model_copy(update={"diameter_mm": Decimal("2.75")}), "semi-compliant balloon 2.75 × 15 mm"),
        (SOFT.model_copy(update={"diameter_mm": Decimal("3.00")}), "semi-compliant balloon 3.0 × 15 mm"),
        (Device(device="burr", diameter_mm=Decimal("1.5")), "burr 1.5 mm"),
        (Device(device="snare"), "snare"),
    ],
)
def test_names_of_devices(body: Device, name: str) -> None:
    assert device_name(body) == name


# --- clotting -------------------------------------------------------------------------------------


def test_heparin_given_and_left() -> None:
    state = after(weight(70), heparin(7000), minute=30).clotting
    assert value(state.heparin) == 7000
    assert value(state.heparin_per_kg) == pytest.approx(100)
    # F: 70-100 U/kg, PMC4544474; C: 4900-7000 U for 70 kg.
    assert state.first_bolus.text == "7000 U, 100 U/kg: within 4900-7000 U"
    assert state.first_bolus.source == "PubMed Central PMC4544474"
    # F: half-life 60 min at 100 U/kg; C: 4949.7 U at 30 min, 3500 at 60.
    assert value(state.heparin_left) == pytest.approx(4949.7, abs=0.05)
    assert value(after(weight(70), heparin(7000)).clotting.heparin_left) == pytest.approx(3500)


def test_with_an_inhibitor_window_and_target_are_lower() -> None:
    state = after(weight(70), Patient(gp_inhibitor=True), heparin(7000)).clotting
    # F: 50-70 U/kg and 200-250 s with a glycoprotein inhibitor, PMC4544474; C: 3500-4900 U for 70 kg.
    assert state.first_bolus.text == "7000 U, 100 U/kg: above 3500-4900 U with a glycoprotein inhibitor"
    assert (state.target.low, state.target.high) == (200, 250)


def test_only_the_first_bolus_has_a_window() -> None:
    told = Told()
    told.say(0, weight(70))
    told.say(1, heparin(5000))
    told.say(20, heparin(2000))
    state = state_of(told, 30).clotting
    assert value(state.heparin) == 7000
    assert value(state.first_bolus) == pytest.approx(71.43, abs=0.005)


def test_heparin_by_weight_without_a_weight_is_not_guessed() -> None:
    state = after(heparin(5000), heparin(100, "U/kg")).clotting
    for figure in (state.heparin, state.heparin_per_kg, state.heparin_left, state.protamine):
        assert figure.missing == "the heparin of entry 2 is by weight, and weight is not on record"
    assert after(heparin(50, "mg")).clotting.heparin.missing == "the heparin of entry 1 is not in units"


def test_heparin_without_a_weight() -> None:
    state = after(heparin(5000), minute=45).clotting
    assert value(state.heparin) == 5000
    assert state.heparin_per_kg.missing == state.heparin_left.missing == "weight is not on record"
    assert state.protamine.high == 37.5


def test_an_infusion_is_named_beside_the_total() -> None:
    state = after(heparin(5000), Infusion(action="started", drug="heparin")).clotting
    assert state.heparin.text == "5000 U, infusion not counted"
    assert state.below_target.missing == "not estimated: heparin is running in"


@pytest.mark.parametrize(
    ("units", "minute", "low", "high"),
    # F: handbook and label, at most 50 mg over 10 min; C.
    [(5000, 45, 25, 37.5), (8000, 5, 50, 50), (8000, 90, 30, 40)],
)
def test_protamine(units: int, minute: float, low: float, high: float) -> None:
    window = after(heparin(units), minute=minute).clotting.protamine
    assert (window.low, window.high) == (low, high)
    assert window.text is not None and "over at least 10 min" in window.text


def test_after_protamine_no_further_dose_is_computed() -> None:
    told = Told()
    told.say(0, weight(70))
    told.say(1, heparin(7000))
    told.say(5, act(300))
    told.say(35, act(260))
    assert state_of(told, 39).clotting.protamine_for_left.low is not None
    n = told.say(40, Drug(drug="protamine", dose=Decimal(30), unit="mg")).n
    state = state_of(told, 41).clotting
    for figure in (state.heparin_left, state.protamine, state.protamine_for_left):
        assert figure.missing == f"protamine is on record (entry {n}): not computed after it"
    assert state.below_target.missing == "not estimated: protamine was given since the last heparin"
    assert value(state.heparin) == 7000


def test_the_last_clotting_time_and_when_it_falls() -> None:
    told = Told()
    told.say(0, heparin(7000))
    told.say(5, act(300))
    told.say(35, act(260))
    state = state_of(told, 40).clotting
    assert state.act.text == "260 s from the guide, within the target" and state.act_site == "guide"
    assert value(state.act_age) == pytest.approx(5)
    # F: 250-300 s, PMC4544474.
    assert (state.target.low, state.target.high) == (250, 300)
    # C: ln(260 / 250) / (ln(300 / 260) / 30 min) = 8.22 min after the last reading.
    assert value(state.below_target) == pytest.approx(8.22 - 5, abs=0.005)
    assert state.below_target.low == pytest.approx(-5)
    assert "log-linear in the whole clotting time (no baseline)" in state.below_target.source


def test_a_baseline_slows_the_fall() -> None:
    told = Told()
    told.say(0, act(130))
    told.say(1, heparin(7000))
    told.say(5, act(300))
    told.say(35, act(260))
    figure = state_of(told, 35).clotting.below_target
    # C: ln(130 / 120) / (ln(170 / 130) / 30 min) = 8.95 min.
    assert value(figure) == pytest.approx(8.95, abs=0.005)


def test_why_there_is_no_estimate() -> None:
    told = Told()
    assert state_of(told, 0).clotting.below_target.missing == "no heparin is on record"
    assert state_of(told, 0).clotting.act.missing == "no clotting time is on record"
    told.say(0, heparin(7000))
    told.say(5, act(230))
    state = state_of(told, 6).clotting
    assert state.below_target.missing == "not estimated: fewer than two readings since the last heparin"
    assert state.act.text == "230 s from the guide, below the target"
    told.say(10, act(9))
    missing = state_of(told, 11).clotting.act.missing
    assert missing is not None and "clotting time 9 s is outside 50-1500 s" in missing


def test_label_doses() -> None:
    doses = {dose.drug: dose for dose in after(weight(70)).clotting.doses}
    # F, label: 0.75 mg/kg and 1.75 mg/kg/h; C: 52.5 mg = 10.5 mL of 5 mg/mL, 122.5 mg/h = 24.5 mL/h.
    assert doses["bivalirudin"].bolus.text == "52.5 mg = 10.5 mL"
    assert doses["bivalirudin"].infusion.text == (
        "122.5 mg/h = 24.5 mL/h, full dose: the clearance is not known"
    )
    # F 30 µg/kg, M 4 µg/kg/min; C: 2.1 mg, 280 µg/min = 16.8 mg/h.
    assert value(doses["cangrelor"].bolus) == pytest.approx(2.1)
    assert value(doses["cangrelor"].infusion) == pytest.approx(16.8)


def test_label_doses_by_kidney_and_cap() -> None:
    frail = Patient(age_y=Decimal(78), sex="female", weight_kg=Decimal(55), creatinine_mg_dl=Decimal(2))
    doses = {dose.drug: dose for dose in after(frail).clotting.doses}
    # P: clearance 20.128; F, label: 1.0 mg/kg/h below 30 mL/min; C: 55 mg/h.
    assert value(doses["bivalirudin"].infusion) == pytest.approx(55)
    assert "reduced for the clearance" in (doses["bivalirudin"].infusion.text or "")

    heavy = Patient(age_y=Decimal(50), sex="male", weight_kg=Decimal(130), creatinine_mg_dl=Decimal(1))
    doses = {dose.drug: dose for dose in after(heavy).clotting.doses}
    # F: caps 22.6 mg and 15 mg/h.
    assert (value(doses["eptifibatide"].bolus), value(doses["eptifibatide"].infusion)) == (22.6, 15)


def test_no_label_dose_without_a_weight() -> None:
    state = after(Patient(age_y=Decimal(70)))
    assert {dose.bolus.missing for dose in state.clotting.doses} == {"weight is not on record"}
    assert [row.value for row in rows(state) if row.figure == "label doses"] == ["weight is not on record"]


# --- radiation ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("milligray", "notice", "is_substantial"),
    # M: NCRP 168, SIR JVIR 2009;20:S263: from 3 Gy each Gy, substantial from 5 Gy.
    [(2900, None, False), (3100, 3, False), (4990, 4, False), (5000, 5, True), (5200, 5, True)],
)
def test_radiation_levels(milligray: int, notice: float | None, is_substantial: bool) -> None:
    state = after(AirKerma(air_kerma_mgy=Decimal(milligray))).radiation
    assert value(state.air_kerma) == pytest.approx(milligray / 1000)
    assert [x.level.value for x in state.levels if not x.substantial] == ([notice] if notice else [])
    assert [x.level.value for x in state.levels if x.substantial] == ([5] if is_substantial else [])
    # F: chart, inform, follow up from 5 Gy, PMC5808555.
    assert (state.follow_up.text is not None) is is_substantial
    if is_substantial:
        assert "PubMed Central PMC5808555" in state.follow_up.source


def test_a_reading_that_cannot_be_true_hides_no_other() -> None:
    state = after(
        AirKerma(air_kerma_mgy=Decimal(90_000)),
        DoseArea(dose_area_gy_cm2=Decimal(510)),
        Fluoroscopy(fluoroscopy_min=Decimal(31)),
    ).radiation
    assert state.air_kerma.missing is not None and "air kerma 90 Gy is outside" in state.air_kerma.missing
    reached = {(x.quantity, x.substantial): x.level.value for x in state.levels}
    # M: 300 then each 100 Gy·cm², substantial 500; 30 then each 15 min.
    assert reached == {
        ("dose-area product", False): 500,
        ("dose-area product", True): 500,
        ("fluoroscopy", False): 30,
    }
    assert state.follow_up.text is not None


# --- times ----------------------------------------------------------------------------------------


def test_key_times() -> None:
    told = Told()
    told.say(
        0,
        Patient(
            arrival=BEGAN - timedelta(minutes=55),
            first_contact=BEGAN - timedelta(minutes=85),
            symptom_onset=BEGAN - timedelta(minutes=175),
        ),
    )
    assert state_of(told, 5).times.door_to_device.missing == (
        "no balloon, stent or aspiration was used yet (60 min since arrival)"
    )
    told.say(10, SOFT)
    told.say(15, Inflation(pressure_atm=Decimal(10)))
    times = state_of(told, 60).times
    # F: door to balloon 90 min, JACC 2008; first contact to device 90 min, 2025 guideline (secondary).
    assert times.door_to_device.text == "70 min, within 90 min"
    assert times.contact_to_device.text == "100 min, above 90 min"
    assert times.onset_to_device.text == "190 min"
    assert times.door_to_device.source != times.contact_to_device.source


def test_times_that_exclude_one_another() -> None:
    told = Told()
    told.say(0, Patient(arrival=BEGAN + timedelta(minutes=40), symptom_onset=BEGAN))
    told.say(10, Device(device="aspiration catheter"))
    times = state_of(told, 20).times
    assert times.door_to_device.missing is not None
    assert "lies after the device" in times.door_to_device.missing
    assert times.onset_to_device.value == 10
    assert times.contact_to_device.missing == "first medical contact is not on record"


def test_procedure_time() -> None:
    told = Told()
    assert state_of(told, 0).times.procedure.missing == (
        "neither time-out nor start of the case is on record"
    )
    told.say(1, CaseStart())
    assert state_of(told, 6).times.procedure.text == "0:05 h from the start of the case, so far"
    told.say(7, TimeOut())
    told.set_clock(8, 3600)
    told.say(77, CaseEnd())
    state = state_of(told, 500)
    assert state.ended
    assert state.times.procedure.text == "1:10 h from the time-out, to the end of the case"


# --- the whole ------------------------------------------------------------------------------------


def test_questions_and_what_is_missing() -> None:
    told = Told()
    told.say(0, Unclear(), standing="questioned", question="twelve, or twenty?", words="balloon two five")
    state = state_of(told, 1)
    assert [(q.entry, q.asked) for q in state.questions] == [(1, "twelve, or twenty?")]
    assert {"time-out", "air kerma", "open questions"} <= set(state.missing)


def test_a_case_with_nothing_in_it() -> None:
    state = state_of(Told(), 0)
    assert not state.ended and state.devices.inside == ()
    assert state.contrast.allowable.missing == "weight and creatinine are not on record"
    assert list(rows(state))


def test_now_runs_on_from_the_last_entry_and_never_lies_before_it() -> None:
    told = Told()
    last = told.say(10, heparin(5000))
    told.restart()
    assert moment_of(told.case, told.moment(5).wall) == (last.recorded, 1)
    now, session = moment_of(told.case, told.moment(12).wall)
    assert session == 1 and now.monotonic_s == pytest.approx(last.recorded.monotonic_s + 120)
    assert moment_of(Case(), BEGAN) == (Moment(wall=BEGAN, monotonic_s=0), 1)


def test_the_case_as_it_was() -> None:
    told = Told()
    bolus = told.say(1, heparin(5000))
    told.withdraw(10, bolus)
    before = until(told.case, told.moment(5).wall)
    assert before.in_force() == [bolus]
    assert until(told.case, told.moment(10).wall).in_force() == []


@given(strategies.cases(), strategies.moments, st.integers(1, 99))
def test_any_case_has_a_state(entries: list[Entry], now: Moment, session: int) -> None:
    check_state(Case(entries), now, session)


_watched = st.one_of(
    [
        strategies.bodies(cls)
        for cls in (Patient, Act, Infusion, Contrast, Device, DeviceEvent, Inflation, Deployment, AirKerma)
    ]
    + [
        st.builds(Drug, drug=st.just("heparin"), dose=strategies.quantities, unit=st.sampled_from(["U", "U/kg", "mg"])),
        st.builds(Act, act_s=st.integers(50, 1500).map(Decimal)),
        st.builds(Patient, weight_kg=st.integers(25, 300).map(Decimal)),
    ]
)  # fmt: skip


@given(st.lists(st.tuples(st.floats(0, 300), _watched), max_size=20), st.floats(0, 400))
def test_any_plausible_course_has_a_state(course: list[tuple[float, Frozen]], minute: float) -> None:
    told = Told()
    for at, body in course:
        told.say(at, body)
    check_state(told.case, told.moment(minute), told.session)


def check_state(case: Case, now: Moment, session: int) -> None:
    """Check that a state is whole: every figure or its reason, no infinity, and the same read again."""
    state = status(case, LIMITS, CATALOGUE, now, session)
    for figure in figures(state):
        assert (figure.text is None) != (figure.missing is None)
        assert figure.text is None or figure.source
        assert all(math.isfinite(x) for x in (figure.value, figure.low, figure.high) if x is not None)
    assert value_or_zero(state.contrast.left) >= 0
    assert all(row.value or not row.source for row in rows(state))
    assert Status.model_validate_json(state.model_dump_json()) == state


def value_or_zero(figure: Figure) -> float:
    return figure.value or 0.0


@given(st.lists(st.tuples(st.sampled_from(["given", "total"]), st.integers(0, 400)), min_size=1, max_size=10))
def test_contrast_adds_up(called_out: list[tuple[str, int]]) -> None:
    told = Told()
    for minute, (counted, volume) in enumerate(called_out):
        told.say(minute, Contrast.model_validate({"volume_ml": volume, "counted": counted}))
    totals = accumulate(
        called_out, lambda ml, each: ml + each[1] if each[0] == "given" else each[1], initial=0
    )
    assert value(state_of(told, 60).contrast.total) == list(totals)[-1]
