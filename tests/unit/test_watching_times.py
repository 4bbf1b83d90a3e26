"""Key times.  Beside each check: F found in a source, C computed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

import english
from checkback.errors import UserError
from checkback.watching import limits
from checkback.watching.times import KeyTimes, elapsed_s, h_mm, key_intervals

RULES = limits.load(english.GRAMMARS).times
CET = timezone(timedelta(hours=1))
BERLIN = ZoneInfo("Europe/Berlin")

moments = st.datetimes(datetime(2000, 1, 1), datetime(2040, 1, 1))


def at(hour: int, minute: int, second: int = 0, day: int = 2) -> datetime:
    return datetime(2026, 3, day, hour, minute, second, tzinfo=CET)


def test_an_emergency_across_midnight() -> None:
    times = KeyTimes(onset=at(22, 10), contact=at(22, 55), arrival=at(23, 25), device=at(0, 20, day=3))
    found = {i.name: (i.minutes, i.target_min, i.within) for i in key_intervals(times, False, RULES)}
    # F, secondary: contact to device 90 (2025); F: door to device 90 (JACC 2008); C.
    assert found == {
        "door to device": (55, 90, True),
        "contact to device": (85, 90, True),
        "total ischaemic time": (130, None, None),
    }


@pytest.mark.parametrize(
    ("transfer", "minutes", "within"),
    # F, secondary: 90 min, 120 after a transfer.
    [(False, 90, True), (False, 91, False), (True, 120, True), (True, 121, False)],
)
def test_targets_include_their_last_minute(transfer: bool, minutes: int, within: bool) -> None:
    times = KeyTimes(contact=at(8, 0), device=at(8, 0) + timedelta(minutes=minutes, seconds=59))
    (interval,) = key_intervals(times, transfer, RULES)
    assert interval.within is within and interval.minutes == minutes
    assert interval.source == "acute coronary syndromes guideline 2025 (found in a secondary copy)"


def test_what_is_shown_and_what_is_judged_agree() -> None:
    (interval,) = key_intervals(KeyTimes(arrival=at(8, 0), device=at(9, 30, 59)), False, RULES)
    assert h_mm(interval.seconds) == "1:30" and interval.within


def test_only_what_is_known_on_both_ends_is_told() -> None:
    assert key_intervals(KeyTimes(onset=at(8, 0), contact=at(9, 0)), False, RULES) == ()
    assert key_intervals(KeyTimes(device=at(8, 0)), False, RULES) == ()


def test_the_night_on_which_an_hour_is_lost() -> None:
    # C: 29 March 2026, 01:30 CET to 03:30 CEST is one hour.
    start = datetime(2026, 3, 29, 1, 30, tzinfo=BERLIN)
    end = datetime(2026, 3, 29, 3, 30, tzinfo=BERLIN)
    assert elapsed_s(start, end) == 3600
    (interval,) = key_intervals(KeyTimes(arrival=start, device=end), False, RULES)
    assert interval.minutes == 60 and interval.within


def test_the_night_on_which_an_hour_comes_twice() -> None:
    # C: 25 October 2026, 02:30 the first time to 02:30 the second time is one hour.
    start = datetime(2026, 10, 25, 2, 30, tzinfo=BERLIN, fold=0)
    assert elapsed_s(start, start.replace(fold=1)) == 3600
    assert elapsed_s(start, datetime(2026, 10, 25, 3, 30, tzinfo=BERLIN)) == 7200


def test_offsets_may_differ() -> None:
    assert elapsed_s(datetime(2026, 3, 2, 7, 0, tzinfo=UTC), at(8, 30)) == 1800


def test_a_time_without_offset_is_refused() -> None:
    with pytest.raises(UserError, match="2026-03-02T08:00:00 has no offset"):
        elapsed_s(datetime(2026, 3, 2, 8, 0), at(9, 0))


def test_a_device_before_the_patient_came_is_refused() -> None:
    with pytest.raises(
        UserError, match=r"arrival 2026-03-02T10:05\+01:00 lies after the device, .*check both"
    ):
        key_intervals(KeyTimes(arrival=at(10, 5), device=at(9, 50)), False, RULES)


def test_hours_and_minutes() -> None:
    shown = [h_mm(s) for s in (0, 59.9, 60, 3599, 3600, 3900, 86400, 100 * 3600)]
    assert shown == ["0:00", "0:00", "0:01", "0:59", "1:00", "1:05", "24:00", "100:00"]
    with pytest.raises(ValueError, match="cannot be shown"):
        h_mm(-1)


@given(moments, moments, st.sampled_from(["UTC", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe"]))
def test_an_interval_does_not_depend_on_the_zone_it_is_shown_in(a: datetime, b: datetime, zone: str) -> None:
    start, end = (moment.replace(tzinfo=UTC) for moment in (a, b))
    there = ZoneInfo(zone)
    assert elapsed_s(start.astimezone(there), end.astimezone(there)) == (b - a).total_seconds()
    assert elapsed_s(start, end) == -elapsed_s(end, start)
