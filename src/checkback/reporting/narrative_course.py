"""The intervention as it went: lesion by lesion, device by device, and what went wrong."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from checkback.record.devices import DeviceLife
from checkback.record.entry import (
    CardStep,
    Compressions,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    Entry,
    Frozen,
    Inflation,
    Lesion,
    Moment,
    Rhythm,
)

FINDINGS = {"stenosis", "reference", "calcium", "thrombus", "flow", "pressure_ratio"}
DEVICES = {"device", "device_event", "inflation", "deflation", "deployment"}
TROUBLE = {"stuck", "ruptured", "off its balloon", "crushed"}
COMPLICATIONS = {"dissection", "perforation", "no_reflow", "slow_flow"}
FAILURES = {"not across", *TROUBLE}
"""After these, what comes next is another attempt."""

NO_STEP = {"session", "imported", "signature"}
"""What is no step of the case."""

ARREST_RHYTHMS = {"ventricular fibrillation", "pulseless electrical activity", "asystole"}
IN_ARREST = {
    "drug", "infusion", "rhythm", "shock", "compressions", "circulation_returned", "blood_pressure",
    "heart_rate", "saturation", "device", "device_event",
}  # fmt: skip
"""What is told of a resuscitation."""

IN_BAILOUT = IN_ARREST | DEVICES | COMPLICATIONS | {"act", "flow", "pain"}
"""What is told between the steps of a bailout card."""

AFTER_S = 600.0
"""How long after a complication what was done is told beside it: ten minutes, a choice of our own."""

AFTER_AT_MOST = 6
"""How many of these."""

_TREATS = {"balloon", "stent", "burr", "crown", "laser catheter", "aspiration catheter", "coil"}


@dataclass(frozen=True)
class Step:
    """What happened to a device, and every entry that says so in a row."""

    body: Frozen
    times: tuple[Moment, ...]


@dataclass
class Part:
    """What happened to one device until another one was spoken of, or a finding in between.

    Attributes
    ----------
    finding : Entry or None
        The finding, complication or dictated note, if it is one.
    life : DeviceLife or None
        The device; None if no such device was introduced.
    device : str
        Its class.
    entries : list of Entry
        What happened, in order.
    after : Part or None
        The part before, if it ended in a failure and another device follows.
    """

    finding: Entry | None = None
    life: DeviceLife | None = None
    device: str = ""
    entries: list[Entry] = field(default_factory=list)
    after: Part | None = None

    @property
    def begins(self) -> bool:
        """Whether the device is introduced here."""
        return self.life is not None and self.entries[0] is self.life.entry

    @property
    def cited(self) -> list[Entry]:
        """Every entry that a sentence about it comes from."""
        lives = [part.life for part in (self, self.after) if part is not None and part.life is not None]
        failed = [self.after.failure] if self.after is not None and self.after.failure is not None else []
        return [*self.entries, *failed, *(life.entry for life in lives)]

    @property
    def failure(self) -> Entry | None:
        """What says that it did not do what it was meant to; None if that is not the last word."""
        tried = [
            (e, e.body.happening)
            for e in self.entries
            if isinstance(e.body, DeviceEvent) and e.body.happening in (*FAILURES, "across")
        ]
        return tried[-1][0] if tried and tried[-1][1] in FAILURES else None

    @property
    def steps(self) -> list[Step]:
        """What happened; the same thing several times in a row is taken together.

        A balloon that went up and came down again is told with its pressures, so coming down is
        told only where nothing went up before.
        """
        steps: list[Step] = []
        up = False
        for entry in self.entries:
            body = entry.body
            if isinstance(body, Deflation) and up:
                up = False
                continue
            up = up or _goes_up(body)
            if steps and steps[-1].body == body:
                steps[-1] = Step(body, (*steps[-1].times, entry.at))
            else:
                steps.append(Step(body, (entry.at,)))
        return steps


@dataclass
class Group:
    """The work on one lesion, or all that was done where none was named.

    Attributes
    ----------
    lesion : int or None
        Number, as spoken.
    segment : str or None
    named : list of Entry
        The entries that named it; none for what came before any was named.
    parts : list of Part
    """

    lesion: int | None = None
    segment: str | None = None
    named: list[Entry] = field(default_factory=list)
    parts: list[Part] = field(default_factory=list)

    def takes(self, body: Lesion | Device) -> bool:
        """Return whether a lesion that is named is this one; what was not said may be anything."""
        return bool(self.named) and (
            (body.lesion is not None and body.lesion == self.lesion)
            or (
                body.segment is not None
                and body.segment == self.segment
                and body.lesion in (None, self.lesion)
            )
        )

    def name(self, entry: Entry, body: Lesion | Device) -> None:
        """Take in what an entry says of where the lesion is."""
        self.named.append(entry)
        self.lesion = body.lesion or self.lesion
        self.segment = body.segment or self.segment


@dataclass(frozen=True)
class Complication:
    """Something that went wrong, the device that it happened to, and what was recorded after it."""

    entry: Entry
    life: DeviceLife | None
    device: str
    followed: tuple[Entry, ...]
    more: bool = False
    """Whether more followed within these minutes than is told."""


def treats(entry: Entry) -> bool:
    """Return whether the entry belongs to the treatment, so that findings lie before or after it."""
    body = entry.body
    if isinstance(body, Device):
        return body.device in _TREATS
    if isinstance(body, DeviceEvent):
        return body.happening == "run"
    return isinstance(body, (Inflation, Deflation, Deployment))


def class_of(body: Any) -> str:
    """Return the class of device that a body is about, where it names or implies one."""
    if isinstance(body, (Device, DeviceEvent)):
        return body.device or "device"
    return "stent" if isinstance(body, Deployment) else "balloon"


def groups(standing: list[Entry], lives: dict[int, DeviceLife], treatment: range) -> list[Group]:
    """Return what was done, in order, with the findings made during the treatment.

    A lesion that is named governs until another one is named.
    """
    found = [Group()]
    part = Part()

    def close() -> None:
        nonlocal part
        if part.entries:
            before = next((p for p in reversed(found[-1].parts) if p.entries), None)
            if before is not None and before.failure is not None and part.begins:
                part.after = before
            found[-1].parts.append(part)
        part = Part()

    for i, entry in enumerate(standing):
        body = entry.body
        if isinstance(body, (Lesion, Device)) and (body.lesion is not None or body.segment is not None):
            if not found[-1].takes(body):
                close()
                found.append(Group())
            found[-1].name(entry, body)
        if body.kind in COMPLICATIONS or (i in treatment and body.kind in (*FINDINGS, "dictation")):
            close()
            found[-1].parts.append(Part(finding=entry))
        elif body.kind in DEVICES:
            life = lives.get(entry.n)
            device = life.body.device if life else class_of(body)
            if part.entries and (part.life is not life or part.device != device):
                close()
            part.life, part.device = life, device
            part.entries.append(entry)
    close()
    return [group for group in found if group.parts or group.named]


def complications(standing: list[Entry], lives: dict[int, DeviceLife]) -> list[Complication]:
    """Return what went wrong, in order."""
    places = [i for i, entry in enumerate(standing) if _goes_wrong(entry)]
    found = []
    for place, following in pairwise([*places, len(standing)]):
        entry = standing[place]
        device = isinstance(entry.body, DeviceEvent)
        followed = _followed(entry, standing[place + 1 : following])
        found.append(
            Complication(
                entry,
                lives.get(entry.n) if device else None,
                class_of(entry.body) if device else "",
                followed[:AFTER_AT_MOST],
                more=len(followed) > AFTER_AT_MOST,
            )
        )
    return found


def _goes_wrong(entry: Entry) -> bool:
    body = entry.body
    return body.kind in COMPLICATIONS or (isinstance(body, DeviceEvent) and body.happening in TROUBLE)


def _followed(entry: Entry, later: list[Entry]) -> tuple[Entry, ...]:
    done = [
        each
        for each in later
        if each.body.kind in ("device", "inflation", "deployment", "drug", "infusion", "flow")
        and (each.at.wall - entry.at.wall).total_seconds() <= AFTER_S
    ]
    return tuple(done)


def resuscitations(standing: list[Entry]) -> list[list[Entry]]:
    """Return the entries of each resuscitation, in order of time.

    One begins with a rhythm of arrest, a shock or compressions, and ends with the return of
    circulation, or where that is not on record with the last entry of these kinds.  Compressions
    that stop after the return belong to the one before.
    """
    found: list[list[Entry]] = []
    running: list[Entry] = []
    for entry in standing:
        if not running and found and _ends_compressions(entry):
            found[-1].append(entry)
        elif _is_arrest(entry) and not running:
            running = [entry]
        elif running and entry.body.kind in IN_ARREST:
            running.append(entry)
        if running and entry.body.kind == "circulation_returned":
            found.append(running)
            running = []
    if running:
        end = max(i for i, entry in enumerate(running) if _is_arrest(entry))
        found.append(running[: end + 1])
    return found


def bailouts(standing: list[Entry]) -> list[list[Entry]]:
    """Return what was done by each bailout card, in order of time.

    From the step that opened it, or with which it offered itself, to the one that closed it, or
    where that is not on record to its last; with what was done and seen in between.  Lines that
    were only read are left out.
    """
    found: list[list[Entry]] = []
    running: dict[str, int] = {}
    last: list[int] = []
    for entry in standing:
        body = entry.body
        if not isinstance(body, CardStep):
            if body.kind in IN_BAILOUT:
                for place in running.values():
                    found[place].append(entry)
            continue
        if body.action == "read":
            continue
        if body.card not in running:
            running[body.card] = len(found)
            found.append([])
            last.append(0)
        place = running[body.card]
        found[place].append(entry)
        last[place] = len(found[place])
        if body.action == "closed":
            del running[body.card]
    return [entries[:end] for entries, end in zip(found, last, strict=True)]


def _ends_compressions(entry: Entry) -> bool:
    return isinstance(entry.body, Compressions) and entry.body.action == "stopped"


def _is_arrest(entry: Entry) -> bool:
    body = entry.body
    if isinstance(body, Rhythm):
        return body.rhythm in ARREST_RHYTHMS
    return body.kind == "shock" or isinstance(body, Compressions)


def _goes_up(body: Frozen) -> bool:
    return isinstance(body, (Inflation, Deployment)) or (
        isinstance(body, Device) and (body.pressure_atm is not None or bool(body.deployed))
    )
