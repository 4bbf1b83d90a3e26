"""Foot pedals: keys that are watched wherever the keyboard's focus is, or a script for replays.

Most foot pedals for computers are keyboards with one to four keys.  A pedal can do four things:
hold to talk, affirm, withdraw, and mark the moment.
"""

from __future__ import annotations

import contextlib
import importlib
import math
import os
import queue
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, Protocol, get_args

from checkback.errors import UserError

Action = Literal["talk", "affirm", "withdraw", "mark"]
ACTIONS: tuple[Action, ...] = get_args(Action)

# Every keyboard and every system has these, and no terminal gives them a meaning.  F13 and above
# would be out of the way, but Linux keyboard layouts turn them into other keys.
DEFAULT_KEYS: Mapping[str, Action] = MappingProxyType(
    {"f6": "talk", "f7": "affirm", "f8": "withdraw", "f9": "mark"}
)
BOUNCE_S = 0.03
_LOOK_S = 0.5


@dataclass(frozen=True, slots=True)
class PedalEvent:
    """A pedal went down or came up.

    Attributes
    ----------
    action : str
        "talk", "affirm", "withdraw" or "mark".
    pressed : bool
        True when it went down.
    at_s : float
        Seconds of `time.monotonic` (live), or from the start of the recording (replay).
    """

    action: Action
    pressed: bool
    at_s: float


OnPedal = Callable[[PedalEvent], None]


class Pedal(Protocol):
    """Hands presses and releases to the callable that it was made with, in the order of time."""

    @property
    def watching(self) -> bool:
        """False once no press would be noticed any more."""
        ...

    def close(self) -> None:
        """Let go of the keys."""
        ...


class Contact:
    """Whether one key is held, without its bounces and without the keyboard's repeats.

    A release counts only once the key has stayed up for a while: a contact that bounces, and an X
    server that repeats a held key, press it again at once.  A press counts immediately.

    Parameters
    ----------
    bounce_s : float
        How long a key must stay up to count as released, in seconds.
    """

    def __init__(self, bounce_s: float = BOUNCE_S) -> None:
        self.held = False
        self._bounce_s = bounce_s
        self._up_s: float | None = None

    @property
    def settles_s(self) -> float | None:
        """When a release will count if nothing comes in between; None if none is pending."""
        return None if self._up_s is None else self._up_s + self._bounce_s

    def press(self) -> bool:
        """Take a press; True if it counts."""
        self._up_s = None
        counts, self.held = not self.held, True
        return counts

    def release(self, at_s: float) -> None:
        """Take a release."""
        if self.held:
            self._up_s = at_s

    def settle(self, now_s: float) -> float | None:
        """Return the time of a release that counts by now, once; else None."""
        if self.settles_s is None or now_s < self.settles_s:
            return None
        up_s, self._up_s, self.held = self._up_s, None, False
        return up_s


class KeyboardPedal:
    """Pedals that press keys of the keyboard.

    The keys still reach the program that has the focus.  If the display goes away, a key that is held
    counts as released, and `watching` turns False.

    Parameters
    ----------
    on_event : callable
        Is given each `PedalEvent`, in the pedal's own thread; must not raise.
    keys : mapping of str to str, or None
        Key name ("f6", "page_down", "b", or "<65437>" for a key without a name) to action.
    bounce_s : float
        How long a key must stay up to count as released, in seconds.

    Raises
    ------
    UserError
        If keys cannot be watched here, or a key or an action is not known.
    """

    def __init__(
        self, on_event: OnPedal, *, keys: Mapping[str, str] | None = None, bounce_s: float = BOUNCE_S
    ) -> None:
        keyboard = _import_keyboard()
        self._on_event = on_event
        self._actions = _checked(DEFAULT_KEYS if keys is None else keys, keyboard)
        self._contacts = {name: Contact(bounce_s) for name in self._actions}
        self._changes: queue.SimpleQueue[tuple[str, bool, float] | None] = queue.SimpleQueue()
        self._closed = False

        base: Any = keyboard.Listener

        class Listener(base):  # type: ignore[misc]
            def run(self) -> None:
                # It ends with an error when the display does; `watching` tells.
                with contextlib.suppress(Exception):
                    super().run()

        self._listener = Listener(
            on_press=lambda key: self._note(key, True), on_release=lambda key: self._note(key, False)
        )
        self._listener.start()
        self._listener.wait()
        self._worker = threading.Thread(target=self._work, name="pedal", daemon=True)
        self._worker.start()

    @property
    def watching(self) -> bool:
        """False once no press would be noticed any more."""
        return not self._closed and bool(self._listener.is_alive())

    def close(self) -> None:
        """Let go of the keys; one that is held counts as released."""
        self._closed = True
        # A display that is gone cannot be told to stop.
        with contextlib.suppress(Exception):
            self._listener.stop()
        self._changes.put(None)
        self._worker.join()

    def _note(self, key: Any, pressed: bool) -> None:
        # The system waits for this function, so that it only notes the time.
        name = _name(key)
        if name in self._contacts:
            self._changes.put((name, pressed, time.monotonic()))

    def _work(self) -> None:
        while self.watching:
            due = [c.settles_s - time.monotonic() for c in self._contacts.values() if c.settles_s is not None]
            try:
                change = self._changes.get(timeout=max(0.0, min(due, default=_LOOK_S)))
            except queue.Empty:
                self._settle(time.monotonic())
                continue
            if change is None:
                break
            name, pressed, at_s = change
            self._settle(at_s)
            if not pressed:
                self._contacts[name].release(at_s)
            elif self._contacts[name].press():
                self._on_event(PedalEvent(self._actions[name], True, at_s))
        self._settle(math.inf)
        now_s = time.monotonic()
        for contact in self._contacts.values():
            contact.release(now_s)
        self._settle(math.inf)

    def _settle(self, now_s: float) -> None:
        for name, contact in self._contacts.items():
            if (up_s := contact.settle(now_s)) is not None:
                self._on_event(PedalEvent(self._actions[name], False, up_s))


