"""What the reminders need of the course of a case, as a fold that costs one step for each entry.

The fold is kept in the case (`Case.folded`), so that looking at a case of any length takes the
same time, and a correction of something long ago sets it back as it sets back all else.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from checkback.language.catalogue import Catalogue
from checkback.record.case import Case
from checkback.record.devices import Ledger, Placed
from checkback.record.entry import (
    Act,
    Deployment,
    Device,
    DeviceEvent,
    Drug,
    Entry,
    Inflation,
    Infusion,
)
from checkback.watching.devices import OverRated, over_rated

HEPARIN_UNITS = frozenset({"U", "kU", "U/kg"})
"""Units in which a bolus of heparin can be counted."""


@dataclass(frozen=True)
class Clotting:
    """Heparin and clotting times since the last protamine.

    Attributes
    ----------
    baseline : Entry or None
        The last clotting time before heparin.
    bolus : Entry or None
        The last bolus of heparin.
    running : Entry or None
        The infusion of heparin that runs.
    readings : tuple of Entry
        Clotting times since the last bolus.
    last : Entry or None
        The last of bolus, start of an infusion and clotting time.
    """

    baseline: Entry | None = None
    bolus: Entry | None = None
    running: Entry | None = None
    readings: tuple[Entry, ...] = ()
    last: Entry | None = None

    def after(self, entry: Entry) -> Clotting:
        """Return what is known after one more entry."""
        body = entry.body
        if isinstance(body, Drug) and body.dose > 0:
            if body.drug == "protamine":
                return Clotting(baseline=self.baseline)
            if body.drug == "heparin" and body.route != "subcutaneous":
                return Clotting(self.baseline, entry, self.running, (), entry)
        elif isinstance(body, Infusion) and body.drug == "heparin":
            if body.action == "stopped":
                return Clotting(self.baseline, self.bolus, None, self.readings, self.last)
            begun = self.running is None
            return Clotting(self.baseline, self.bolus, entry, self.readings, entry if begun else self.last)
        elif isinstance(body, Act):
            if self.last is None:
                return Clotting(baseline=entry)
            return Clotting(self.baseline, self.bolus, self.running, (*self.readings, entry), entry)
        return self


@dataclass(frozen=True)
class Exceeded:
    """A pressure that was called out above the rated burst pressure.

    Attributes
    ----------
    entry : Entry
        The call-out.
    device : Device
        What went in.
    over : OverRated
        Pressure, rating and source.
    """

    entry: Entry
    device: Device
    over: OverRated


@dataclass(frozen=True)
class Course:
    """The course of a case.

    Attributes
    ----------
    catalogue : Catalogue
        For rated burst pressures.
    clotting : Clotting
        Heparin and clotting times.
    drugs : frozenset of str
        Every drug that was given or infused.
    first_heparin : Entry or None
        The first bolus of heparin that can be counted.
    first_stent : Entry or None
        With which the first stent went in.
    guide_told : Entry or None
        What was said last of a guide that is out.
    exceeded : tuple of Exceeded
        Pressures above the rated ones.
    """

    catalogue: Catalogue
    clotting: Clotting = field(default_factory=Clotting)
    drugs: frozenset[str] = frozenset()
    first_heparin: Entry | None = None
    first_stent: Entry | None = None
    guide_told: Entry | None = None
    exceeded: tuple[Exceeded, ...] = ()
    _ledger: Ledger = field(default_factory=Ledger)

    def after(self, placed: Placed) -> Course:
        """Return the course after one more entry in force."""
        entry, body = placed.entry, placed.entry.body
        if isinstance(body, (Drug, Infusion, Act)):
            return self._with_drug(entry)
        life = self._ledger.meant(body)
        ledger = self._ledger.after(placed)
        if ledger is self._ledger:
            return self
        went_in = body if life is None and isinstance(body, Device) else None
        device = went_in or (None if life is None else life.body)
        gone = (
            isinstance(body, DeviceEvent)
            and life is not None
            and life.body.device == "guide"
            and all(each.number != life.number for each in ledger.inside)
        )
        first = went_in is not None and went_in.device == "stent" and self.first_stent is None
        return replace(
            self,
            first_stent=entry if first else self.first_stent,
            guide_told=entry if gone else self.guide_told,
            exceeded=self._exceeded_by(entry, device),
            _ledger=ledger,
        )

    def _with_drug(self, entry: Entry) -> Course:
        body = entry.body
        drugs, first = self.drugs, self.first_heparin
        if isinstance(body, (Drug, Infusion)) and body.drug not in drugs:
            drugs |= {body.drug}
        if (
            first is None
            and isinstance(body, Drug)
            and body.drug == "heparin"
            and body.route != "subcutaneous"
            and body.unit in HEPARIN_UNITS
        ):
            first = entry
        return replace(self, clotting=self.clotting.after(entry), drugs=drugs, first_heparin=first)

    def _exceeded_by(self, entry: Entry, device: Device | None) -> tuple[Exceeded, ...]:
        body = entry.body
        if device is None or not isinstance(body, (Device, Inflation, Deployment)):
            return self.exceeded
        if body.pressure_atm is None:
            return self.exceeded
        over = over_rated(self.catalogue, device, body.pressure_atm)
        return self.exceeded if over is None else (*self.exceeded, Exceeded(entry, device, over))


def course(case: Case, catalogue: Catalogue) -> Course:
    """Return the course of a case so far; a new entry costs one step."""
    return case.folded(("course", id(catalogue)), Course(catalogue))
