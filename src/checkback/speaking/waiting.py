"""Sentences that wait for their turn: the most urgent first, and never many."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from checkback.speaking.voice import Sentence, Urgency

MOST_WAITING = 8
"""Sentences that wait at most: more would be heard when nobody knows any longer what they are about."""

STALE_S = 20.0
"""A check-back that has waited for so long is shown only: something else is being done by now."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A sentence with its place in the order of time.

    Attributes
    ----------
    sentence : Sentence
    said_s : float
        When it was to be said, in seconds of any one clock.
    number : int
        Counts up.
    cuts : int
        How often it was cut short by a more urgent one.
    """

    sentence: Sentence
    said_s: float
    number: int
    cuts: int = 0


class Queue:
    """A bounded queue with priorities; not for several threads without a lock of the caller."""

    def __init__(self) -> None:
        self._waiting: dict[Urgency, deque[Waiting]] = {
            urgency: deque() for urgency in sorted(Urgency, reverse=True)
        }

    def __len__(self) -> int:
        return sum(map(len, self._waiting.values()))

    def push(self, new: Waiting) -> list[Waiting]:
        """Put a sentence behind those that are as urgent; return what must be dropped for it.

        The same words again take the place of those that still wait.  If there are too many, the
        oldest of the least urgent goes.
        """
        line = self._waiting[new.sentence.urgency]
        for same in [each for each in line if each.sentence == new.sentence]:
            line.remove(same)
        line.append(new)
        dropped = []
        while len(self) > MOST_WAITING:
            least = next(each for each in reversed(self._waiting.values()) if each)
            dropped.append(least.popleft())
        return dropped

    def push_back(self, cut: Waiting) -> None:
        """Put a sentence that was cut short before those that are as urgent."""
        self._waiting[cut.sentence.urgency].appendleft(cut)

    def drop_stale(self, now_s: float) -> list[Waiting]:
        """Take out check-backs that have waited for too long, and return them."""
        line = self._waiting[Urgency.CHECK_BACK]
        stale = [each for each in line if now_s - each.said_s > STALE_S]
        for each in stale:
            line.remove(each)
        return stale

    def pop(self) -> Waiting | None:
        """Take out the sentence whose turn it is; None if there is none."""
        line = next((each for each in self._waiting.values() if each), None)
        return line.popleft() if line is not None else None

    @property
    def urgency(self) -> Urgency | None:
        """How urgent the most urgent sentence is; None if there is none."""
        return next((urgency for urgency, line in self._waiting.items() if line), None)

    def clear(self) -> list[Waiting]:
        """Take out everything, in the order in which it would have been said."""
        everything = [each for line in self._waiting.values() for each in line]
        for line in self._waiting.values():
            line.clear()
        return everything
