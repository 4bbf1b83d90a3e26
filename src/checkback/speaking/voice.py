"""The port that every voice stands behind, and what it is given to say."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Literal, Protocol

Tone = Literal["accepted", "asked", "not_heard", "attention"]
"""A short sound that stands for a sentence, or before one; see `checkback.speaking.tones`."""


class Urgency(IntEnum):
    """What goes first when several sentences wait."""

    REMINDER = 0
    CHECK_BACK = 1
    CRITICAL = 2


@dataclass(frozen=True, slots=True)
class Sentence:
    """Something to be said.

    Attributes
    ----------
    text : str
        The words; may be empty if there is a tone.
    urgency : Urgency
        The most urgent goes first, and a critical sentence cuts another short.
    tone : Tone or None
        Is heard before the words.
    """

    text: str
    urgency: Urgency = Urgency.CHECK_BACK
    tone: Tone | None = None


class Voice(Protocol):
    """Says short sentences, one after the other, without holding up the caller."""

    name: str

    def say(self, text: str, urgency: Urgency = Urgency.CHECK_BACK, tone: Tone | None = None) -> None:
        """Queue `text`, with `tone` before it; returns at once.

        What has to be dropped because too much waits is told to the owner of the voice.
        """
        ...

    def stop(self) -> tuple[Sentence, ...]:
        """Fall silent now and drop what is queued.

        Returns
        -------
        tuple of Sentence
            What was not heard to its end.
        """
        ...

    @property
    def speaking(self) -> bool:
        """True from the moment a sentence is queued until its last sample was played."""
        ...

    def close(self, *, timeout_s: float = 10.0) -> None:
        """Finish what is queued, at most `timeout_s`, then end the child process."""
        ...
