"""Clocks: the wall clock is what is shown, the monotonic clock rules intervals."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from typing import Protocol

from checkback.record.entry import Moment


class Clock(Protocol):
    """Tells the present moment on both clocks."""

    def now(self) -> Moment:
        """Return the present moment."""
        ...


def latest_past(now: datetime, hour: int, minute: int) -> datetime:
    """Return the latest moment at or before `now` at which clocks showed a time of day.

    If the offset of `now` is that of the computer's own time zone, a change of that zone's offset
    in between (summer time) is heeded.

    Parameters
    ----------
    now : datetime
        With its offset.
    hour, minute : int
        On a clock of 24 hours.
    """
    today = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
    if now.astimezone().utcoffset() != now.utcoffset():
        return today if today <= now else today - timedelta(days=1)
    # an hour that clocks show twice has two moments
    shown = [
        day.replace(tzinfo=None, fold=fold) for day in (today, today - timedelta(days=1)) for fold in (0, 1)
    ]
    return max(moment for each in shown if (moment := each.astimezone()) <= now)


class SystemClock:
    """The computer's own clocks, in the local time zone."""

    def now(self) -> Moment:
        """Return the present moment."""
        return Moment(wall=datetime.now().astimezone(), monotonic_s=round(time.monotonic(), 3))


class HandClock:
    """A clock set by hand, for replays and simulations.

    Parameters
    ----------
    wall : datetime
        The wall time at monotonic zero, with its offset.
    """

    def __init__(self, wall: datetime) -> None:
        self._origin = wall
        self._elapsed_s = 0.0

    def now(self) -> Moment:
        """Return the moment that was set."""
        return self.at(self._elapsed_s)

    def at(self, elapsed_s: float) -> Moment:
        """Return the moment `elapsed_s` seconds after the origin."""
        return Moment(wall=self._origin + timedelta(seconds=elapsed_s), monotonic_s=round(elapsed_s, 3))

    def set(self, elapsed_s: float) -> None:
        """Move to `elapsed_s` seconds after the origin."""
        self._elapsed_s = elapsed_s

    def step_wall(self, seconds: float) -> None:
        """Correct the wall clock by `seconds`, leaving the monotonic clock alone."""
        self._origin += timedelta(seconds=seconds)
