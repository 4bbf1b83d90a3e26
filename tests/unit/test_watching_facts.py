"""What the rules are given to know of a case, from its entries alone."""

from __future__ import annotations

import math
from datetime import timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

import english
import strategies
from checkback.record.case import Case
from checkback.record.entry import (
    Act,
    AirKerma,
    BloodPressure,
    Contrast,
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
)
from checkback.watching import limits
from checkback.watching.facts import Facts, gather, minutes
from checkback.watching.radiation import Exposure
from watched_case import BEGAN, Told

PLAUSIBLE = limits.load(english.GRAMMARS).plausible
BALLOON = Device(device="balloon", diameter_mm=Decimal("2.5"), length_mm=Decimal(15))


def facts(told: Told, minute: float) -> Facts:
    return gather(told.case, told.moment(minute), told.session, PLAUSIBLE)


def heparin(dose: int | str, unit: str = "U", **more: str) -> Drug:
    return Drug.model_validate({"drug": "heparin", "dose": dose, "unit": unit} | more)


def act(seconds: int) -> Act:
    return Act(act_s=Decimal(seconds))


# --- the patient ---------------------------------------------------------------------------------


def test_creatinine_said_in_the_other_unit_replaces_the_first() -> None:
    told = Told()
    told.say(0, Patient(creatinine_mg_dl=Decimal("1.4"), weight_kg=Decimal(78)))
    told.say(1, Patient(creatinine_umol_l=Decimal("176.8")))
    known = facts(told, 2)
    # F: 88.4 µmol/L = 1 mg/dL, Inker, NEJM 2021;385:1737.
    assert known.creatinine_mg_dl == pytest.approx(2.0)
    assert known.patient.creatinine_mg_dl is None and known.patient.weight_kg == 78

    told.say(3, Patient(creatinine_mg_dl=Decimal("1.1")))
    known = facts(told, 4)
    assert known.creatinine_mg_dl == pytest.approx(1.1)
    assert known.patient.creatinine_umol_l is None


def test_the_later_value_wins_and_leaves_the_others_alone() -> None:
    told = Told()
    told.say(0, Patient(age_y=Decimal(74), weight_kg=Decimal(78), sex="male"))
    told.say(5, Patient(weight_kg=Decimal(87)))
    patient = facts(told, 6).patient
    assert (patient.age_y, patient.weight_kg, patient.sex) == (74, 87, "male")


def test_a_withdrawn_value_falls_away() -> None:
    told = Told()
    told.say(0, Patient(weight_kg=Decimal(78)))
    wrong = told.say(5, Patient(weight_kg=Decimal(178), age_y=Decimal(74)))
    told.withdraw(6, wrong)
    patient = facts(told, 7).patient
    assert patient.weight_kg == 78 and patient.age_y is None


def test_an_amended_value_is_replaced() -> None:
    told = Told()
    wrong = told.say(0, Patient(weight_kg=Decimal(78)))
    told.say(1, Patient(weight_kg=Decimal(68)), amends=wrong.n, at=wrong.at)
    assert facts(told, 2).patient.weight_kg == 68


def test_a_creatinine_that_cannot_be_true_hides_nothing_else() -> None:
    told = Told()
    told.say(0, Patient(creatinine_mg_dl=Decimal("0.1"), age_y=Decimal(70), sex="male"))
    told.say(1, AirKerma(air_kerma_mgy=Decimal(3100)))
    known = facts(told, 2)
    assert known.creatinine_mg_dl is None and known.risk.egfr_ml_min_173 is None
    assert known.creatinine_refused is not None and "creatinine 0.1 mg/dL" in known.creatinine_refused
    assert known.exposure.air_kerma_gy == pytest.approx(3.1)


def test_an_age_that_the_formula_does_not_cover_hides_nothing_else() -> None:
    told = Told()
    told.say(0, Patient(creatinine_mg_dl=Decimal(1), age_y=Decimal(7), sex="male"))
    known = facts(told, 1)
    assert known.risk.egfr_ml_min_173 is None and known.creatinine_mg_dl == 1


def test_the_kidney_line_of_the_score() -> None:
    told = Told()
    told.say(0, Patient(creatinine_mg_dl=Decimal("1.5"), age_y=Decimal(70), sex="male"))
    # P: eGFR 49.774 for 1.5 mg/dL, 70 years, male (CKD-EPI 2021, medcalc-bench).
    assert facts(told, 1).risk.egfr_ml_min_173 == pytest.approx(49.774, abs=5e-4)


# --- heparin and clotting time -------------------------------------------------------------------


