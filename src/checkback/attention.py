"""The attention word: with no pedal held, it tells that what follows is meant for the program."""

from __future__ import annotations

from collections.abc import Sequence

WAITS_S = 8.0
"""Said alone, it opens the next utterance, if that begins within this time."""


def without_attention(sentence: str, attention: Sequence[str]) -> str | None:
    """Return what follows the attention words, or None if the sentence does not begin with them.

    Parameters
    ----------
    sentence : str
        Words with single spaces.
    attention : sequence of str
        The attention words; none: no sentence begins with them.
    """
    words, called = sentence.split(), list(attention)
    if not called or words[: len(called)] != called:
        return None
    return " ".join(words[len(called) :])
