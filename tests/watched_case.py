"""A case told minute by minute, over restarts and with a wall clock that may be set."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import Any

from checkback.record.case import Case
from checkback.record.entry import ClockStep, Entry, Frozen, Moment, Withdrawal

BEGAN = datetime(2026, 3, 2, 9, 0, tzinfo=timezone(timedelta(hours=1)))


class Told:
    """What is said in a room, each call-out at its minute of real time."""

    def __init__(self) -> None:
        self.case = Case()
        self.session = 1
        self._booted_s = 5000.0
        self._set_by_s = 0.0

    def moment(self, minute: float) -> Moment:
        """Return both clocks at a minute."""
        return Moment(
            wall=BEGAN + timedelta(minutes=minute, seconds=self._set_by_s),
            monotonic_s=round(60 * minute + self._booted_s, 3),
        )

    def say(self, minute: float, body: Frozen, **more: Any) -> Entry:
        """Record what is said, and return the entry."""
        said = self.moment(minute)
        fields = {"standing": "stands", "source": "typed", "session": self.session, "at": said} | more
        entry = Entry(n=len(self.case.entries) + 1, said=said, recorded=said, body=body, **fields)
        self.case.apply(entry)
        return entry

    def withdraw(self, minute: float, entry: Entry) -> None:
        """Take an entry back."""
        self.say(minute, Withdrawal(target=entry.n))

    def set_clock(self, minute: float, seconds: float) -> None:
        """Set the wall clock, which the program notices."""
        self._set_by_s += seconds
        self.say(minute, ClockStep(step_s=seconds), source="program")

    def restart(self) -> None:
        """Start the computer again: the clock that is never set begins anew."""
        self.session += 1
        self._booted_s -= 4000.0