def test_a_bolus_by_weight_counts_once_the_weight_is_known() -> None:
    told = Told()
    bolus = told.say(0, heparin(100, "U/kg"))
    known = facts(told, 10)
    assert known.boluses == () and known.uncounted_heparin == (bolus,)

    told.say(11, Patient(weight_kg=Decimal(70)))
    ((entry, counted),) = facts(told, 15).boluses
    assert entry is bolus
    assert counted.dose_u == pytest.approx(7000) and counted.at_min == pytest.approx(-15)
    assert facts(told, 15).uncounted_heparin == ()


def test_units_and_thousands_of_units_count_and_others_are_named() -> None:
    told = Told()
    told.say(0, heparin(5000))
    told.say(1, heparin(2, "kU"))
    told.say(2, heparin(5000, route="subcutaneous"))
    odd = told.say(3, heparin(50, "mg"))
    known = facts(told, 4)
    assert [bolus.dose_u for _, bolus in known.boluses] == [5000, 2000]
    assert known.uncounted_heparin == (odd,)


def test_a_withdrawn_bolus_was_not_given() -> None:
    told = Told()
    told.say(0, heparin(5000))
    told.withdraw(2, told.say(1, heparin(2000)))
    assert [bolus.dose_u for _, bolus in facts(told, 3).boluses] == [5000]


def test_heparin_was_last_given_when_its_infusion_ended() -> None:
    told = Told()
    told.say(0, act(132))
    told.say(2, heparin(5000))
    told.say(10, Infusion(action="started", drug="heparin", rate=Decimal(1000), unit="U/h"))
    running = facts(told, 20)
    assert running.heparin_infusion
    told.say(25, Infusion(action="stopped", drug="heparin"))
    ended = facts(told, 30)
    assert not ended.heparin_infusion
    assert ended.heparin_last_min == pytest.approx(-5)
    assert ended.baseline_s == 132


def test_a_clotting_time_after_heparin_is_no_baseline() -> None:
    told = Told()
    told.say(0, heparin(5000))
    told.say(5, act(280))
    known = facts(told, 6)
    assert known.baseline_s is None
    assert known.acts[0][1].at_min == pytest.approx(-1)


def test_no_heparin_at_all() -> None:
    known = facts(Told(), 0)
    assert known.heparin_last_min is None and known.baseline_s is None and not known.heparin_infusion


@pytest.mark.parametrize(
    ("body", "inhibitor", "loaded"),
    [
        (Patient(gp_inhibitor=True), True, False),
        (Patient(antiplatelet_loaded=True), False, True),
        (Drug(drug="tirofiban", dose=Decimal(2), unit="mg"), True, False),
        (Infusion(action="started", drug="eptifibatide"), True, False),
        (Drug(drug="ticagrelor", dose=Decimal(180), unit="mg", route="oral"), False, True),
        (Drug(drug="acetylsalicylic acid", dose=Decimal(250), unit="mg"), False, False),
    ],
)
def test_inhibitors(body: Frozen, inhibitor: bool, loaded: bool) -> None:
    told = Told()
    told.say(0, body)
    known = facts(told, 1)
    assert (known.gp_inhibitor, known.loaded) == (inhibitor, loaded)


# --- clocks --------------------------------------------------------------------------------------


def test_within_a_session_the_clock_that_is_never_set_rules() -> None:
    told = Told()
    told.say(0, heparin(5000))
    told.set_clock(10, 3600)
    ((_, bolus),) = facts(told, 30).boluses
    assert bolus.at_min == pytest.approx(-30)


def test_over_a_restart_the_wall_clock_rules() -> None:
    told = Told()
    told.say(0, heparin(5000))
    told.restart()
    ((_, bolus),) = facts(told, 30).boluses
    assert bolus.at_min == pytest.approx(-30)


@pytest.mark.parametrize("step_s", [3600, -3600])
def test_a_clock_that_was_set_before_a_restart_adds_no_time(step_s: float) -> None:
    told = Told()
    told.say(0, heparin(5000))
    told.set_clock(10, step_s)
    told.say(12, heparin(2000))
    told.restart()
    first, second = (bolus.at_min for _, bolus in facts(told, 30).boluses)
    assert (first, second) == (pytest.approx(-30), pytest.approx(-18))


def test_a_correction_after_a_restart_keeps_the_time_of_what_it_corrects() -> None:
    told = Told()
    wrong = told.say(0, heparin(500))
    told.restart()
    told.say(20, heparin(5000), amends=wrong.n, at=wrong.at)
    ((_, bolus),) = facts(told, 30).boluses
    assert bolus.dose_u == 5000 and bolus.at_min == pytest.approx(-30)


