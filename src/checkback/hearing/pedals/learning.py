"""Learning a pedal by pressing it: which key, on which device, and how it was pressed."""

from __future__ import annotations

import queue
import selectors
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import Literal, Protocol

from checkback.errors import UserError
from checkback.hearing.pedals.bindings import bindings_of, in_words
from checkback.hearing.pedals.deck import Deck
from checkback.hearing.pedals.devices import best_name, devices
from checkback.hearing.pedals.events import ACTIONS, MEANING, Action
from checkback.hearing.pedals.gestures import NAMES, Gesture
from checkback.hearing.pedals.keyboard import KeyboardKeys
from checkback.hearing.pedals.opening import How, pedal_extra

WAIT_S = 20.0
"""How long is waited for a press."""

TRIES = 3

Ask = Callable[[str], bool]
"""Puts a question that is answered with yes or no."""

Show = Callable[[str], None]
"""Shows a line."""


@dataclass(frozen=True)
class Learned:
    """What was pressed.

    Attributes
    ----------
    watch : {"evdev", "display"}
    keys : dict
        Key to gesture to action.
    device : str or None
        What the settings call the device; None for "display".
    description : str
        What the device is, for the screen.
    grab : bool
        Whether it may be taken away from all other programs.
    """

    watch: Literal["evdev", "display"]
    keys: dict[str, dict[Gesture, Action]]
    device: str | None = None
    description: str = "keys seen through the display"
    grab: bool = True

    def settings(self) -> dict[str, object]:
        """Return it as the keys of [pedals] in the settings; None: the key is to go."""
        short: dict[str, object] = {}
        for key, bound in self.keys.items():
            ((gesture, action), *more) = bound.items()
            alone = not more and gesture == ("hold" if action == "talk" else "tap")
            short[key] = action if alone else dict(bound)
        grab = None if self.watch == "display" or self.grab else False
        return {"use": True, "watch": self.watch, "device": self.device, "grab": grab, "keys": short}

    def __str__(self) -> str:
        return f"{in_words(self.keys)}; {self.description}"


@dataclass(frozen=True)
class Pressed:
    """A key went down or up; `device` is None if only the key is known."""

    key: str
    down: bool
    at_s: float
    device: str | None = None


class KeySource(Protocol):
    """Every key that moves, whatever it is on."""

    watch: Literal["evdev", "display"]

    def next(self, timeout_s: float) -> Pressed | None:
        """Return the next change of a key, or None after a while without one."""
        ...

    def name(self, device: str) -> str:
        """Return what the settings call a device."""
        ...

    def close(self) -> None:
        """Stop watching."""
        ...


class DisplayKeys:
    """The keys of the keyboard, through the display.

    Raises
    ------
    UserError
        If they cannot be watched here.
    """

    watch: Literal["evdev", "display"] = "display"

    def __init__(self) -> None:
        self._changes: queue.SimpleQueue[Pressed] = queue.SimpleQueue()
        self._keys = KeyboardKeys(lambda key, down, at_s: self._changes.put(Pressed(key, down, at_s)))

    def next(self, timeout_s: float) -> Pressed | None:
        """Return the next change of a key, or None after a while without one."""
        with suppress(queue.Empty):
            return self._changes.get(timeout=max(0.0, timeout_s))
        return None

    def name(self, device: str) -> str:
        """Return what the settings call a device."""
        return device

    def close(self) -> None:
        """Stop watching."""
        self._keys.close()


class DeviceKeys:
    """The keys of one device of Linux, or of all that may be read; none is taken from other programs.

    Parameters
    ----------
    device : str or None
        As in `linux.DevicePedal`; None: all.

    Raises
    ------
    UserError
        If there is none, or none may be read.
    """

    watch: Literal["evdev", "display"] = "evdev"

    def __init__(self, device: str | None = None) -> None:
        with pedal_extra():
            from checkback.hearing.pedals.linux import Node, every_node, nodes_of
            from checkback.hearing.pedals.records import Keys
        self._device = device
        self._selector = selectors.DefaultSelector()
        self._waiting: list[Pressed] = []
        self._among = devices()
        self._nodes: list[tuple[str, Node]]
        if device is None:
            found = every_node(self._among)
            if not found:
                raise UserError("No device with keys is plugged in: plug the pedal in.")
            self._nodes = [(str(each), node) for each, node in found]
        else:
            what, nodes = nodes_of(device)
            self._nodes = [(what, node) for node in nodes]
        for what, node in self._nodes:
            self._selector.register(node, selectors.EVENT_READ, (what, node, Keys()))

    def next(self, timeout_s: float) -> Pressed | None:
        """Return the next change of a key, or None after a while without one."""
        if not self._waiting:
            if not self._selector.get_map():
                raise UserError("The pedal was unplugged: plug it in and begin anew.")
            for found, _ in self._selector.select(max(0.0, timeout_s)):
                what, node, keys = found.data
                try:
                    changes = keys.take(list(node.read()), node.active_keys)
                except BlockingIOError:
                    continue
                except OSError:
                    # it was unplugged; the others may go on
                    self._selector.unregister(node)
                    continue
                now_s = time.monotonic()
                self._waiting += [Pressed(c.key, c.down, now_s, what) for c in changes if not c.repeated]
        return self._waiting.pop(0) if self._waiting else None

    def name(self, device: str) -> str:
        """Return what the settings call a device."""
        if self._device is not None:
            return self._device
        return next((best_name(each, self._among) for each in self._among if str(each) == device), device)

    def close(self) -> None:
        """Stop watching."""
        self._selector.close()
        for _, node in self._nodes:
            with suppress(OSError):
                node.close()


