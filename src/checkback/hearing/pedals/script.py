"""Presses that are known in advance, for replays and demonstrations."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from pathlib import Path

from checkback.errors import UserError
from checkback.hearing.pedals.events import OnPedal, PedalEvent, action_of


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
        events = [PedalEvent(action_of(word), pressed, _seconds(at_s)) for at_s, word, pressed in presses]
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
        except OSError as error:
            raise UserError(
                f"The pedal script {path} cannot be read ({error.strerror}): check its name."
            ) from error
        except UnicodeDecodeError as error:
            raise UserError(f"The pedal script {path} is no text (UTF-8): check its name.") from error
        presses: list[tuple[float, str, bool]] = []
        for number, line in enumerate(lines, start=1):
            words = line.partition("#")[0].split()
            if not words:
                continue
            try:
                if len(words) != 3 or words[2] not in ("down", "up"):
                    raise UserError('write a time, an action and "down" or "up", like "12.5 talk down".')
                presses.append((_seconds(words[0]), action_of(words[1]), words[2] == "down"))
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


def _seconds(value: float | str) -> float:
    try:
        seconds = float(value)
    except ValueError:
        seconds = math.nan
    if not 0 <= seconds < math.inf:
        raise UserError(f'"{value}" is no time: use seconds from the start, like 12.5.')
    return seconds
