"""Contrast medium.  Beside each check: F found in a source, C computed, M from memory."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

import english
from checkback.errors import UserError
from checkback.watching import limits
from checkback.watching.contrast import (
    Limit,
    Risk,
    allowable,
    mehran,
    mehran_ahead,
    ratio_limits,
    ratio_state,
    warnings,
)

ALL = limits.load(english.GRAMMARS)
RULES, PLAUSIBLE = ALL.contrast, ALL.plausible

volumes = st.floats(0, 1000)
weights = st.floats(25, 300)
creatinines = st.floats(0.2, 20)
clearances = st.floats(1, 300)
risks = st.builds(
    Risk,
    age_y=st.none() | st.floats(18, 120),
    sex=st.sampled_from([None, "female", "male"]),
    systolic_mmhg=st.none() | st.floats(20, 260),
    haematocrit_percent=st.none() | st.floats(10, 70),
    creatinine_mg_dl=st.none() | creatinines,
    egfr_ml_min_173=st.none() | st.floats(1, 150),
    balloon_pump=st.sampled_from([None, False, True]),
    heart_failure=st.sampled_from([None, False, True]),
    diabetes=st.sampled_from([None, False, True]),
)


@pytest.mark.parametrize(
    ("weight", "creatinine", "expected_ml"),
    # F: Cigarroa, Am J Med 1989;86:649; C.
    [(70, 1.0, 300), (80, 1.5, 266.67), (70, 2.0, 175), (55, 3.0, 91.67)],
)
def test_maximum_allowable_contrast(weight: float, creatinine: float, expected_ml: float) -> None:
    limit = allowable(weight, creatinine, RULES, PLAUSIBLE)
    assert limit.limit_ml == pytest.approx(expected_ml, abs=0.005)
    assert "Cigarroa, Am J Med 1989;86:649" in limit.source


def test_implausible_figures_give_no_limit() -> None:
    with pytest.raises(UserError, match="would it be umol/L"):
        allowable(70, 90, RULES, PLAUSIBLE)
    with pytest.raises(UserError, match="weight 700 kg"):
        allowable(700, 1, RULES, PLAUSIBLE)


def test_steps_of_contrast_over_clearance() -> None:
    # M, from memory: warn at 2 and 3 (Gurm, JACC 2011;58:907), 3.7 (Laskey, JACC 2007;50:584); C.
    assert [limit.limit_ml for limit in ratio_limits(60, RULES)] == pytest.approx([120, 180, 222])
    state = ratio_state(185, 50, RULES)
    assert state.ratio == pytest.approx(3.70) and state.reached is not None and state.ahead is None
    assert state.reached.name == "3.7 times the creatinine clearance" and state.to_next_ml is None
    assert "from memory" in state.reached.source


def test_what_is_left_to_the_next_step() -> None:
    state = ratio_state(125, 60, RULES)
    assert state.reached is not None and state.reached.limit_ml == 120
    assert state.ahead is not None and state.ahead.limit_ml == 180 and state.to_next_ml == 55
    state = ratio_state(0, 60, RULES)
    assert state.reached is None and state.to_next_ml == 120 and state.ratio == 0


def test_no_ratio_without_a_clearance() -> None:
    with pytest.raises(UserError, match="is not above 0"):
        ratio_state(100, 0, RULES)


LIMIT = Limit("maximum allowable contrast", 175, "a source")


def said(before_ml: float | None, now_ml: float) -> list[tuple[float, float]]:
    return [
        (warning.threshold_ml, warning.remaining_ml)
        for warning in warnings(before_ml, now_ml, (LIMIT,), RULES)
    ]


def test_a_case_is_warned_ahead_of_the_limit_and_once_at_it() -> None:
    assert said(0, 100) == []
    assert said(100, 135) == [(50, 40)]  # "forty millilitres left"
    assert said(135, 150) == []
    assert said(150, 155) == [(20, 20)]
    assert said(155, 175) == [(0, 0)]
    assert said(175, 220) == []


def test_thresholds_passed_at_once_are_one_warning() -> None:
    assert said(100, 160) == [(20, 15)]
    assert said(100, 300) == [(0, 0)]


def test_a_limit_that_is_small_from_the_start_is_said_at_the_first_call() -> None:
    small = Limit("maximum allowable contrast", 45, "a source")
    (warning,) = warnings(None, 0, (small,), RULES)
    assert warning.remaining_ml == 45 and warning.threshold_ml == 50 and warning.source == "a source"
    assert warnings(0, 10, (small,), RULES) == ()


def test_a_total_corrected_downwards_warns_of_nothing() -> None:
    assert said(160, 90) == []


def test_negative_volumes_are_refused() -> None:
    for call in (
        lambda: warnings(0, -1, (LIMIT,), RULES),
        lambda: ratio_state(-1, 60, RULES),
        lambda: mehran(Risk(), -1, ALL.mehran, PLAUSIBLE),
    ):
        with pytest.raises(UserError, match="contrast volume -1 mL is not possible"):
            call()


@given(st.floats(0.1, 1000), volumes)
def test_never_a_negative_remainder(limit_ml: float, given_ml: float) -> None:
    limit = Limit("x", limit_ml, "s")
    assert 0 <= limit.remaining_ml(given_ml) <= limit_ml


@given(clearances, volumes, volumes)
def test_more_contrast_never_looks_better(clearance_ml_min: float, a: float, b: float) -> None:
    less, more = (ratio_state(volume, clearance_ml_min, RULES) for volume in sorted((a, b)))
    assert less.ratio <= more.ratio
    assert (less.reached.limit_ml if less.reached else 0) <= (more.reached.limit_ml if more.reached else 0)
    assert less.to_next_ml is None or less.to_next_ml >= 0


@given(weights, creatinines, creatinines)
def test_the_allowance_never_passes_the_cap_nor_rises_with_creatinine(kg: float, a: float, b: float) -> None:
    better, worse = (allowable(kg, c, RULES, PLAUSIBLE).limit_ml for c in sorted((a, b)))
    assert 0 < worse <= better <= 300


@given(st.lists(st.floats(0, 60), max_size=30), st.floats(1, 400))
def test_each_threshold_is_said_once_however_the_contrast_comes(parts: list[float], limit_ml: float) -> None:
    limit = Limit("x", limit_ml, "s")
    before, total, heard = None, 0.0, []
    for part in [0.0, *parts]:
        total += part
        heard += [w.threshold_ml for w in warnings(before, total, (limit,), RULES)]
        before = total
    assert heard == sorted(set(heard), reverse=True)
    assert (0 in heard) == (total >= limit_ml)
    assert bool(heard) == (total >= limit_ml - 50)


# --- Mehran 2004, JACC 44:1393 (F, secondary copies) ---


def score(given_ml: float = 0, **known: object) -> int:
    return mehran(Risk(**known), given_ml, ALL.mehran, PLAUSIBLE).points  # type: ignore[arg-type]


def test_the_worked_patient() -> None:
    # C: man of 76 with diabetes, haematocrit 37, 250 mL, eGFR 45: 14 points.
    risk = Risk(
        age_y=76, sex="male", systolic_mmhg=130, haematocrit_percent=37, egfr_ml_min_173=45,
        balloon_pump=False, heart_failure=False, diabetes=True,
    )  # fmt: skip
    result = mehran(risk, 250, ALL.mehran, PLAUSIBLE)
    assert result.points == 14 and result.unknown == ()
    assert {f.name: f.points for f in result.findings} == {
        "age": 4, "anaemia": 3, "diabetes": 3, "kidney function": 2, "contrast": 2,
    }  # fmt: skip
    assert (result.band_from, result.nephropathy_percent, result.dialysis_percent) == (11, 26.1, 1.09)
    assert result.source == "Mehran, JACC 2004;44:1393 (found in a secondary copy)"
    ahead = mehran_ahead(risk, 250, ALL.mehran, PLAUSIBLE)
    assert [(more, after.points) for more, after in ahead] == [(50, 15), (100, 15)]
    assert mehran_ahead(risk, 250, ALL.mehran, PLAUSIBLE, (200,))[0][1].band_from == 16


@pytest.mark.parametrize(
    ("known", "points"),
    [
        # F, secondary copies, each line by itself.
        ({"age_y": 75}, 0),
        ({"age_y": 76}, 4),
        ({"systolic_mmhg": 79}, 5),
        ({"systolic_mmhg": 80}, 0),
        ({"balloon_pump": True}, 5),
        ({"heart_failure": True}, 5),
        ({"diabetes": True}, 3),
        ({"sex": "male", "haematocrit_percent": 38.9}, 3),
        ({"sex": "male", "haematocrit_percent": 39}, 0),
        ({"sex": "female", "haematocrit_percent": 36}, 0),
        ({"sex": "female", "haematocrit_percent": 35.9}, 3),
        ({"haematocrit_percent": 20}, 0),
        # The edges of the eGFR rows, on which copies disagree.
        ({"egfr_ml_min_173": 60}, 0),
        ({"egfr_ml_min_173": 59.9}, 2),
        ({"egfr_ml_min_173": 40}, 2),
        ({"egfr_ml_min_173": 39.9}, 4),
        ({"egfr_ml_min_173": 20}, 4),
        ({"egfr_ml_min_173": 19.9}, 6),
        ({"given_ml": 99}, 0),
        ({"given_ml": 100}, 1),
        ({"given_ml": 399}, 3),
        # The creatinine line does not count beside the eGFR line.
        ({"creatinine_mg_dl": 3.0}, 0),
    ],
)
def test_each_line_of_the_score(known: dict[str, object], points: int) -> None:
    assert score(**known) == points  # type: ignore[arg-type]


def test_the_creatinine_line_in_place_of_the_egfr() -> None:
    kidney = ALL.mehran.kidney.model_copy(update={"choice": "creatinine"})
    rules = ALL.mehran.model_copy(update={"kidney": kidney})
    for creatinine, points in ((1.5, 0), (1.6, 4)):
        risk = Risk(creatinine_mg_dl=creatinine, egfr_ml_min_173=10)
        assert mehran(risk, 0, rules, PLAUSIBLE).points == points


@pytest.mark.parametrize(
    ("points_wanted", "nephropathy", "dialysis"),
    # F, secondary copies.
    [(5, 7.5, 0.04), (6, 14.0, 0.12), (10, 14.0, 0.12), (11, 26.1, 1.09), (15, 26.1, 1.09), (16, 57.3, 12.6)],
)
def test_bands(points_wanted: int, nephropathy: float, dialysis: float) -> None:
    result = mehran(Risk(), points_wanted * 100, ALL.mehran, PLAUSIBLE)
    assert result.points == points_wanted
    assert (result.nephropathy_percent, result.dialysis_percent) == (nephropathy, dialysis)


def test_what_is_not_known_is_named() -> None:
    unknown = mehran(Risk(diabetes=True), 0, ALL.mehran, PLAUSIBLE).unknown
    assert unknown == (
        "low blood pressure", "balloon pump", "heart failure", "age", "anaemia", "kidney function",
    )  # fmt: skip


@given(risks, volumes, volumes)
def test_contrast_never_lowers_the_score_and_the_lines_add_up(risk: Risk, a: float, b: float) -> None:
    less, more = (mehran(risk, volume, ALL.mehran, PLAUSIBLE) for volume in sorted((a, b)))
    assert less.points <= more.points and less.nephropathy_percent <= more.nephropathy_percent
    assert less.points == sum(f.points for f in less.findings)
    assert not {f.name for f in less.findings} & set(less.unknown)
