"""Pedals that press keys of the keyboard, watched through the display (Windows, macOS, X11)."""

from __future__ import annotations

import contextlib
import importlib
import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any

from checkback.errors import UserError
from checkback.hearing.pedals.bindings import Bindings, canonical
from checkback.hearing.pedals.deck import Deck
from checkback.hearing.pedals.events import OnNotice, OnPedal, PedalNotice, no_notice
from checkback.hearing.pedals.gestures import Timing

_LOOK_S = 0.5

OnKey = Callable[[str, bool, float], None]
"""Is given a key's name, whether it is down, and the time in seconds of `time.monotonic`."""


class KeyboardPedal:
    """Pedals that press keys of the keyboard, wherever the focus is.

    The keys still reach the program that has the focus.  If the display goes away, a key that is held
    counts as released, that is told, and `watching` turns False.

    Parameters
    ----------
    on_event : callable
        Is given each `PedalEvent`, in the pedal's own thread; must not raise.
    bindings : Bindings
        With key names like "f6", "page_down", "b", or "<65437>" for a key without a name.
    timing : Timing or None
    on_notice : callable
        Is told of keys that are down at the start, and of a display that went away.

    Raises
    ------
    UserError
        If keys cannot be watched here, or a key is not known.
    """

    description = "keys seen through the display"

    def __init__(
        self,
        on_event: OnPedal,
        bindings: Bindings,
        *,
        timing: Timing | None = None,
        on_notice: OnNotice = no_notice,
    ) -> None:
        keyboard = _import_keyboard()
        _check_names(bindings, keyboard)
        self._on_event = on_event
        self._on_notice = on_notice
        self._deck = Deck(bindings, timing)
        self._changes: queue.SimpleQueue[tuple[str, bool, float] | None] = queue.SimpleQueue()
        self._closed = False
        self._listener = _listen(keyboard, lambda *change: self._changes.put(change))
        self._deck.hold_back(_down_now(bindings, keyboard))
        if self._deck.stuck:
            on_notice(stuck_notice(self._deck.stuck))
        self._worker = threading.Thread(target=self._work, name="pedal", daemon=True)
        self._worker.start()

    @property
    def watching(self) -> bool:
        """False once no press would be noticed any more."""
        return not self._closed and bool(self._listener.is_alive())

    def close(self) -> None:
        """Let go of the keys; "talk" that is held ends."""
        self._closed = True
        # a display that is gone cannot be told to stop
        with contextlib.suppress(Exception):
            self._listener.stop()
        self._changes.put(None)
        self._worker.join()

    def _work(self) -> None:
        stuck = self._deck.stuck
        while self.watching:
            wait_s = min(_LOOK_S, self._deck.due_s - time.monotonic())
            try:
                change = self._changes.get(timeout=max(0.0, wait_s))
            except queue.Empty:
                events = self._deck.pass_time(time.monotonic())
            else:
                if change is None:
                    break
                events = self._deck.change(*change)
            for event in events:
                self._on_event(event)
            if stuck and not self._deck.stuck:
                self._on_notice(
                    PedalNotice("free", f"the pedal's key {', '.join(stuck)} came up, and counts")
                )
            stuck = self._deck.stuck
        for event in self._deck.let_go(time.monotonic()):
            self._on_event(event)
        if not self._closed:
            self._on_notice(
                PedalNotice(
                    "lost", "the display is gone, and with it the pedal's keys: start the program again"
                )
            )


class KeyboardKeys:
    """Every key of the keyboard as it goes down and up, for learning which one a pedal presses.

    Parameters
    ----------
    on_key : callable

    Raises
    ------
    UserError
        If keys cannot be watched here.
    """

    def __init__(self, on_key: OnKey) -> None:
        self._listener = _listen(_import_keyboard(), on_key)

    def close(self) -> None:
        """Stop watching."""
        with contextlib.suppress(Exception):
            self._listener.stop()


def stuck_notice(keys: Iterable[str]) -> PedalNotice:
    """Return the notice that keys are down before they may count."""
    return PedalNotice(
        "stuck", f"the pedal's key {', '.join(keys)} is down: it counts for nothing until it comes up"
    )


