"""The case: a pure fold over the journal's entries.

The live room, a restart and every export use this one path from entries to what they mean.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal

from checkback.record.entry import (
    Act,
    AirKerma,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    DoseArea,
    Entry,
    Fluoroscopy,
    Inflation,
    Withdrawal,
)

Standing = Literal["stands", "questioned", "withdrawn", "amended"]

INFLATABLE = ("balloon", "stent")
"""Devices that a pressure is put on."""

GONE = ("out", "retrieved")
"""What ends a device's time in the body without leaving anything."""

_ABOUT_THE_RECORD = ("session", "clock_step", "withdrawal")


@dataclass
class DeviceLife:
    """One device from the moment it went in.

    Attributes
    ----------
    entry : Entry
        The entry with which it went in.
    happenings : list of Entry
        What was said of it since, in order.
    inflated, deployed, inside : bool
        Whether it is up, was deployed, and is still in the body.
    """

    entry: Entry
    happenings: list[Entry] = field(default_factory=list)
    inflated: bool = False
    deployed: bool = False
    inside: bool = True

    @property
    def body(self) -> Device:
        """What went in."""
        assert isinstance(self.entry.body, Device)
        return self.entry.body


class Case:
    """What the entries so far amount to.

    Parameters
    ----------
    entries : iterable of Entry
        In the order of the journal.
    """

    def __init__(self, entries: Iterable[Entry] = ()) -> None:
        self._entries: dict[int, Entry] = {}
        self._amended_by: dict[int, list[int]] = {}
        self._withdrawn_by: dict[int, list[int]] = {}
        for entry in entries:
            self.apply(entry)

    def apply(self, entry: Entry) -> None:
        """Take the next entry."""
        self._entries[entry.n] = entry
        # only an earlier entry can be replaced; anything else would be a damaged journal
        if entry.amends is not None and entry.amends < entry.n:
            self._amended_by.setdefault(entry.amends, []).append(entry.n)
        if isinstance(entry.body, Withdrawal):
            self._withdrawn_by.setdefault(entry.body.target, []).append(entry.n)

    # --- what stands ----------------------------------------------------------------------------

    @property
    def entries(self) -> tuple[Entry, ...]:
        """Every entry, in the order of the journal."""
        return tuple(self._entries.values())

    def entry(self, n: int) -> Entry | None:
        """Return entry `n`, or None."""
        return self._entries.get(n)

    def standing(self, entry: Entry) -> tuple[Standing, int | None]:
        """Return what has become of an entry, and the entry that replaced or withdrew it.

        A correction that is itself questioned or withdrawn leaves the entry that it replaces in
        force.
        """
        if entry.n in self._withdrawn_by:
            return "withdrawn", self._withdrawn_by[entry.n][-1]
        for n in reversed(self._amended_by.get(entry.n, [])):
            if self.standing(self._entries[n])[0] in ("stands", "amended"):
                return "amended", n
        return entry.standing, None

    def in_force(self) -> list[Entry]:
        """Return the entries that stand, by the time when they happened."""
        standing = [e for e in self._entries.values() if self.standing(e)[0] == "stands"]
        return sorted(
            (e for e in standing if not isinstance(e.body, Withdrawal)), key=lambda e: (e.at.wall, e.n)
        )

    def questions(self) -> list[Entry]:
        """Return the entries that are still questioned."""
        return [e for e in self._entries.values() if self.standing(e)[0] == "questioned"]

    def last(self) -> Entry | None:
        """Return the entry that "correction" and "disregard" mean: the latest one still alive."""
        for entry in reversed(self._entries.values()):
            if entry.body.kind in _ABOUT_THE_RECORD:
                continue
            if self.standing(entry)[0] in ("stands", "questioned"):
                return entry
        return None

    # --- devices --------------------------------------------------------------------------------

    def devices(self) -> list[DeviceLife]:
        """Return the life of every device that went in, in order."""
        lives: list[DeviceLife] = []
        for entry in self.in_force():
            body = entry.body
            if isinstance(body, Device):
                up = body.pressure_atm is not None and body.device in INFLATABLE
                deployed = bool(body.deployed)
                lives.append(DeviceLife(entry, inflated=up or deployed, deployed=deployed))
            elif isinstance(body, (Inflation, Deflation, Deployment, DeviceEvent)):
                life = _meant(lives, body)
                if life is not None:
                    _happened(life, entry)
        return lives

    def inside(self) -> list[DeviceLife]:
        """Return the devices that are in; a deployed stent is an implant and not among them."""
        return [life for life in self.devices() if life.inside and not life.deployed]

    def objection(self, body: object) -> tuple[str, str] | None:
        """Return why `body` does not fit the case: a reply's key and the device it is about."""
        lives = [life for life in self.devices() if life.inside]
        if isinstance(body, Inflation) and not any(life.body.device in INFLATABLE for life in lives):
            return "nothing_in", "balloon"
        if isinstance(body, Deflation) and not any(life.inflated for life in lives):
            return "nothing_up", "balloon"
        if isinstance(body, Deployment) and not any(
            life.body.device == "stent" and not life.deployed for life in lives
        ):
            return "nothing_in", "stent"
        return None

    # --- totals ---------------------------------------------------------------------------------

    def last_act(self) -> Entry | None:
        """Return the latest clotting time."""
        return next((e for e in reversed(self.in_force()) if isinstance(e.body, Act)), None)

    def contrast_ml(self) -> Decimal | None:
        """Return the contrast so far: the last total called out plus what was given since, mL."""
        total: Decimal | None = None
        for entry in self.in_force():
            if isinstance(entry.body, Contrast):
                given = entry.body.counted == "given"
                total = (total or Decimal(0)) + entry.body.volume_ml if given else entry.body.volume_ml
        return total

    def missing(self) -> list[str]:
        """Return the keys of what a complete record still lacks."""
        kinds = {e.body.kind for e in self.in_force()}
        wanted = {
            "time_out": "time_out",
            "access": "access",
            "closure": "closure",
            "act": "act",
            "flow": "flow",
            "contrast": "contrast",
            "fluoroscopy": "fluoroscopy",
            "air_kerma": "air_kerma",
            "dose_area": "dose_area",
            "case_end": "case_end",
        }
        lacking = [key for key, kind in wanted.items() if kind not in kinds]
        if self.questions():
            lacking.append("questions")
        if self.inside():
            lacking.append("devices")
        return lacking

    def latest(self, kind: type[Fluoroscopy] | type[AirKerma] | type[DoseArea]) -> Entry | None:
        """Return the latest entry of a running total."""
        return next((e for e in reversed(self.in_force()) if isinstance(e.body, kind)), None)


