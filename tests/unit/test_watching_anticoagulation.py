"""Clotting.  Beside each check: F found in a source, C computed, M from memory."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import english
from checkback.errors import UserError
from checkback.watching import limits
from checkback.watching.anticoagulation import (
    Act,
    ActFall,
    Bolus,
    NotEstimated,
    WeightDose,
    act_fall,
    act_target,
    bivalirudin,
    bolus_check,
    cangrelor,
    eptifibatide,
    half_life_min,
    heparin_left,
    heparin_total,
    protamine,
    protamine_for_left,
    student_t,
    tirofiban,
)
from checkback.watching.limits import TirofibanRules

ALL = limits.load(english.GRAMMARS)
PLAUSIBLE = ALL.plausible

weights = st.floats(25, 300)
clearances = st.none() | st.floats(0, 250)
boluses = st.lists(st.builds(Bolus, at_min=st.floats(0, 240), dose_u=st.floats(100, 20_000)), max_size=8)


# --- heparin ---


@pytest.mark.parametrize(
    ("gp_inhibitor", "low_u", "high_u"),
    [(False, 4900, 7000), (True, 3500, 4900)],  # F: PMC4544474; C for 70 kg
)
def test_bolus_window_of_70_kg(gp_inhibitor: bool, low_u: float, high_u: float) -> None:
    for dose_u, verdict in (
        (low_u - 1, "below"),
        (low_u, "within"),
        (high_u, "within"),
        (high_u + 1, "above"),
    ):
        result = bolus_check(dose_u, 70, gp_inhibitor, ALL.heparin, PLAUSIBLE)
        assert (result.low_u, result.high_u, result.verdict) == (low_u, high_u, verdict)
        assert result.u_per_kg == pytest.approx(dose_u / 70) and result.source == "PubMed Central PMC4544474"


def test_heparin_total() -> None:
    total = heparin_total([Bolus(0, 7000), Bolus(40, 2000)], 75, PLAUSIBLE)
    assert (total.total_u, total.total_u_per_kg) == (9000, 120)


@pytest.mark.parametrize("dose_u", [0, -5000, math.nan, math.inf])
def test_what_is_no_dose_is_refused(dose_u: float) -> None:
    for call in (
        lambda: heparin_total([Bolus(0, dose_u)], 70, PLAUSIBLE),
        lambda: bolus_check(dose_u, 70, False, ALL.heparin, PLAUSIBLE),
        lambda: heparin_left([Bolus(0, dose_u)], 10, 70, ALL.heparin, PLAUSIBLE),
        lambda: protamine([Bolus(0, dose_u)], 10, ALL.protamine),
    ):
        with pytest.raises(UserError, match="is no dose"):
            call()


def test_half_life_by_dose() -> None:
    rows = ALL.heparin.half_life
    # F, secondary copies: 25 / 100 / 400 U/kg -> 30 / 60 / 150 min.
    assert [half_life_min(dose, rows) for dose in (25, 100, 400)] == pytest.approx([30, 60, 150])
    # Halfway in the logarithm, and outside the table (this program's own model).
    assert [half_life_min(dose, rows) for dose in (50, 200, 5, 900)] == pytest.approx([45, 105, 30, 150])


@pytest.mark.parametrize(("now", "left_u"), [(0, 7000), (30, 4949.7), (60, 3500)])  # C, half-life 60 min
def test_heparin_left_of_100_units_per_kg(now: float, left_u: float) -> None:
    result = heparin_left([Bolus(0, 7000)], now, 70, ALL.heparin, PLAUSIBLE)
    assert result.remaining_u == pytest.approx(left_u, abs=0.05) and result.half_life_min == pytest.approx(60)
    assert "secondary cop" in result.source


def test_a_second_bolus_adds_to_what_is_left() -> None:
    # C: after 60 min 3500 U are left, with 3500 more it is 7000 again, and 3500 an hour later.
    case = [Bolus(60, 3500), Bolus(0, 7000)]
    assert heparin_left(case, 120, 70, ALL.heparin, PLAUSIBLE).remaining_u == pytest.approx(3500)
    assert heparin_left(case, 59.999, 70, ALL.heparin, PLAUSIBLE).remaining_u == pytest.approx(3500, rel=1e-3)


def test_before_any_heparin_nothing_is_left() -> None:
    result = heparin_left([Bolus(10, 7000)], 5, 70, ALL.heparin, PLAUSIBLE)
    assert (result.remaining_u, result.half_life_min) == (0, None)


@given(boluses, st.floats(0, 600), weights)
def test_what_is_left_is_never_negative_nor_more_than_was_given(
    case: list[Bolus], now: float, kg: float
) -> None:
    given_u = sum(bolus.dose_u for bolus in case if bolus.at_min <= now)
    left_u = heparin_left(case, now, kg, ALL.heparin, PLAUSIBLE).remaining_u
    assert 0 <= left_u <= given_u * (1 + 1e-12)
    assert heparin_left(case, now + 300, kg, ALL.heparin, PLAUSIBLE).remaining_u >= 0


@given(
    st.builds(Bolus, at_min=st.floats(0, 100), dose_u=st.floats(100, 20_000)),
    st.floats(0, 300),
    st.floats(0, 300),
)
def test_it_only_falls_between_boluses(bolus: Bolus, a: float, b: float) -> None:
    sooner, later = (bolus.at_min + t for t in sorted((a, b)))
    left = [heparin_left([bolus], t, 70, ALL.heparin, PLAUSIBLE).remaining_u for t in (sooner, later)]
    assert left[0] >= left[1]


# --- protamine: handbook and label, F ---


@pytest.mark.parametrize(
    ("dose_u", "age_min", "low_mg", "high_mg", "capped"),
    [
        (5000, 45, 25, 37.5, False),
        (8000, 5, 50, 50, True),  # 80 mg before the cap
        (8000, 90, 30, 40, False),
        (8000, 29.9, 50, 50, True),
        (5000, 30, 25, 37.5, False),
        (5000, 60, 18.75, 25, False),  # which both rows claim: the smaller dose
        (5000, 120, 18.75, 25, False),
        (5000, 120.1, 12.5, 18.75, False),
    ],
)
def test_protamine_by_age(dose_u: float, age_min: float, low_mg: float, high_mg: float, capped: bool) -> None:
    result = protamine([Bolus(100, dose_u)], 100 + age_min, ALL.protamine)
    assert (result.low_mg, result.high_mg, result.capped) == (low_mg, high_mg, capped)
    assert result.over_min == 10 and "handbook and label" in result.source


def test_protamine_before_the_cap_is_told_too() -> None:
    result = protamine([Bolus(0, 8000)], 5, ALL.protamine)
    assert (result.computed_low_mg, result.computed_high_mg, result.high_mg) == (80, 80, 50)


def test_protamine_of_two_boluses_goes_by_the_age_of_each() -> None:
    # C: 4000 U 90 min old 15-20 mg, 1000 U 10 min old 10 mg; the bolus still to come counts nothing.
    result = protamine([Bolus(0, 4000), Bolus(80, 1000), Bolus(200, 5000)], 90, ALL.protamine)
    assert (result.low_mg, result.high_mg) == (25, 30)


def test_protamine_for_what_is_left() -> None:
    # C: 7000 U with a half-life of 60 min leave 3500 U after an hour, 1 mg for each 100 U.
    left = heparin_left([Bolus(0, 7000)], 60, 70, ALL.heparin, PLAUSIBLE)
    result = protamine_for_left(left, ALL.protamine)
    assert (result.low_mg, result.high_mg) == pytest.approx((35, 35))


@given(boluses, st.floats(0, 500))
def test_protamine_windows_are_in_order_and_below_the_cap(case: list[Bolus], now: float) -> None:
    result = protamine(case, now, ALL.protamine)
    assert 0 <= result.low_mg <= result.high_mg <= 50
    assert result.high_mg <= result.computed_high_mg and result.low_mg <= result.computed_low_mg
    later = protamine(case, now + 1000, ALL.protamine)
    assert later.computed_high_mg <= sum(b.dose_u for b in case) * 0.375 / 100 + 1e-9


# --- clotting time ---


def test_act_targets() -> None:
    # F: PMC4544474.
    assert ALL.act.analyser.choice == "low"
    high = ALL.act.model_copy(update={"analyser": ALL.act.analyser.model_copy(update={"choice": "high"})})
    for rules, gp_inhibitor, expected in (
        (ALL.act, False, (250, 300)),
        (high, False, (300, 350)),
        (ALL.act, True, (200, 250)),
        (high, True, (200, 250)),
    ):
        target = act_target(gp_inhibitor, rules)
        assert (target.low_s, target.high_s) == expected and target.source == "PubMed Central PMC4544474"


def test_when_the_next_reading_is_due_is_common_practice() -> None:
    # No guideline number was found: first 5 min after a bolus, then each 30 min.
    assert (ALL.act.first_after_bolus.value, ALL.act.interval.value) == (5, 30)
    for rule in (ALL.act.first_after_bolus, ALL.act.interval):
        assert rule.unit == "min" and rule.known == "common practice, no source"


def fall(*readings: tuple[float, float], target_s: float = 250, **more: object) -> ActFall:
    result = act_fall([Act(*r) for r in readings], 0, target_s, ALL.act, PLAUSIBLE, **more)  # type: ignore[arg-type]
    assert isinstance(result, ActFall), result
    return result


def reason(*readings: tuple[float, float], target_s: float = 250, **more: object) -> str:
    result = act_fall([Act(*r) for r in readings], 0, target_s, ALL.act, PLAUSIBLE, **more)  # type: ignore[arg-type]
    assert isinstance(result, NotEstimated), result
    assert "log-linear" in result.source
    return result.reason


def test_two_readings_give_the_line_through_both() -> None:
    # C: 400 at 5 min, 320 at 35: the line ln(ACT) meets ln 250 at 5 + 30 ln(400/250)/ln(400/320).
    result = fall((5, 400), (35, 320))
    assert result.at_min == pytest.approx(5 + 30 * math.log(400 / 250) / math.log(400 / 320))
    assert 35 <= result.earliest_min < result.at_min
    assert result.latest_min is not None and result.latest_min > result.at_min
    assert result.readings == 2 and "5 %" in result.source and "no baseline" in result.source


def test_a_baseline_slows_the_fall() -> None:
    # C: 120 + 280 and 120 + 200 meet 120 + 130.
    result = fall((5, 400), (35, 320), baseline_s=120)
    assert result.at_min == pytest.approx(5 + 30 * math.log(280 / 130) / math.log(280 / 200))
    assert result.at_min > fall((5, 400), (35, 320)).at_min
    assert "excess over the baseline" in result.source


def test_more_readings_follow_the_least_squares_line() -> None:
    readings = [(5, 410), (35, 330), (65, 300), (80, 262)]
    slope, intercept = np.polyfit([t for t, _ in readings], np.log([a for _, a in readings]), 1)
    assert fall(*readings).at_min == pytest.approx((math.log(250) - intercept) / slope)


def test_scatter_widens_the_bounds_and_a_smooth_row_is_no_certainty() -> None:
    smooth = fall(*[(t, 400 * math.exp(-t / 150)) for t in (5, 25, 45, 60)])
    rough = fall((5, 430), (25, 300), (45, 330), (60, 265))
    assert smooth.latest_min is not None
    assert smooth.latest_min - smooth.earliest_min > 5
    assert rough.latest_min is None or rough.latest_min - rough.earliest_min > (
        smooth.latest_min - smooth.earliest_min
    )


def test_a_fall_that_the_assay_could_have_made_up_has_no_latest_time() -> None:
    result = fall((5, 300), (15, 294))
    assert result.latest_min is None and 15 < result.earliest_min < 30 < result.at_min


def test_a_line_already_below_the_target_is_due_at_the_last_reading() -> None:
    # The last reading lies above the target, the line through all of them below.
    result = fall((5, 500), (20, 260), (25, 200), (60, 251))
    assert result.at_min == result.earliest_min == 60


def test_readings_before_the_last_heparin_are_left_out() -> None:
    both = [Act(1, 600), Act(15, 400), Act(45, 320)]
    result = act_fall(both, 10, 250, ALL.act, PLAUSIBLE)
    assert isinstance(result, ActFall) and result.readings == 2
    result = act_fall(both, 20, 250, ALL.act, PLAUSIBLE)
    assert isinstance(result, NotEstimated)


@pytest.mark.parametrize(
    ("readings", "more", "why"),
    [
        ([], {}, "fewer than two readings since the last heparin"),
        ([(5, 400)], {}, "fewer than two readings since the last heparin"),
        ([(-5, 400), (5, 320)], {}, "fewer than two readings since the last heparin"),
        ([(5, 400), (5, 320)], {}, "the readings are of the same moment"),
        ([(5, 300), (35, 320)], {}, "the readings do not fall"),
        ([(5, 300), (35, 300)], {}, "the readings do not fall"),
        ([(5, 300), (35, 240)], {}, "the last reading, 240 s, is already below 250 s"),
        ([(5, 900), (6, 899)], {}, "it is more than 240 minutes ahead"),
        ([(5, 400), (35, 320)], {"baseline_s": 250}, "the baseline, 250 s, is not below the target, 250 s"),
        (
            [(5, 190), (6, 320), (35, 310)],
            {"baseline_s": 200},
            "a reading is not above the baseline, 200 s",
        ),
        ([(5, 400), (35, 320)], {"heparin_infusion": True}, "heparin is running in"),
    ],
)
def test_why_there_is_no_estimate(
    readings: list[tuple[float, float]], more: dict[str, object], why: str
) -> None:
    assert reason(*readings, **more) == why  # type: ignore[arg-type]


def test_a_reading_that_is_none_is_refused() -> None:
    with pytest.raises(UserError, match="clotting time 3 s is outside 50-1500 s"):
        fall((5, 400), (35, 3))


@given(
    st.lists(st.tuples(st.floats(1, 240), st.floats(60, 900)), max_size=8),
    st.floats(150, 400),
    st.none() | st.floats(80, 180),
)
def test_the_bounds_are_always_in_order(
    readings: list[tuple[float, float]], target_s: float, baseline_s: float | None
) -> None:
    result = act_fall([Act(*r) for r in readings], 0, target_s, ALL.act, PLAUSIBLE, baseline_s=baseline_s)
    if isinstance(result, NotEstimated):
        assert result.reason
        return
    last = max(t for t, _ in readings)
    horizon = last + ALL.act.horizon.value + 1e-6
    assert last - 1e-6 <= result.earliest_min <= result.at_min + 1e-6 <= horizon + 1e-6
    assert result.latest_min is None or result.at_min - 1e-6 <= result.latest_min <= horizon


def test_the_bounds_hold_the_truth_as_often_as_they_say() -> None:
    # Invented patients: excess of 100 to 300 s over a known baseline, half-life 40 to 100 min,
    # readings every 20 min with the stated error of 5 %; 90 % bounds.
    chance = random.Random(7)
    held = asked = 0
    while asked < 2000:
        baseline, excess = chance.uniform(110, 150), chance.uniform(180, 320)
        half_life, number = chance.uniform(40, 100), chance.randint(2, 5)
        truth = half_life * math.log2(excess / (250 - baseline))
        times = [5 + 12 * i for i in range(number)]
        drawn = [
            Act(t, (baseline + excess * 0.5 ** (t / half_life)) * math.exp(chance.gauss(0, 0.05)))
            for t in times
        ]
        result = act_fall(drawn, 0, 250, ALL.act, PLAUSIBLE, baseline_s=baseline)
        if truth <= times[-1] or not isinstance(result, ActFall):
            continue
        asked += 1
        held += result.earliest_min <= truth and (result.latest_min is None or truth <= result.latest_min)
    assert held / asked >= 0.90


@pytest.mark.parametrize(
    ("freedom", "t_95", "t_975"),
    # The printed table of every statistics book.
    [
        (1, 6.314, 12.706), (2, 2.920, 4.303), (3, 2.353, 3.182), (4, 2.132, 2.776), (5, 2.015, 2.571),
        (8, 1.860, 2.306), (10, 1.812, 2.228), (30, 1.697, 2.042),
    ],
)  # fmt: skip
def test_student_t(freedom: int, t_95: float, t_975: float) -> None:
    assert student_t(0.95, freedom) == pytest.approx(t_95, rel=2e-3)
    assert student_t(0.975, freedom) == pytest.approx(t_975, rel=5e-3)


# --- doses by weight and kidney ---


def figures(dose: WeightDose) -> tuple[float, float, float, float]:
    return dose.bolus_mg, dose.bolus_ml, dose.infusion_mg_per_h, dose.infusion_ml_per_h


def test_bivalirudin_of_70_kg() -> None:
    # F: label.  70 kg: 52.5 mg is 10.5 mL of 5 mg/mL, 122.5 mg/h is 24.5 mL/h.
    dose = bivalirudin(70, 80, ALL.bivalirudin, PLAUSIBLE)
    assert figures(dose) == pytest.approx((52.5, 10.5, 122.5, 24.5))
    assert not dose.reduced and dose.source == "bivalirudin label; bivalirudin label (below)"
    # F: label, 1.0 mg/kg/h below 30 mL/min, same bolus.
    assert figures(bivalirudin(70, 29.9, ALL.bivalirudin, PLAUSIBLE)) == pytest.approx((52.5, 10.5, 70, 14))
    assert not bivalirudin(70, 30, ALL.bivalirudin, PLAUSIBLE).reduced
    # F, label, section 2.2: 0.25 mg/kg/h on haemodialysis, the bolus unchanged.
    dose = bivalirudin(70, None, ALL.bivalirudin, PLAUSIBLE, dialysis=True)
    assert dose.infusion_mg_per_h == 17.5 and dose.reduced and "2.2" in dose.source


def test_eptifibatide_of_80_and_130_kg() -> None:
    # F: label.
    dose = eptifibatide(80, 90, ALL.eptifibatide, PLAUSIBLE)
    assert (dose.bolus_mg, dose.infusion_mg_per_h) == pytest.approx((14.4, 9.6))
    assert (dose.bolus_capped, dose.infusion_capped, dose.second_bolus_after_min) == (False, False, 10)
    assert (dose.bolus_ml, dose.infusion_ml_per_h) == pytest.approx((7.2, 12.8))  # F: 2 and 0.75 mg/mL
    dose = eptifibatide(130, 90, ALL.eptifibatide, PLAUSIBLE)
    assert (dose.bolus_mg, dose.infusion_mg_per_h) == (22.6, 15)
    assert dose.bolus_capped and dose.infusion_capped


def test_eptifibatide_of_a_weak_kidney() -> None:
    # F: label, 1 ug/kg/min below 50 mL/min; the cap of 7.5 mg/h M, from memory.
    dose = eptifibatide(80, 49.9, ALL.eptifibatide, PLAUSIBLE)
    assert (dose.bolus_mg, dose.infusion_mg_per_h, dose.reduced) == (
        pytest.approx(14.4),
        pytest.approx(4.8),
        True,
    )
    assert eptifibatide(130, 49.9, ALL.eptifibatide, PLAUSIBLE).infusion_mg_per_h == 7.5
    assert not eptifibatide(80, 50, ALL.eptifibatide, PLAUSIBLE).reduced


def test_eptifibatide_is_refused_on_dialysis() -> None:
    # F: label.
    with pytest.raises(UserError, match=r"not for a patient on dialysis.*check against local protocol"):
        eptifibatide(80, None, ALL.eptifibatide, PLAUSIBLE, dialysis=True)
    rule = ALL.eptifibatide.dialysis.model_copy(update={"choice": "as low clearance"})
    rules = ALL.eptifibatide.model_copy(update={"dialysis": rule})
    assert eptifibatide(80, None, rules, PLAUSIBLE, dialysis=True).reduced


def european(rules: TirofibanRules) -> TirofibanRules:
    return rules.model_copy(update={"label": rules.label.model_copy(update={"choice": "EU"})})


def test_tirofiban_by_the_label_row_of_63_to_70_kg() -> None:
    # F: label, 33 mL and 12 mL/h; the row is for its middle, 66.5 kg.
    dose = tirofiban(66.5, 90, ALL.tirofiban, PLAUSIBLE)
    assert (round(dose.bolus_ml), round(dose.infusion_ml_per_h)) == (33, 12)
    assert dose.bolus_over_min == 5 and not dose.reduced


@pytest.mark.parametrize(
    ("label", "clearance", "reduced", "bolus_mg", "mg_per_h"),
    [
        # F: 0.075 ug/kg/min; limit 60 (US), 30 (EU); for 80 kg C.
        ("US", 60.1, False, 2.0, 0.72),
        ("US", 60, True, 2.0, 0.36),
        ("EU", 60, False, 2.0, 0.72),
        ("EU", 30, False, 2.0, 0.72),
        ("EU", 29.9, True, 1.0, 0.36),  # F, secondary: bolus halved too
    ],
)
def test_tirofiban_labels_differ(
    label: str, clearance: float, reduced: bool, bolus_mg: float, mg_per_h: float
) -> None:
    rules = ALL.tirofiban if label == "US" else european(ALL.tirofiban)
    dose = tirofiban(80, clearance, rules, PLAUSIBLE)
    assert dose.reduced is reduced and label in dose.source
    assert (dose.bolus_mg, dose.infusion_mg_per_h) == pytest.approx((bolus_mg, mg_per_h))
    assert tirofiban(80, None, rules, PLAUSIBLE, dialysis=True).infusion_mg_per_h == pytest.approx(0.36)


def test_cangrelor_of_70_kg() -> None:
    # F: 30 ug/kg; F, secondary: 4 ug/kg/min and 0.2 mg/mL.  70 kg: 2.1 mg, 280 ug/min.
    dose = cangrelor(70, ALL.cangrelor, PLAUSIBLE)
    assert dose.bolus_mg == pytest.approx(2.1) and dose.infusion_ug_per_min == pytest.approx(280)
    assert (dose.bolus_ml, dose.infusion_ml_per_h) == pytest.approx((10.5, 84))


def test_an_unknown_clearance_is_told() -> None:
    for dose in (
        bivalirudin(70, None, ALL.bivalirudin, PLAUSIBLE),
        eptifibatide(70, None, ALL.eptifibatide, PLAUSIBLE),
        tirofiban(70, None, ALL.tirofiban, PLAUSIBLE),
    ):
        assert not dose.clearance_known and not dose.reduced
    assert bivalirudin(70, 80, ALL.bivalirudin, PLAUSIBLE).clearance_known


def test_a_syringe_of_another_strength() -> None:
    dose = bivalirudin(70, 80, ALL.bivalirudin, PLAUSIBLE, concentration_mg_ml=2.5)
    assert figures(dose) == pytest.approx((52.5, 21, 122.5, 49))
    with pytest.raises(UserError, match=r"concentration 0 mg/mL of bivalirudin is not possible"):
        bivalirudin(70, 80, ALL.bivalirudin, PLAUSIBLE, concentration_mg_ml=0)


def test_figures_that_nobody_has_are_refused() -> None:
    with pytest.raises(UserError, match="weight 3 kg"):
        cangrelor(3, ALL.cangrelor, PLAUSIBLE)
    with pytest.raises(UserError, match="creatinine clearance -1 mL/min is not possible"):
        tirofiban(70, -1, ALL.tirofiban, PLAUSIBLE)


@given(weights, weights, clearances)
def test_doses_rise_with_weight_up_to_their_caps(a: float, b: float, clearance: float | None) -> None:
    light, heavy = sorted((a, b))
    for low, high in (
        (bivalirudin(light, clearance, ALL.bivalirudin, PLAUSIBLE), bivalirudin(heavy, clearance, ALL.bivalirudin, PLAUSIBLE)),
        (eptifibatide(light, clearance, ALL.eptifibatide, PLAUSIBLE), eptifibatide(heavy, clearance, ALL.eptifibatide, PLAUSIBLE)),
        (tirofiban(light, clearance, ALL.tirofiban, PLAUSIBLE), tirofiban(heavy, clearance, ALL.tirofiban, PLAUSIBLE)),
        (cangrelor(light, ALL.cangrelor, PLAUSIBLE), cangrelor(heavy, ALL.cangrelor, PLAUSIBLE)),
    ):  # fmt: skip
        assert all(x <= y for x, y in zip(figures(low), figures(high), strict=True)) and low.bolus_mg > 0
    heavy_dose = eptifibatide(heavy, clearance, ALL.eptifibatide, PLAUSIBLE)
    assert heavy_dose.bolus_mg <= 22.6 and heavy_dose.infusion_mg_per_h <= (7.5 if heavy_dose.reduced else 15)


@given(weights, st.floats(0, 250))
def test_a_weak_kidney_never_gets_more(kg: float, clearance: float) -> None:
    for weak, good in (
        (bivalirudin(kg, clearance, ALL.bivalirudin, PLAUSIBLE), bivalirudin(kg, 250, ALL.bivalirudin, PLAUSIBLE)),
        (eptifibatide(kg, clearance, ALL.eptifibatide, PLAUSIBLE), eptifibatide(kg, 250, ALL.eptifibatide, PLAUSIBLE)),
        (tirofiban(kg, clearance, ALL.tirofiban, PLAUSIBLE), tirofiban(kg, 250, ALL.tirofiban, PLAUSIBLE)),
        (tirofiban(kg, clearance, european(ALL.tirofiban), PLAUSIBLE), tirofiban(kg, 250, ALL.tirofiban, PLAUSIBLE)),
    ):  # fmt: skip
        assert all(x <= y for x, y in zip(figures(weak), figures(good), strict=True))
