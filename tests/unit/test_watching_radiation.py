"""Radiation.  Beside each check: F found in a source, C computed, M from memory."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

import english
from checkback.errors import UserError
from checkback.watching import limits
from checkback.watching.limits import Notices
from checkback.watching.radiation import (
    Exposure,
    air_kerma_gy,
    dose_area_gy_cm2,
    follow_up,
    notices,
    substantial,
)

ALL = limits.load(english.GRAMMARS)
RULES, PLAUSIBLE = ALL.radiation, ALL.plausible

kermas = st.floats(0, 50)


def kerma_levels(before_gy: float | None, now_gy: float) -> list[float]:
    due = notices(Exposure(before_gy), Exposure(now_gy), RULES, PLAUSIBLE)
    assert all(notice.quantity == "air kerma" and notice.unit == "Gy" for notice in due)
    return [notice.level for notice in due]


@pytest.mark.parametrize(
    ("before_gy", "now_gy", "levels"),
    [
        # M, from memory: NCRP 168, SIR JVIR 2009;20:S263: first at 3 Gy, then each 1 Gy; C.
        (2.9, 3.1, [3]),
        (3.9, 5.2, [4, 5]),
        (None, 2.99, []),
        (None, 3.0, [3]),
        (3.0, 3.99, []),
        (None, 5.2, [3, 4, 5]),
        (5.2, 3.1, []),
        (3.1, 3.1, []),
    ],
)
def test_air_kerma_notices(before_gy: float | None, now_gy: float, levels: list[float]) -> None:
    assert kerma_levels(before_gy, now_gy) == levels


def test_a_reading_that_also_reaches_the_substantial_level() -> None:
    # M, from memory: 5 Gy, 500 Gy.cm2, 60 min, 3 Gy peak skin.
    assert substantial(Exposure(3.9), RULES, PLAUSIBLE) == ()
    (level,) = substantial(Exposure(5.2), RULES, PLAUSIBLE)
    assert (level.quantity, level.level, level.reading, level.unit) == ("air kerma", 5, 5.2, "Gy")
    assert "from memory" in level.source


@pytest.mark.parametrize(
    ("exposure", "reached"),
    [
        (Exposure(air_kerma_gy=4.99), False),
        (Exposure(air_kerma_gy=5.00), True),
        (Exposure(dose_area_gy_cm2=499.9), False),
        (Exposure(dose_area_gy_cm2=500), True),
        (Exposure(fluoroscopy_min=59.9), False),
        (Exposure(fluoroscopy_min=60), True),
        (Exposure(peak_skin_gy=2.9), False),
        (Exposure(peak_skin_gy=3), True),
        (Exposure(), False),
    ],
)
def test_substantial_levels(exposure: Exposure, reached: bool) -> None:
    assert bool(substantial(exposure, RULES, PLAUSIBLE)) is reached
    assert (follow_up(exposure, RULES, PLAUSIBLE) is not None) is reached


def test_dose_area_and_fluoroscopy_notices() -> None:
    # M, from memory: 300 then each 100 Gy.cm2; 30 then each 15 min.
    before = Exposure(1, 250, 29)
    due = notices(before, Exposure(1.5, 410, 61), RULES, PLAUSIBLE)
    assert [(n.quantity, n.level, n.unit) for n in due] == [
        ("dose-area product", 300, "Gy.cm2"),
        ("dose-area product", 400, "Gy.cm2"),
        ("fluoroscopy", 30, "min"),
        ("fluoroscopy", 45, "min"),
        ("fluoroscopy", 60, "min"),
    ]
    assert all(n.source.startswith("NCRP Report 168") for n in due)


def test_what_was_not_read_is_due_nothing() -> None:
    assert notices(Exposure(4), Exposure(), RULES, PLAUSIBLE) == ()


def test_follow_up_lines() -> None:
    # F: PMC5808555, chart, inform, follow up above 5 Gy; physicist above 10 Gy.
    line = follow_up(Exposure(9.99, 620), RULES, PLAUSIBLE)
    assert line is not None and len(line.actions) == 1
    assert [level.quantity for level in line.reached] == ["air kerma", "dose-area product"]
    assert all(word in line.actions[0] for word in ("chart", "inform", "follow-up"))
    assert "PubMed Central PMC5808555" in line.source and "NCRP" in line.source
    line = follow_up(Exposure(10), RULES, PLAUSIBLE)
    assert line is not None and "physicist" in line.actions[1]
    line = follow_up(Exposure(fluoroscopy_min=75), RULES, PLAUSIBLE)
    assert line is not None and len(line.actions) == 1


def test_units() -> None:
    # C: 13639 mGy.cm2 is 13.639 Gy.cm2.
    assert dose_area_gy_cm2(13639, "mGy.cm2") == dose_area_gy_cm2(13639, "mGy·cm²") == 13.639
    assert dose_area_gy_cm2(50000, "µGy·m²") == dose_area_gy_cm2(50000, "cGy.cm2") == 500
    assert dose_area_gy_cm2(5000, "dGy.cm2") == dose_area_gy_cm2(500, "Gy.cm2") == 500
    assert (air_kerma_gy(4990, "mGy"), air_kerma_gy(5000, "mGy"), air_kerma_gy(5, "Gy")) == (4.99, 5, 5)
    assert air_kerma_gy(500, "cGy") == 5


def test_a_wrong_unit_is_refused_not_guessed() -> None:
    with pytest.raises(UserError, match="dose-area product unit 'mGy' is unknown; give one of Gy.cm2, "):  # noqa: RUF043
        dose_area_gy_cm2(3100, "mGy")
    with pytest.raises(UserError, match="air kerma unit 'Gy.cm2' is unknown"):  # noqa: RUF043
        air_kerma_gy(3, "Gy.cm2")
    with pytest.raises(UserError, match="air kerma -1 Gy is not possible"):
        air_kerma_gy(-1, "Gy")
    with pytest.raises(UserError, match="dose-area product 13639 Gy.cm2 is outside 0-5000"):  # noqa: RUF043
        notices(Exposure(), Exposure(dose_area_gy_cm2=13639), RULES, PLAUSIBLE)
    with pytest.raises(UserError, match="air kerma 3100 Gy is outside 0-50 Gy"):
        substantial(Exposure(3100), RULES, PLAUSIBLE)


@given(st.lists(kermas, max_size=20))
def test_each_notice_is_due_once_however_the_readings_come(readings: list[float]) -> None:
    rising = sorted(readings)
    heard = [level for a, b in zip([0.0, *rising], rising, strict=False) for level in kerma_levels(a, b)]
    assert heard == ([float(g) for g in range(3, int(rising[-1]) + 1)] if rising else [])


@given(st.integers(0, 100), st.integers(0, 100))
def test_steps_of_a_tenth_are_not_lost_to_rounding(a: int, b: int) -> None:
    tenths = RULES.model_copy(
        update={
            "air_kerma": Notices.model_validate(RULES.air_kerma.model_dump() | {"first": 0.3, "step": 0.1})
        }
    )
    low, high = sorted((a, b))
    due = notices(Exposure(low / 10), Exposure(high / 10), tenths, PLAUSIBLE)
    in_order = [notice.level for notice in due]
    assert in_order == sorted(set(in_order))
    assert all(low / 10 < level <= high / 10 for level in in_order)
    assert abs(len(in_order) - (max(0, high - 2) - max(0, low - 2))) <= 1
