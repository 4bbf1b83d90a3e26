"""A time of day that was spoken: the latest one that is past, also across a change of the clocks."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone

import pytest

from checkback.record.clock import latest_past

CET = timezone(timedelta(hours=1))
NOW = datetime(2026, 3, 2, 14, 22, 30, tzinfo=CET)


def test_earlier_today_and_yesterday() -> None:
    assert latest_past(NOW, 14, 22) == datetime(2026, 3, 2, 14, 22, tzinfo=CET)
    assert latest_past(NOW, 7, 30) == datetime(2026, 3, 2, 7, 30, tzinfo=CET)
    assert latest_past(NOW, 14, 23) == datetime(2026, 3, 1, 14, 23, tzinfo=CET)


@pytest.fixture
def berlin() -> Iterator[None]:
    before = os.environ.get("TZ")
    os.environ["TZ"] = "Europe/Berlin"
    time.tzset()
    yield
    if before is None:
        del os.environ["TZ"]
    else:
        os.environ["TZ"] = before
    time.tzset()


@pytest.mark.usefixtures("berlin")
def test_in_the_night_when_summer_time_began() -> None:
    # clocks went from 02:00 to 03:00 on 29 March 2026
    now = datetime(2026, 3, 29, 4, 0).astimezone()
    onset = latest_past(now, 1, 30)
    assert onset.utcoffset() == timedelta(hours=1)
    assert now - onset == timedelta(minutes=90)


@pytest.mark.usefixtures("berlin")
def test_in_the_night_when_summer_time_ended() -> None:
    # clocks went from 03:00 back to 02:00 on 25 October 2026
    now = datetime(2026, 10, 25, 4, 0).astimezone()
    assert now - latest_past(now, 1, 30) == timedelta(hours=3, minutes=30)


@pytest.mark.usefixtures("berlin")
def test_in_the_hour_that_clocks_show_twice_the_later_one_that_is_past_is_meant() -> None:
    first = datetime(2026, 10, 25, 2, 0).astimezone()
    for minutes, ago in ((100, 10), (70, 40), (40, 10)):
        now = (first + timedelta(minutes=minutes)).astimezone()
        assert now - latest_past(now, 2, 30) == timedelta(minutes=ago)
