"""What a pedal tells the rest of the program."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol, get_args

from checkback.errors import UserError

Action = Literal["talk", "affirm", "withdraw", "mark", "clock", "reminder", "card"]
ACTIONS: tuple[Action, ...] = get_args(Action)

MEANING: dict[Action, str] = {
    "talk": "hold to talk",
    "affirm": "affirm what is asked",
    "withdraw": "withdraw the last entry",
    "mark": "mark this moment",
    "clock": "balloon up, and down again",
    "reminder": "say what is due, one after the other",
    "card": "next line of the open card",
}
"""What each action does, for the screen."""

State = Literal["lost", "back", "stuck", "free"]


@dataclass(frozen=True, slots=True)
class PedalEvent:
    """An action was asked for by foot.

    Attributes
    ----------
    action : str
        One of `ACTIONS`.
    pressed : bool
        "talk" comes in pairs, True when it begins and False when it ends; every other action comes
        once, as True.
    at_s : float
        When the foot went down (at the end of "talk": came up), in seconds of `time.monotonic` (live)
        or from the start of the recording (replay).
    """

    action: Action
    pressed: bool
    at_s: float


@dataclass(frozen=True, slots=True)
class PedalNotice:
    """The pedal itself is not as it was.

    Attributes
    ----------
    state : {"lost", "back", "stuck", "free"}
        Lost: no press is noticed until it is back.  Stuck: keys were down when the pedal was taken;
        they count for nothing until they have come up, which is "free".
    what : str
        The pedal or its keys, and what to do, for the screen.
    """

    state: State
    what: str


OnPedal = Callable[[PedalEvent], None]
OnNotice = Callable[[PedalNotice], None]


def no_notice(notice: PedalNotice) -> None:
    """Take no notice."""


class Pedal(Protocol):
    """Hands events to the callable that it was made with, in its own thread."""

    @property
    def watching(self) -> bool:
        """False while no press would be noticed."""
        ...

    @property
    def description(self) -> str:
        """What is watched, for the screen."""
        ...

    def close(self) -> None:
        """Let go of the keys; "talk" that is held ends."""
        ...


def action_of(word: str) -> Action:
    """Return the action of that name.

    Raises
    ------
    UserError
        If there is none.
    """
    for action in ACTIONS:
        if word == action:
            return action
    raise UserError(f'There is no pedal action "{word}": use {", ".join(ACTIONS[:-1])} or {ACTIONS[-1]}.')
