"""One case in figures: each worked out by hand beside the test."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from checkback.collecting.digest import AdviceRow, Check, Digest, RefusalRow, act_gaps, digest, share_within
from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import (
    Act,
    Advice,
    CaseEnd,
    CaseStart,
    Contrast,
    Deflation,
    Device,
    DeviceEvent,
    Drug,
    Entry,
    Inflation,
    Lesion,
    Noted,
    Patient,
    Session,
    Withdrawal,
)
from checkback.watching.limits import load
from english import GRAMMARS
from invented_case import CLOCK, entry

LIMITS = load(GRAMMARS)
RULES = LIMITS.act


def told(*steps: tuple[float, Any]) -> Case:
    """Return a case of bodies, each with its minute."""
    entries: list[Entry] = []
    for n, (minute, body) in enumerate(steps, start=1):
        at = CLOCK.at(60.0 * minute)
        source = "program" if isinstance(body, (Session, Advice)) else "typed"
        entries.append(entry(n, body, at=at, said=at, recorded=at, source=source))
    return Case(entries)


def figures(*steps: tuple[float, Any]) -> Digest:
    return digest(told(*steps), LIMITS)


def heparin(units: int = 5000) -> Drug:
    return Drug(drug="heparin", dose=Decimal(units), unit="U", route="intravenous")


def wall(minute: float) -> datetime:
    return CLOCK.at(60.0 * minute).wall


def balloon(**more: Any) -> Device:
    return Device(
        device="balloon", type="non-compliant", diameter_mm=Decimal("2.5"), length_mm=Decimal(12), **more
    )


# --- times and totals -----------------------------------------------------------------------------


def test_times_to_the_first_balloon() -> None:
    patient = Patient(arrival=wall(0), first_contact=wall(-40), symptom_onset=wall(-100))
    row = figures((1, patient), (20, balloon()), (35.5, Inflation(pressure_atm=Decimal(8)))).case
    assert (row.door_to_device_min, row.contact_to_device_min, row.ischaemic_min) == (35.5, 75.5, 135.5)
    assert (row.door_in_time, row.contact_in_time) == (True, True)
    assert not row.finished and row.duration_min is None


def test_a_target_that_is_missed() -> None:
    row = figures((1, Patient(arrival=wall(0), first_contact=wall(-40))), (95, balloon(pressure_atm=8))).case
    assert (row.door_in_time, row.contact_in_time) == (False, False)


def test_a_time_that_cannot_be_is_said_and_hides_no_other() -> None:
    row = figures((1, Patient(arrival=wall(60), first_contact=wall(-10))), (20, balloon(pressure_atm=8))).case
    assert row.door_to_device_min is None and row.contact_to_device_min == 30
    assert "arrival" in row.lacking


def test_contrast_over_limit_and_clearance() -> None:
    # Cockcroft-Gault: (140 - 60) * 72 / (72 * 2) = 40 mL/min; limit 5 * 72 / 2 = 180 mL
    patient = Patient(age_y=60, sex="male", weight_kg=72, creatinine_mg_dl=2)
    row = figures(
        (0, patient),
        (1, Contrast(volume_ml=Decimal(50), counted="total")),
        (2, Contrast(volume_ml=Decimal(40), counted="given")),
        (3, CaseEnd()),
    ).case
    assert (row.contrast_ml, row.contrast_limit_ml, row.clearance_ml_min) == (90, 180, 40)
    assert (row.contrast_over_limit, row.contrast_over_clearance) == (0.5, 2.25)


def test_on_dialysis_nothing_is_held_against_a_clearance() -> None:
    patient = Patient(age_y=60, sex="male", weight_kg=72, creatinine_mg_dl=2, dialysis=True)
    row = figures((0, patient), (1, Contrast(volume_ml=Decimal(50), counted="total"))).case
    assert row.clearance_ml_min is None and row.contrast_over_clearance is None


def test_the_case_lasts_from_its_start_to_its_end() -> None:
    row = figures((0, heparin()), (5, CaseStart()), (65, CaseEnd())).case
    assert row.finished and row.duration_min == 60


def test_a_withdrawn_entry_does_not_count_and_is_counted_as_such() -> None:
    row = figures((0, balloon()), (1, balloon()), (2, Withdrawal(target=2))).case
    assert (row.devices, row.balloons, row.corrected, row.entries) == (1, 1, 1, 3)


def test_a_case_in_which_nothing_was_called_out_has_no_figures() -> None:
    with pytest.raises(UserError, match="nothing was called out"):
        figures(
            (
                0,
                Session(
                    number=1,
                    program_version="1",
                    recogniser="none",
                    phrasebook_sha256="",
                    catalogue_sha256="",
                ),
            )
        )


# --- clotting times ---------------------------------------------------------------------------------


def gaps(*steps: tuple[float, str]) -> list[bool]:
    return list(act_gaps([Check(minute, what) for minute, what in steps], RULES))


def test_the_intervals_are_those_of_the_limits() -> None:
    assert (RULES.first_after_bolus.value, RULES.interval.value) == (5, 30)


@pytest.mark.parametrize(
    ("steps", "kept"),
    [
        ([(0, "heparin"), (5, "act"), (35, "act"), (60, "end")], [True, True]),
        ([(0, "heparin"), (5.1, "act"), (36, "act"), (70, "end")], [False, False, False]),
        ([(0, "heparin"), (4, "heparin"), (8, "act"), (20, "end")], [True]),  # the wait began anew, not late
        ([(0, "heparin"), (8, "heparin"), (12, "act"), (20, "end")], [False, True]),
        ([(-10, "act"), (0, "heparin"), (5, "act"), (10, "end")], [True]),  # before heparin nothing is due
        ([(0, "heparin"), (30, "end")], [False]),
        ([(0, "heparin"), (3, "end")], []),
        ([], []),
    ],
)
def test_waits_for_a_clotting_time(steps: list[tuple[float, str]], kept: list[bool]) -> None:
    assert gaps(*steps) == kept


def test_the_wait_ends_with_the_last_device_or_with_protamine() -> None:
    row = figures(
        (0, heparin()),
        (5, Act(act_s=Decimal(280))),
        (20, DeviceEvent(happening="out", device="wire")),
        (90, CaseEnd()),
    ).case
    assert (row.act_gaps, row.act_gaps_kept) == (1, 1)
    row = figures(
        (0, heparin()),
        (5, Act(act_s=Decimal(280))),
        (50, Drug(drug="protamine", dose=Decimal(30), unit="mg")),
    )
    assert (row.case.act_gaps, row.case.act_gaps_kept) == (2, 1)


def test_minutes_in_target_leave_out_where_heparin_was_given_between() -> None:
    found = figures(
        (0, Act(act_s=Decimal(120))),
        (1, heparin()),
        (6, Act(act_s=Decimal(300))),
        (26, Act(act_s=Decimal(200))),  # 300 to 200 in 20 min: half of it from 250 to 300
        (27, heparin(2000)),
        (32, Act(act_s=Decimal(260))),
        (42, Act(act_s=Decimal(260))),
    )
    assert (found.case.act_low_s, found.case.act_high_s) == (250, 300)
    assert (found.case.act_observed_min, found.case.act_in_target_min) == (30, 20)
    assert [(r.after_heparin_min, r.act_s, r.in_target) for r in found.readings] == [
        (5, 300, True),
        (25, 200, False),
        (31, 260, True),
        (41, 260, True),
    ]


@given(st.floats(0, 1000), st.floats(0, 1000), st.floats(0, 1000), st.floats(0, 1000))
@example(300.0, 200.0, 250.0, 300.0)
def test_the_share_within_is_that_of_many_points_on_the_line(a: float, b: float, c: float, d: float) -> None:
    low, high = sorted((c, d))
    share = share_within(a, b, low, high)
    assert share == share_within(b, a, low, high)
    assert 0 <= share <= 1
    if abs(a - b) > 1:
        points = [a + (b - a) * (i + 0.5) / 2000 for i in range(2000)]
        assert share == pytest.approx(sum(low <= p <= high for p in points) / 2000, abs=0.002)


# --- devices ------------------------------------------------------------------------------------------


def test_what_would_not_cross_and_what_came_next() -> None:
    small = Device(device="balloon", type="low profile", diameter_mm=Decimal("1.5"), length_mm=Decimal(12))
    found = figures(
        (0, Device(device="guide", curve="JR4")),
        (1, Lesion(lesion=1, segment="mid right coronary")),
        (2, Device(device="wire", type="workhorse")),
        (3, DeviceEvent(happening="across", device="wire")),
        (4, balloon()),
        (5, DeviceEvent(happening="not across", device="balloon")),
        (6, DeviceEvent(happening="out", device="balloon")),
        (7, small),
        (8, DeviceEvent(happening="not across", device="balloon")),
        (9, Device(device="guide", curve="AL1")),  # a guide is no attempt
        (10, DeviceEvent(happening="across", device="balloon")),  # the same one, again
        (11, Inflation(pressure_atm=Decimal(8))),
        (12, Deflation()),
    )
    assert found.refusals == (
        RefusalRow(
            6, "balloon, non-compliant", "2.5 × 12", "mid right coronary", "balloon, low profile", False
        ),
        RefusalRow(9, "balloon, low profile", "1.5 × 12", "mid right coronary", "balloon, low profile", True),
    )
    (lesion,) = found.lesions
    assert (lesion.number, lesion.segment, lesion.devices, lesion.not_across) == (
        1,
        "mid right coronary",
        3,
        2,
    )
    assert (found.case.devices, found.case.not_across, found.case.lesions) == (5, 2, 1)


def test_a_balloon_that_went_up_was_across_and_of_a_wire_nothing_is_known() -> None:
    refused = [
        (0, balloon()),
        (1, DeviceEvent(happening="not across", device="balloon")),
        (2, DeviceEvent(happening="out")),
    ]
    up = figures(*refused, (3, balloon(pressure_atm=Decimal(8)))).refusals
    assert [row.next_crossed for row in up] == [True]
    unsaid = figures(*refused, (3, Device(device="wire"))).refusals
    assert [(row.next_device, row.next_crossed) for row in unsaid] == [("wire", None)]
    nothing = figures(*refused).refusals
    assert [(row.next_device, row.next_crossed) for row in nothing] == [(None, None)]


# --- reminders --------------------------------------------------------------------------------------------


def test_a_reminder_is_answered_by_the_next_noted_of_its_rule() -> None:
    def advice(rule: str) -> Advice:
        return Advice(rule=rule, text="due", source="invented")

    found = figures(
        (0, heparin()),
        (1, advice("act_due")),
        (2, advice("contrast_limit")),
        (3, Noted(rule="act_due")),
        (4, advice("act_due")),
        (5, advice("act_due")),
        (5.5, Noted(rule="act_due")),
    )
    assert found.advice == (
        AdviceRow(2, "act_due", False, 120.0),
        AdviceRow(3, "contrast_limit", False, None),
        AdviceRow(5, "act_due", False, None),
        AdviceRow(6, "act_due", False, 30.0),
    )
    assert (found.case.advice, found.case.answered) == (4, 2)


def test_a_clock_that_was_set_changes_no_figure() -> None:
    from checkback.record.entry import ClockStep

    plain = figures(
        (0, CaseStart()), (1, heparin()), (5, Act(act_s=Decimal(280))), (30, balloon()), (40, CaseEnd())
    )
    case = told((0, CaseStart()), (1, heparin()), (2, ClockStep(step_s=3600.0)), (5, Act(act_s=Decimal(280))), (30, balloon()), (40, CaseEnd()))  # fmt: skip
    moved = []
    for each in case.entries:
        if each.n > 2:
            later = each.at.model_copy(update={"wall": each.at.wall + timedelta(hours=1)})
            each = each.model_copy(update={"at": later, "said": later, "recorded": later})
        moved.append(each)
    stepped = digest(Case(moved), LIMITS)
    assert stepped.case.duration_min == plain.case.duration_min == 40
    assert stepped.readings == plain.readings
    assert (stepped.case.act_gaps, stepped.case.act_gaps_kept) == (
        plain.case.act_gaps,
        plain.case.act_gaps_kept,
    )