def _listen(keyboard: Any, on_key: OnKey) -> Any:
    """Start to watch the keyboard, in a thread of its own."""
    base: Any = keyboard.Listener

    class Listener(base):  # type: ignore[misc]
        def run(self) -> None:
            # it ends with an error when the display does; `is_alive` tells
            with contextlib.suppress(Exception):
                super().run()

    # the system waits for these functions, so that only the time is noted
    listener = Listener(
        on_press=lambda key: on_key(_name(key), True, time.monotonic()),
        on_release=lambda key: on_key(_name(key), False, time.monotonic()),
    )
    listener.start()
    listener.wait()
    return listener


def _import_keyboard() -> Any:
    if os.environ.get("WAYLAND_DISPLAY") and not os.environ.get("PYNPUT_BACKEND"):
        raise UserError(
            "The pedal's keys cannot be watched under Wayland: name the pedal's device with pedals.device, "
            "or log in to an X11 session."
        )
    # not at the top of the module: the import fails without the extra, and without a display
    try:
        return importlib.import_module("pynput.keyboard")
    except ModuleNotFoundError as error:
        raise UserError(
            f'The pedal needs the package {error.name}: install it with "pip install checkback[pedal]".'
        ) from error
    except Exception as error:  # what is raised depends on the system
        raise UserError(
            "The pedal's keys cannot be watched without a display: start the program on the screen of the "
            "computer that the pedal is plugged into, or name the pedal's device with pedals.device (Linux)."
        ) from error


def _check_names(bindings: Bindings, keyboard: Any) -> None:
    known = {canonical(name) for name in keyboard.Key.__members__}
    for name in bindings:
        if not (name in known or len(name) == 1 or _number(name) is not None):
            raise UserError(
                f'The pedal\'s key "{name}" is not known: use a name like "f6" or "page_down", or one letter.'
            )


def _number(name: str) -> int | None:
    digits = name.removeprefix("<").removesuffix(">")
    return int(digits) if name == f"<{digits}>" and digits.isdecimal() else None


def _name(key: Any) -> str:
    """Return the name under which a key is found in the settings."""
    if name := getattr(key, "name", None):
        return canonical(str(name))
    if char := getattr(key, "char", None):
        return canonical(str(char))
    return f"<{getattr(key, 'vk', None)}>"


def _down_now(bindings: Bindings, keyboard: Any) -> list[str]:
    """Return which of the keys are down, as far as this system tells."""
    codes = {name: code for name in bindings if (code := _code(name, keyboard)) is not None}
    try:
        if sys.platform == "win32":
            import ctypes

            state = ctypes.windll.user32.GetAsyncKeyState
            return [name for name, code in codes.items() if state(code) & 0x8000]
        if sys.platform == "darwin":
            quartz: Any = importlib.import_module("Quartz")
            source = quartz.kCGEventSourceStateHIDSystemState
            return [n for n, code in codes.items() if quartz.CGEventSourceKeyState(source, code)]
        display: Any = importlib.import_module("Xlib.display").Display()
        try:
            bits = bytes(display.query_keymap())
            places = {name: display.keysym_to_keycode(code) for name, code in codes.items()}
            return [name for name, place in places.items() if place and bits[place // 8] >> place % 8 & 1]
        finally:
            display.close()
    except Exception:  # a system that does not tell is no reason to do without the pedal
        return []


def _code(name: str, keyboard: Any) -> int | None:
    """Return the system's own number of a key: a keysym on X11, a virtual key elsewhere."""
    if (number := _number(name)) is not None:
        return number
    if len(name) == 1:
        # letters and digits have their own character as number, on X11 in lower and on Windows in upper case
        return (
            ord(name.upper()) if sys.platform == "win32" else None if sys.platform == "darwin" else ord(name)
        )
    members = {canonical(each): key for each, key in keyboard.Key.__members__.items()}
    return getattr(members[name].value, "vk", None)