def open_keys(show: Show, *, watch: How = "auto", device: str | None = None) -> KeySource:
    """Watch all keys: as devices where that is possible on Linux, else through the display.

    Raises
    ------
    UserError
        If neither is possible; says why.
    """
    if watch == "display" or sys.platform != "linux":
        return DisplayKeys()
    try:
        return DeviceKeys(device)
    except UserError as refused:
        if watch == "evdev" or device is not None:
            raise
        try:
            source = DisplayKeys()
        except UserError as error:
            raise UserError(f"{refused} {error}") from None
        show(f"{refused} Until then its keys are seen through the display, and reach other programs too.")
        return source


def learn(
    ask: Ask,
    show: Show,
    *,
    source: KeySource | None = None,
    watch: How = "auto",
    device: str | None = None,
    actions: Sequence[Action] = ACTIONS,
    wait_s: float = WAIT_S,
    clock: Callable[[], float] = time.monotonic,
) -> Learned | None:
    """Ask for each action, and wait for the press that shall do it.

    Parameters
    ----------
    ask, show : callable
    source : KeySource or None
        What is watched, and stays open; None: opened by `watch` and `device`, see `open_keys`.
    actions : sequence of str
    wait_s : float
        How long is waited for each press.
    clock : callable
        Returns the time in seconds, on the clock of the source.

    Returns
    -------
    Learned or None
        None if nothing was pressed, or no action was wanted.

    Raises
    ------
    UserError
        If no key can be watched.
    """
    with _opened(source, show, watch, device) as keys:
        return _Lesson(ask, show, keys, wait_s, clock).run(actions)


@contextmanager
def _opened(source: KeySource | None, show: Show, watch: How, device: str | None) -> Iterator[KeySource]:
    if source is not None:
        yield source
        return
    keys = open_keys(show, watch=watch, device=device)
    try:
        yield keys
    finally:
        keys.close()


@dataclass
class _Lesson:
    ask: Ask
    show: Show
    keys: KeySource
    wait_s: float
    clock: Callable[[], float]
    bound: dict[str, dict[Gesture, Action]] = field(default_factory=dict)
    device: str | None = None

    def run(self, actions: Sequence[Action]) -> Learned | None:
        for action in actions:
            if self.ask(f"{action} ({MEANING[action]}): shall a pedal do that?"):
                self._bind(action)
        if not self.bound:
            return None
        if self.device is None:
            return Learned(self.keys.watch, self.bound)
        grab = self.ask(
            f"Shall {self.device} be taken away from all other programs while checkback listens? "
            "No, if it is the keyboard that you type on."
        )
        return Learned(self.keys.watch, self.bound, self.keys.name(self.device), self.device, grab)

    def _bind(self, action: Action) -> None:
        how = "press it" if action == "talk" else "tap it, tap it twice, or hold it for a second"
        for _ in range(TRIES):
            # what was pressed before it is asked for, as to answer the question, does not count
            while self.keys.next(0.0) is not None:
                pass
            self.show(f"{action}: now the pedal, {how}.")
            found = self._press(only_hold=action == "talk")
            if found is None:
                self.show(f"Nothing was pressed for {self.wait_s:g} s: no pedal does {action}.")
                return
            key, gesture = found
            there = self.bound.get(key, {})
            wanted = {**there, gesture: action}
            try:
                if gesture in there:
                    raise UserError(
                        f'The pedal\'s key "{key}": {NAMES[gesture]} does {there[gesture]} already.'
                    )
                bindings_of({key: {str(way): does for way, does in wanted.items()}})
            except UserError as error:
                self.show(f"{error} Another pedal, please, or another way.")
                continue
            self.bound[key] = wanted
            self.show(f"{key}, {NAMES[gesture]}: {action}.")
            return
        self.show(f"No pedal does {action}.")

    def _press(self, *, only_hold: bool) -> tuple[str, Gesture] | None:
        """Wait for a press to its end; None if none came."""
        until_s = self.clock() + self.wait_s
        while (now_s := self.clock()) < until_s:
            pressed = self.keys.next(until_s - now_s)
            if pressed is None or not pressed.down:
                continue
            if self.device is None:
                self.device = pressed.device
            elif pressed.device != self.device:
                self.show(f"That was {pressed.device}; the pedal is {self.device}.")
                continue
            return pressed.key, self._gesture(pressed, only_hold=only_hold)
        return None

    def _gesture(self, first: Pressed, *, only_hold: bool) -> Gesture:
        """Follow one key until it is known what was done with it, and it has come up."""
        ways: dict[Gesture, Action] = {"tap": "affirm", "double": "withdraw", "long": "clock"}
        deck = Deck({first.key: ways})
        events = deck.change(first.key, True, first.at_s)
        while deck.held or not (events or only_hold):
            change = self.keys.next(min(deck.due_s - self.clock(), 0.5))
            if change is None:
                events += deck.pass_time(self.clock())
            elif change.device == first.device:
                events += deck.change(change.key, change.down, change.at_s)
        if only_hold:
            return "hold"
        return next(gesture for gesture, action in ways.items() if action == events[0].action)
