"""What was done in which lesion: a pure fold of the entries in force.

A lesion is named by a number ("lesion one"), by its segment, or both.  A device may be told with
it ("balloon two five by twelve to mid L A D"); where it is not, the lesion named last governs,
because that is how people at the table talk: nobody repeats it with each balloon.  Findings do not
name the lesion in hand: an angiogram names many segments that nothing is done to.  What was done
before any was named counts for the first one that is: the wire often goes in first.

What is called out counts for the lesion in hand at that moment, not for the one for which the
device went in: one balloon may dilate two lesions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from checkback.record.devices import DeviceLife, goes_up
from checkback.record.entry import Deployment, Device, DeviceEvent, Lesion, Segment

TO_NO_LESION = frozenset({"guide", "diagnostic catheter", "balloon pump", "pacing wire", "snare"})
"""Devices that are not brought to a lesion."""


@dataclass(frozen=True)
class LesionWork:
    """What was done in one lesion.

    Attributes
    ----------
    number : int or None
        As spoken; None if it has none.
    segment : str or None
        Where it is; with neither number nor segment: no lesion was named yet.
    devices : tuple of int
        `DeviceLife.number` of every device that was used there, in order.
    attempts : int
        Attempts to cross that were called out, with success or without.
    failures : int
        Those of them that did not cross.
    failed : tuple of int
        `DeviceLife.number` of the devices that did not cross, in order, each once.
    inflations : int
        How often a balloon went up there, deployments of stents included.
    stents : int
        Stents deployed there.
    """

    number: int | None = None
    segment: Segment | None = None
    devices: tuple[int, ...] = ()
    attempts: int = 0
    failures: int = 0
    failed: tuple[int, ...] = ()
    inflations: int = 0
    stents: int = 0


@dataclass(frozen=True)
class Lesions:
    """The lesions of a case so far.

    Attributes
    ----------
    works : tuple of LesionWork
        In the order in which they were named.
    in_hand : int or None
        Place in `works` of the one that is worked on.
    """

    works: tuple[LesionWork, ...] = ()
    in_hand: int | None = None

    def after(self, body: object, life: DeviceLife | None) -> Lesions:
        """Return the lesions after one more entry.

        Parameters
        ----------
        body : object
            The entry's body.
        life : DeviceLife or None
            The device that it is about, also one that goes in with it.
        """
        named = self
        if isinstance(body, (Lesion, Device)) and (body.lesion is not None or body.segment is not None):
            named = self._named(body.lesion, body.segment)
        if life is None or life.body.device in TO_NO_LESION or not _is_work(body):
            return named
        if named.in_hand is None:
            named = Lesions((*named.works, LesionWork()), len(named.works))
        assert named.in_hand is not None
        return named._replaced(named.in_hand, _worked(named.works[named.in_hand], body, life.number))

    def _named(self, number: int | None, segment: Segment | None) -> Lesions:
        place = self._place(number, segment)
        if place is None:
            return Lesions((*self.works, LesionWork(number, segment)), len(self.works))
        old = self.works[place]
        known = replace(old, number=number or old.number, segment=segment or old.segment)
        return replace(self._replaced(place, known), in_hand=place)

    def _place(self, number: int | None, segment: Segment | None) -> int | None:
        """Return where a lesion stands: by its number, else by its segment, of several the one in hand."""
        if number is not None:
            for place, work in enumerate(self.works):
                if work.number == number:
                    return place
        if len(self.works) == 1 and self.works[0].number is None and self.works[0].segment is None:
            return 0
        there = [
            place
            for place, work in enumerate(self.works)
            if work.segment == segment is not None and (number is None or work.number is None)
        ]
        return self.in_hand if self.in_hand in there else there[-1] if there else None

    def _replaced(self, place: int, work: LesionWork) -> Lesions:
        return replace(self, works=(*self.works[:place], work, *self.works[place + 1 :]))


def _is_work(body: object) -> bool:
    if isinstance(body, DeviceEvent):
        return body.happening in ("across", "not across", "run")
    return isinstance(body, Device) or goes_up(body)


def _worked(work: LesionWork, body: object, device: int) -> LesionWork:
    crossing = isinstance(body, DeviceEvent) and body.happening in ("across", "not across")
    failed = isinstance(body, DeviceEvent) and body.happening == "not across"
    deployed = isinstance(body, Deployment) or (
        isinstance(body, Device) and bool(body.deployed) and body.device == "stent"
    )
    return replace(
        work,
        devices=work.devices if device in work.devices else (*work.devices, device),
        attempts=work.attempts + crossing,
        failures=work.failures + failed,
        failed=(*work.failed, device) if failed and device not in work.failed else work.failed,
        inflations=work.inflations + goes_up(body),
        stents=work.stents + deployed,
    )
