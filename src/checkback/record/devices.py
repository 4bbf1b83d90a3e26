"""The device ledger: everything that went in, and what became of it.

A pure fold of the entries in force.  A ledger never changes: each entry leads to the next ledger,
which shares with the one before it all that stayed the same, so every earlier one can be kept.

Which device a call-out means: the latest one inside that it can be about, by class and, if it was
said, by type.  What was done in which lesion: `checkback.record.lesions`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import partial
from typing import Generic, Literal, NamedTuple, TypeVar

from checkback.record.entry import (
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    Entry,
    Identity,
    Inflation,
    Moment,
)

INFLATABLE = ("balloon", "stent")
"""Devices that a pressure is put on."""

IMPLANTS = ("stent", "coil")
"""Devices that are meant to stay."""

WIRES = ("wire", "pressure wire")
"""What a delivery balloon rides on."""

TAKES_THE_WIRE = frozenset(
    (
        "balloon",
        "stent",
        "microcatheter",
        "burr",
        "crown",
        "laser catheter",
        "imaging catheter",
        "aspiration catheter",
        "embolic protection",
    )
)
"""Devices that need the wire for themselves; a guide extension slides over a delivery balloon."""

Fate = Literal["in", "out", "retrieved", "implanted", "crushed", "left in place"]

_ENDS: dict[str, Fate] = {
    "out": "out",
    "retrieved": "retrieved",
    "crushed": "crushed",
    "left in place": "left in place",
}
_BALLOON_CAN = ("out", "stuck", "ruptured", "snared", "retrieved", "left in place")
"""What can be said of a delivery balloon."""

T = TypeVar("T")


class Placed(NamedTuple):
    """An entry at its place in the course of the case; places sort by time.

    Attributes
    ----------
    time_s : float
        When it happened: seconds since 1970 on the wall clock as it was before it was ever set.
    n : int
        Number of the entry: what was said first comes first.
    session : int
        The session whose monotonic clock `entry.at` was read from.
    entry : Entry
    """

    time_s: float
    n: int
    session: int
    entry: Entry


def seconds_between(earlier: Placed, later: Placed) -> float:
    """Return the seconds from one entry to another, to the millisecond and never negative.

    Within a session by the clock that is never set, else by the wall clock.
    """
    if earlier.session == later.session:
        seconds = later.entry.at.monotonic_s - earlier.entry.at.monotonic_s
    else:
        seconds = later.time_s - earlier.time_s
    return max(0.0, round(seconds, 3))


@dataclass(frozen=True, eq=False, slots=True)
class _Chain(Generic[T]):
    """A list that grows at its end and shares all that came before."""

    item: T
    before: _Chain[T] | None

    # spelled out, because a long chain is too deep to be compared by recursion
    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Chain) and _listed(self) == _listed(other)


def _listed(chain: _Chain[T] | None) -> list[T]:
    items: list[T] = []
    while chain is not None:
        items.append(chain.item)
        chain = chain.before
    items.reverse()
    return items


@dataclass(frozen=True)
class Inflated:
    """One time that a balloon was up.

    Attributes
    ----------
    entry : Entry
        The call-out with which it went up.
    pressure_atm : Decimal or None
        As said.
    deploys : bool
        Whether this deployed the stent.
    began : Moment
    ended : Moment or None
        When it was said to be down, or ruptured; None if nobody said so.
    seconds : float or None
        From beginning to end; with no end, the duration that was called out, if any.
    """

    entry: Entry
    pressure_atm: Decimal | None
    deploys: bool
    began: Moment
    ended: Moment | None
    seconds: float | None


@dataclass(frozen=True)
class DeviceLife:
    """One device from the moment it went in.

    Attributes
    ----------
    number : int
        1 for the first device of the case.
    introduced : Placed
        The entry with which it went in, with its place.
    fate : str
        "in" until its end is known; a deployed stent is "implanted".
    inflated : bool
        Whether its balloon is up.
    off_balloon : bool
        Whether it is a stent that came off its balloon.
    delivery_in : bool
        Whether it is a stent whose delivery balloon is in.
    """

    number: int
    introduced: Placed
    fate: Fate = "in"
    inflated: bool = False
    off_balloon: bool = False
    delivery_in: bool = False
    _told: _Chain[Placed] | None = field(default=None, repr=False)

    @property
    def entry(self) -> Entry:
        """The entry with which it went in."""
        return self.introduced.entry

    @property
    def body(self) -> Device:
        """What went in."""
        assert isinstance(self.entry.body, Device)
        return self.entry.body

    @property
    def happenings(self) -> tuple[Entry, ...]:
        """What was said of it since, in order."""
        return tuple(placed.entry for placed in _listed(self._told))

    @property
    def inside(self) -> bool:
        """Whether it is in the body: an implant is, what was crushed or left is accounted for."""
        return self.fate in ("in", "implanted")

    @property
    def deployed(self) -> bool:
        """Whether it is an implant."""
        return self.fate == "implanted"

    @property
    def accounted(self) -> bool:
        """Whether all of it is out, implanted or declared left."""
        return self.fate != "in" and not self.delivery_in

    @property
    def loose_delivery(self) -> bool:
        """Whether the delivery balloon is in and no longer carries the stent."""
        return self.delivery_in and (self.deployed or self.off_balloon)

    @property
    def crossings(self) -> tuple[bool, ...]:
        """Every attempt to cross that was called out, with its success."""
        said = [event.happening for event in self._events()]
        return tuple(happening == "across" for happening in said if happening in ("across", "not across"))

    @property
    def attempts(self) -> int:
        """How many attempts to cross were called out."""
        return len(self.crossings)

    @property
    def across(self) -> bool | None:
        """Whether the latest attempt crossed; None if nothing was said."""
        return self.crossings[-1] if self.crossings else None

    @property
    def runs(self) -> int:
        """How often it was run (a burr or crown)."""
        return self._said("run")

    @property
    def stuck(self) -> bool:
        """Whether it was called stuck and is not accounted for."""
        return not self.accounted and self._said("stuck") > 0

    @property
    def ruptured(self) -> bool:
        """Whether its balloon ruptured."""
        return self._said("ruptured") > 0

    @property
    def snared(self) -> bool:
        """Whether it was snared."""
        return self._said("snared") > 0

    @property
    def identified(self) -> Placed | None:
        """The last entry that tells its lot, serial number or identifier, with its place."""
        told = [placed for placed in _listed(self._told) if isinstance(placed.entry.body, Identity)]
        return told[-1] if told else None

    @property
    def identity(self) -> Identity | None:
        """What its label says, a label in two parts put together; None if none was scanned or typed."""
        told = [p.entry.body for p in _listed(self._told) if isinstance(p.entry.body, Identity)]
        if not told:
            return None
        values: dict[str, str] = {}
        for body in told:
            values |= body.model_dump(exclude_none=True, exclude={"kind", "udi"})
        return Identity(udi=" ".join(body.udi for body in told if body.udi), **values)

    @property
    def inflations(self) -> tuple[Inflated, ...]:
        """Every time that it went up.

        A second pressure with no "down" between them ends the first at an unknown time.
        """
        ups: list[tuple[Placed, Placed | None]] = []
        for placed in (self.introduced, *_listed(self._told)):
            if goes_up(placed.entry.body):
                ups.append((placed, None))
            elif ups and ups[-1][1] is None and _comes_down(placed.entry.body):
                ups[-1] = (ups[-1][0], placed)
        return tuple(_inflated(up, down) for up, down in ups)

    def _events(self) -> list[DeviceEvent]:
        return [p.entry.body for p in _listed(self._told) if isinstance(p.entry.body, DeviceEvent)]

    def _said(self, happening: str) -> int:
        return sum(event.happening == happening for event in self._events())


@dataclass(frozen=True)
class Ledger:
    """The devices of the case so far.

    The delivery balloon of a stent that was deployed, or that came off it, counts as inside until
    it is said to be out, another device takes the wire, or the last wire or the guide goes out.

    Attributes
    ----------
    inside : tuple of DeviceLife
        What went in and is neither out, implanted nor declared left, in the order of going in.  A
        deployed stent is among them for its delivery balloon.
    implanted : tuple of DeviceLife
        Stents and coils that stay.
    count : int
        How many devices went in.
    """

    inside: tuple[DeviceLife, ...] = ()
    implanted: tuple[DeviceLife, ...] = ()
    count: int = 0
    _loose: int = 0  # how many are inside with a delivery balloon that carries no stent
    _gone: _Chain[DeviceLife] | None = field(default=None, repr=False)

    def after(self, placed: Placed) -> Ledger:
        """Return the ledger after one more entry; entries that are about no device change nothing."""
        body = placed.entry.body
        life = self.meant(body)
        if life is not None:
            ledger = self._with(_told(life, placed), life)
            return ledger if ledger._has_a_rail(life.body.device) else ledger._deliveries_out()
        if not isinstance(body, Device):
            return self
        before = self._deliveries_out() if body.device in TAKES_THE_WIRE else self
        return before._with(_introduced(placed, body, self.count + 1))

    def lives(self) -> list[DeviceLife]:
        """Return the life of every device that went in, in order."""
        return sorted([*_listed(self._gone), *self.implanted, *self.inside], key=lambda life: life.number)

    def meant(self, body: object) -> DeviceLife | None:
        """Return the device that a call-out means, or None if there is none that it can be about.

        "Stent three by eighteen, deployed" means the stent of that size that is in, if there is one.
        """
        if isinstance(body, DeviceEvent):
            return self._meant_by_event(body)
        if isinstance(body, Identity):
            return self._meant_by_identity(body)
        can: Callable[[DeviceLife], bool]
        if isinstance(body, Inflation):
            can = _can_go_up
        elif isinstance(body, Deflation):
            can = _is_up
        elif isinstance(body, Deployment):
            can = _can_be_deployed
        elif isinstance(body, Device) and body.deployed:
            can = partial(_is_now_deployed, deployed=body)
        else:
            return None
        return next(filter(can, reversed(self.inside)), None)

    def objection(self, body: object) -> tuple[str, str] | None:
        """Return why `body` does not fit: the key of a reply and the device it is about, or None."""
        if isinstance(body, Identity) and (known := self._with_serial(body)) is not None:
            return "scanned_before", known.body.device
        if self.meant(body) is not None:
            return None
        if isinstance(body, Inflation):
            return "nothing_in", "balloon"
        if isinstance(body, Deflation):
            return "nothing_up", "balloon"
        if isinstance(body, Deployment):
            return "nothing_in", "stent"
        if isinstance(body, Identity):
            return "nothing_to_identify", ""
        # pumps and pacemakers are switched that came in with the patient
        if isinstance(body, DeviceEvent) and body.device and body.happening not in ("on", "off"):
            of_class = any(_whole(life, body.device, None) for life in self.inside)
            return "nothing_in", f"{body.type} {body.device}" if body.type and of_class else body.device
        return None

    def _meant_by_event(self, event: DeviceEvent) -> DeviceLife | None:
        fits = [life for life in self.inside if _whole(life, event.device, event.type)]
        if not fits or event.device is None:
            loose = [life for life in self.inside if _delivery_can(life, event)]
            fits = sorted([*fits, *loose], key=lambda life: life.number)
        if not fits and event.happening == "crushed" and event.device == "stent":
            # of a bifurcation, in a planned way
            fits = [life for life in (*self.implanted, *self.inside) if life.deployed]
        return fits[-1] if fits else None

    def _meant_by_identity(self, scanned: Identity) -> DeviceLife | None:
        lives = sorted((*self.implanted, *self.inside), key=lambda life: life.number)
        stay = [life for life in lives if life.body.device in IMPLANTS]
        last = max((life for life in lives if life.identified), key=_identified_at, default=None)
        if last is not None and _continues(last.identity, scanned):
            newer = any(life.introduced > _identified_at(last) for life in stay)
            if not newer:
                return last
        # a wire or balloon only if nothing went in after it: a label scanned twice must not get there
        fits = [life for life in (*lives[-1:], *stay) if life.identity is None]
        return fits[-1] if fits else None

    def _with_serial(self, scanned: Identity) -> DeviceLife | None:
        if scanned.serial is None:
            return None
        key = (scanned.device_identifier, scanned.serial)
        known = ((life, life.identity) for life in self.lives())
        return next(
            (life for life, told in known if told and (told.device_identifier, told.serial) == key), None
        )

    def _has_a_rail(self, gone: str) -> bool:
        """Whether a delivery balloon has guide and wire, if the last change was of a device `gone`."""
        if gone in WIRES:
            return any(life.body.device in WIRES for life in self.inside)
        return gone != "guide" or any(life.body.device == "guide" for life in self.inside)

    def _deliveries_out(self) -> Ledger:
        ledger = self
        if self._loose:
            for life in self.inside:
                if life.loose_delivery:
                    ledger = ledger._with(replace(life, delivery_in=False, inflated=False), life)
        return ledger

    def _with(self, life: DeviceLife, before: DeviceLife | None = None) -> Ledger:
        """Return the ledger with a device that is new, or was `before`, where it belongs now."""
        inside, implanted, gone = self.inside, self.implanted, self._gone
        if before is not None and before.accounted:
            implanted = _without(implanted, before)
        elif before is not None:
            inside = _without(inside, before)
        if not life.accounted:
            inside = _in_order((*inside, life))
        elif life.body.device in IMPLANTS and life.fate not in ("out", "retrieved"):
            implanted = _in_order((*implanted, life))
        else:
            gone = _Chain(life, gone)
        loose = self._loose + life.loose_delivery - (before is not None and before.loose_delivery)
        return Ledger(inside, implanted, max(self.count, life.number), loose, gone)


def _without(lives: tuple[DeviceLife, ...], life: DeviceLife) -> tuple[DeviceLife, ...]:
    # from the end: what happens is mostly about the latest devices
    place = next(i for i in range(len(lives) - 1, -1, -1) if lives[i] is life)
    return lives[:place] + lives[place + 1 :]


def _in_order(lives: tuple[DeviceLife, ...]) -> tuple[DeviceLife, ...]:
    if len(lives) < 2 or lives[-2].number < lives[-1].number:
        return lives
    return tuple(sorted(lives, key=lambda life: life.number))


def _identified_at(life: DeviceLife) -> Placed:
    assert life.identified is not None
    return life.identified


def _continues(first: Identity | None, scanned: Identity) -> bool:
    """Whether a label in two barcodes had its first one scanned, which names only the product."""
    return first is not None and first.lot is first.serial is scanned.device_identifier is None


# --- one device ---------------------------------------------------------------------------------


def _introduced(placed: Placed, body: Device, number: int) -> DeviceLife:
    stays = bool(body.deployed) and body.device in IMPLANTS
    return DeviceLife(
        number,
        placed,
        fate="implanted" if stays else "in",
        inflated=goes_up(body),
        delivery_in=body.device == "stent",
    )


def _told(life: DeviceLife, placed: Placed) -> DeviceLife:
    """Return the device after what was said of it."""
    body = placed.entry.body
    inflated = not _comes_down(body) and (life.inflated or (goes_up(body) and _can_go_up(life)))
    fate, off_balloon, delivery_in = life.fate, life.off_balloon, life.delivery_in
    if isinstance(body, (Deployment, Device)):
        # its balloon is up, until somebody says "down"
        fate = "implanted"
    elif isinstance(body, DeviceEvent):
        of_its_balloon = life.deployed or (life.body.device == "stent" and body.device == "balloon")
        off_balloon = off_balloon or body.happening == "off its balloon"
        if body.happening in _ENDS and not (life.deployed and body.happening == "crushed"):
            fate = life.fate if of_its_balloon else _ENDS[body.happening]
            inflated, delivery_in = False, False
    return replace(
        life,
        fate=fate,
        inflated=inflated,
        off_balloon=off_balloon,
        delivery_in=delivery_in,
        _told=_Chain(placed, life._told),
    )


def goes_up(body: object) -> bool:
    """Return whether a call-out says that a balloon goes up."""
    if isinstance(body, Device):
        deployed = bool(body.deployed) and body.device == "stent"
        return deployed or (body.pressure_atm is not None and body.device in INFLATABLE)
    return isinstance(body, (Inflation, Deployment))


def _comes_down(body: object) -> bool:
    return isinstance(body, Deflation) or (isinstance(body, DeviceEvent) and body.happening == "ruptured")


def _can_go_up(life: DeviceLife) -> bool:
    return life.delivery_in or life.body.device == "balloon"


def _is_up(life: DeviceLife) -> bool:
    return life.inflated


def _can_be_deployed(life: DeviceLife) -> bool:
    return life.body.device == "stent" and not life.deployed


def _is_now_deployed(life: DeviceLife, deployed: Device) -> bool:
    size = (deployed.diameter_mm, deployed.length_mm)
    return (
        _can_be_deployed(life)
        and _whole(life, deployed.device, deployed.type)
        and size == (life.body.diameter_mm, life.body.length_mm)
    )


def _whole(life: DeviceLife, device: str | None, kind: str | None) -> bool:
    """Whether a device that is no implant can be the one named; a type not told may be any."""
    body = life.body
    return (
        not life.deployed
        and device in (None, body.device)
        and (kind is None or body.type is None or kind == body.type)
    )


def _delivery_can(life: DeviceLife, event: DeviceEvent) -> bool:
    """Whether an event can be about the delivery balloon of a stent."""
    named = event.device in (None, "balloon") and event.type is None and life.delivery_in
    ruptured = event.device == "balloon" and event.happening == "ruptured"
    return named and (ruptured or (life.loose_delivery and event.happening in _BALLOON_CAN))


def _inflated(up: Placed, down: Placed | None) -> Inflated:
    body = up.entry.body
    assert isinstance(body, (Device, Inflation, Deployment))
    said_s = None if isinstance(body, Device) else body.duration_s
    if down is not None:
        seconds: float | None = seconds_between(up, down)
    else:
        seconds = None if said_s is None else float(said_s)
    return Inflated(
        entry=up.entry,
        pressure_atm=body.pressure_atm,
        deploys=isinstance(body, Deployment) or (isinstance(body, Device) and bool(body.deployed)),
        began=up.entry.at,
        ended=None if down is None else down.entry.at,
        seconds=seconds,
    )