class ScriptedPedal:
    """Presses that are known in advance, for replays and demonstrations.

    Parameters
    ----------
    presses : iterable of (float, str, bool)
        Seconds from the start, action, and True for down; in any order.

    Attributes
    ----------
    events : tuple of PedalEvent
        The presses in the order of time.

    Raises
    ------
    UserError
        If an action is not known, or a time is negative or not a number.
    """

    def __init__(self, presses: Iterable[tuple[float, str, bool]]) -> None:
        events = [PedalEvent(_action(word), pressed, _seconds(at_s)) for at_s, word, pressed in presses]
        self.events = tuple(sorted(events, key=lambda event: event.at_s))

    @classmethod
    def from_file(cls, path: Path) -> ScriptedPedal:
        """Read a script with lines like `12.5 talk down`; `#` begins a comment.

        Raises
        ------
        UserError
            If the file cannot be read or a line cannot be understood; names the line.
        """
        try:
            lines = path.read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            raise UserError(f"The pedal script {path} cannot be read ({error}): check its name.") from error
        presses: list[tuple[float, str, bool]] = []
        for number, line in enumerate(lines, start=1):
            words = line.partition("#")[0].split()
            if not words:
                continue
            try:
                if len(words) != 3 or words[2] not in ("down", "up"):
                    raise UserError('write a time, an action and "down" or "up", like "12.5 talk down".')
                presses.append((_seconds(words[0]), _action(words[1]), words[2] == "down"))
            except UserError as error:
                raise UserError(
                    f"The pedal script {path}, line {number}, is not understood: {error}"
                ) from error
        return cls(presses)

    def play(self, on_event: OnPedal, wait_until: Callable[[float], None]) -> None:
        """Hand each event to `on_event` when `wait_until`, given its time in seconds, returns."""
        for event in self.events:
            wait_until(event.at_s)
            on_event(event)


def _import_keyboard() -> Any:
    if os.environ.get("WAYLAND_DISPLAY") and not os.environ.get("PYNPUT_BACKEND"):
        raise UserError("The pedal's keys cannot be watched under Wayland: log in to an X11 session.")
    # Not at the top of the module: the import fails without the extra, and without a display.
    try:
        return importlib.import_module("pynput.keyboard")
    except ModuleNotFoundError as error:
        raise UserError(
            f'The pedal needs the package {error.name}: install it with "pip install checkback[pedal]".'
        ) from error
    except Exception as error:  # what is raised depends on the system
        raise UserError(
            "The pedal's keys cannot be watched without a display: start the program on the screen of the "
            "computer that the pedal is plugged into."
        ) from error


def _checked(keys: Mapping[str, str], keyboard: Any) -> dict[str, Action]:
    known = set(keyboard.Key.__members__)
    for name in keys:
        number = name.removeprefix("<").removesuffix(">")
        if not (name in known or len(name) == 1 or (name == f"<{number}>" and number.isdecimal())):
            raise UserError(
                f'The pedal\'s key "{name}" is not known: use a name like "f6" or "page_down", or one letter.'
            )
    return {name.lower(): _action(word) for name, word in keys.items()}


def _name(key: Any) -> str:
    """Return the name under which a key is found in the settings."""
    if name := getattr(key, "name", None):
        return str(name)
    if char := getattr(key, "char", None):
        return str(char).lower()
    return f"<{getattr(key, 'vk', None)}>"


def _action(word: str) -> Action:
    for action in ACTIONS:
        if word == action:
            return action
    raise UserError(f'There is no pedal action "{word}": use {", ".join(ACTIONS[:-1])} or {ACTIONS[-1]}.')


def _seconds(value: float | str) -> float:
    try:
        seconds = float(value)
    except ValueError:
        seconds = math.nan
    if not 0 <= seconds < math.inf:
        raise UserError(f'"{value}" is no time: use seconds from the start, like 12.5.')
    return seconds
