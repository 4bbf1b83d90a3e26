"""What the Linux kernel tells of keys: `struct input_event`, one after the other.

The numbers and names of types and codes are those of the package `evdev`, which takes them from
linux/input-event-codes.h.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from evdev import InputEvent, ecodes

from checkback.errors import UserError
from checkback.hearing.pedals.bindings import Bindings, canonical

# linux/input.h, as a 64-bit kernel writes it: seconds, microseconds, type, code, value
RECORD = struct.Struct("<qqHHi")

_UP, _DOWN, _REPEAT = 0, 1, 2


class KeyChange(NamedTuple):
    """A key went down or up; `repeated`: it is down, and was so before."""

    key: str
    down: bool
    stamp_s: float
    repeated: bool = False


def unpack(data: bytes) -> Iterator[InputEvent]:
    """Return the events in a whole number of records."""
    for fields in RECORD.iter_unpack(data):
        yield InputEvent(*fields)


def name_of(code: int) -> str:
    """Return the name under which a key is found in the settings."""
    names = ecodes.keys.get(code)
    if names is None:
        return f"<{code}>"
    return canonical(names if isinstance(names, str) else names[0])


NAMES = frozenset(map(name_of, ecodes.keys))


def check_names(bindings: Bindings) -> None:
    """Check that a device can have the keys.

    Raises
    ------
    UserError
        If the kernel has no such key.
    """
    for name in bindings:
        number = name.removeprefix("<").removesuffix(">")
        if name not in NAMES and not (name == f"<{number}>" and number.isdecimal()):
            raise UserError(
                f'The pedal\'s key "{name}" is not known: press it with checkback pedal to see its name.'
            )


class Keys:
    """The keys of one event node.

    The kernel drops events of a reader that is too slow, and says so (SYN_DROPPED).  Then what follows
    up to the next report is worth nothing, and the state of the keys has to be asked for.
    """

    def __init__(self) -> None:
        self._dropped = False
        self._down: set[str] = set()

    def take(self, events: Iterable[InputEvent], down_now: Callable[[], Iterable[int]]) -> list[KeyChange]:
        """Return the changes of keys that events tell of.

        Parameters
        ----------
        events : iterable of InputEvent
        down_now : callable
            Returns the codes of the keys that are down; is asked only after events were dropped.
        """
        changes: list[KeyChange] = []
        for event in events:
            if event.type == ecodes.EV_SYN and event.code == ecodes.SYN_DROPPED:
                self._dropped = True
            elif self._dropped:
                if event.type == ecodes.EV_SYN and event.code == ecodes.SYN_REPORT:
                    self._dropped = False
                    changes += self._found(set(map(name_of, down_now())), event.timestamp())
            elif event.type == ecodes.EV_KEY:
                changes += self._told(name_of(event.code), event.value, event.timestamp())
        return changes

    def _told(self, key: str, value: int, stamp_s: float) -> list[KeyChange]:
        if value == _UP:
            self._down.discard(key)
            return [KeyChange(key, False, stamp_s)]
        # a key that repeats and was never seen to go down was down before
        repeated = value == _REPEAT
        if repeated and key in self._down:
            return []
        self._down.add(key)
        return [KeyChange(key, True, stamp_s, repeated)]

    def _found(self, down: set[str], stamp_s: float) -> list[KeyChange]:
        up, new = sorted(self._down - down), sorted(down - self._down)
        self._down = down
        return [KeyChange(k, False, stamp_s) for k in up] + [KeyChange(k, True, stamp_s) for k in new]
