"""Times between key moments on the wall clock, right across midnight and changes of the offset."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from checkback.errors import UserError
from checkback.watching.limits import TimeTargets, Value


@dataclass(frozen=True)
class KeyTimes:
    """The key moments of an emergency, each with its offset; None: not known.

    Attributes
    ----------
    onset, contact, arrival, device : datetime or None
        Symptom onset, first medical contact, arrival at the door, first device.
    first_door, first_door_out : datetime or None
        Of a patient who was transferred: arrival at and departure from the first hospital.
    """

    onset: datetime | None = None
    contact: datetime | None = None
    arrival: datetime | None = None
    device: datetime | None = None
    first_door: datetime | None = None
    first_door_out: datetime | None = None


@dataclass(frozen=True)
class Interval:
    """The time between two key moments.

    Attributes
    ----------
    name : str
        Which interval, to be spoken.
    seconds : float
        Its exact length.
    minutes : int
        Its full minutes, which are what is shown and held against the target.
    target_min : float or None
        The target, included; None: there is none.
    source : str
        Of the target; "the entries" where there is none.
    """

    name: str
    seconds: float
    minutes: int
    target_min: float | None
    source: str

    @property
    def within(self) -> bool | None:
        """Whether the target was met; None where there is none."""
        return None if self.target_min is None else self.minutes <= self.target_min


def elapsed_s(start: datetime, end: datetime) -> float:
    """Return the seconds from one wall time to another, negative if the end is earlier.

    Both are brought to UTC first: the difference of two times of one zone leaves out a change of
    its offset between them.

    Raises
    ------
    UserError
        If a time has no offset.
    """
    for moment in (start, end):
        if moment.utcoffset() is None:
            raise UserError(f"time {moment.isoformat()} has no offset from UTC; give it with its offset")
    return (end.astimezone(UTC) - start.astimezone(UTC)).total_seconds()


def h_mm(seconds: float) -> str:
    """Return a time as hours and full minutes, such as 1:05; a begun minute does not count.

    Raises
    ------
    ValueError
        If the time is negative.
    """
    if seconds < 0:
        raise ValueError(f"a time of {seconds:g} s cannot be shown")
    hours, minutes = divmod(int(seconds // 60), 60)
    return f"{hours}:{minutes:02}"


def key_intervals(times: KeyTimes, transfer: bool, rules: TimeTargets) -> tuple[Interval, ...]:
    """Return the intervals to the first device of which both ends are known.

    Parameters
    ----------
    times : KeyTimes
        The key moments.
    transfer : bool
        Whether the patient came from another hospital, which has its own target from contact.
    rules : TimeTargets
        The targets.

    Raises
    ------
    UserError
        If a time has no offset, or the device lies before another moment.
    """
    contact = rules.contact_to_device_transfer if transfer else rules.contact_to_device
    ends: tuple[tuple[str, str, datetime | None, Value | None], ...] = (
        ("door to device", "arrival", times.arrival, rules.door_to_device),
        ("contact to device", "first medical contact", times.contact, contact),
        ("total ischaemic time", "symptom onset", times.onset, None),
        ("first door to device", "arrival at the first hospital", times.first_door, None),
    )
    return tuple(
        _interval(name, (begin, start), ("the device", times.device), target)
        for name, begin, start, target in ends
        if start is not None and times.device is not None
    )


def door_in_door_out(times: KeyTimes, rules: TimeTargets) -> Interval | None:
    """Return how long a transferred patient was in the first hospital; None: an end is not known.

    Raises
    ------
    UserError
        If a time has no offset, or the departure lies before the arrival.
    """
    if times.first_door is None or times.first_door_out is None:
        return None
    start, end = (
        ("arrival at the first hospital", times.first_door),
        ("departure from it", times.first_door_out),
    )
    return _interval("door in to door out", start, end, rules.door_in_door_out)


def _interval(
    name: str, start: tuple[str, datetime], end: tuple[str, datetime], target: Value | None
) -> Interval:
    seconds = elapsed_s(start[1], end[1])
    if seconds < 0:
        raise UserError(
            f"{start[0]} {start[1].isoformat(timespec='minutes')} lies after {end[0]}, "
            f"{end[1].isoformat(timespec='minutes')}; check both times"
        )
    return Interval(
        name=name,
        seconds=seconds,
        minutes=int(seconds // 60),
        target_min=None if target is None else target.value,
        source="the entries" if target is None else target.cited,
    )
