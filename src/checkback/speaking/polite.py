"""A voice that gives way to whoever is speaking to the microphone."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from checkback.speaking.voice import Sentence, Tone, Urgency, Voice
from checkback.speaking.waiting import Queue, Waiting

PATIENCE_S = 2.0
"""How long the voice waits for somebody to finish speaking; steady noise can sound like speech."""

PATIENCE_HELD_S = 15.0
"""The same while the talk pedal is held, which no noise does; a pedal can be stuck."""

GIVES_WAY_S = 0.5
"""Quiet after `stop`: whoever presses has not begun to speak yet."""


class PoliteVoice:
    """A voice that does not begin while somebody is speaking to the microphone.

    Parameters
    ----------
    voice : Voice
        The voice that speaks.
    show : callable
        Is given a line for each sentence that is not said because too much waits.

    Notes
    -----
    Critical sentences that `stop` silenced are said once more, when it is quiet again.
    """

    def __init__(self, voice: Voice, *, show: Callable[[str], None] = lambda line: None) -> None:
        self.name = voice.name
        self._voice = voice
        self._show = show
        self._lock = threading.Lock()
        self._waiting = Queue()
        self._count = 0
        self._said_again: set[Sentence] = set()
        self._since_s: float | None = None
        self._quiet_until_s = float("-inf")
        self._followed = False

    def say(self, text: str, urgency: Urgency = Urgency.CHECK_BACK, tone: Tone | None = None) -> None:
        """Say `text` now, or as soon as the speaker has finished."""
        with self._lock:
            now_s = time.monotonic()
            if not self._followed or (self._since_s is None and now_s >= self._quiet_until_s):
                self._voice.say(text, urgency, tone)
                return
            self._wait(Sentence(text, urgency, tone), now_s)

    def follow(self, in_speech: bool, now_s: float, *, held: bool = False) -> None:
        """Note whether somebody is speaking, and whether the talk pedal is held for it."""
        with self._lock:
            self._followed = True
            if not in_speech:
                self._since_s = None
                if now_s >= self._quiet_until_s:
                    self._pass_on()
                return
            if self._since_s is None:
                self._since_s = now_s
            if now_s - self._since_s > (PATIENCE_HELD_S if held else PATIENCE_S):
                self._pass_on()

    def let_go(self) -> None:
        """Say what waits; from now on nobody tells whether somebody is speaking."""
        with self._lock:
            self._followed = False
            self._since_s = None
            self._pass_on()

    def stop(self) -> tuple[Sentence, ...]:
        """Fall silent and drop what waits, except for what is critical and was not said again yet."""
        with self._lock:
            now_s = time.monotonic()
            unsaid = (*self._voice.stop(), *(each.sentence for each in self._waiting.clear()))
            kept = [each for each in unsaid if each.urgency is Urgency.CRITICAL]
            kept = [each for each in dict.fromkeys(kept) if each not in self._said_again]
            self._said_again = set(kept)
            if self._followed:
                self._quiet_until_s = now_s + GIVES_WAY_S
            for sentence in kept:
                if self._followed:
                    self._wait(sentence, now_s)
                else:
                    self._voice.say(sentence.text, sentence.urgency, sentence.tone)
            return tuple(each for each in unsaid if each not in kept)

    @property
    def speaking(self) -> bool:
        """True while the voice is heard."""
        return self._voice.speaking

    def close(self, *, timeout_s: float = 10.0) -> None:
        """Say what waits and close the voice."""
        self.let_go()
        self._voice.close(timeout_s=timeout_s)

    def _wait(self, sentence: Sentence, now_s: float) -> None:
        self._count += 1
        for dropped in self._waiting.push(Waiting(sentence, now_s, self._count)):
            self._show(f"not spoken: {dropped.sentence.text} (newer sentences wait)")

    def _pass_on(self) -> None:
        for each in self._waiting.clear():
            self._voice.say(each.sentence.text, each.sentence.urgency, each.sentence.tone)
