"""Sentences that were made into sound already."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import replace

from checkback.speaking.sound import Sound

KEPT_S = 60.0
"""So much sound is kept of what nobody prepared: nearly every check-back has numbers of its own and is said once."""


class SoundStore:
    """Keeps what was prepared for good, and of the rest what was used last.

    May be used from several threads.

    Parameters
    ----------
    kept_s : float
        Length of all the sound that is kept of the rest, s.
    """

    def __init__(self, kept_s: float = KEPT_S) -> None:
        self._kept_s = kept_s
        self._prepared: dict[str, Sound] = {}
        self._others: OrderedDict[str, Sound] = OrderedDict()
        self._others_s = 0.0
        self._lock = threading.Lock()

    def __len__(self) -> int:
        """How many sentences are kept."""
        return len(self._prepared) + len(self._others)

    @property
    def duration_s(self) -> float:
        """Length of the sound that is kept of what was not prepared, s."""
        return self._others_s

    def get(self, text: str) -> Sound | None:
        """Return a sentence as sound, or None if it is not kept."""
        with self._lock:
            if text in self._others:
                self._others.move_to_end(text)
                return self._others[text]
            return self._prepared.get(text)

    def put(self, text: str, sound: Sound, *, for_good: bool = False) -> None:
        """Keep a sentence; with `for_good` until the end of the program."""
        # a part of a longer sound would keep all of that
        alone = replace(sound, pcm=sound.pcm.copy())
        with self._lock:
            if (old := self._others.pop(text, None)) is not None:
                self._others_s -= old.duration_s
            if for_good or text in self._prepared:
                self._prepared[text] = alone
                return
            self._others[text] = alone
            self._others_s += alone.duration_s
            while self._others_s > self._kept_s:
                self._others_s -= self._others.popitem(last=False)[1].duration_s
