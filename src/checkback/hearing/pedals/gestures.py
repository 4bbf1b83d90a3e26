"""What the presses of one key mean: hold, tap, double tap, long press.

Pure: each method is given the time, and returns the events that it leads to.  Times never go back.

When an action comes, from the press:

=======================  ==========================================================================
bound to the key         when
=======================  ==========================================================================
hold                     at once, and ends with the release
tap                      at once; with `long` beside it at the release, with `double` beside it once
                         the second press can no longer come, with `hold` beside it at the release
                         of a press shorter than `tap_s`
double                   at the second press, if it comes within `double_s` of the first; with `hold`
                         beside it at the second release, if both presses are shorter than `tap_s`
long                     as soon as the key was held for `long_s`
=======================  ==========================================================================

`hold` never waits for the others; `hold` and `long` on one key are refused, for who talks presses long.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from checkback.hearing.pedals.contact import BOUNCE_S
from checkback.hearing.pedals.events import Action, PedalEvent

Gesture = Literal["hold", "tap", "double", "long"]
GESTURES: tuple[Gesture, ...] = get_args(Gesture)

NAMES: dict[Gesture, str] = {"hold": "hold", "tap": "tap", "double": "double tap", "long": "long press"}
"""The gestures for the screen."""


@dataclass(frozen=True)
class Timing:
    """How fast a foot is, in seconds.

    The defaults are of our own choice, with no source; a foot is slower than a finger.

    Attributes
    ----------
    bounce_s : float
        A key that is up for less than this was not released.
    tap_s : float
        On the key that is held to talk, a press shorter than this is a tap too.
    double_s : float
        From the first press to the second of a double tap.
    long_s : float
        From here on a press is long.
    """

    bounce_s: float = BOUNCE_S
    tap_s: float = 0.25
    double_s: float = 0.5
    long_s: float = 0.8


class GestureKey:
    """A key that is not held to talk."""

    def __init__(self, bound: Mapping[Gesture, Action], timing: Timing) -> None:
        self._bound = bound
        self._timing = timing
        self._down_s: float | None = None
        #: whether the press that lasts has led to something, and leads to nothing more
        self._spent = True
        #: the press that a second one may make a double tap
        self._first_s: float | None = None

    @property
    def due_s(self) -> float | None:
        """When something happens if no key moves; None if nothing does."""
        return min((s for s in (self._long_due_s, self._window_due_s) if s is not None), default=None)

    def press(self, at_s: float) -> list[PedalEvent]:
        """Take a press."""
        events = self.pass_time(at_s)
        self._down_s, self._spent = at_s, False
        if self._first_s is not None:
            events += self._fire("double", self._first_s)
        elif "double" in self._bound:
            self._first_s = at_s
        elif "long" not in self._bound:
            events += self._fire("tap", at_s)
        return events

    def release(self, at_s: float) -> list[PedalEvent]:
        """Take a release."""
        events = self.pass_time(at_s)
        if self._down_s is not None and not self._spent and self._first_s is None:
            events += self._fire("tap", self._down_s)
        self._down_s = None
        return events

    def pass_time(self, now_s: float) -> list[PedalEvent]:
        """Let time go by."""
        events: list[PedalEvent] = []
        while (due_s := self.due_s) is not None and due_s <= now_s:
            if due_s == self._window_due_s:
                first_s, self._first_s = self._first_s, None
                assert first_s is not None
                if self._down_s is None or "long" not in self._bound:
                    events += self._fire("tap", first_s)
            else:
                assert self._down_s is not None
                events += self._fire("long", self._down_s)
        return events

    def cancel(self, at_s: float) -> list[PedalEvent]:
        """Forget a press that nobody saw the end of; a tap that was complete before still counts."""
        if self._down_s is not None and not self._spent:
            self._first_s = None
        self._down_s, self._spent = None, True
        return self.pass_time(float("inf"))

    @property
    def _long_due_s(self) -> float | None:
        if self._down_s is None or self._spent or "long" not in self._bound:
            return None
        return self._down_s + self._timing.long_s

    @property
    def _window_due_s(self) -> float | None:
        return None if self._first_s is None else self._first_s + self._timing.double_s

    def _fire(self, gesture: Gesture, at_s: float) -> list[PedalEvent]:
        self._spent, self._first_s = True, None
        return [PedalEvent(self._bound[gesture], True, at_s)] if gesture in self._bound else []


class TalkKey:
    """A key that is held to talk; short presses of it may do something more."""

    def __init__(self, bound: Mapping[Gesture, Action], timing: Timing) -> None:
        self._bound = bound
        self._timing = timing
        self._down_s: float | None = None
        self._first_s: float | None = None

    @property
    def due_s(self) -> float | None:
        """When something happens if no key moves; None if nothing does."""
        if self._first_s is None:
            return None
        if self._down_s is not None:
            # the second press is a tap, or it is talk
            return self._down_s + self._timing.tap_s
        return self._first_s + self._timing.double_s

    def press(self, at_s: float) -> list[PedalEvent]:
        """Take a press."""
        events = self.pass_time(at_s)
        self._down_s = at_s
        return [*events, PedalEvent("talk", True, at_s)]

    def release(self, at_s: float) -> list[PedalEvent]:
        """Take a release."""
        events = self.pass_time(at_s)
        if self._down_s is None:
            return events
        down_s, self._down_s = self._down_s, None
        events.append(PedalEvent("talk", False, at_s))
        if at_s - down_s >= self._timing.tap_s:
            return events
        if "double" not in self._bound:
            return events + self._fire("tap", down_s)
        if self._first_s is not None:
            return events + self._fire("double", self._first_s)
        self._first_s = down_s
        return events

    def pass_time(self, now_s: float) -> list[PedalEvent]:
        """Let time go by."""
        if (due_s := self.due_s) is None or now_s < due_s:
            return []
        assert self._first_s is not None
        return self._fire("tap", self._first_s)

    def cancel(self, at_s: float) -> list[PedalEvent]:
        """End talk; a tap that was complete before still counts."""
        ended = [] if self._down_s is None else [PedalEvent("talk", False, at_s)]
        self._down_s = None
        return ended + self.pass_time(float("inf"))

    def _fire(self, gesture: Gesture, at_s: float) -> list[PedalEvent]:
        self._first_s = None
        return [PedalEvent(self._bound[gesture], True, at_s)] if gesture in self._bound else []
