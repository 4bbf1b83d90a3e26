"""All keys of a pedal together: changes of keys in, events out.

Pure, like `gestures`: each method is given the time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from checkback.hearing.pedals.bindings import Bindings
from checkback.hearing.pedals.contact import Contact
from checkback.hearing.pedals.events import PedalEvent
from checkback.hearing.pedals.gestures import GestureKey, TalkKey, Timing


class Deck:
    """Keys with their contacts and gestures.

    Parameters
    ----------
    bindings : Bindings
    timing : Timing

    Notes
    -----
    "Talk" begins with the first of its keys and ends with the last, so that each begin has one end.
    """

    def __init__(self, bindings: Bindings, timing: Timing | None = None) -> None:
        timing = timing or Timing()
        self._contacts = {key: Contact(timing.bounce_s) for key in bindings}
        self._gestures: dict[str, GestureKey | TalkKey] = {
            key: (TalkKey if "hold" in bound else GestureKey)(bound, timing)
            for key, bound in bindings.items()
        }
        self._stuck: set[str] = set()
        self._talking = 0

    @property
    def stuck(self) -> tuple[str, ...]:
        """Keys that count for nothing until they have come up."""
        return tuple(sorted(self._stuck))

    @property
    def held(self) -> tuple[str, ...]:
        """Keys that are down and count."""
        return tuple(k for k, contact in self._contacts.items() if contact.held and k not in self._stuck)

    @property
    def due_s(self) -> float:
        """When something happens if no key moves; infinite if nothing does."""
        return min((self._due_s(key) for key in self._contacts), default=math.inf)

    def change(self, key: str, down: bool, at_s: float) -> list[PedalEvent]:
        """Take a key that went down or up; other keys than the bound ones are left alone."""
        events = self.pass_time(at_s)
        contact = self._contacts.get(key)
        if contact is None:
            return events
        if not down:
            contact.release(at_s)
        elif contact.press() and key not in self._stuck:
            events += self._counted(self._gestures[key].press(at_s))
        return events

    def pass_time(self, now_s: float) -> list[PedalEvent]:
        """Let time go by."""
        events: list[PedalEvent] = []
        # in the order of time, also when a slow computer brings several at once
        while (due_s := self.due_s) <= now_s and due_s < math.inf:
            events += self._at(due_s, next(key for key in self._contacts if self._due_s(key) == due_s))
        return events

    def hold_back(self, keys: Iterable[str]) -> None:
        """Ignore keys that are down already, until each has come up."""
        for key in keys:
            if key in self._contacts and not self._contacts[key].held:
                self._contacts[key].press()
                self._stuck.add(key)

    def let_go(self, now_s: float) -> list[PedalEvent]:
        """Forget every key that is down: nobody will see it come up."""
        events = self.pass_time(now_s)
        for key, gesture in self._gestures.items():
            contact = self._contacts[key]
            if (up_s := contact.settle(math.inf)) is not None and key not in self._stuck:
                events += self._counted(gesture.release(up_s))
            contact.release(now_s)
            contact.settle(math.inf)
            events += self._counted(gesture.cancel(now_s))
        self._stuck.clear()
        return events

    def _due_s(self, key: str) -> float:
        contact, due_s = self._contacts[key], self._gestures[key].due_s
        settles_s = contact.settles_s
        if settles_s is None:
            return math.inf if due_s is None else due_s
        # until it is known whether the key is up, its time stands still where it went up
        assert contact.up_s is not None
        return due_s if due_s is not None and due_s <= contact.up_s else settles_s

    def _at(self, due_s: float, key: str) -> list[PedalEvent]:
        contact, gesture = self._contacts[key], self._gestures[key]
        if (up_s := contact.settle(due_s)) is None:
            return self._counted(gesture.pass_time(due_s))
        if key in self._stuck:
            self._stuck.discard(key)
            return []
        return self._counted(gesture.release(up_s))

    def _counted(self, events: list[PedalEvent]) -> list[PedalEvent]:
        """Leave out the begins and ends of talk while another of its keys is held."""
        kept = []
        for event in events:
            if event.action == "talk":
                before = self._talking
                self._talking += 1 if event.pressed else -1
                if min(before, self._talking) > 0:
                    continue
            kept.append(event)
        return kept
