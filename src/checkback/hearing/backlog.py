"""What was said and waits to be decoded: of bounded length, and nothing is given up unseen."""

from __future__ import annotations

import threading
from collections import deque

from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Utterance

MOST_WAITING_S = 300.0
"""So much sound waits at most, 10 MB: a call-out that was answered later than that was said again long ago."""


class Backlog:
    """A bounded queue of utterances, between the thread that cuts them and the one that decodes.

    Parameters
    ----------
    most_s : float
        Length of all the sound that waits at most, s.
    """

    def __init__(self, most_s: float = MOST_WAITING_S) -> None:
        self._most_samples = round(most_s * SAMPLE_RATE_HZ)
        self._waiting: deque[Utterance] = deque()
        self._samples = 0
        #: Is being decoded.
        self._taken: Utterance | None = None
        self._ended = False
        self._changed = threading.Condition()

    def put(self, utterance: Utterance) -> list[Utterance]:
        """Put an utterance behind the others; return what is given up for it.

        The oldest goes first of what was said with no pedal held, and only then of what was meant for the
        program for sure.
        """
        given_up = []
        with self._changed:
            self._waiting.append(utterance)
            self._samples += len(utterance.pcm)
            while self._samples > self._most_samples:
                n = next((n for n, each in enumerate(self._waiting) if not each.held), 0)
                given_up.append(self._waiting[n])
                self._samples -= len(self._waiting[n].pcm)
                del self._waiting[n]
            self._changed.notify()
        return given_up

    def get(self) -> Utterance | None:
        """Wait for the next utterance and return it, the one before being done; None at the end."""
        with self._changed:
            self._taken = None
            while not self._waiting:
                if self._ended:
                    return None
                self._changed.wait()
            self._taken = self._waiting.popleft()
            self._samples -= len(self._taken.pcm)
            return self._taken

    def end(self) -> None:
        """Note that nothing more comes; what waits is still given out."""
        with self._changed:
            self._ended = True
            self._changed.notify()

    def behind_s(self, now_s: float) -> float:
        """Return how long ago the oldest utterance ended that is not decoded yet, s; 0 if there is none."""
        with self._changed:
            oldest = self._taken or next(iter(self._waiting), None)
            return 0.0 if oldest is None else max(0.0, now_s - oldest.ended_s)