def _meant(
    lives: list[DeviceLife], body: Inflation | Deflation | Deployment | DeviceEvent
) -> DeviceLife | None:
    """Return the device that a call-out means: the latest one inside that it can be about."""
    if isinstance(body, DeviceEvent):
        wanted = {body.device} if body.device else None
        # a deployed stent is implanted: "stent out" or "stent stuck" means one that is not
        fits = [
            life
            for life in lives
            if life.inside and (wanted is None or life.body.device in wanted) and not life.deployed
        ]
    elif isinstance(body, Deployment):
        fits = [life for life in lives if life.inside and life.body.device == "stent" and not life.deployed]
    elif isinstance(body, Deflation):
        fits = [life for life in lives if life.inflated]
    else:
        fits = [
            life for life in lives if life.inside and life.body.device in INFLATABLE and not life.deployed
        ]
    return fits[-1] if fits else None


def _happened(life: DeviceLife, entry: Entry) -> None:
    life.happenings.append(entry)
    body = entry.body
    if isinstance(body, Inflation):
        life.inflated = True
    elif isinstance(body, Deflation):
        life.inflated = False
    elif isinstance(body, Deployment):
        # its balloon is up, until somebody says "down"
        life.deployed, life.inflated = True, True
    elif isinstance(body, DeviceEvent):
        if body.happening in (*GONE, "left in place", "crushed"):
            life.inside, life.inflated = False, False
        elif body.happening == "ruptured":
            life.inflated = False