def test_minutes_before_and_after() -> None:
    told = Told()
    now = told.moment(10)
    assert minutes(told.moment(4), 1, now, 1) == pytest.approx(-6)
    assert minutes(told.moment(12), 1, now, 2) == pytest.approx(2)


# --- contrast, radiation, findings ----------------------------------------------------------------


def test_contrast_so_far() -> None:
    told = Told()
    assert facts(told, 0).contrast_ml == 0
    told.say(1, Contrast(volume_ml=Decimal(40), counted="given"))
    told.say(2, Contrast(volume_ml=Decimal(100), counted="total"))
    told.say(3, Contrast(volume_ml=Decimal(20), counted="given"))
    assert facts(told, 4).contrast_ml == 120


def test_the_latest_reading_of_each_radiation_figure() -> None:
    told = Told()
    told.say(1, AirKerma(air_kerma_mgy=Decimal(900)))
    told.say(2, AirKerma(air_kerma_mgy=Decimal(1250)))
    told.say(3, DoseArea(dose_area_gy_cm2=Decimal(86)))
    told.say(4, Fluoroscopy(fluoroscopy_min=Decimal("18.4")))
    assert facts(told, 5).exposure == Exposure(1.25, 86, 18.4)


def test_the_lowest_pressure_and_a_balloon_pump_count_for_the_score() -> None:
    told = Told()
    for minute, systolic in enumerate((118, 74, 96)):
        told.say(minute, BloodPressure(systolic_mmhg=Decimal(systolic)))
    assert facts(told, 4).risk.systolic_mmhg == 74
    assert facts(told, 4).risk.balloon_pump is False
    # it came in with the patient
    told.say(5, DeviceEvent(happening="on", device="balloon pump"))
    assert facts(told, 6).risk.balloon_pump is True


# --- the first device -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "opens",
    [
        Inflation(pressure_atm=Decimal(10)),
        Deployment(),
        BALLOON.model_copy(update={"pressure_atm": Decimal(12)}),
        Device(device="stent", deployed=True),
        Device(device="aspiration catheter"),
        DeviceEvent(happening="run", device="burr"),
    ],
)
def test_the_first_device_is_the_first_that_opens_the_vessel(opens: Frozen) -> None:
    told = Told()
    told.say(10, Device(device="guide", french=Decimal(6)))
    told.say(12, Device(device="wire", type="workhorse"))
    told.say(13, DeviceEvent(happening="across", device="wire"))
    told.say(15, BALLOON)
    assert facts(told, 16).times.device is None
    told.say(20, opens)
    told.say(25, Inflation(pressure_atm=Decimal(14)))
    assert facts(told, 30).times.device == BEGAN + timedelta(minutes=20)


def test_a_first_device_that_is_told_late_counts_when_it_happened() -> None:
    told = Told()
    told.say(20, Inflation(pressure_atm=Decimal(10)))
    told.say(21, Device(device="aspiration catheter"), at=told.moment(17))
    assert facts(told, 22).times.device == BEGAN + timedelta(minutes=17)


def test_key_times_of_the_patient() -> None:
    told = Told()
    onset, contact, arrival = (BEGAN - timedelta(minutes=m) for m in (180, 60, 30))
    told.say(0, Patient(symptom_onset=onset, first_contact=contact, arrival=arrival))
    times = facts(told, 1).times
    assert (times.onset, times.contact, times.arrival) == (onset, contact, arrival)


# --- whatever is in the journal -------------------------------------------------------------------


@given(strategies.cases(), strategies.moments, st.integers(1, 99))
def test_facts_of_any_case(entries: list[Entry], now: Moment, session: int) -> None:
    known = gather(Case(entries), now, session, PLAUSIBLE)
    times = [bolus.at_min for _, bolus in known.boluses] + [reading.at_min for _, reading in known.acts]
    assert all(math.isfinite(minute) for minute in times)
    assert known.contrast_ml >= 0


doses = st.lists(
    st.tuples(st.integers(1, 10_000), st.sampled_from(["stands", "withdrawn", "amended"])), max_size=12
)


@given(doses)
def test_heparin_adds_up_over_what_is_in_force(given_doses: list[tuple[int, str]]) -> None:
    told, expected = Told(), 0
    for minute, (dose, then) in enumerate(given_doses):
        entry = told.say(minute, heparin(dose))
        if then == "withdrawn":
            told.withdraw(minute, entry)
        elif then == "amended":
            told.say(minute, heparin(dose + 500), amends=entry.n, at=entry.at)
            expected += dose + 500
        else:
            expected += dose
    assert sum(bolus.dose_u for _, bolus in facts(told, 60).boluses) == expected
