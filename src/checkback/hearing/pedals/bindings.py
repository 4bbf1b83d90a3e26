"""Which press of which key does what: the names of keys, and what is refused."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from checkback.errors import UserError
from checkback.hearing.pedals.events import Action, action_of
from checkback.hearing.pedals.gestures import GESTURES, NAMES, Gesture

Bindings = Mapping[str, Mapping[Gesture, Action]]
"""Key to gesture to action."""

# Every keyboard and every system has these, and no terminal gives them a meaning.  F13 and above
# would be out of the way, but Linux keyboard layouts turn them into other keys.
DEFAULT_KEYS: Mapping[str, str] = MappingProxyType(
    {"f6": "talk", "f7": "affirm", "f8": "withdraw", "f9": "mark"}
)

_ALIASES = {
    "ctrl_l": "ctrl", "leftctrl": "ctrl", "rightctrl": "ctrl_r",
    "shift_l": "shift", "leftshift": "shift", "rightshift": "shift_r",
    "alt_l": "alt", "leftalt": "alt", "rightalt": "alt_r", "alt_gr": "alt_r",
    "cmd_l": "cmd", "leftmeta": "cmd", "rightmeta": "cmd_r",
    "pagedown": "page_down", "pageup": "page_up", "capslock": "caps_lock", "numlock": "num_lock",
    "scrolllock": "scroll_lock", "sysrq": "print_screen", "compose": "menu",
    "minus": "-", "equal": "=", "leftbrace": "[", "rightbrace": "]", "semicolon": ";",
    "apostrophe": "'", "grave": "`", "backslash": "\\", "comma": ",", "dot": ".", "slash": "/",
}  # fmt: skip


def canonical(name: str) -> str:
    """Return the one name of a key: "KEY_PAGEDOWN" and "page_down" are the same."""
    low = name.strip().lower()
    if len(low) > len("key_"):
        low = low.removeprefix("key_")
    return _ALIASES.get(low, low)


def bindings_of(keys: Mapping[str, str | Mapping[str, str]]) -> dict[str, dict[Gesture, Action]]:
    """Check the keys of the settings, and return them with one name each.

    Parameters
    ----------
    keys : mapping
        Key name to an action (hold for "talk", tap for every other), or to a mapping of gesture to action.

    Raises
    ------
    UserError
        If something is not known or does not go together; names the key.
    """
    bound: dict[str, dict[Gesture, Action]] = {}
    for name, what in keys.items():
        key = canonical(name)
        if not key:
            raise UserError("A key of the pedal has no name: give one, like f6.")
        if key in bound:
            raise UserError(
                f'The pedal\'s key "{name}" is there twice, as "{key}" too: leave one of them out.'
            )
        try:
            bound[key] = _checked({what: what} if isinstance(what, str) else what, isinstance(what, str))
        except UserError as error:
            raise UserError(f'The pedal\'s key "{name}": {error}') from None
    return bound


def _checked(what: Mapping[str, str], alone: bool) -> dict[Gesture, Action]:
    bound: dict[Gesture, Action] = {}
    for word, name in what.items():
        action = action_of(name)
        gesture = ("hold" if action == "talk" else "tap") if alone else word
        if gesture not in GESTURES:
            raise UserError(
                f'There is no gesture "{word}": use {", ".join(GESTURES[:-1])} or {GESTURES[-1]}.'
            )
        if (gesture == "hold") != (action == "talk"):
            raise UserError(f"{action} cannot be bound to {gesture}: hold is for talk, and talk for hold.")
        bound[gesture] = action
    if not bound:
        raise UserError("It does nothing: give it an action, or leave it out.")
    if {"hold", "long"} <= bound.keys():
        raise UserError("Hold and long cannot be on one key: who talks presses long.")
    return bound


def in_words(bindings: Bindings) -> str:
    """Return the bindings for the screen."""
    return ", ".join(
        f"{key} {NAMES[gesture]}: {action}"
        for key, bound in bindings.items()
        for gesture, action in bound.items()
    )
