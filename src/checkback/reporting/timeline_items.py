"""What can stand on a timeline.  All times are minutes from `Timeline.zero`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

Group = Literal["catheter", "wire", "balloon", "plaque", "other", "implant"]


@dataclass(frozen=True)
class Moment:
    """Something at one time, in a few words.

    Attributes
    ----------
    at_min : float
    text : str
    cites : tuple of int
        Numbers of the entries.
    grave : bool
        Whether it must not be overlooked.
    """

    at_min: float
    text: str
    cites: tuple[int, ...]
    grave: bool = False


@dataclass(frozen=True)
class Reading:
    """A number at one time; `low` is the lower one of a pair, such as the diastolic pressure."""

    at_min: float
    value: float
    cites: tuple[int, ...]
    low: float | None = None


@dataclass(frozen=True)
class Up:
    """A balloon up; `end_min` is None if nobody said for how long."""

    begin_min: float
    end_min: float | None
    pressure_atm: float | None
    deploys: bool
    cites: tuple[int, ...]


@dataclass(frozen=True)
class Bar:
    """One device from in to out.

    Attributes
    ----------
    number : int
        1 for the first device of the case.
    group : str
        What it is drawn as.
    begin_min, end_min : float
        The end of the case where it stays in, or where nobody said that it is out.
    stays_from_min : float or None
        From when on it is an implant, or was left in on purpose.
    fate : str
        As in `DeviceLife.fate`.
    ups : tuple of Up
    runs, failures : tuple of float
        When it was run, and when it did not cross.
    troubles : tuple of float
        When something went wrong with it.
    text : str
        Name, pressures, and what there is to know.
    cites : tuple of int
    """

    number: int
    group: Group
    begin_min: float
    end_min: float
    stays_from_min: float | None
    fate: str
    ups: tuple[Up, ...]
    runs: tuple[float, ...]
    failures: tuple[float, ...]
    troubles: tuple[float, ...]
    text: str
    cites: tuple[int, ...]

    @property
    def open_end(self) -> bool:
        """Whether nobody said what became of it."""
        return self.fate == "in"


@dataclass(frozen=True)
class Stretch:
    """Something that lasted, such as an infusion at one rate; `end_min` is None while it runs."""

    begin_min: float
    end_min: float | None
    text: str
    cites: tuple[int, ...]


@dataclass(frozen=True)
class Row:
    """The doses of one drug by one route in one unit, which add up, or the readings of one vital sign."""

    name: str
    unit: str
    doses: tuple[Moment, ...]
    infusions: tuple[Stretch, ...] = ()
    adds_up: bool = True


@dataclass(frozen=True)
class Limit:
    """A line that is not to be crossed, with its source."""

    name: str
    value: float
    source: str


@dataclass(frozen=True)
class Window:
    """A target band, with its source."""

    low: float
    high: float
    text: str
    source: str


@dataclass(frozen=True)
class Timeline:
    """All that is drawn."""

    zero: datetime | None
    end_min: float
    ended: bool
    key_times: tuple[Moment, ...]
    complications: tuple[Moment, ...]
    rhythm: tuple[Moment, ...]
    compressions: tuple[Stretch, ...]
    bars: tuple[Bar, ...]
    drugs: tuple[Row, ...]
    acts: tuple[Reading, ...]
    act_target: Window | None
    contrast: tuple[Reading, ...]
    contrast_limits: tuple[Limit, ...]
    pressures: tuple[Reading, ...]
    rates: tuple[Reading, ...]
    signs: tuple[Row, ...]
    unsettled: tuple[Moment, ...]
    clock_steps: tuple[Moment, ...]

    def moment(self, at_min: float) -> datetime:
        """Return the wall time of a place on the axis."""
        assert self.zero is not None
        try:
            return self.zero + timedelta(minutes=at_min)
        except OverflowError:  # a damaged entry from the end of the calendar
            return datetime.max.replace(tzinfo=self.zero.tzinfo)

    @property
    def grave_moments(self) -> tuple[Moment, ...]:
        """What must not be overlooked, in order: complications, grave rhythms, resuscitation."""
        pressed = (
            Moment(each.begin_min, _lasting(self, each), each.cites, grave=True) for each in self.compressions
        )
        found = [*self.complications, *(each for each in self.rhythm if each.grave), *pressed]
        return tuple(sorted(found, key=lambda each: (each.at_min, each.cites)))

    @property
    def sources(self) -> tuple[tuple[str, str], ...]:
        """Where the target and the limits that are drawn come from: name and source."""
        found = []
        if self.acts and self.act_target is not None:
            found.append((f"ACT target {self.act_target.text}", self.act_target.source))
        if self.contrast:
            found += [(f"Contrast, {limit.name}", limit.source) for limit in self.contrast_limits]
        return tuple(found)


def _lasting(line: Timeline, stretch: Stretch) -> str:
    end = "" if stretch.end_min is None else f" until {line.moment(stretch.end_min):%H:%M:%S}"
    return f"{stretch.text}{end}"
