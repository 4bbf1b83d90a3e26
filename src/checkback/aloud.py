"""How much of an answer is heard: all of it, little, or a tone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from checkback.certainty import RISKS
from checkback.record.entry import Entry
from checkback.speaking.voice import Tone

Verbosity = Literal["full", "brief", "tones"]
"""Full: every check-back in words.  Brief: few words, never without the numbers.  Tones: a tone for
what was taken, words for what is asked, what is critical and what would harm most if it were wrong."""


def aloud(
    reply: str, result: str, entries: tuple[Entry, ...], verbosity: Verbosity, *, say_again: str
) -> tuple[str, Tone | None]:
    """Return what the voice says for an answer, and the tone before it.

    Parameters
    ----------
    reply : str
        The answer in words.
    result : {"accepted", "asked", "ignored"}
    entries : tuple of Entry
        What was recorded for it.
    verbosity : Verbosity
    say_again : str
        The words that ask for the whole call-out again; they hold nothing that a tone does not.

    Returns
    -------
    (str, Tone or None)
        Nothing is heard if both are empty.
    """
    if verbosity != "tones" or not reply:
        return reply, None
    if reply == say_again:
        return "", "not_heard"
    if result == "asked":
        return reply, "asked"
    # a dose that was misheard looks like any other on a screen, and a card is there to be read out
    kinds = {entry.body.kind for entry in entries}
    if not kinds or "card_step" in kinds or any(RISKS.get(kind) == "high" for kind in kinds):
        return reply, None
    return "", "accepted"


def not_spoken(texts: Sequence[str], why: str) -> str:
    """Return the line that shows which sentences were silenced, and are not said again."""
    return f"not spoken: {'; '.join(texts)} ({why})"
